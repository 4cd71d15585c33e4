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
    assert not [r["seed"] for r in made["random"] for p in r["runs"] if sweep_study.broken(p)]
    usual = [r for r in made["class"] if r["servo_Hz"] == 50]
    later = [p for r in usual for p in r["runs"][1:]]
    assert all(abs(r["runs"][0]["sweep_s"] - 10) <= 0.2 for r in usual)
    assert sum(abs(p["sweep_s"] - 10) <= 0.05 for p in later) >= 0.9 * len(later)
    assert all(p["rms_percent"] <= 0.5 for r in usual if r["hp"] < 20 for p in r["runs"][1:])
    for row in made["repeat"]:
        assert max(row[water]["beyond_percent"] for water in ("as it was", "water -20 %")) <= 0.3
