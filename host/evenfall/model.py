"""What flows through the host: plain frozen records of numpy arrays in SI.

link -> archive stores run files (bytes); `wire.decode_run` makes a `Run`;
`reduce.reduce_run` makes a `Reduction`; compare and report read Reductions.
"""

from __future__ import annotations

from dataclasses import dataclass, field
from typing import Any, NamedTuple

import numpy as np
from numpy.typing import NDArray

FloatArray = NDArray[np.float64]
IntArray = NDArray[np.int64]


class Event(NamedTuple):
    """Something the board noted while it recorded."""

    time_s: float
    name: str
    value: int


class AirSample(NamedTuple):
    """A reading of the board's barometer."""

    time_s: float
    pressure_Pa: float
    temperature_C: float
    humidity_percent: float


class Zero(NamedTuple):
    """A block of load samples at standstill."""

    time_s: float
    mean_count: float
    spread_count: float  # largest less smallest
    samples: int


@dataclass(frozen=True)
class Run:
    """One stored run, decoded and unwrapped, nothing corrected.

    Times are seconds from `run_header.start_tick` on the board's own clock.
    """

    run_id: int
    board_uid: str
    firmware: str
    started_unix_s: int
    trigger: str
    settings: dict[str, int]
    load_time_s: FloatArray  # (n,) end of each conversion (data-ready)
    load_count: IntArray  # (n,) raw signed 24-bit codes
    edge_time_s: FloatArray  # (m,) accepted Hall edges, nothing repaired
    trace_time_s: FloatArray  # (k,)
    trace_set_speed_rpm: FloatArray  # (k,) crank
    trace_speed_rpm: FloatArray  # (k,) crank, as the board saw it
    trace_valve_us: FloatArray  # (k,)
    trace_flags: IntArray  # (k,)
    events: list[Event]
    air: list[AirSample]
    zeros: list[Zero]
    verdict: dict[str, Any] | None  # fields of the verdict frame, scaled, names resolved
    complete: bool
    damage: list[str] = field(default_factory=list)  # sentences: gaps, truncated tail, unknown frames
    start_tick: int = 0  # the board's tick that all times count from
    boot_count: int = 0  # which start of the board it was made in

    @property
    def start_uptime_s(self) -> float | None:
        """How long the board had been running when the times begin, to a second; None of older firmware."""
        told = [e for e in self.events if e.name == "uptime"]
        return told[-1].value - told[-1].time_s if told else None


@dataclass(frozen=True)
class Calibration:
    """Counts to force: force_N = (count - zero) / span_count_per_N."""

    zero_count: float
    span_count_per_N: float
    span_u_rel: float = 0.0  # standard uncertainty, relative
    arm_m: float = 0.25
    arm_u_m: float = 0.0
    made_unix_s: int = 0
    note: str = ""
    zero_u_N: float = 0.02  # how far the zero may wander within a run, standard uncertainty
    linearity_u_N: float = 0.0  # standard uncertainty at any load, from the hung weights
    hysteresis_u_N: float = 0.0  # 0: weights were not read up and down
    max_load_N: float = 0.0  # the largest load hung; 0: not known
    span_tc_per_K: float | None = None  # the maker's limit for the span, relative per kelvin; None: a prior
    temperature_K: float | None = None  # of the cell when the weights were hung; None: not known
    hose_u_N: float | None = None  # standard uncertainty of what hoses and jet push; None: never measured
    shake_u_N: float | None = None  # the same of what a running engine's vibration adds


@dataclass(frozen=True)
class Setup:
    """The drive between crank and brake, and what the correction assumes."""

    engine_teeth: int = 10
    brake_teeth: int = 10
    magnets: int = 1
    inertia_kg_m2: float = 0.0  # engine + drive + brake, referred to the crank
    inertia_u_kg_m2: float = 0.0
    drive_efficiency: float = 1.0  # 1: results are those at the brake, the drive's loss is in them
    drive_efficiency_u: float | None = None  # standard; None: not known, a prior stands in where it is not 1
    load_delay_s: float | None = None  # amplifier filter group delay; None: two of its measured periods
    load_delay_u_s: float = 0.002
    arm_changed_unix_s: int = 0  # when the arm or cell was last moved; an older calibration is refused
    height_m: float | None = None  # of the place above sea level; a typed pressure is held against it
    # drag that the cell does not feel, on the brake's shaft at w rad/s: constant + linear w + square w^2
    shaft_loss_Nm: float = 0.0
    shaft_loss_Nm_s: float = 0.0
    shaft_loss_Nm_s2: float = 0.0
    shaft_loss_u_Nm: float | None = None  # standard; None: never measured, then the three are 0
    cell_lag_s: float = 0.0  # the load is seen so much later than the amplifier's filter says
    cell_lag_u_s: float | None = None  # standard; None: never measured, a prior stands in


DEFAULT_STANDARD = "iso1585"  # the air correction where nobody chose one
AIR_UNKNOWN = "not known"  # the source of air that nobody read


@dataclass(frozen=True)
class Air:
    """Air at the engine's intake."""

    pressure_Pa: float  # station pressure, total
    temperature_K: float
    relative_humidity: float  # 0..1
    pressure_u_Pa: float = 50.0
    temperature_u_K: float = 0.5
    humidity_u: float = 0.03
    source: str = "typed"
    where: str = ""  # the place of the sensor, as typed; empty: not said


@dataclass(frozen=True)
class Bins:
    """Values on a grid of crank speeds; NaN where a bin holds no data."""

    speed_rpm: FloatArray  # (b,) centres
    torque_Nm: FloatArray  # (b,) corrected engine torque
    torque_u_Nm: FloatArray  # (b,) standard uncertainty, all causes
    torque_u_independent_Nm: FloatArray  # (b,) the part that does not cancel before/after
    power_W: FloatArray  # (b,) corrected
    power_u_W: FloatArray
    power_u_independent_W: FloatArray
    torque_observed_Nm: FloatArray  # (b,) engine torque, no air correction
    power_observed_W: FloatArray
    count: IntArray  # (b,) load samples used


@dataclass(frozen=True)
class Peak:
    """A maximum of a curve with its 95 % half-width."""

    value: float
    half_width: float
    speed_rpm: float


@dataclass(frozen=True)
class Reduction:
    """Corrected numbers of one run; a function of its named inputs only."""

    run_id: int
    standard: str  # name of the air standard preset
    air_factor: float
    air_factor_u: float
    air_factor_in_range: bool
    bins: Bins
    peak_torque_Nm: Peak
    peak_power_W: Peak
    time_s: FloatArray  # (n,) of the curves below, sweep only
    speed_rpm: FloatArray
    torque_Nm: FloatArray  # corrected engine torque on time_s
    sweep_time_s: float
    budget: dict[str, float]  # cause -> relative standard uncertainty at peak power
    notes: list[str]  # warnings, in plain sentences
    inputs: dict[str, str]  # name -> sha256 of each input
    version: int = 1  # of the reduction method
    failed: str = ""  # why this is no measurement, in one clause

    @property
    def not_known(self) -> tuple[str, ...]:
        """Causes whose uncertainty nobody stated: no 95 % interval can be given without them."""
        return tuple(name for name, u in self.budget.items() if u != u)
