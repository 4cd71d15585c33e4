"""evenfall screen: the bench in a window of the browser."""

from __future__ import annotations

import contextlib
import sys
import tempfile
import threading
from pathlib import Path

import click

from evenfall.cli._root import archive_option, echo, port_option, progress, root, units_option
from evenfall.errors import EvenfallError

HTTP_PORT = 8317


@root.command()
@port_option
@archive_option
@click.option(
    "--practice", is_flag=True, help="At a simulated bench (invented data), in an archive of its own."
)
@click.option(
    "--http-port",
    type=click.IntRange(0, 65535),
    default=HTTP_PORT,
    show_default=True,
    help="Port of the page on this computer; 0: any free one.",
)
@click.option("--no-browser", is_flag=True, help="Print the address, open no window.")
@units_option
@click.pass_context
def screen(
    context: click.Context,
    port: str | None,
    archive_dir: Path,
    practice: bool,
    http_port: int,
    no_browser: bool,
    units: str,
) -> None:
    """The bench in a window of your browser.

    Live view, library, set-up: one page on this computer only. While it runs it alone
    talks to the board; runs are fetched whether a window is open or not.
    """
    source = context.get_parameter_source("port")
    if practice and source is not None and source.name == "COMMANDLINE":
        raise click.UsageError("--practice brings its own board; leave --port out, or leave --practice out")
    try:
        from evenfall.screen.server import listen
    except ModuleNotFoundError as error:
        raise EvenfallError(f"{error.name} is missing: pip install 'evenfall[screen]'") from None
    from evenfall.board.link import Link, find_port

    with contextlib.ExitStack() as stack:
        sock = stack.enter_context(contextlib.closing(listen(http_port)))
        hands = None
        if practice:
            from evenfall.screen.practice import practising

            given = context.get_parameter_source("archive_dir")
            if given is None or given.name != "COMMANDLINE":
                archive_dir = Path(
                    stack.enter_context(tempfile.TemporaryDirectory(prefix="evenfall-practice-"))
                )
            progress("Invented data: the engine bench of a volunteer trail crew.")
            bench = stack.enter_context(practising(archive_dir, progress))
            port, hands = str(bench.port), bench.hands
        run(sock, lambda: Link(port or find_port()), archive_dir, units, hands, not no_browser)


def run(sock, find, folder, units, hands, window) -> None:  # type: ignore[no-untyped-def]  # as `screen` has them
    """Own the port and serve the page until Ctrl-C."""
    from evenfall.screen.access import AccessKeys
    from evenfall.screen.port_worker import PortWorker
    from evenfall.screen.server import Context, serve

    keys = AccessKeys(sock.getsockname()[1])
    worker = PortWorker(find, folder)

    def started() -> None:
        echo(f"The bench screen: {keys.new_address()}")
        progress(
            "The address opens the page once. Enter: another address. Ctrl-C ends; runs stay on the board."
        )
        if window:
            import webbrowser  # takes as long to import as all commands

            webbrowser.open(keys.new_address())
        threading.Thread(target=more_addresses, daemon=True).start()

    def more_addresses() -> None:
        for _ in sys.stdin:
            echo(f"The bench screen: {keys.new_address()}")

    worker.start()
    try:
        serve(Context(worker, folder, units, hands), keys, sock, started)
    finally:
        worker.close()
