"""Megabytes of what a user installs, and how long the commands take to start.  Printed by ``make bench``."""

from __future__ import annotations

import os
import resource
import subprocess
import sys
from collections.abc import Sequence
from importlib import metadata
from pathlib import Path

import pytest
from packaging.requirements import Requirement

pytestmark = pytest.mark.study
EXTRAS = ("curves", "board", "bench", "screen", "parquet")


def installed(name: str, extras: Sequence[str], seen: set[str]) -> set[str]:
    """Names of the distribution `name` with `extras` and of all it asks for, added to `seen`."""
    here = name.lower().replace("_", "-")
    if here in seen and not extras:
        return seen
    seen.add(here)
    for line in metadata.requires(name) or ():
        wanted = Requirement(line)
        if wanted.marker is None or any(wanted.marker.evaluate({"extra": e}) for e in ("", *extras)):
            installed(wanted.name, sorted(wanted.extras), seen)
    return seen


def megabytes(name: str) -> float:
    """Of the files of a distribution as they lie here, compiled Python files as well."""
    files = metadata.files(name) or ()
    return sum(f.stat().st_size for p in files if (f := Path(str(p.locate()))).is_file()) / 1e6


def test_megabytes_of_the_parts() -> None:
    core = installed("evenfall", (), set())
    print(f"\n{'core':8} {sum(map(megabytes, core)):6.0f} MB, evenfall itself left out")
    print("         " + ", ".join(f"{n} {megabytes(n):.0f}" for n in sorted(core) if megabytes(n) > 1))
    for extra in EXTRAS:
        more = installed("evenfall", (extra,), set()) - core
        print(f"{extra:8} {sum(map(megabytes, more)):6.0f} MB more: {', '.join(sorted(more))}")
        assert more


def processor_s(words: list[str], environment: dict[str, str]) -> float:
    """User and system time of a program, in seconds."""
    before = resource.getrusage(resource.RUSAGE_CHILDREN)
    subprocess.run(words, check=True, env=environment, stdout=subprocess.DEVNULL)
    after = resource.getrusage(resource.RUSAGE_CHILDREN)
    return after.ru_utime + after.ru_stime - before.ru_utime - before.ru_stime


def test_time_to_start(tmp_path: Path) -> None:
    """Least of eight; the ways take turns."""
    environment = {**os.environ, "EVENFALL_ARCHIVE": str(tmp_path)}
    evenfall = str(Path(sys.executable).with_name("evenfall"))
    subprocess.run(
        [evenfall, "demo", "--recorded", "--folder", str(tmp_path)], check=True, stdout=subprocess.DEVNULL
    )
    ways = {
        "python -c pass": [sys.executable, "-c", "pass"],
        "evenfall --help": [evenfall, "--help"],
        "evenfall runs list": [evenfall, "runs", "list"],
        "evenfall compare": [evenfall, "compare", "1-3", "4-6"],
    }
    least = dict.fromkeys(ways, 9e9)
    for _ in range(8):
        for name, words in ways.items():
            least[name] = min(least[name], processor_s(words, environment))
    print("\nprocessor time against `python -c pass`")
    for name, took in least.items():
        print(f"{name:20} {took / least['python -c pass']:6.1f}")
    assert least["evenfall --help"] < 10 * least["python -c pass"]
