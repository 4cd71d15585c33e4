"""What a finished sweep teaches: folded into the board's knowledge of its bench (valve_map.ValveMap).

Loaded after a run and forgotten again (`Sweep.measure`): between runs the heap is needed for records.  So no
machine code here: what a port loads of that it keeps for ever.
"""

from array import array

from .native import const
from .speed_loop import EXP2, FULL, LOG2, exp2_x1024, log2_x1024
from .valve_map import DEFAULT_VALVE_EXPONENT, MAX_INERTIA, MIN_INERTIA

# as in valve_map
_MIN_FILL_RATE = const(64)
_MAX_FILL_RATE = const(180)
_MIN_VALVE_EXPONENT = const(205)
_MAX_VALVE_EXPONENT = const(820)
_MIN_VALVE_GAIN = const(64)
_MAX_VALVE_GAIN = const(2048)
_DEFAULT_VALVE_GAIN = const(256)
_KNOTS = const(96)
_KNOT_SHIFT = const(9)
_KNOT_MASK = const(511)
_MAX_KNOTS = const(53)

_MIN_WEIGHT = const(20)  # of a knot in one sweep: a third of a mean of the record
_COUNT = const(0)  # as in ramp_record
_OPENINGS = const(320)
_SET_POINTS = const(480)
_SMOOTHING_PASSES = const(3)  # of smoothing: one run's openings hold what the valve answered to single turns
_MAX_TORQUE = const(131071)  # mN.m
_FILL_RATE = const(1370)  # 5.35 1/s, in 1/256, as the gains assume
_USUAL_FILL_RATE = const(160)  # 3.3 1/s: what is expected before anything is identified
_USUAL_WEIGHT = const(131)  # 1/u^2 in 1/16 of that and of the usual exponent: a third off is common
_WEIGHT_SCALE = const(1048576)  # 16 x 256 x 256: u in 1/256
_MODEL_VARIANCE_RATE = const(16384)  # 0.5^2 in 1/256: the true plant has more lags than one
_MODEL_VARIANCE_EXPONENT = const(8100)  # 0.35^2
_MAX_PLANT_WEIGHT = const(511)


def push(w, sum_u, sum_t, half_rpm, opening, torque):
    """Add a mean of the ramp to the two knots beside its set point."""
    k = half_rpm >> _KNOT_SHIFT
    if k >= _KNOTS - 1:
        return
    f = (half_rpm & _KNOT_MASK) >> 3
    g = 64 - f
    w[k] += g
    sum_u[k] += opening * g
    sum_t[k] += torque * (g >> 2)
    k += 1
    w[k] += f
    sum_u[k] += opening * f
    sum_t[k] += torque * (f >> 2)


def add(learned, found, fresh):
    """Fold in what `plant_fit.measure` found: mean of the logarithms, weighted by 1/u**2.

    What was known counts 4/5, so that the board follows a bench that changes.
    """
    fill_rate, exponent, _, u_rate, u_exponent, _, left = found
    old_rate, old_exponent = learned.weights or (0, 0)
    if fresh or not old_exponent:
        old_rate = old_exponent = _USUAL_WEIGHT
        learned.fill_rate, learned.valve_exponent = _USUAL_FILL_RATE, DEFAULT_VALVE_EXPONENT
    w = _WEIGHT_SCALE // (u_rate * u_rate + _MODEL_VARIANCE_RATE)
    old_rate = old_rate * 4 // 5
    fill_rate = min(max(fill_rate * 256 // _FILL_RATE, _MIN_FILL_RATE), _MAX_FILL_RATE)
    learned.fill_rate = _mean(learned.fill_rate, old_rate, fill_rate, w)
    rate_weight = min(old_rate + w, _MAX_PLANT_WEIGHT)
    w = _WEIGHT_SCALE // (u_exponent * u_exponent + (left * left >> 2) + _MODEL_VARIANCE_EXPONENT)
    old_exponent = old_exponent * 4 // 5
    exponent = min(max(exponent, _MIN_VALVE_EXPONENT), _MAX_VALVE_EXPONENT)
    learned.valve_exponent = _mean(learned.valve_exponent, old_exponent, exponent, w)
    learned.weights = rate_weight, min(old_exponent + w, _MAX_PLANT_WEIGHT)


def _mean(before, n, value, w):
    """Geometric mean of two positive numbers, weighted."""
    before = log2_x1024(before, LOG2)
    return exp2_x1024(before + (log2_x1024(value, LOG2) - before) * w // (n + w), EXP2)


def learn(learned, ramp, inertia, valve_gain, ripple_mHz, fresh, lead_half_rpm):
    """Generator: fold the record of a ramp into the map, a piece at a time.

    `fresh` replaces what was known; otherwise 7/10 of what the loop added to it is taken.  The loop
    answers a disturbance late, when the ramp has gone on by `lead_half_rpm`: what it did belongs to the
    speed before (iterative learning control with a phase lead; smoothing is its robustness filter).
    `valve_gain` 0 leaves what was known; `ripple_mHz` is what this run showed, 0: none.
    """
    sum_u = array("i", bytearray(4 * _KNOTS))
    sum_t = array("i", bytearray(4 * _KNOTS))
    w = array("H", bytearray(2 * _KNOTS))
    state, bins = ramp
    for i in range(state[_COUNT]):
        push(w, sum_u, sum_t, bins[_SET_POINTS + i], bins[_OPENINGS + i], bins[i])
        if i & 63 == 63:
            yield
    keys = [k for k in range(_KNOTS) if w[k] >= _MIN_WEIGHT]
    u = {}
    t = {}
    for k in keys:
        u[k] = sum_u[k] // w[k]
        t[k] = min(sum_t[k] // (w[k] >> 2) << 1, _MAX_TORQUE)
    yield
    t = _smooth(t, 1)
    if fresh:
        for k in range(_KNOTS):
            learned.valve[k] = 0
        learned.span()
    if learned.high >= 0:
        for k in keys:
            u[k] -= learned.opening(k << _KNOT_SHIFT)
    yield
    u = _smooth(_earlier(u, lead_half_rpm), _SMOOTHING_PASSES)
    yield
    base = [learned.opening(k << _KNOT_SHIFT) if learned.high >= 0 else 0 for k in keys]
    for k, uk in zip(keys[:_MAX_KNOTS], base):
        tk = t[k]
        uk += u[k] * 7 // 10 if learned.valve[k] else u[k]
        if learned.valve[k]:
            old = learned.torque[k]
            tk = old + (tk - old) * 7 // 10
        learned.valve[k] = min(max(uk, 0), FULL) + 1
        learned.torque[k] = min(max(tk, 1), _MAX_TORQUE)
    learned.span()
    if inertia:
        learned.inertia = min(max(inertia, MIN_INERTIA), MAX_INERTIA)
    if valve_gain:
        if learned.valve_gain != _DEFAULT_VALVE_GAIN and not fresh:
            valve_gain = learned.valve_gain + (valve_gain - learned.valve_gain) * 7 // 10
        learned.valve_gain = min(max(valve_gain, _MIN_VALVE_GAIN), _MAX_VALVE_GAIN)
    learned.ripple_mHz = ripple_mHz


def _smooth(values, passes):
    """By knot: half of each value is its neighbours'; it stands in for one that is missing."""
    for _ in range(passes):
        values = {k: (values.get(k - 1, v) + 2 * v + values.get(k + 1, v)) >> 2 for k, v in values.items()}
    return values


def _earlier(values, half_rpm):
    """By knot: the value of the speed that is `half_rpm` higher, between knots; beyond them as it was."""
    n, part = half_rpm >> _KNOT_SHIFT, half_rpm & _KNOT_MASK
    moved = {}
    for k, v in values.items():
        a = values.get(k + n, v)
        moved[k] = a + ((values.get(k + n + 1, a) - a) * part >> _KNOT_SHIFT)
    return moved
