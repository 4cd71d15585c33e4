"""Water brakes: fill, torque and heat."""

from __future__ import annotations

import math
from collections.abc import Callable
from typing import Any

from .common import RPM, WATER_DENSITY_KG_M3, WATER_HEAT_J_KGK, Streams, Text

BOIL_K = 273.15 + 97.0
WALL_M3 = 2e-5  # water-equivalent of the rotor and housing that heat with the content


class AffinityBrake:
    """T = k fill w^2 + drag; capacity dfill/dt = q_in - q_out, q_out ~ (w + standing) fill^m.

    Affinity laws of turbomachines: torque ~ density x speed^2 x diameter^5 x a factor that grows
    with fill.  The outlet is an orifice under the rotor's centrifugal head: m = 1/2 for a head
    that grows with fill.  All torque x speed goes into the water it holds.
    """

    TEXT = Text(
        "T = T_full fill (w / w_full)^2 + windage + bearings; capacity dfill/dt = q_in - q_out; q_out ="
        " capacity /"
        " drain_time x (w / w_full + standing_drain) x fill^outflow_exponent; torque follows the water"
        " at once",
        "full_torque 2 to 5 x the engine's peak, capacity 0.05 to 0.2 l, drain_time 0.2 to 2 s",
        "affinity laws of turbomachines, orifice under centrifugal head: any text; numbers: common"
        " practice, no source",
    )

    def __init__(self, s: dict[str, Any], chance: Streams) -> None:
        b, water = s["brake"], s["water"]
        self.dt = float(s["bench"]["step_s"])
        rated_w = b["full_torque_rpm"] * RPM
        self.capacity_m3 = b["capacity_l"] * 1e-3
        self.k_torque: float = b["full_torque_Nm"] / rated_w**2
        self.outflow_k = self.capacity_m3 / b["drain_time_s"] / rated_w
        self.outflow_m = b["outflow_exponent"]
        self.root_outflow = self.outflow_m == 0.5
        self.standing = b["standing_drain"] * b["full_torque_rpm"] * RPM
        self.back_k: float = b["back_pressure_bar"] * 1e5 / rated_w**2
        self.windage: float = b["windage_Nm"] / rated_w**2
        self.bearing: float = b["bearing_drag_Nm"]
        self.fill: float = b["start_fill"]
        self.outflow_m3_s = 0.0
        self.water_K = self.tank_K = 273.15 + water["temperature_C"]
        self.tank_l = water["tank_l"]
        self.heat_J = 0.0
        self.inputs: dict[str, Callable[[float], None]] = {}

    def back_pressure_Pa(self, w: float) -> float:
        """Against the inflow, at brake shaft speed w (rad/s)."""
        return self.back_k * self.fill * w * w

    def fill_step(self, q_in: float, w: float) -> None:
        """One step of the water held, under an inflow in m3/s."""
        fill = self.fill
        drain = math.sqrt(fill) if self.root_outflow else fill**self.outflow_m
        self.outflow_m3_s = q_out = self.outflow_k * (w + self.standing) * drain
        fill += (q_in - q_out) * self.dt / self.capacity_m3
        self.fill = 0.0 if fill < 0.0 else 1.0 if fill > 1.0 else fill

    def torque_Nm(self, w: float) -> float:
        """What the housing feels."""
        k = self.k_torque if self.water_K < BOIL_K else 0.3 * self.k_torque
        return (k * self.fill + self.windage) * w * w + (self.bearing if w > 0.0 else 0.0)

    def heat_step(self, work_J: float, q_in: float) -> None:
        """The content is mixed; the tank takes the outflow."""
        dt = self.dt
        content = (self.fill * self.capacity_m3 + WALL_M3) * WATER_DENSITY_KG_M3
        self.water_K += (
            work_J / (content * WATER_HEAT_J_KGK)
            + q_in * dt * WATER_DENSITY_KG_M3 * (self.tank_K - self.water_K) / content
        )
        self.heat_J += work_J
        if self.tank_l:
            self.tank_K += self.outflow_m3_s * dt / (self.tank_l * 1e-3) * (self.water_K - self.tank_K)


class LaggingBrake(AffinityBrake):
    """Any exponents, torque that lags the water, bursts and noise of torque, vapour fading.

    T = T_full y^a (w / w_full)^b x bursts + drag, where y follows the fill first order, in
    lag_s + lag_turns x time of a turn, with its own pair for filling and for emptying (air that
    is drawn in and driven out).  q_out ~ ((w / w_full)^p + standing) fill^m: p = 1, m = 1/2 an orifice
    under the centrifugal head; p = 0, m = 1/2 gravity; p = 1, m = 1 a rotor that carries its content out.
    """

    TEXT = Text(
        "T = T_full y^fill_exponent (w / w_full)^speed_exponent x (1 + burst + noise) + drag; dy/dt ="
        " (fill - y) /"
        " (lag_s + lag_turns 2 pi / w), its own pair for filling and emptying; q_out ~ ((w /"
        " w_full)^outflow_speed_exponent"
        " + standing_drain) x fill^outflow_exponent; from fade_from_C to 97 C torque falls to 30 %",
        "fill_exponent 0.7 to 1.6, speed_exponent 1.7 to 2.3; lag 3 to 10 turns or 20 to 100 ms,"
        " emptying other than"
        " filling; bursts 5 % of 50 to 300 ms; noise 2 to 5 % at 0.5 to 5 Hz; fade from 60 to 70 C",
        "first-order lag: any text; numbers: common practice, no source",
    )

    def __init__(self, s: dict[str, Any], chance: Streams) -> None:
        super().__init__(s, chance)
        b = s["brake"]
        self.rated_w: float = b["full_torque_rpm"] * RPM
        self.full_Nm: float = b["full_torque_Nm"]
        self.fill_exponent, self.speed_exponent = b["fill_exponent"], b["speed_exponent"]
        self.outflow_p = b["outflow_speed_exponent"]
        self.standing_share = b["standing_drain"]
        self.up_s, self.up_rad = b["fill_lag_s"], b["fill_lag_turns"] * 2.0 * math.pi
        self.down_s, self.down_rad = b["drain_lag_s"], b["drain_lag_turns"] * 2.0 * math.pi
        self.active: float = self.fill  # the fill that makes torque
        self.burst_size = b["burst"]
        self.burst_s = b["burst_s"]
        self.burst_chance = self.dt * b["bursts_per_s"]
        self.random = chance("burst").random
        self.burst = 0.0
        self.burst_steps = 0
        self.noise_decay = math.exp(-self.dt / b["torque_noise_time_s"])
        self.noise_gain = b["torque_noise"] * math.sqrt(1.0 - self.noise_decay**2)
        self.gauss = chance("brake").gauss
        self.noise = 0.0
        self.fade_K = 273.15 + b["fade_from_C"]

    def fill_step(self, q_in: float, w: float) -> None:
        """One step of the water held and of the part of it that makes torque."""
        dt, fill = self.dt, self.fill
        share = w / self.rated_w
        rate = share if self.outflow_p == 1.0 else share**self.outflow_p
        drain = math.sqrt(fill) if self.root_outflow else fill**self.outflow_m
        self.outflow_m3_s = q_out = self.outflow_k * self.rated_w * (rate + self.standing_share) * drain
        fill += (q_in - q_out) * dt / self.capacity_m3
        self.fill = fill = 0.0 if fill < 0.0 else 1.0 if fill > 1.0 else fill
        turning = w if w > 30.0 else 30.0
        if fill > self.active:
            lag = self.up_s + self.up_rad / turning
        else:
            lag = self.down_s + self.down_rad / turning
        self.active += (fill - self.active) * dt / (lag + dt)
        if self.burst_chance:
            self._burst_step()
        if self.noise_gain:
            self.noise = self.noise * self.noise_decay + self.gauss(0.0, self.noise_gain)

    def _burst_step(self) -> None:
        """Bursts: a share more or less torque for 0.3 to 1.7 times burst_s."""
        if self.burst_steps:
            self.burst_steps -= 1
            if not self.burst_steps:
                self.burst = 0.0
        elif self.random() < self.burst_chance:
            self.burst = self.burst_size if self.random() < 0.5 else -self.burst_size
            self.burst_steps = 1 + int(self.burst_s * (0.3 + 1.4 * self.random()) / self.dt)

    def capacity_factor(self) -> float:
        """What the water's heat leaves of the torque."""
        hot = (self.water_K - self.fade_K) / (BOIL_K - self.fade_K)
        return 1.0 if hot <= 0.0 else 0.3 if hot >= 1.0 else 1.0 - 0.7 * hot

    def fill_factor(self) -> float:
        """Torque at this fill against that of a full brake."""
        return self.active**self.fill_exponent

    def torque_Nm(self, w: float) -> float:
        """What the housing feels."""
        if w <= 0.0:
            return 0.0
        water = self.full_Nm * self.fill_factor() * (w / self.rated_w) ** self.speed_exponent
        water *= self.capacity_factor() * max(0.0, 1.0 + self.burst + self.noise)
        torque: float = water + self.windage * w * w + self.bearing
        return torque


class TwoPatternBrake(LaggingBrake):
    """Two flow patterns at part fill with hysteresis, as variable-fill fluid couplings show.

    Below `pattern_down` of fill the water circulates in the outer part only and makes (1 -
    pattern_drop) of the torque; above `pattern_up` it fills the whole circuit.  Between, the pattern
    that there was stays.  The change takes `pattern_s`.
    """

    TEXT = Text(
        "as lagging; torque x g, g -> 1 once fill > pattern_up, g -> 1 - pattern_drop once fill <"
        " pattern_down,"
        " first order in pattern_s; between the two the last pattern stays",
        "pattern_drop 0.05 to 0.2, pattern_down 0.1 to 0.3, pattern_up 0.05 more",
        "two patterns with hysteresis in variable-fill fluid couplings: JSME Mecjo 2003.2 (abstract"
        " only); numbers:"
        " common practice, no source",
    )

    def __init__(self, s: dict[str, Any], chance: Streams) -> None:
        super().__init__(s, chance)
        b = s["brake"]
        self.up, self.down, self.low = b["pattern_up"], b["pattern_down"], 1.0 - b["pattern_drop"]
        self.pattern_share = self.dt / (b["pattern_s"] + self.dt)
        self.goal: float = self.low
        self.pattern: float = self.low

    def fill_step(self, q_in: float, w: float) -> None:
        """One step of the water and of the pattern."""
        super().fill_step(q_in, w)
        if self.fill > self.up:
            self.goal = 1.0
        elif self.fill < self.down:
            self.goal = self.low
        self.pattern += (self.goal - self.pattern) * self.pattern_share

    def fill_factor(self) -> float:
        """Torque at this fill and in this pattern against that of a full brake."""
        return super().fill_factor() * self.pattern
