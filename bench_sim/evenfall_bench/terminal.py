"""Text for a terminal."""

from __future__ import annotations

import unicodedata


def printable(text: str) -> str:
    r"""Text of a scenario or a board with control characters as escapes; line ends and tabs stay.

    >>> print(printable("a\x1b[2Jb"))
    a\x1b[2Jb
    """
    return "".join(
        c if c in "\n\t" or unicodedata.category(c) not in ("Cc", "Cf", "Cs") else ascii(c)[1:-1]
        for c in text
    )
