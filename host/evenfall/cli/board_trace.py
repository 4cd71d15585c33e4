"""evenfall board trace: decoded frames of a link, or of a saved capture."""

from __future__ import annotations

import time
from pathlib import Path

import click

from evenfall.cli._root import echo, json_option, noun, open_link, port_option, print_json, progress
from evenfall.errors import InputError

board = noun("board", "Ask and set the board: status, runs, settings, zero, self-test.")


@board.command()
@click.argument("capture", required=False, type=click.Path(path_type=Path, dir_okay=False))
@port_option
@click.option(
    "--save", type=click.Path(path_type=Path, dir_okay=False), help="Keep the bytes of the link here."
)
@json_option
def trace(capture: Path | None, port: str | None, save: Path | None, as_json: bool) -> None:
    """Print the decoded frames of a capture or of the board.

    CAPTURE holds bytes of a line, or a run file.  Without it the board is greeted and asked for its
    status, its list of runs and its settings; what it answers is shown.
    """
    from evenfall.board import trace as tracing

    if capture is not None:
        try:
            data = capture.read_bytes()
        except OSError as error:
            raise InputError(f"{capture}: it cannot be read ({error.strerror})") from None
    else:
        data = _talk(port)
        if save is not None:
            save.write_bytes(data)
            progress(f"wrote {len(data)} bytes to {save}")
    found = list(tracing.frames(data))
    if as_json:
        print_json(found)
        return
    for frame in found:
        echo(tracing.line_of(frame))
    damaged = sum("damage" in f for f in found)
    progress(f"{len(found)} frames, {damaged} of them damaged")


def _talk(port: str | None) -> bytes:
    """Bytes that the board sent while it was asked who, how and what it is."""
    line = open_link(port)
    heard = bytearray()
    line.listener = heard.extend
    with line:
        began = time.monotonic()
        line.status()
        line.runs()
        line.settings()
        progress(f"asked for {time.monotonic() - began:.1f} s")
    return bytes(heard)
