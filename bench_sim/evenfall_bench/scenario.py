"""Scenarios: TOML files that describe one bench, its day and its faults.

`SCHEMA` is the only list of keys.  SCENARIOS.md is printed from it
(`evenfall-bench scenarios --schema`), and `complete` checks and fills a scenario by it.
"""

from __future__ import annotations

import copy
import difflib
import tomllib
from collections.abc import Callable
from itertools import pairwise
from pathlib import Path
from typing import Any, NamedTuple

from .models import MODELS

HERE = Path(__file__).parent
MAX_FILE_BYTES = 64 * 1024  # dotted names cost the parser their length squared


class ScenarioError(ValueError):
    """One sentence: what is wrong, where, and what to do; one line, however long what it quotes is."""

    def __init__(self, text: str) -> None:
        line = " ".join(text.split())
        super().__init__(line if len(line) <= 600 else line[:400] + " … " + line[-190:])


class Key(NamedTuple):
    """One key of a table: name, unit, default, lowest, highest, meaning, models it belongs to (all: none)."""

    name: str
    unit: str
    default: Any
    low: float
    high: float
    text: str
    models: tuple[str, ...] = ()


MODEL_TEXT = "which of the models below"


def model_key(default: str) -> Key:
    return Key("model", "text", default, 0, 0, MODEL_TEXT)


def keys_of(*models: str) -> Callable[..., Key]:
    """Makes keys that belong to these models only."""

    def key(name: str, unit: str, default: Any, low: float, high: float, text: str) -> Key:
        return Key(name, unit, default, low, high, text, models)

    return key


_two_stroke, _elastic = keys_of("two-stroke"), keys_of("elastic")
_lagging, _patterns = keys_of("lagging", "two patterns"), keys_of("two patterns")
_taps, _switch = keys_of("taps"), keys_of("pressure switch")
_second_order, _trunnion = keys_of("second order"), keys_of("trunnion")

POINTS = "points"  # unit of a list of [x, y] pairs; x rising

SCHEMA: dict[str, tuple[str, tuple[Key, ...]]] = {
    "bench": (
        "The simulation itself.",
        (
            Key("title", "text", "unnamed bench", 0, 0, "one line for people"),
            Key("breaks", "text", "", 0, 0, "what a controller might assume and this bench does not keep"),
            Key("step_s", "s", 0.001, 0.0001, 0.002, "step of the physics"),
            Key("truth_s", "s", 0.001, 0.001, 0.1, "interval of the truth records"),
            # all three as studies/tick_cost.py estimates them for an RP2040 at 125 MHz, in the sweep, rounded
            Key(
                "loop_cost_us", "us", 1000.0, 0.0, 20000.0, "virtual time each pass of the board's loop costs"
            ),
            Key(
                "sample_cost_us",
                "us",
                3400.0,
                0.0,
                20000.0,
                "what each load sample costs beside that: filters, controller, guard, recorder",
            ),
            Key(
                "bus_sample_cost_us",
                "us",
                2500.0,
                0.0,
                20000.0,
                "the same for a sample of an amplifier on the bus at more than 160/s, where the controller "
                "takes the mean of three; the bus's own time is added from the bytes",
            ),
            Key(
                "collect_cost_us",
                "us",
                28000.0,
                0.0,
                200000.0,
                "what a collection of the board's heap costs: measured on an emulated RP2040 at 125 MHz with "
                "the port's heap of 245,888 bytes",
            ),
            Key(
                "port_costs",
                "-",
                1,
                0,
                1,
                "1: opening files, the room check, saving what is learned, frames and bytes cost the "
                "interpreter's board what they cost an emulated RP2040 (chip_costs.py); 0: nothing",
            ),
            Key(
                "idle_pass_us",
                "us",
                0.0,
                0.0,
                30000.0,
                "replaces both while the brake stands still and no byte moves (long soaks); 0: the same",
            ),
            Key(
                "clock_start_ms",
                "ms",
                0.0,
                0.0,
                1.1e9,
                "the board's ticks_ms at power-on (to cross its wrap)",
            ),
            Key("crystal_ppm", "ppm", 0.0, -500.0, 500.0, "error of the board's crystal"),
        ),
    ),
    "engine": (
        "The engine; `use` takes one of engines.toml, any other key replaces its value.",
        (
            model_key("map"),
            Key("use", "text", "clearing saw", 0, 0, "name of an engine of engines.toml, or empty"),
            Key("text", "text", "", 0, 0, "one line for people"),
            Key("displacement_cc", "cm3", 45.0, 5.0, 500.0, "for information"),
            Key(
                "torque_map",
                POINTS,
                [],
                0,
                0,
                "[crank rpm, N.m] full throttle at 99 kPa dry, 298.15 K; must fall to 0",
            ),
            Key(
                "torque_factor",
                "",
                1.0,
                0.1,
                3.0,
                "multiplies the map (a true gain for before/after studies)",
            ),
            Key("idle_rpm", "rpm", 2800.0, 500.0, 6000.0, "speed with closed throttle"),
            Key("stall_rpm", "rpm", 1500.0, 0.0, 4000.0, "below this the engine no longer fires"),
            Key("limiter_rpm", "rpm", 0.0, 0.0, 30000.0, "ignition cuts above; 0: no limiter"),
            Key("inertia_kg_m2", "kg.m2", 0.001, 5e-5, 0.1, "crank, flywheel, clutch, engine sprocket"),
            Key(
                "cycle_scatter",
                "",
                0.05,
                0.0,
                0.5,
                "relative scatter of torque from turn to turn (standard deviation)",
            ),
            Key("run_scatter", "", 0.002, 0.0, 0.1, "relative scatter of torque from run to run"),
            Key("wander", "", 0.003, 0.0, 0.1, "relative slow wander of torque within a run"),
            Key("wander_time_s", "s", 2.0, 0.05, 100.0, "its time constant"),
            Key("firing_ripple", "", 0.5, 0.0, 3.0, "relative torque wave, once per turn"),
            Key(
                "friction_share",
                "",
                0.0,
                0.0,
                0.5,
                "share of torque lost to friction that does not follow the air",
            ),
            Key("closed_drag_share", "", 0.25, 0.0, 1.0, "drag with closed throttle, share of peak torque"),
            Key("warmup_loss", "", 0.0, 0.0, 0.3, "share of torque missing when cold"),
            Key("warmup_time_s", "s", 60.0, 1.0, 3600.0, "time constant of warming, at full throttle"),
            Key("start_warm", "", 1.0, 0.0, 1.0, "0 cold, 1 warm"),
            _two_stroke(
                "cool_time_s",
                "s",
                0.0,
                0.0,
                3600.0,
                "time constant of cooling, throttle closed; 0: stays warm",
            ),
            _two_stroke("free_rpm", "rpm", 0.0, 0.0, 30000.0, "speed without load; 0: the map goes on"),
            _two_stroke("free_friction_share", "", 0.2, 0.0, 1.0, "friction beyond it, share of peak torque"),
            _two_stroke("pipe_loss", "", 0.0, 0.0, 0.9, "share of the map missing below the pipe's hit"),
            _two_stroke("pipe_rpm", "rpm", 8000.0, 1000.0, 25000.0, "middle of the hit, pipe hot"),
            _two_stroke("pipe_width_rpm", "rpm", 600.0, 50.0, 8000.0, "from 10 to 90 % of it"),
            _two_stroke("pipe_cold", "", 0.0, 0.0, 0.3, "the curve lies so much lower in speed, pipe cold"),
            _two_stroke("pipe_time_s", "s", 5.0, 0.2, 300.0, "time constant of the pipe's warming"),
            _two_stroke(
                "four_stroke_share", "", 0.0, 0.0, 1.0, "chance that the turn after a fired one misses"
            ),
            _two_stroke(
                "four_stroke_from_rpm", "rpm", 9000.0, 0.0, 30000.0, "from there on, rising over 500 rpm"
            ),
            _two_stroke(
                "four_stroke_to_rpm", "rpm", 30000.0, 0.0, 40000.0, "up to there, falling over 500 rpm"
            ),
            _two_stroke("cycle_correlation", "", 0.0, -0.9, 0.9, "of one turn's scatter with the next one's"),
        ),
    ),
    "clutch": (
        "Centrifugal clutch between engine and drive.",
        (
            Key("fitted", "true/false", True, 0, 0, "false: engine and drive are one"),
            Key("engage_rpm", "rpm", 3800.0, 500.0, 12000.0, "the clutch disengages below"),
            Key(
                "capacity_Nm", "N.m", 0.0, 0.0, 500.0, "torque it holds at capacity_rpm; 0: 2.5 x peak torque"
            ),
            Key("capacity_rpm", "rpm", 5000.0, 600.0, 20000.0, "see capacity_Nm"),
        ),
    ),
    "drive": (
        "Chain between engine and brake, as it really is (what the board is told is in [board]).",
        (
            model_key("rigid"),
            Key("engine_teeth", "teeth", 10, 1, 200, "engine sprocket"),
            Key("brake_teeth", "teeth", 10, 1, 200, "brake sprocket"),
            Key("chain_links", "links", 48, 10, 400, "length of the chain"),
            Key("efficiency", "", 1.0, 0.5, 1.0, "of the drive"),
            Key("chain_ripple", "", 0.01, 0.0, 0.5, "relative torque wave once per turn of the chain"),
            Key(
                "sprocket_ripple",
                "",
                0.01,
                0.0,
                0.5,
                "relative torque wave once per turn of the brake sprocket",
            ),
            Key(
                "tooth_ripple",
                "",
                0.0,
                0.0,
                0.5,
                "relative torque wave at tooth frequency; only while below 0.4 / step_s",
            ),
            Key(
                "shake_share",
                "",
                0.1,
                0.0,
                1.0,
                "share of the torque waves that shakes the load cell directly",
            ),
            _elastic("stiffness_Nm_rad", "N.m/rad", 225.0, 20.0, 5000.0, "of the chain, at the crank"),
            _elastic("damping_Nms_rad", "N.m.s/rad", 0.05, 0.0, 2.0, "of it"),
            _elastic("slack_deg", "deg", 2.0, 0.0, 30.0, "of the chain, at the crank"),
            _elastic("loss_Nm", "N.m", 0.0, 0.0, 5.0, "of the drive beside its efficiency, at the crank"),
        ),
    ),
    "brake": (
        "Water brake.",
        (
            model_key("affinity"),
            Key(
                "full_torque_Nm",
                "N.m",
                0.0,
                0.0,
                1000.0,
                "torque when full, at full_torque_rpm; 0: 3.5 x peak engine torque, geared",
            ),
            Key("full_torque_rpm", "rpm", 5000.0, 500.0, 20000.0, "see full_torque_Nm"),
            Key(
                "capacity_l",
                "l",
                0.0,
                0.0,
                10.0,
                "water it holds when full; 0: 0.04 + 0.001 x full_torque_Nm",
            ),
            Key("drain_time_s", "s", 0.5, 0.05, 20.0, "capacity / outflow when full, at full_torque_rpm"),
            Key(
                "standing_drain",
                "",
                0.05,
                0.0,
                1.0,
                "outflow of a standing brake, share of that at full_torque_rpm",
            ),
            Key("outflow_exponent", "", 0.5, 0.3, 1.5, "outflow ~ speed x fill ^ exponent"),
            Key(
                "back_pressure_bar", "bar", 0.0, 0.0, 5.0, "against the inflow when full, at full_torque_rpm"
            ),
            Key("inertia_kg_m2", "kg.m2", 0.0015, 5e-5, 1.0, "rotor and sprocket, at the brake shaft"),
            Key(
                "windage_Nm",
                "N.m",
                0.0,
                0.0,
                10.0,
                "dry drag at full_torque_rpm, felt by the cell; 0: 0.002 x full_torque_Nm",
            ),
            Key(
                "bearing_drag_Nm",
                "N.m",
                0.0,
                0.0,
                10.0,
                "bearings and seals in the housing, felt by the cell; 0: 0.01 x full_torque_Nm",
            ),
            Key(
                "outside_drag_Nm", "N.m", 0.0, 0.0, 10.0, "bearings outside the housing, not felt by the cell"
            ),
            Key("start_fill", "", 0.0, 0.0, 1.0, "fill at power-on"),
            _lagging("fill_exponent", "", 1.0, 0.4, 2.5, "torque ~ fill ^ exponent"),
            _lagging("speed_exponent", "", 2.0, 1.2, 3.0, "torque ~ speed ^ exponent"),
            _lagging(
                "outflow_speed_exponent", "", 1.0, 0.0, 2.0, "outflow ~ speed ^ exponent + standing_drain"
            ),
            _lagging("fill_lag_s", "s", 0.0, 0.0, 0.5, "torque behind rising water, time constant"),
            _lagging("drain_lag_s", "s", 0.0, 0.0, 0.5, "torque behind falling water"),
            _lagging("fill_lag_turns", "turns", 0.0, 0.0, 40.0, "the same in turns of the shaft, added"),
            _lagging("drain_lag_turns", "turns", 0.0, 0.0, 40.0, "the same for falling water"),
            _lagging("burst", "", 0.05, 0.0, 0.5, "size of a burst of torque, more or less"),
            _lagging("burst_s", "s", 0.15, 0.01, 2.0, "how long one lasts, on average"),
            _lagging("bursts_per_s", "1/s", 0.0, 0.0, 20.0, "how often one begins; 0: none"),
            _lagging("torque_noise", "", 0.0, 0.0, 0.2, "relative noise of torque (standard deviation)"),
            _lagging("torque_noise_time_s", "s", 0.1, 0.005, 5.0, "its time constant"),
            _lagging("fade_from_C", "C", 90.0, 40.0, 96.0, "water from which vapour takes torque away"),
            _patterns("pattern_drop", "", 0.1, 0.0, 0.5, "share of torque missing in the outer pattern"),
            _patterns("pattern_down", "", 0.15, 0.0, 0.9, "fill below which the outer pattern begins"),
            _patterns("pattern_up", "", 0.2, 0.0, 1.0, "fill above which it ends"),
            _patterns("pattern_s", "s", 0.05, 0.001, 1.0, "time constant of the change"),
        ),
    ),
    "valve": (
        "Inlet valve and its hose.",
        (
            model_key("orifice"),
            Key(
                "full_flow_l_min",
                "l/min",
                0.0,
                0.0,
                500.0,
                "open, at full_flow_bar; 0: 1.6 x what a full brake drains",
            ),
            Key("full_flow_bar", "bar", 3.0, 0.1, 20.0, "see full_flow_l_min"),
            Key(
                "curve",
                POINTS,
                [[0.0, 0.0], [0.1, 0.02], [0.3, 0.13], [0.5, 0.34], [0.7, 0.64], [0.85, 0.87], [1.0, 1.0]],
                0,
                0,
                "[opening 0..1, share of full area 0..1]",
            ),
            Key("leak", "", 0.01, 0.0, 0.5, "share of full area open when shut"),
            Key("hose_delay_s", "s", 0.01, 0.0, 1.0, "from the valve to the brake"),
            Key("hose_hold_ml", "ml", 0.0, 0.0, 200.0, "water on its way in a hose that drains, at 40 ml/s"),
            Key("stick_us", "us", 0.0, 0.0, 100.0, "stiction of the stem, in servo travel"),
            Key("jump_us", "us", 0.0, 0.0, 100.0, "how far of that it jumps when it comes loose"),
            Key("asymmetry", "", 0.0, -0.5, 0.5, "area closing over area opening, less 1"),
            keys_of("equal percentage")("rangeability", "", 30.0, 5.0, 200.0, "largest over smallest flow"),
        ),
    ),
    "supply": (
        "Water pressure.",
        (
            model_key("ripple"),
            Key("pressure_bar", "bar", 3.0, 0.0, 20.0, "mean"),
            Key("ripple", "", 0.02, 0.0, 0.5, "relative amplitude of a steady ripple"),
            Key("ripple_Hz", "Hz", 1.5, 0.05, 50.0, "its frequency"),
            Key("noise", "", 0.01, 0.0, 0.5, "relative random part (standard deviation)"),
            Key("noise_time_s", "s", 0.3, 0.01, 60.0, "its time constant"),
            Key("line_loss_bar", "bar", 0.0, 0.0, 10.0, "lost in the pipe at the valve's full flow"),
            Key("line_m", "m", 0.0, 0.0, 500.0, "length of the pipe, for the inertia of its water"),
            Key("line_bore_mm", "mm", 13.0, 2.0, 100.0, "its bore"),
            _taps("tap_count", "", 1, 1, 10, "other taps"),
            _taps("tap_drop", "", 0.25, 0.0, 0.9, "share of the pressure that an open one takes"),
            _taps("tap_every_s", "s", 5.0, 0.2, 1000.0, "opens or closes on average so often"),
            _switch("cut_in_bar", "bar", 2.0, 0.1, 15.0, "the pump starts"),
            _switch("cut_out_bar", "bar", 3.5, 0.2, 16.0, "the pump stops"),
            _switch("tank_air_l", "l", 0.5, 0.01, 500.0, "air in the pressure tank when the pump starts"),
            _switch("pump_l_min", "l/min", 30.0, 0.1, 1000.0, "of the pump at no pressure"),
            _switch("pump_max_bar", "bar", 5.0, 0.3, 30.0, "pressure at which it gives nothing"),
        ),
    ),
    "servo": (
        "Valve servo, as it really is.",
        (
            model_key("slew"),
            Key("shut_us", "us", 1000.0, 400.0, 2600.0, "pulse with the valve shut"),
            Key(
                "open_us", "us", 2000.0, 400.0, 2600.0, "pulse with the valve open; may be less than shut_us"
            ),
            Key("rate_Hz", "Hz", 50.0, 20.0, 400.0, "pulses per second until the board sets its own"),
            Key("slew_us_s", "us/s", 3500.0, 100.0, 50000.0, "speed under load"),
            Key("deadband_us", "us", 4.0, 0.0, 100.0, "smallest step it answers"),
            Key("backlash_us", "us", 10.0, 0.0, 200.0, "play of the linkage, full width"),
            Key("offset_us", "us", 0.0, -300.0, 300.0, "linkage set off by this much (wear)"),
            Key("frame_phase", "", 0.3, 0.0, 1.0, "first pulse, in pulse periods after power-on"),
            _second_order("natural_Hz", "Hz", 8.0, 1.0, 60.0, "of the servo"),
            _second_order("damping", "", 0.8, 0.2, 3.0, "of it"),
            _second_order("load_share", "", 0.2, 0.0, 0.9, "of the speed lost at 3 bar on the valve"),
        ),
    ),
    "load_cell": (
        "Load cell and arm, as they really are.",
        (
            model_key("housing"),
            Key("arm_m", "m", 0.25, 0.01, 3.0, "true arm"),
            Key(
                "counts_per_N",
                "counts/N",
                0.0,
                -1e7,
                1e7,
                "true span; 0: 5.5e6 counts at the brake's working torque",
            ),
            Key("zero_count", "counts", 150000.0, -8e6, 8e6, "code without force"),
            Key("drift_N_s", "N/s", 0.0, -1.0, 1.0, "drift of the zero"),
            Key("hose_N", "N", 0.0, -100.0, 100.0, "steady pull of the hoses"),
            Key("hose_N_bar", "N/bar", 0.0, -100.0, 100.0, "pull of the hoses per bar of supply"),
            Key("vibration_N", "N", 0.5, 0.0, 500.0, "engine shake at 10,000 rpm; grows with speed squared"),
            Key("force_noise_N", "N", 0.02, 0.0, 50.0, "random force in a 1 ms step (standard deviation)"),
            Key("resonance_Hz", "Hz", 35.0, 3.0, 400.0, "housing on rubber and cell"),
            Key("damping", "", 0.1, 0.001, 0.95, "damping ratio of it"),
            Key("stop_N", "N", 1e5, 1.0, 1e6, "force where the overload stop takes over"),
            _trunnion(
                "friction_share", "", 0.0, 0.0, 0.1, "friction of the housing's bearings, share of torque"
            ),
            _trunnion("friction_Nm", "N.m", 0.0, 0.0, 5.0, "the same without load"),
            _trunnion("jet_mm", "mm", 0.0, 0.0, 50.0, "nozzle of the inflow; 0: no jet"),
            _trunnion("jet_arm_m", "m", 0.08, -0.5, 0.5, "arm of the jet; below 0: against the torque"),
            _trunnion("span_tc_K", "1/K", 0.0, -0.002, 0.002, "temperature coefficient of the span"),
            _trunnion("cell_rise_K", "K", 10.0, -40.0, 60.0, "how much the cell warms"),
            _trunnion("cell_time_s", "s", 120.0, 1.0, 10000.0, "its time constant"),
            _trunnion("creep", "", 0.0, -0.02, 0.02, "share of the force that comes late"),
            _trunnion("creep_s", "s", 60.0, 0.5, 3600.0, "its time constant"),
            _trunnion(
                "direct_N", "N", 0.0, 0.0, 500.0, "vibration past the housing at 10,000 rpm, ~ speed^2"
            ),
            _trunnion("direct_order", "per turn", 1.0, 0.1, 20.0, "how often per turn of the crank"),
            _trunnion(
                "rectify_N", "N", 0.0, -50.0, 50.0, "vibration that the cell reads as force, at 10,000 rpm"
            ),
        ),
    ),
    "amplifier": (
        "Bridge amplifier.",
        (
            Key("rate_Hz", "Hz", 80.0, 5.0, 400.0, "nominal conversions per second"),
            Key("rate_error", "", 0.0, -0.2, 0.2, "relative error of its clock"),
            Key("phase", "", 0.37, 0.0, 1.0, "of the first conversion, in periods"),
            Key("noise_nV", "nV", 90.0, 0.0, 1e5, "input noise (standard deviation)"),
            Key("nV_per_count", "nV", 2.384, 0.01, 1000.0, "20 mV / 2^23 at gain 128"),
            Key("spike_chance", "", 0.0, 0.0, 0.5, "share of conversions read as 2^n - 1"),
            Key(
                "filter_order", "", 4, 1, 4, "boxcars of one period in a row (4: sinc^4, lag of two periods)"
            ),
            Key("second_rate_Hz", "Hz", 0.0, 0.0, 400.0, "an I2C amplifier on the same cell; 0: none"),
        ),
    ),
    "hall": (
        "Speed pickup on the brake shaft.",
        (
            Key("magnets", "per rev", 1, 1, 16, "magnets"),
            Key("placement_deg", "deg", 0.0, 0.0, 10.0, "placement error (standard deviation)"),
            Key("jitter_us", "us", 0.5, 0.0, 100.0, "edge jitter (standard deviation)"),
            Key("missed", "", 0.0, 0.0, 0.5, "share of edges not seen"),
            Key("extra", "", 0.0, 0.0, 0.5, "share of edges followed by a false one"),
        ),
    ),
    "weather": (
        "Air at the intake.",
        (
            Key("pressure_Pa", "Pa", 97200.0, 50000.0, 110000.0, "station pressure"),
            Key("temperature_C", "C", 18.0, -30.0, 55.0, "intake air"),
            Key("humidity", "0..1", 0.55, 0.0, 1.0, "relative humidity"),
            Key("pressure_drift_Pa_s", "Pa/s", 0.0, -10.0, 10.0, "weather that changes"),
            Key("temperature_drift_K_s", "K/s", 0.0, -0.1, 0.1, "weather that changes"),
            Key("sensor", "true/false", False, 0, 0, "a barometer is on the board's I2C pins"),
        ),
    ),
    "water": (
        "Water and its heat.",
        (
            Key("temperature_C", "C", 15.0, 1.0, 60.0, "at the start"),
            Key("tank_l", "l", 40.0, 0.0, 10000.0, "tank the outflow returns to; 0: mains water, drained"),
        ),
    ),
    "told": (
        "What board and host are told of the bench, as far as it is wrong or unsure.",
        (
            Key("arm_error", "", 0.0, -0.2, 0.2, "relative error of the arm as told"),
            Key("span_error", "", 0.0, -0.2, 0.2, "relative error of the span as told"),
            Key("arm_u", "", 0.0, 0.0, 0.1, "relative standard uncertainty told of the arm; see span_u"),
            Key(
                "span_u",
                "",
                0.0,
                0.0,
                0.1,
                "the same of the weights; both 0: nothing is told, the host takes the board's settings",
            ),
            Key("inertia_error", "", 0.0, -0.9, 2.0, "relative error of the inertia as told"),
            Key("inertia_u", "", 0.02, 0.0, 1.0, "relative standard uncertainty told with it"),
            Key("efficiency", "", 0.0, 0.0, 1.0, "of the drive as told; 0: nothing is told"),
        ),
    ),
    "operator": (
        "The operator at the bench: each run goes through these steps.",
        (
            Key("ready_s", "s", 3.0, 0.2, 600.0, "from power-on to the first opening of the throttle"),
            Key("arm_before_s", "s", 0.8, 0.0, 60.0, "first press (arm) this long before opening; 0: none"),
            Key(
                "press_after_s", "s", 0.0, 0.0, 60.0, "second press (start) this long after opening; 0: none"
            ),
            Key("throttle_time_s", "s", 0.4, 0.01, 10.0, "time to open or close the throttle fully"),
            Key("press_s", "s", 0.25, 0.02, 60.0, "how long the button is held"),
            Key(
                "react_s",
                "s",
                0.7,
                0.05,
                10.0,
                "closes the throttle this long after the sweep's end speed is passed",
            ),
            Key(
                "give_up_s",
                "s",
                28.0,
                2.0,
                120.0,
                "closes the throttle at the latest this long after opening",
            ),
            Key("rest_s", "s", 12.0, 1.0, 3600.0, "from closing to the next run"),
            Key("end_rpm", "rpm", 5000.0, 500.0, 20000.0, "end speed of the sweep as the operator knows it"),
        ),
    ),
    "link": (
        "Serial line between board and host.",
        (
            Key("bytes_per_s", "B/s", 400000.0, 100.0, 2e7, "line rate, board to host and back"),
            Key("latency_ms", "ms", 0.0, 0.0, 1000.0, "each way"),
            Key("flip_chance", "", 0.0, 0.0, 0.01, "chance that a bit flips"),
            Key("drop_chance", "", 0.0, 0.0, 0.01, "chance that a byte is lost"),
            Key("double_chance", "", 0.0, 0.0, 0.01, "chance that a byte comes twice"),
            Key("insert_chance", "", 0.0, 0.0, 0.01, "chance of a random byte between two"),
        ),
    ),
    "flash": (
        "The board's flash; times typical of W25Q16JV-class parts (data sheet, from memory).",
        (
            Key("blocks", "blocks", 352, 16, 4096, "4 KiB each, given to the file system"),
            Key("erase_ms", "ms", 45.0, 0.0, 1000.0, "per block, all else stands still"),
            Key("page_ms", "ms", 0.4, 0.0, 50.0, "per 256 bytes programmed"),
            Key("bad_blocks", "list", [], 0, 0, "numbers of blocks that cannot be erased or programmed"),
            Key("filler_kib", "KiB", 0, 0, 16384, "a foreign file of this size lies on the flash"),
        ),
    ),
}


class Fault(NamedTuple):
    """What a fault does: input of the physics or of the session, value when on (None: the
    scenario's), value when over, meaning."""

    target: str
    on: float | None
    over: float
    text: str


_FAULTS: dict[str, tuple[str, float | None, float, str]] = {
    "hall_lost": ("hall_lost", 1.0, 0.0, "no more edges"),
    "hall_missed": ("hall_missed", None, 0.0, "share `value` of edges is not seen"),
    "hall_extra": ("hall_extra", None, 0.0, "share `value` of edges is followed by a false one"),
    "cell_open": ("cell", 1.0, 0.0, "a bridge wire is off: the code sits at 0x7FFFFF"),
    "cell_clamped": ("cell", 2.0, 0.0, "overload: the code clamps at 0x7FFFFF"),
    "cell_clamped_low": ("cell", 5.0, 0.0, "overload the other way: -0x800000"),
    "cell_stuck": ("cell", 3.0, 0.0, "the same code again and again"),
    "cell_silent": ("cell", 4.0, 0.0, "no conversions"),
    "servo_stuck": ("servo_stuck", 1.0, 0.0, "the servo stays where it is"),
    "supply_lost": ("supply_lost", 1.0, 0.0, "no water"),
    "supply_low": ("supply_factor", None, 1.0, "pressure times `value`"),
    "leak": ("leak", None, 0.0, "the valve leaks `value` of full area more"),
    "valve_worn": ("valve_offset_us", None, 0.0, "the linkage slips by `value` us"),
    "load_lost": ("load_lost", 1.0, 0.0, "the chain is off: the engine runs free"),
    "throttle_closed": ("throttle", 0.0, 1.0, "the hand lets the throttle go"),
    "engine_stalls": ("stall", 1.0, 0.0, "the engine no longer fires"),
    "engine_gain": ("torque_factor", None, 1.0, "engine torque times `value` from then on"),
    "rough_chain": ("rough_chain", None, 1.0, "torque waves of the drive times `value`"),
    "cell_push": ("cell_push_N", None, 0.0, "something leans on the arm with `value` N"),
    "button_stuck": ("button", 1.0, 0.0, "the button is held"),
    "press": ("press", 1.0, 0.0, "one more press of the button"),
    "reset": ("reset", 1.0, 0.0, "the board is reset"),
    "brown_out": (
        "supply_V",
        None,
        5.0,
        "the board's 5 V supply is at `value` V; below 2.7 V it starts again",
    ),
    "power_cut": (
        "power_cut",
        1.0,
        0.0,
        "the board's supply is cut; comes back after `for_s` (at least 1 s)",
    ),
    "power_cut_at_flash_op": (
        "power_cut_at_flash_op",
        None,
        0.0,
        "power goes in flash operation number `value` from then on",
    ),
    "unplug": ("unplug", 1.0, 0.0, "the USB cable is out"),
}

FAULTS = {name: Fault(*row) for name, row in _FAULTS.items()}

FAULT_KEYS = (
    Key("name", "text", "", 0, 0, "one of the faults below"),
    Key("at_s", "s", 0.0, 0.0, 1e6, "when, counted from `from`"),
    Key(
        "from",
        "text",
        "power_on",
        0,
        0,
        "power_on, throttle (opening of the run) or press (last press of the run)",
    ),
    Key("run", "", 1, 1, 100000, "which run `from` means"),
    Key("for_s", "s", 0.0, 0.0, 1e6, "how long; 0: for good"),
    Key("value", "", 0.0, -1e9, 1e9, "where the fault needs one"),
)
FAULT_FROM = ("power_on", "throttle", "press")


def _near(word: str, words: list[str]) -> str:
    close = difflib.get_close_matches(word, words, 1)
    return f"; did you mean {close[0]!r}" if close else f"; known are {', '.join(words)}"


def _check(where: str, key: Key, value: Any) -> Any:
    """Value of one key, checked; raises ScenarioError."""
    default = key.default
    if key.unit == "text":
        if not isinstance(value, str):
            raise ScenarioError(f"{where} must be a text in quotes, not {value!r}")
        return value
    if isinstance(default, bool):
        if not isinstance(value, bool):
            raise ScenarioError(f"{where} must be true or false, not {value!r}")
        return value
    if key.unit == POINTS:
        ok = isinstance(value, list) and all(
            isinstance(p, list)
            and len(p) == 2
            and all(isinstance(q, int | float) and not isinstance(q, bool) and abs(q) < 1e6 for q in p)
            for p in value
        )
        if not ok or any(b[0] <= a[0] for a, b in pairwise(value)) or len(value) == 1:
            raise ScenarioError(f"{where} must be a list of two or more [x, y] pairs with rising x")
        return [[float(a), float(b)] for a, b in value]
    if key.unit == "list":
        if not isinstance(value, list) or not all(type(v) is int and v >= 0 for v in value):
            raise ScenarioError(f"{where} must be a list of whole numbers")
        return list(value)
    if isinstance(value, bool) or not isinstance(value, int | float) or value != value:
        raise ScenarioError(f"{where} must be a number in {key.unit or 'no unit'}, not {value!r}")
    if not key.low <= value <= key.high:
        raise ScenarioError(
            f"{where} is {value}, outside {key.low:g} to {key.high:g} {key.unit}".rstrip()
            + "; correct the scenario"
        )
    if isinstance(default, int):
        if value != int(value):
            raise ScenarioError(f"{where} must be a whole number, not {value!r}")
        return int(value)
    return float(value)


def engines() -> dict[str, dict[str, Any]]:
    """The bundled, invented engines by name."""
    return tomllib.loads((HERE / "engines.toml").read_text())


def complete(partial: dict[str, Any], source: str = "the scenario") -> dict[str, Any]:
    """Every key of SCHEMA filled and checked.

    Raises ScenarioError with one sentence.  `board` (settings for the board by name,
    integers) and `faults` are passed through, faults checked.
    """
    for table in partial:
        if table not in SCHEMA and table not in ("board", "faults"):
            raise ScenarioError(
                f"{source}: unknown table [{table}]{_near(table, [*SCHEMA, 'board', 'faults'])}"
            )
    out: dict[str, Any] = {}
    for table, (_, keys) in SCHEMA.items():
        given = partial.get(table, {})
        if not isinstance(given, dict):
            raise ScenarioError(f"{source}: {table} must be a table, written [{table}]")
        if table == "engine" and "pull_scatter" in given:  # its name until version 0.1
            given = {"run_scatter": given["pull_scatter"], **given}
            del given["pull_scatter"]
        names = [k.name for k in keys]
        for name in given:
            if name not in names:
                raise ScenarioError(f"{source}: unknown key {name!r} in [{table}]{_near(name, names)}")
        values = {k.name: copy.deepcopy(k.default) for k in keys}
        if table == "engine":
            use = given.get("use", "" if given.get("torque_map") else values["use"])
            if use:
                known = engines()
                if not isinstance(use, str) or use not in known:
                    raise ScenarioError(f"{source}: unknown engine {use!r}{_near(str(use), list(known))}")
                values.update(known[use])
            values["use"] = use
        values.update(given)
        out[table] = {k.name: _check(f"{source}: {table}.{k.name}", k, values[k.name]) for k in keys}
    _check_models(out, partial, source)
    _check_together(out, source)
    _derive(out)
    out["board"] = _board(partial.get("board", {}), source)
    faults = partial.get("faults", [])
    if not isinstance(faults, list):
        raise ScenarioError(f"{source}: faults must be a list of tables, each written [[faults]]")
    out["faults"] = [_fault(f, i, source) for i, f in enumerate(faults, 1)]
    return out


def _check_models(out: dict[str, Any], partial: dict[str, Any], source: str) -> None:
    """Models that exist, and no key of a model that was not chosen; raises ScenarioError."""
    for table, models in MODELS.items():
        model = out[table]["model"]
        if model not in models:
            raise ScenarioError(f"{source}: {table}.model {model!r} is unknown{_near(model, list(models))}")
        for key in SCHEMA[table][1]:
            of_another = key.models and model not in key.models
            if of_another and partial.get(table, {}).get(key.name, key.default) != key.default:
                raise ScenarioError(
                    f"{source}: {table}.{key.name} belongs to model {' or '.join(map(repr, key.models))},"
                    f" but {table}.model is {model!r}; set the model or leave the key out"
                )


def _check_together(out: dict[str, Any], source: str) -> None:
    """Values that contradict each other; raises ScenarioError."""
    points = out["engine"]["torque_map"]
    if not points or points[-1][1] > 0.0:
        raise ScenarioError(
            f"{source}: engine.torque_map must end at a speed where the torque is 0, or no top speed exists"
        )
    if points[-1][0] > 30000.0 or points[0][0] < 0.0:
        raise ScenarioError(f"{source}: engine.torque_map must lie between 0 and 30000 rpm")
    if abs(out["servo"]["open_us"] - out["servo"]["shut_us"]) < 50.0:
        raise ScenarioError(f"{source}: servo.open_us and servo.shut_us must differ by at least 50 us")
    if out["engine"]["idle_rpm"] <= out["engine"]["stall_rpm"]:
        raise ScenarioError(f"{source}: engine.idle_rpm must be above engine.stall_rpm")
    if out["clutch"]["capacity_rpm"] <= out["clutch"]["engage_rpm"]:
        raise ScenarioError(f"{source}: clutch.capacity_rpm must be above clutch.engage_rpm")
    supply = out["supply"]
    if supply["cut_out_bar"] <= supply["cut_in_bar"] or supply["pump_max_bar"] <= supply["cut_out_bar"]:
        raise ScenarioError(f"{source}: supply.cut_in_bar, cut_out_bar, pump_max_bar must rise in that order")
    if out["brake"]["pattern_up"] < out["brake"]["pattern_down"]:
        raise ScenarioError(f"{source}: brake.pattern_up must not be below brake.pattern_down")
    curve = out["valve"]["curve"]
    if len(curve) < 2 or curve[0][0] > 0.0 or curve[-1][0] < 1.0 or min(y for _, y in curve) < 0.0:
        raise ScenarioError(f"{source}: valve.curve must run from opening 0 to 1 with shares of 0 or more")


def _derive(s: dict[str, Any]) -> None:
    """Fill the keys whose default follows from others."""
    peak = max(t for _, t in s["engine"]["torque_map"])
    if not s["clutch"]["capacity_Nm"]:
        s["clutch"]["capacity_Nm"] = 2.5 * peak
    brake, drive = s["brake"], s["drive"]
    if not brake["full_torque_Nm"]:
        brake["full_torque_Nm"] = 3.5 * peak * drive["brake_teeth"] / drive["engine_teeth"]
    if not brake["windage_Nm"]:
        brake["windage_Nm"] = 0.002 * brake["full_torque_Nm"]
    if not brake["bearing_drag_Nm"]:
        brake["bearing_drag_Nm"] = 0.01 * brake["full_torque_Nm"]
    if not brake["capacity_l"]:
        brake["capacity_l"] = 0.04 + 0.001 * brake["full_torque_Nm"]
    if not s["valve"]["full_flow_l_min"]:
        s["valve"]["full_flow_l_min"] = 1.6 * brake["capacity_l"] / brake["drain_time_s"] * 60.0
    if not s["load_cell"]["counts_per_N"]:
        s["load_cell"]["counts_per_N"] = round(5.5e6 * s["load_cell"]["arm_m"] / brake["full_torque_Nm"])


def _board(given: Any, source: str) -> dict[str, int]:
    if not isinstance(given, dict) or not all(type(v) is int for v in given.values()):
        raise ScenarioError(f"{source}: [board] must hold settings of the board with whole numbers")
    return dict(given)


def _fault(given: Any, number: int, source: str) -> dict[str, Any]:
    where = f"{source}: fault {number}"
    if not isinstance(given, dict) or "name" not in given:
        raise ScenarioError(f'{where} needs a name, written [[faults]] name = "..."')
    given = dict(given)
    if "pull" in given:  # its name until version 0.1
        given["run"] = given.pop("pull")
    names = [k.name for k in FAULT_KEYS]
    for name in given:
        if name not in names:
            raise ScenarioError(f"{where}: unknown key {name!r}{_near(name, names)}")
    fault = {k.name: _check(f"{where}: {k.name}", k, given.get(k.name, k.default)) for k in FAULT_KEYS}
    if fault["name"] not in FAULTS:
        raise ScenarioError(f"{where}: unknown fault {fault['name']!r}{_near(fault['name'], list(FAULTS))}")
    if fault["from"] not in FAULT_FROM:
        raise ScenarioError(f"{where}: from must be one of {', '.join(FAULT_FROM)}, not {fault['from']!r}")
    if FAULTS[fault["name"]].on is None and "value" not in given:
        raise ScenarioError(f"{where}: {fault['name']} needs a value ({FAULTS[fault['name']][3]})")
    return fault


def bundled() -> dict[str, Path]:
    """The scenarios that come with the bench, by name."""
    return {p.stem: p for p in sorted((HERE / "scenarios").glob("*.toml"))}


def load(name: str | Path) -> dict[str, Any]:
    """Read and complete a scenario: a path, or the name of a bundled one."""
    path = Path(name)
    if not path.exists() and str(name) in bundled():
        path = bundled()[str(name)]
    try:
        if path.stat().st_size > MAX_FILE_BYTES:
            raise ScenarioError(f"{path} is larger than {MAX_FILE_BYTES // 1024} KiB; that is no scenario")
        text = path.read_text(encoding="utf-8")
    except OSError as error:
        known = ", ".join(bundled())
        raise ScenarioError(
            f"cannot read the scenario {path}: {error.strerror or error}; give a TOML file or one of {known}"
        ) from None
    except UnicodeDecodeError:
        raise ScenarioError(f"{path} is not UTF-8 text; a scenario is a TOML file") from None
    try:
        partial = tomllib.loads(text)
    except (ValueError, RecursionError) as error:  # ValueError: also a number of thousands of digits
        raise ScenarioError(f"{path} is not valid TOML: {error}; correct it and try again") from None
    return complete(partial, path.name)
