"""What the board said, as the page shows it: plain values in SI, ready for JSON."""

from __future__ import annotations

from dataclasses import dataclass, field
from typing import Any

from evenfall.errors import EvenfallError
from evenfall.model import Air
from evenfall.reduction.air import correction
from evenfall.workflow import live_view
from evenfall.workflow.live_view import View

SWEEPING = ("steady", "sweep", "release")
RECORDED = (*SWEEPING, "record", "characterise")
# status bits that must be there, or the person has to look at something
MAX_POINTS = 4000  # of one sweep: 10 a second for more than six minutes
NEEDED = ("load_ok", "clock_set", "store_ok", "settings_ok")


def power_W(view: View, settings: dict[str, int]) -> float | None:
    """Power at the brake as read, or None while the teeth are not known.

    After a lost cable the board may be in a run, where its settings are not asked: those known before serve.
    """
    teeth = view.teeth
    if teeth is None and "engine_teeth" in settings:
        teeth = (settings["engine_teeth"], settings["brake_teeth"])
    return live_view.power_W(view.status, teeth) if view.status else None


def of_view(view: View, settings: dict[str, int], standard: str, typed_air: Air | None) -> dict[str, Any]:
    """The fields of one reading; values of an old reading stay while the board is away."""
    out: dict[str, Any] = {
        "connected": view.connected,
        "cause": view.cause,
        "sentence": view.sentence,
        "reconnects": view.reconnects,
        "fetched": view.fetched,
        "reading": None,
    }
    s = view.status
    if s is None:
        return out
    out["reading"] = {
        "state": s["state"],
        "fault": s["fault"],
        "speed_rpm": s["speed"],
        "set_rpm": s["set_speed"],
        "torque_Nm": s["torque"],
        "power_W": power_W(view, settings),
        "valve_open": valve_share(s["valve"], settings),
        "load_count": s["load_count"],
        "runs_waiting": s["runs_unacked"],
        "flash_free_KiB": s["flash_free"],
        "flags": s["flags"],
        "missing": [name for name in NEEDED if name not in s["flags"]],
        "air": air_of(s, standard, typed_air),
    }
    return out


def valve_share(pulse_us: float, settings: dict[str, int]) -> float | None:
    """How far the valve is open, 0 to 1; None while the servo's ends are not known."""
    shut, wide = settings.get("servo_shut"), settings.get("servo_open")
    if shut is None or wide is None or shut == wide:
        return None
    return min(1.0, max(0.0, (pulse_us - shut) / (wide - shut)))


def air_of(s: dict[str, Any], standard: str, typed_air: Air | None) -> dict[str, Any] | None:
    """Air at the intake and its factor; None when nobody has read it."""
    if "air_ok" in s["flags"]:
        air = Air(s["pressure"], s["temperature"] + 273.15, s["humidity"] / 100, source="board")
    elif typed_air is not None:
        air = typed_air
    else:
        return None
    out: dict[str, Any] = {
        "pressure_Pa": air.pressure_Pa,
        "temperature_K": air.temperature_K,
        "humidity": air.relative_humidity,
        "source": air.source,
        "factor": None,
    }
    try:
        day = correction(air, standard)
    except EvenfallError as error:
        out["sentence"] = str(error)
        return out
    return {**out, "factor": day.factor, "standard": day.standard.title, "in_range": day.in_range}


@dataclass
class Phase:
    """Follows the sweep: when it began, and the points of speed, set point and torque since then."""

    state: str = ""
    reconnects: int = -1  # of the line when the settings were read
    began: float = 0.0  # the recording
    swept: float | None = None  # the ramp
    number: int = 0  # of the sweep, so that a page knows a new one
    points: list[list[float | None]] = field(default_factory=list)  # s, rpm, rpm, N.m, W, 1 in the ramp
    last: float = 0.0

    def follow(self, now: float, s: dict[str, Any], watts: float | None) -> None:
        """Take in one reading."""
        state = s["state"]
        if state in RECORDED and self.state not in RECORDED:
            self.began, self.swept, self.points = now, None, []
            self.number += 1
        if state == "sweep" and self.swept is None:
            self.swept = now
        if state in RECORDED and len(self.points) < MAX_POINTS:
            self.points.append(
                [
                    round(now - self.began, 2),
                    s["speed"],
                    s["set_speed"] or None,
                    s["torque"],
                    watts,
                    int(state == "sweep"),
                ]
            )
        self.state, self.last = state, now

    def snapshot(self, settings: dict[str, int], points_from: int) -> dict[str, Any]:
        """Number, points, and while the ramp runs the seconds it has left."""
        length_s = settings["sweep_time"] / 1000 if "sweep_time" in settings else None
        left = None
        if self.state == "sweep" and self.swept is not None and length_s is not None:
            left = max(0.0, length_s - (self.last - self.swept))
        return {
            "number": self.number,
            "length_s": length_s,
            "end_rpm": settings.get("end_speed"),
            "left_s": left,
            "from": points_from,
            "points": self.points[points_from:],
        }
