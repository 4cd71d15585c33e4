"""The study of the sweep controller as part of ``make bench``."""

from __future__ import annotations

import sys
from pathlib import Path

import pytest

sys.path.insert(0, str(Path(__file__).resolve().parents[2] / "bench_sim" / "studies"))


@pytest.mark.study
def test_sweep_study():
    import sweep_study

    made = sweep_study.main([])
    bad = [r for r in made["random"] if sweep_study.broken(r["pulls"][2])]
    assert len(bad) <= 0.03 * len(made["random"])
