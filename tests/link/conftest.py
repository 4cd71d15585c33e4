"""One flash image with two stored runs, recorded once by the real firmware."""

from __future__ import annotations

from pathlib import Path

import pytest
from line_rig import record_runs, runs_on_flash


@pytest.fixture(scope="session")
def recorded(tmp_path_factory: pytest.TempPathFactory) -> Path:
    """Image of a board that has recorded two runs."""
    image = tmp_path_factory.mktemp("recorded") / "flash.img"
    record_runs(image)
    return image


@pytest.fixture(scope="session")
def stored(recorded: Path) -> dict[int, bytes]:
    """{run number: bytes on flash}, read by another littlefs."""
    return {number: data for number, (data, _) in runs_on_flash(recorded).items()}
