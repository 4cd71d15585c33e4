"""What can go wrong, each with one clear sentence as its message and an exit code."""

from __future__ import annotations


class EvenfallError(Exception):
    """The message says what is wrong, where, and what to do."""

    exit_code = 1


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
