"""Constraints with the lowest versions that pyproject.toml allows of what evenfall itself needs.

The tools of the tests are left to pip: only what a user installs is held down.
"""

import re
import tomllib
from pathlib import Path

project = tomllib.loads((Path(__file__).parents[1] / "pyproject.toml").read_text())["project"]
extras = project["optional-dependencies"]
for requirement in [
    *project["dependencies"],
    *(r for e in ("bench", "board", "curves", "parquet", "screen") for r in extras[e]),
]:
    found = re.fullmatch(r"([A-Za-z0-9._-]+)(?:\[.*\])?>=([0-9.a-z]+)(?:,.*)?", requirement)
    if found:
        print(f"{found[1]}=={found[2]}")
