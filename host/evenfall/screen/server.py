"""The page's server: what it sends, what it accepts.  Loopback only; `access` checks every request first."""

from __future__ import annotations

import asyncio
import json
import logging
import mimetypes
import socket
import sqlite3
from collections.abc import AsyncIterator, Callable
from pathlib import Path
from typing import Any

import uvicorn
from starlette.applications import Starlette
from starlette.concurrency import run_in_threadpool
from starlette.requests import Request
from starlette.responses import JSONResponse, Response, StreamingResponse
from starlette.routing import Route

from evenfall.archive.database import explained
from evenfall.errors import EvenfallError, LinkError
from evenfall.json_values import json_ready
from evenfall.screen import drive_handlers, library_handlers, live_handlers, session_handlers, setup_handlers
from evenfall.screen.access import LOOPBACK, MAX_BODY, AccessControl, AccessKeys
from evenfall.screen.context import Context, GetHandler, PostHandler

PAGE = Path(__file__).parent / "static"
PERIOD_S = 0.1  # of the events
STATUS = {2: 422, 3: 503, 4: 409, 5: 500, 6: 404, 7: 500}  # of our exit codes
PARTS = (live_handlers, library_handlers, setup_handlers, drive_handlers, session_handlers)
# a GET changes nothing on the board or in the archive; what changes something is a POST
GET_HANDLERS: dict[str, GetHandler] = {k: v for part in PARTS for k, v in part.GET_HANDLERS.items()}
POST_HANDLERS: dict[str, PostHandler] = {k: v for part in PARTS for k, v in part.POST_HANDLERS.items()}
log = logging.getLogger("evenfall.screen")


# --- the server ---


def application(context: Context, keys: AccessKeys) -> AccessControl:
    """The whole server as an ASGI application."""

    async def post(request: Request) -> Response:
        handler = POST_HANDLERS.get(request.path_params["name"])
        if handler is None:
            return JSONResponse({"error": "there is no such action"}, 404)
        data = await request.body()
        if len(data) > MAX_BODY:
            return JSONResponse({"error": "that is too long"}, 413)
        try:
            body = json.loads(data or b"{}")
        except ValueError:
            body = None
        if not isinstance(body, dict):
            return JSONResponse({"error": "the request is no JSON object"}, 400)
        return await respond(lambda: handler(context, body))

    async def get(request: Request) -> Response:
        handler = GET_HANDLERS.get(request.path_params["name"])
        if handler is None:
            return JSONResponse({"error": "there is no such question"}, 404)
        params = dict(request.query_params)
        return await respond(lambda: handler(context, params))

    async def events(request: Request) -> Response:
        return StreamingResponse(stream(context), media_type="text/event-stream")

    async def page(request: Request) -> Response:
        return static_file(request.path_params.get("name", "index.html"))

    async def report(request: Request) -> Response:
        name = request.path_params["name"]
        return await respond(lambda: library_handlers.report_page(context, name))

    routes = [
        Route("/", page),
        Route("/page/{name}", page),
        Route("/events", events),
        Route("/query/{name}", get),
        Route("/action/{name}", post, methods=["POST"]),
        Route("/report/{name}", report),
    ]
    return AccessControl(Starlette(routes=routes), keys)


async def respond(do: Callable[[], Any]) -> Response:
    """The answer of a question or an action; a failure is one sentence with a fitting status."""
    try:
        result = await run_in_threadpool(do)
    except sqlite3.Error as error:
        cause = explained(error)
        return JSONResponse({"error": str(cause)}, STATUS.get(cause.exit_code, 500))
    except EvenfallError as error:
        return JSONResponse({"error": str(error)}, STATUS.get(error.exit_code, 500))
    except Exception as error:
        log.exception("a fault of this program")
        return JSONResponse({"error": f"a fault of this program ({type(error).__name__}: {error})"}, 500)
    if isinstance(result, Response):
        return result
    return Response(as_json(result), media_type="application/json")


async def stream(context: Context) -> AsyncIterator[str]:
    """Server-sent events: all that is known, ten times a second while something changes.

    Each event holds the whole state and the points that are new since the one before, so a window that
    comes late or again is complete after one event, and two windows show the same.
    """
    worker = context.worker
    version, number, sent = -1, -1, 0
    quiet = 0.0
    while not context.stopping():
        if worker.version != version or quiet >= 1.0:
            version, quiet = worker.version, 0.0
            snapshot = await run_in_threadpool(worker.snapshot, sent)
            if snapshot["sweep"]["number"] != number or len(snapshot["sweep"]["points"]) > 600:
                number, sent = snapshot["sweep"]["number"], 0
                snapshot = await run_in_threadpool(worker.snapshot, 0)
            sent += len(snapshot["sweep"]["points"])
            snapshot["guided"] = context.guided()
            yield f"data: {as_json(snapshot)}\n\n"
        await asyncio.sleep(PERIOD_S)
        quiet += PERIOD_S


def as_json(value: Any) -> str:
    """JSON in which what is not a number is null."""
    return json.dumps(json_ready(value), allow_nan=False, separators=(",", ":"))


FILES = {path.name: path for path in PAGE.iterdir()} if PAGE.is_dir() else {}


def static_file(name: str) -> Response:
    """One of the page's own files, by a name from the list; no path is ever joined."""
    path = FILES.get(name)
    if path is None:
        return Response("there is no such file\n", 404, media_type="text/plain")
    kind = mimetypes.guess_type(name)[0] or "application/octet-stream"
    return Response(path.read_bytes(), media_type="text/javascript" if name.endswith(".js") else kind)


def listen(port: int) -> socket.socket:
    """A socket of this computer's loopback address; `port` 0: any free one.  LinkError when it is taken."""
    sock = socket.socket(socket.AF_INET, socket.SOCK_STREAM)
    sock.setsockopt(socket.SOL_SOCKET, socket.SO_REUSEADDR, 1)
    try:
        sock.bind((LOOPBACK, port))
    except OSError as error:
        sock.close()
        raise LinkError(
            f"port {port} of this computer is taken ({error.strerror}): is another screen open? Close it, "
            "or give another number with --http-port"
        ) from None
    return sock


def make_server(context: Context, keys: AccessKeys) -> uvicorn.Server:
    """The server, not yet running: `run([socket])` serves until `should_exit`."""
    config = uvicorn.Config(
        application(context, keys),
        log_level="warning",
        access_log=False,
        server_header=False,
        date_header=False,
        timeout_graceful_shutdown=1,
        lifespan="off",
        ws="none",
    )
    server = uvicorn.Server(config)
    context.stopping = lambda: server.should_exit
    return server


def serve(context: Context, keys: AccessKeys, sock: socket.socket, started: Callable[[], None]) -> None:
    """Serve until Ctrl-C; `started` is called once the page answers."""
    server = make_server(context, keys)

    async def run() -> None:
        task = asyncio.create_task(server.serve([sock]))
        while not server.started and not task.done():
            await asyncio.sleep(0.01)
        if server.started:
            started()
        await task

    asyncio.run(run())
