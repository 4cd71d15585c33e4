"""What the driver tests share."""

import shutil
import sysconfig
from pathlib import Path

import pytest


@pytest.fixture(scope="session")
def micropython():
    """The MicroPython unix interpreter of the virtual environment."""
    found = shutil.which("micropython", path=sysconfig.get_path("scripts"))
    assert found, "no micropython beside python: run make setup"
    return str(Path(found))
