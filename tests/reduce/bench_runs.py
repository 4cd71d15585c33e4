"""Runs of the simulated bench with the board's real firmware: raw run, what it is reduced with, truth.

The run comes over the port into an archive, as in a person's hands; truth comes from the bench.
"""

from __future__ import annotations

import tomllib
from dataclasses import dataclass, replace
from typing import Any

import numpy as np
from evenfall.archive.archive import Archive
from evenfall.model import Air, Calibration, Run, Setup
from evenfall.workflow.reduce_service import inputs_of
from evenfall_bench import host_runner, scenario, truth
from evenfall_bench.physics import TRUTH_FIELDS, Bench
from evenfall_bench.session import Session


@dataclass(frozen=True)
class BenchRun:
    """One run, and all that its truth comes from."""

    run: Run
    raw: bytes
    calibration: Calibration
    setup: Setup
    air: Air
    scenario: dict[str, Any]
    engine: dict[str, float]
    run_start_s: float
    records: dict[str, np.ndarray]  # by TRUTH_FIELDS, whole session

    def true_bins(self, first_s: float, last_s: float) -> dict[float, dict[str, float]]:
        """SWEEP_JSON.md's true_bins by speed, between two times of the run: those the reduction used.

        Full throttle only: a reduction that takes in more than that errs.
        """
        first, last = first_s + self.run_start_s, last_s + self.run_start_s
        time = self.records["time_s"]
        near = (time > first - 0.2) & (time < last + 0.2)
        records = list(zip(*(self.records[name][near].tolist() for name in TRUTH_FIELDS), strict=True))
        return {
            b["speed_rpm"]: b for b in truth.bins(Bench(self.scenario), records, self.engine, first, last)
        }


def bench_runs(name: str, seed: int = 1, runs: int = 1, **change: dict[str, Any]) -> list[BenchRun]:
    """Boot a bundled bench, let the person make `runs`, fetch them; raises when any is missing.

    `change` is laid over the scenario's tables: engine={"wander": 0.0}.
    """
    partial = tomllib.loads(scenario.bundled()[name].read_text())
    for table, values in change.items():
        partial[table] = {**partial.get(table, {}), **values}
    whole = scenario.complete(partial)
    out = []
    result: dict[str, Any] = {}
    with Session(whole, seed, runs) as session:
        told = host_runner.tell_set_up(session)
        session.run_script()
        person = session.operator
        result["runs"] = [
            {"opened_s": o, "closed_s": c, "engine": e}
            for o, c, e in zip(person.opened_s, person.closed_s, person.engine_states, strict=True)
        ]
        host_runner.fetch_and_reduce(session, result, told)
        if "error" in result:
            raise RuntimeError(f"{result['error']}; {result.get('host_messages')}")
        table = np.array(session.bench.truth)
        records = {name: table[:, i] for i, name in enumerate(TRUTH_FIELDS)}
        with Archive(session.folder / "archive") as archive:
            for told_run in result["runs"]:
                if "host" not in told_run:
                    raise RuntimeError(f"seed {seed}: a run left no run; {result.get('host_messages')}")
                number = told_run["host"]["run"]
                run = archive.run(number)
                calibration, setup, air, _ = inputs_of(archive, number, run)
                # these benches have none of it, as if friction, hoses, vibration and lag had been measured
                calibration = replace(calibration, hysteresis_u_N=1e-9, hose_u_N=0.0, shake_u_N=0.0)
                setup = replace(setup, cell_lag_u_s=0.0)
                out.append(
                    BenchRun(
                        run, archive.raw(number), calibration, setup, air, whole,
                        told_run["engine"], told_run["run_start_s"], records,
                    )
                )  # fmt: skip
    return out
