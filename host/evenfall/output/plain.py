"""Runs, groups and comparisons as plain dicts in SI: what `--json` prints and the screen draws."""

from __future__ import annotations

from dataclasses import asdict
from typing import Any

from evenfall.archive.archive import Archive
from evenfall.model import Reduction
from evenfall.output.text import SI, banner, verdict_sentence
from evenfall.reduction.engine_figures import band_mean, engine_figures
from evenfall.statistics.compare import Comparison, Gain
from evenfall.statistics.control_chart import RULES, Chart
from evenfall.statistics.groups import Group


def run_as_json(archive: Archive, number: int, reduction: Reduction) -> dict[str, Any]:
    """All that is known of a reduced run, SI units, per bin."""
    row = archive.row(number)
    run = archive.run(number)
    bins = reduction.bins
    return {
        **row,
        "details": archive.details(number),
        "damage": run.damage,
        "start_tick": run.start_tick,
        "board_verdict": run.verdict,
        "standard": reduction.standard,
        "air_factor": reduction.air_factor,
        "air_factor_u": reduction.air_factor_u,
        "air_factor_in_range": reduction.air_factor_in_range,
        "peak_power": vars(reduction.peak_power_W),
        "peak_torque": vars(reduction.peak_torque_Nm),
        "mean_power": vars(band_mean(reduction.bins)),
        "engine_figures": vars(engine_figures(reduction, archive.engine_size(number))),
        "sweep_time_s": reduction.sweep_time_s,
        "sweep_time_set_s": run.settings["sweep_time"] / 1000 if "sweep_time" in run.settings else None,
        "budget": reduction.budget,
        "notes": reduction.notes,
        "failed": reduction.failed,
        "not_known": reduction.not_known,
        "banner": banner(reduction),
        "inputs": reduction.inputs,
        "bins": [
            dict(zip(vars(bins), values, strict=True))
            for values in zip(*(a.tolist() for a in vars(bins).values()), strict=True)
        ],
    }


def comparison_as_json(c: Comparison) -> dict[str, Any]:
    """The comparison in SI."""

    def gain(g: Gain) -> dict[str, Any]:
        return {
            **asdict(g),
            "relative": g.relative,
            "relative_half_width": g.relative_half_width,
            "real": g.real,
        }

    bins = vars(c.bins)
    return {
        "outcome": c.outcome,
        "verdict": verdict_sentence(c, SI),
        "peak_power_W": gain(c.peak_power),
        "peak_torque_Nm": gain(c.peak_torque),
        "mean_power_W": gain(c.mean_power),
        "band_rpm": list(c.band_rpm),
        "band_asked": c.band_asked,
        "calibration_cancels": c.calibration_cancels,
        "decide": c.decide_relative,
        "more_runs_each": c.more_runs,
        "decidable": c.decidable_relative,
        "sessions": list(c.sessions),
        "drift": c.drift_relative,
        "differences": [d.sentence for d in c.differences],
        "before": group_as_json(c.before),
        "after": group_as_json(c.after),
        "bins": [
            dict(zip(bins, values, strict=True))
            for values in zip(*(a.tolist() for a in bins.values()), strict=True)
        ],
        "without_warming": comparison_as_json(c.settled) if c.settled else None,
    }


def group_as_json(g: Group) -> dict[str, Any]:
    """The group in SI."""
    columns = {
        "speed_rpm": g.speed_rpm,
        "torque_Nm": g.torque_Nm.mean,
        "torque_half_Nm": g.torque_Nm.half_width,
        "torque_r_Nm": g.torque_Nm.r,
        "power_W": g.power_W.mean,
        "power_half_W": g.power_W.half_width,
        "power_r_W": g.power_W.r,
        "runs": g.power_W.n,
    }
    return {
        "label": g.label,
        "left_out": g.left_out,
        "runs": [p.key for p in g.runs],
        "peak_power_W": float(g.peak_power_W.mean[0]),
        "peak_power_half_W": float(g.peak_power_W.half_width[0]),
        "peak_power_r_W": float(g.peak_power_W.r[0]),
        "peak_power_rpm": g.peak_power_rpm,
        "peak_torque_Nm": float(g.peak_torque_Nm.mean[0]),
        "peak_torque_half_Nm": float(g.peak_torque_Nm.half_width[0]),
        "peak_torque_r_Nm": float(g.peak_torque_Nm.r[0]),
        "peak_torque_rpm": g.peak_torque_rpm,
        "level": dict(zip((str(p.key) for p in g.runs), g.level.tolist(), strict=True)),
        "findings": [
            {
                "kind": f.kind,
                "runs": [g.runs[i].key for i in f.indices],
                "sentence": f.sentence,
                "p": f.p_value,
            }
            for f in g.findings
        ],
        "bins": [
            dict(zip(columns, values, strict=True))
            for values in zip(*(a.tolist() for a in columns.values()), strict=True)
        ],
    }


def chart_as_json(result: Chart) -> dict[str, Any]:
    """The control chart in SI."""
    return {
        "centre_W": result.centre_W,
        "sigma_W": result.sigma_W,
        "limits_W": result.limits_W,
        "baseline": result.baseline,
        "sessions": [
            {"label": s.label, "mean_W": m, "runs": len(s.peak_power_W)}
            for s, m in zip(result.sessions, result.mean_W, strict=True)
        ],
        "alarms": [asdict(a) for a in result.alarms],
        "rules": RULES,
        "s_r_W": result.precision.s_r if result.precision else None,
        "s_R_W": result.precision.s_R if result.precision else None,
        "week_pairs": result.week_pairs,
        "week_limit": result.week_limit_relative,
        "today": result.newest_session_sentence,
    }
