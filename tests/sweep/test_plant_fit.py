"""The plant from the record of one ramp: against a tank that scipy integrates, and in the board's words."""

from __future__ import annotations

import math
import os
import subprocess
import sys
from pathlib import Path

import numpy as np
import pytest
from scipy.integrate import solve_ivp
from small_ints import Small, SmallArray, TooBigError

PROJECT = Path(__file__).resolve().parents[2]
sys.path.insert(0, str(PROJECT / "firmware" / "lib"))

from evenfall_board import plant_fit, ramp_record, speed_loop  # noqa: E402
from evenfall_board.plant_fit import measure as fit  # noqa: E402
from evenfall_board.ramp_record import record as add  # noqa: E402

INTERPRETER_32 = Path(os.environ.get("EVENFALL_MICROPYTHON_32", PROJECT / ".venv/interpreter-32/micropython"))
LOW_RPM, HIGH_RPM, STEP_S = 5000.0, 11000.0, 0.0125
FULL = 16384
LEAK = 492  # the fit adds it to the opening

# (valve exponent, fill rate at the lowest speed in 1/s, delay in s)
PLANTS = [
    (0.6, 1.0, 0.12), (0.6, 6.0, 0.30), (0.6, 20.0, 0.04), (0.9, 2.5, 0.07), (1.0, 12.0, 0.16),
    (1.3, 1.5, 0.20), (1.3, 4.0, 0.10), (1.7, 8.0, 0.05), (1.7, 3.0, 0.25), (2.2, 14.0, 0.09),
    (3.0, 2.5, 0.04), (3.0, 6.0, 0.30),
]  # fmt: skip


def tank_ramp(exponent, fill_rate, delay_s, seed, noise=0.02, moves=0.1, seconds=10.0):
    """(opening, torque N.m, rpm) at each step of a falling ramp: a valve fills a tank, the brake empties it.

    dz/dt = A (c u**v - w/w_low z**0.7), torque = z w**2: mass balance with inflow by the valve's
    characteristic and outflow by speed and level.  The opening holds the engine's torque and moves about that
    at random with a memory of 0.5 s; it is constant in a step.
    """
    random = np.random.default_rng(seed)
    n = round(seconds / STEP_S)
    at = (np.arange(n) + 0.5) / n
    speed = HIGH_RPM + (LOW_RPM - HIGH_RPM) * at
    level = (
        (1 - 0.3 * (2 * at - 1) ** 2) / 0.7 * (LOW_RPM / speed) ** 2
    )  # at the engine's torque; 1 at the end
    swing = np.zeros(n)
    for i in range(1, n):
        swing[i] = swing[i - 1] * (1 - STEP_S / 0.5) + moves * math.sqrt(2 * STEP_S / 0.5) * random.normal()
    held = (0.7 * np.log(level) + np.log(speed / LOW_RPM)) / exponent
    opening = np.exp(held + swing)
    opening *= 0.25 / np.exp(held.mean())
    full = 0.25 / np.exp(held.mean())  # inflow 1 is where the opening is this

    def change(t, z):
        i = min(max(math.floor((t - delay_s) / STEP_S), 0), n - 1)
        w = HIGH_RPM + (LOW_RPM - HIGH_RPM) * t / seconds
        return fill_rate * ((opening[i] / full) ** exponent - w / LOW_RPM * max(z[0], 1e-6) ** 0.7)

    # steady at the beginning
    start = ((opening[0] / full) ** exponent * LOW_RPM / HIGH_RPM) ** (1 / 0.7)
    middles = (np.arange(n) + 0.5) * STEP_S
    seen = solve_ivp(change, (0, seconds), [start], max_step=STEP_S, t_eval=middles, rtol=1e-4).y[0]
    torque = 4.0 * seen * (speed / LOW_RPM) ** 2 * (1 + noise * random.normal(size=n))
    return opening, torque, speed


def recorded(opening, torque, speed, seconds=10.0):
    record = ramp_record.new_state()
    ramp_record.restart(record, round(seconds * 1000))
    for i, values in enumerate(zip(opening, torque, speed, strict=True)):
        dt = round((i + 1) * STEP_S * 32768) - round(i * STEP_S * 32768)
        add(
            record[0],
            record[1],
            dt,
            round(values[0] * FULL) - LEAK,
            round(values[1] * 1000),
            round(values[2] * 2),
            0,
        )
    return record


def result(record, delay_s=0.0):
    """Fill rate 1/s, v, delay s, their standard uncertainties (of ln, of ln, s), share that is left."""
    told = list(fit(record, round(delay_s * 32768), round(2 * LOW_RPM)))
    assert all(more is True for more in told[:-1])
    if told[-1] is None:
        return None
    rate, exponent, delay, rate_sd, exponent_sd, delay_sd, left = told[-1]
    return (
        rate / 256,
        exponent / 256,
        delay / 32768,
        rate_sd / 256,
        exponent_sd / 256,
        delay_sd / 32768,
        left / 256,
    )


TANK = "mass balance of a tank with a valve's characteristic, integrated by scipy.integrate.solve_ivp"


@pytest.mark.outside(TANK)
def test_plants_are_found_with_honest_uncertainty():
    pulls = []
    for seed, (exponent, rate, delay) in enumerate(PLANTS):
        found = result(recorded(*tank_ramp(exponent, rate, delay, seed)))
        off = math.log(found[0] / rate), math.log(found[1] / exponent), found[2] - delay
        print(exponent, rate, delay, *(f"{x:.3f}" for x in (*found, *off)))
        assert abs(off[0]) < 0.35 and abs(off[1]) < 0.12 and abs(off[2]) < 0.02
        assert found[3] < 0.3 and found[4] < 0.1 and found[5] < 0.03 and found[6] < 0.2
        pulls.append([off[0] / found[3], off[1] / found[4], off[2] / found[5]])
    pulls = np.array(pulls)
    assert np.abs(pulls).max() < 3.5 and (np.abs(pulls) < 2).mean() > 0.85
    assert np.all((pulls**2).mean(axis=0) < 1.6**2) and np.all((pulls**2).mean(axis=0) > 0.15**2)


@pytest.mark.outside(TANK)
def test_more_noise_is_more_uncertainty_and_still_honest():
    clean, rough = [], []
    for seed, (exponent, rate, delay) in enumerate(PLANTS[2:8]):
        clean.append(result(recorded(*tank_ramp(exponent, rate, delay, seed))))
        found = result(recorded(*tank_ramp(exponent, rate, delay, seed, noise=0.1)))
        rough.append(found)
        assert abs(math.log(found[0] / rate)) < 3.5 * found[3] and abs(found[2] - delay) < 3.5 * found[5]
    for place in (3, 4, 5, 6):
        assert sum(x[place] for x in rough) > 1.5 * sum(x[place] for x in clean)


@pytest.mark.outside(TANK)
def test_a_known_delay_is_taken():
    record = recorded(*tank_ramp(1.3, 6.0, 0.15, 3))
    found = result(record, 0.15)
    assert found[2] == pytest.approx(0.15, abs=1e-4) and found[5] == 0
    assert abs(math.log(found[0] / 6.0)) < 0.2 and abs(found[1] / 1.3 - 1) < 0.08
    wrong = result(record, 0.30)
    assert wrong[6] > 1.5 * found[6]


@pytest.mark.outside(TANK)
def test_a_ramp_of_twenty_seconds_and_one_of_five():
    for seconds in (20.0, 5.0):
        found = result(recorded(*tank_ramp(1.3, 4.0, 0.12, 8, seconds=seconds), seconds), 0.0)
        assert (
            abs(math.log(found[0] / 4.0)) < 0.4
            and abs(found[1] / 1.3 - 1) < 0.12
            and abs(found[2] - 0.12) < 0.03
        )


def told_by(interpreter):
    done = subprocess.run(
        [
            interpreter,
            Path(__file__).with_name("fit_in_both.py"),
            PROJECT / "firmware/lib",
            PROJECT / "protocol",
        ],
        capture_output=True,
        text=True,
        timeout=120,
        check=False,
    )
    assert done.returncode == 0, done.stdout + done.stderr
    return done.stdout.splitlines()


def test_machine_code_does_what_cpython_does():
    here = told_by(sys.executable)
    assert len(here) == 14 and here[-1].endswith(")]") and here[9].endswith("None]")
    assert here == told_by(PROJECT / ".venv/bin/micropython")
    if INTERPRETER_32.exists():
        assert here == told_by(INTERPRETER_32)


def flat(opening=3000, torque_mNm=4000, half_rpm=16000, steps=800):
    """A record whose values are numbers or functions of the step."""
    record = ramp_record.new_state()
    ramp_record.restart(record, 10_000)
    for i in range(steps):
        values = (x(i) if callable(x) else x for x in (opening, torque_mNm, half_rpm))
        add(record[0], record[1], 410, *values, 0)
    return record


def moving(i):
    return 3000 + 400 * (i // 40 % 3)


@pytest.mark.parametrize(
    "record",
    [
        flat(moving, steps=0),
        flat(moving, steps=250),
        flat(moving, torque_mNm=0),
        flat(moving, torque_mNm=-131071),
        flat(moving, torque_mNm=lambda i: 4000 if i > 200 else 5),
        flat(3000),
        flat(0),
        flat(moving, half_rpm=0),
        flat(moving, half_rpm=lambda i: 16000 if i < 700 else 900),
    ],
    ids="empty short no-torque negative weak-quarter constant shut standing slow-end".split(),
)
def test_nothing_is_found_in_a_bad_record(record):
    assert list(fit(record, 0, 10_000))[-1] is None
    assert list(fit(record, 3000, 10_000))[-1] is None


def test_a_torque_without_noise_and_answer_is_no_division_by_zero():
    told = list(fit(flat(moving), 0, 16_000))[-1]
    assert (
        told[1] == pytest.approx(0.4 * 256, abs=2) and told[3] > 0
    )  # v at its least, and unsure of the rate


@pytest.mark.parametrize("sweep_ms, bin_q15", [(5000, 2048), (10_000, 2402), (20_000, 4587), (90_000, 16383)])
def test_means_are_those_of_the_held_values(sweep_ms, bin_q15):
    """Uneven steps: each mean is the integral over its bin of what held; halving and mean round down."""
    random = np.random.default_rng(sweep_ms)
    record = ramp_record.new_state()
    for round_ in range(2):  # a second ramp finds nothing of the first
        ramp_record.restart(record, sweep_ms)
        ends, rows = [0], []
        while ends[-1] < sweep_ms * 32.768 * (1.2 - 0.4 * round_):
            dt = int(random.choice([0, 102, 410, 409, 1500, 3277, 9000]))
            row = [
                int(random.integers(0, 16877)),
                int(random.integers(-3000, 131072)),
                int(random.integers(65536)),
                int(random.integers(65536)),
            ]
            add(record[0], record[1], dt, *row)
            ends.append(ends[-1] + dt)
            rows.append(row)
        count = record[0][0]
        assert count == min(ends[-1] // bin_q15, 160)
        edges = np.arange(count + 1) * bin_q15
        for place, column, scale in ((320, 0, 1), (0, 1, 2), (160, 2, 1), (480, 3, 1)):
            held = np.array([row[column] for row in rows], dtype=float)
            area = np.interp(edges, ends, np.concatenate([[0], np.cumsum(held * np.diff(ends))]))
            seen = np.array(record[1][place : place + count], dtype=float)
            assert np.abs(seen - np.maximum(np.diff(area) / bin_q15 / scale, 0)).max() <= 1.51


class Hardened(SmallArray):
    """With a length, as arrays have one."""

    def __init__(self, *of):
        super().__init__(plant_fit_array(*of))

    def __len__(self):
        return len(self._a)


plant_fit_array = plant_fit.array

WILD = {
    "all high": (16876, 131071, 65535),
    "everything jumps": (
        lambda i: i // 9 % 2 * 16876,
        lambda i: i // 7 % 3 * 65535,
        lambda i: 1000 + i % 2 * 64535,
    ),
    "torque falls away": (moving, lambda i: 131071 >> min(i // 40, 12), lambda i: 65535 - 80 * i),
    "opens at once": (lambda i: 128 if i < 400 else 16876, lambda i: 21 if i < 420 else 131071, 1000),
    "noise": (
        lambda i: i * 7919 % 16877,
        lambda i: i * i * 7919 % 131072,
        lambda i: 1000 + i * 104729 % 64000,
    ),
}


@pytest.mark.parametrize("delay", [0, 9830, 65535])
@pytest.mark.parametrize("wild", WILD)
def test_every_intermediate_stays_small(monkeypatch, wild, delay):
    if wild != "noise" and delay == 0:
        delay = 3000
    for module in (ramp_record, speed_loop):
        monkeypatch.setattr(module, "int", lambda x: x, raising=False)
    monkeypatch.setattr(plant_fit, "array", Hardened)
    record = ramp_record.new_state()
    record = tuple(SmallArray(part) for part in record)
    ramp_record.restart(record, Small(20_000 if delay > 10_000 else 4000))
    for i in range(430):
        add(
            record[0],
            record[1],
            Small(1530 if delay > 10_000 else 306),
            *(Small(x(i) if callable(x) else x) for x in WILD[wild]),
            Small(65535),
        )
    assert record[0][0] >= 60
    list(fit(record, Small(delay), Small(1000)))


def test_the_check_would_find_a_large_product():
    with pytest.raises(TooBigError, match="31 bits"):
        ramp_record.high_pass([Small(1 << 28)], [0], 668, 1, 0)
