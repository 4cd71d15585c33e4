"""A person's terminal: a pty of 80 columns and 24 lines with a shell in it, drawn by a terminal emulator.

What a person must read may neither be cut nor leave the screen unread: `Terminal` keeps every line that a
program wrote since the person typed last, and how the screen looked, as text or as a picture.
"""

from __future__ import annotations

import fcntl
import os
import pty
import re
import select
import signal
import struct
import termios
import time
from collections.abc import Callable
from pathlib import Path

import pyte
from wcwidth import wcswidth

COLUMNS, LINES = 80, 24
PROMPT = "$ "
ESCAPES = re.compile(r"\x1b\[[0-9;?]*[A-Za-z]|\x1b[()][A-Z0-9]|\x1b[=>]")


class Terminal:
    """A shell in a terminal.  Use as a context."""

    def __init__(self, folder: Path, env: dict[str, str]) -> None:
        self.screen = pyte.HistoryScreen(COLUMNS, LINES, history=10_000, ratio=0.5)
        self._stream = pyte.ByteStream(self.screen)
        self.said = ""  # raw text since the person typed last
        self.wide: list[str] = []  # lines that did not fit into the width
        self.scrolled: list[str] = []  # blocks that were longer than the screen
        self.pictures: Path | None = None
        child, self._fd = pty.fork()
        if child == 0:
            os.chdir(folder)
            os.execvpe(
                "bash", ["bash", "--norc", "--noprofile", "-i"], {**env, "PS1": PROMPT, "TERM": "linux"}
            )
        self._child = child
        fcntl.ioctl(self._fd, termios.TIOCSWINSZ, struct.pack("HHHH", LINES, COLUMNS, 0, 0))

    def __enter__(self) -> Terminal:
        self.wait_for(re.escape(PROMPT) + "$")
        return self

    def __exit__(self, *_: object) -> None:
        os.kill(self._child, signal.SIGHUP)
        os.close(self._fd)
        os.waitpid(self._child, 0)

    # --- what is there ---

    def text(self) -> str:
        """The screen as it stands."""
        return "\n".join(line.rstrip() for line in self.screen.display).rstrip()

    def lines_said(self) -> list[str]:
        """Lines since the person typed last, as a terminal without an end would show them."""
        out = []
        drawn = self.said.replace("\x1b[2K", "\r")  # a bar erases its line and draws it anew
        for line in ESCAPES.sub("", drawn).split("\n"):
            out.append(line.rstrip("\r").split("\r")[-1])
        return out

    # --- what a person does ---

    def wait_for(self, pattern: str, seconds: float = 60.0) -> str:
        """Read until the text since the last typing ends with `pattern` (a regular expression)."""
        end = time.monotonic() + seconds
        wanted = re.compile(pattern)
        while not wanted.search(ESCAPES.sub("", self.said)):
            if time.monotonic() > end:
                raise AssertionError(
                    f"{pattern!r} did not come in {seconds:.0f} s; the screen:\n{self.text()}"
                )
            self._read(0.1)
        self._read(0.05)
        return "\n".join(self.lines_said())

    def type(self, text: str) -> None:
        """A line and Enter; before it, what was said since the last one is looked at."""
        self._look()
        self.said = ""
        os.write(self._fd, text.encode() + b"\r")

    def key(self, text: str) -> None:
        os.write(self._fd, text.encode())

    def run(self, command: str, seconds: float = 120.0) -> str:
        """A command, until the shell asks for the next; what it printed."""
        self.type(command)
        self.wait_for(r"\n" + re.escape(PROMPT) + "$", seconds)
        said = "\n".join(self.lines_said()[1:-1])
        self._look(scrolls=True)  # a table may be longer than the screen: its end is what is there
        self.said = ""
        return said

    def _read(self, wait_s: float) -> None:
        if select.select([self._fd], [], [], wait_s)[0]:
            try:
                data = os.read(self._fd, 65536)
            except OSError:
                return
            self._stream.feed(data)
            self.said += data.decode(errors="replace")

    def _look(self, scrolls: bool = False) -> None:
        """Note what was cut by the width, or left the screen before the person could answer to it."""
        lines = self.lines_said()
        # a path is one word: it is never cut, it goes on in the next line
        words = [line for line in lines[1:] if " " in line.strip()]
        self.wide += [line for line in words if wcswidth(line) > COLUMNS]
        if not scrolls and len(lines) - 1 > LINES:
            self.scrolled.append("\n".join(lines[1:]))

    def picture(self, name: str) -> None:
        """Keep the screen as NAME.png, where pictures are wanted."""
        if self.pictures:
            draw(self.screen, self.pictures / f"{name}.png")


def until(found: Callable[[], bool], seconds: float, what: str) -> None:
    """Wait for something that happens elsewhere."""
    end = time.monotonic() + seconds
    while not found():
        assert time.monotonic() < end, f"{what} did not come in {seconds:.0f} s"
        time.sleep(0.1)


COLOURS = {
    "black": "#101010", "red": "#d04040", "green": "#50b050", "brown": "#c0a040", "blue": "#6080e0",
    "magenta": "#b060b0", "cyan": "#40b0b0", "white": "#d8d8d8", "default": "",
}  # fmt: skip


def draw(screen: pyte.Screen, path: Path) -> None:
    """The screen as a picture, in the face that Matplotlib brings."""
    from matplotlib import font_manager
    from PIL import Image, ImageDraw, ImageFont

    faces = [
        ImageFont.truetype(
            font_manager.findfont(font_manager.FontProperties(family="DejaVu Sans Mono", weight=weight)),
            15,
        )
        for weight in ("normal", "bold")
    ]
    width, height = round(faces[0].getlength("M")), 19
    image = Image.new("RGB", (COLUMNS * width + 8, LINES * height + 8), "#101010")
    pen = ImageDraw.Draw(image)
    for row in range(LINES):
        for column in range(COLUMNS):
            cell = screen.buffer[row][column]
            ink = COLOURS.get(cell.fg) if cell.fg in COLOURS else f"#{cell.fg}"
            paper = COLOURS.get(cell.bg) if cell.bg in COLOURS else f"#{cell.bg}"
            ink, paper = ink or "#d8d8d8", paper or "#101010"
            if cell.reverse:
                ink, paper = paper, ink
            x, y = 4 + column * width, 4 + row * height
            if paper != "#101010":
                pen.rectangle((x, y, x + width, y + height), fill=paper)
            pen.text((x, y), cell.data, fill=ink, font=faces[cell.bold])
    path.parent.mkdir(parents=True, exist_ok=True)
    image.save(path)
