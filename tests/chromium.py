"""The system's Chromium, for tests that open a page."""

from __future__ import annotations

import os
from pathlib import Path

import pytest

CHROMIUM = Path("/usr/bin/chromium")


def need_chromium(what: str) -> None:
    """Skip where there is no Chromium, unless the run demands one; the reason names `what` is not opened."""
    if CHROMIUM.exists():
        return
    if os.environ.get("EVENFALL_REQUIRE_CHROMIUM") == "1":
        pytest.fail(f"{CHROMIUM} is missing although EVENFALL_REQUIRE_CHROMIUM=1; apt-get install chromium")
    pytest.skip(
        f"{CHROMIUM} is not installed (apt-get install chromium): the {what} is not opened in a browser"
    )
