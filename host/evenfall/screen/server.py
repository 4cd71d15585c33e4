"""The page's server: what it sends, what it may be told.  Loopback only; `guard` stands before all of it."""

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
from evenfall.screen import at_the_bench, bench_setup, drive_runs, guided, library
from evenfall.screen.bench import Action, Bench, Question
from evenfall.screen.guard import LOOPBACK, MAX_BODY, Guard, Keys

PAGE = Path(__file__).parent / "static"
PERIOD_S = 0.1  # of the events
STATUS = {2: 422, 3: 503, 4: 409, 5: 500, 6: 404, 7: 500}  # of our exit codes
PARTS = (at_the_bench, library, bench_setup, drive_runs, guided)
ACTIONS: dict[str, Action] = {name: do for part in PARTS for name, do in part.ACTIONS.items()}  # each a POST
# each a GET; changes nothing
QUESTIONS: dict[str, Question] = {name: see for part in PARTS for name, see in part.QUESTIONS.items()}
log = logging.getLogger("evenfall.screen")


# --- the server ---


def application(bench: Bench, keys: Keys) -> Guard:
    """The whole server as an ASGI application."""

    async def act(request: Request) -> Response:
        action = ACTIONS.get(request.path_params["name"])
        if action is None:
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
        return await answered(lambda: action(bench, body))

    async def see(request: Request) -> Response:
        question = QUESTIONS.get(request.path_params["name"])
        if question is None:
            return JSONResponse({"error": "there is no such question"}, 404)
        asked = dict(request.query_params)
        return await answered(lambda: question(bench, asked))

    async def events(request: Request) -> Response:
        return StreamingResponse(stream(bench), media_type="text/event-stream")

    async def page(request: Request) -> Response:
        return file_of(request.path_params.get("name", "index.html"))

    async def report(request: Request) -> Response:
        name = request.path_params["name"]
        return await answered(lambda: library.report_page(bench, name))

    routes = [
        Route("/", page),
        Route("/page/{name}", page),
        Route("/events", events),
        Route("/see/{name}", see),
        Route("/do/{name}", act, methods=["POST"]),
        Route("/report/{name}", report),
    ]
    return Guard(Starlette(routes=routes), keys)


async def answered(do: Callable[[], Any]) -> Response:
    """The answer of a question or an action; a failure is one sentence with a fitting status."""
    try:
        result = await run_in_threadpool(do)
    except sqlite3.Error as error:
        told = explained(error)
        return JSONResponse({"error": str(told)}, STATUS.get(told.exit_code, 500))
    except EvenfallError as error:
        return JSONResponse({"error": str(error)}, STATUS.get(error.exit_code, 500))
    except Exception as error:
        log.exception("a fault of this program")
        return JSONResponse({"error": f"a fault of this program ({type(error).__name__}: {error})"}, 500)
    if isinstance(result, Response):
        return result
    return Response(as_json(result), media_type="application/json")


async def stream(bench: Bench) -> AsyncIterator[str]:
    """Server-sent events: all that is known, ten times a second while something changes.

    Each event holds the whole state and the points that are new since the one before, so a window that
    comes late or again is complete after one event, and two windows show the same.
    """
    owner = bench.owner
    version, number, sent = -1, -1, 0
    quiet = 0.0
    while not bench.over():
        if owner.version != version or quiet >= 1.0:
            version, quiet = owner.version, 0.0
            seen = await run_in_threadpool(owner.seen, sent)
            if seen["sweep"]["number"] != number or len(seen["sweep"]["points"]) > 600:
                number, sent = seen["sweep"]["number"], 0
                seen = await run_in_threadpool(owner.seen, 0)
            sent += len(seen["sweep"]["points"])
            seen["guided"] = bench.guided()
            yield f"data: {as_json(seen)}\n\n"
        await asyncio.sleep(PERIOD_S)
        quiet += PERIOD_S


def as_json(value: Any) -> str:
    """JSON in which what is not a number is null."""
    return json.dumps(json_ready(value), allow_nan=False, separators=(",", ":"))


FILES = {path.name: path for path in PAGE.iterdir()} if PAGE.is_dir() else {}


def file_of(name: str) -> Response:
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


def server_of(bench: Bench, keys: Keys) -> uvicorn.Server:
    """The server, not yet running: `run([socket])` serves until `should_exit`."""
    config = uvicorn.Config(
        application(bench, keys),
        log_level="warning",
        access_log=False,
        server_header=False,
        date_header=False,
        timeout_graceful_shutdown=1,
        lifespan="off",
        ws="none",
    )
    server = uvicorn.Server(config)
    bench.over = lambda: server.should_exit
    return server


def serve(bench: Bench, keys: Keys, sock: socket.socket, started: Callable[[], None]) -> None:
    """Serve until Ctrl-C; `started` is called once the page answers."""
    server = server_of(bench, keys)

    async def run() -> None:
        task = asyncio.create_task(server.serve([sock]))
        while not server.started and not task.done():
            await asyncio.sleep(0.01)
        if server.started:
            started()
        await task

    asyncio.run(run())
