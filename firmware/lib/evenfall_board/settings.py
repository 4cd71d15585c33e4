"""The board's settings and learned values: loaded, checked, saved.

A file is saved by writing a new one beside it and renaming it over the old
one, so a power cut leaves the old or the new file, never neither.  A value
that is out of bounds, or that contradicts another, is named in `problems` and
replaced by its default in RAM; the file keeps it until it is set anew.
"""

import json
import os
import sys

from .native import const
from evenfall_wire.settings import AT_START, BY_NAME, BY_NUMBER, SETTINGS

PATH = "/settings.json"
LEARNED_PATH = "/learned.json"
_MAX_FILE = const(8192)  # bytes; a longer file is not ours
_MAX_LEARNED = const(60)  # slots; what one 'learned' message can carry
_VALUE_LIMIT = const(0x7FFFFFFF)
NUMBER, NAME, UNIT, DEFAULT, LOWEST, HIGHEST, GROUP = range(7)  # columns of SETTINGS
TRACE_HZ = 27  # of the control trace: every third step at 80 samples/s
# of RAM for one sweep's records: what an RP2040 has beside the program, an RP2350 holds more; the interpreter
# of a computer stands for a chip between the two
_CHIP = getattr(sys.implementation, "_machine", "")
MAX_RECORD_BYTES = 200000 if "RP2350" in _CHIP else 40000 if "RP2040" in _CHIP else 64000


# these keep people safe; with the button held a person at the board agrees to the change
GUARDING = ("servo_shut", "servo_open", "fail_valve", "kill_fitted", "pin_kill", "pin_hall", "hall_timeout")
LIMITS = ("overspeed", "load_limit")  # lowered freely, raised with the button held


def wants_button(values, pairs):
    """Number of the first (number, value) pair that a person at the board must agree to, else 0."""
    for number, value in pairs:
        entry = BY_NUMBER.get(number)
        if entry is not None:
            name, now = entry[NAME], values[entry[NAME]]
            if name in GUARDING and value != now or name in LIMITS and value > now:
                return number
    return 0


def needs_restart(number):
    """True when setting `number` acts only from the next start."""
    entry = BY_NUMBER[number]
    return entry[GROUP] == "pins" or entry[NAME] in AT_START


def edges_per_second(settings):
    """Edges a second half-way between overspeed limit and end speed, rounded up."""
    rpm = (settings["overspeed"] + settings["end_speed"]) // 2
    return rpm * settings["engine_teeth"] * settings["magnets"] // (60 * settings["brake_teeth"]) + 1


def run_seconds(settings):
    """Length of a run without the wait for a steady top speed, rounded up."""
    names = ("before_trigger", "steady_time", "sweep_time", "after_sweep")
    return (sum([settings[n] for n in names]) + 999) // 1000


def records_per_second(settings, nominal_hz):
    """(load samples, edges, steps of the control trace) that the recorder must hold for a second."""
    load_hz = nominal_hz + nominal_hz // 8
    return load_hz, edges_per_second(settings), min(load_hz, TRACE_HZ)


def bytes_per_second(settings, nominal_hz):
    """RAM for a second's records."""
    load_hz, edge_hz, trace_hz = records_per_second(settings, nominal_hz)
    return load_hz * 6 + edge_hz * 4 + trace_hz * 12


def defaults():
    """name -> default value of every setting."""
    return {s[NAME]: s[DEFAULT] for s in SETTINGS}


def in_bounds(entry, value):
    """True when `value` is an integer inside the bounds of a settings row."""
    return isinstance(value, int) and not isinstance(value, bool) and entry[LOWEST] <= value <= entry[HIGHEST]


def contradictions(values):
    """Names of settings that contradict others, each once, the one to change first."""
    bad = []

    def say(name):
        if name not in bad:
            bad.append(name)

    used = {}
    for entry in SETTINGS:
        if entry[GROUP] == "pins" and values[entry[NAME]] >= 0:
            if values[entry[NAME]] in used:
                say(entry[NAME])
            used[values[entry[NAME]]] = entry[NAME]
    if abs(values["servo_open"] - values["servo_shut"]) < 50:
        say("servo_open")
    if abs(values["span"]) < 1000:
        say("span")
    if values["end_speed"] >= values["overspeed"]:
        say("end_speed")
    start = values["start_speed"]
    if start and not values["end_speed"] + 500 <= start <= values["overspeed"]:
        say("start_speed")
    if values["spin_up_speed"] >= values["overspeed"]:
        say("spin_up_speed")
    # at the end speed at least three magnets must pass within the time-out
    per_minute = values["end_speed"] * values["engine_teeth"] * values["magnets"] // values["brake_teeth"]
    if per_minute * values["hall_timeout"] < 3 * 60000:
        say("hall_timeout")
    if values["kill_fitted"] and values["pin_kill"] < 0:
        say("pin_kill")
    if values["kill_fitted"] and values["pin_hall"] < 0:
        say("pin_hall")  # without the speed nothing would ever cut the ignition
    # the board must hold a whole sweep: else it would come up without memory to work
    nominal_hz = 320 if values["amplifier"] == 1 else 80
    if bytes_per_second(values, nominal_hz) * run_seconds(values) > MAX_RECORD_BYTES:
        if edges_per_second(values) > 2 * nominal_hz:
            say(
                "magnets"
                if values["magnets"] > 1
                else "engine_teeth"
                if values["engine_teeth"] > 10
                else "brake_teeth"
            )
        else:
            say("sweep_time")
    if values["amplifier"] or values["barometer"]:
        # an I2C block of the chip reaches an even pin for data and the next for the clock
        if values["pin_sda"] < 0 or values["pin_sda"] % 2:
            say("pin_sda")
        elif values["pin_scl"] != values["pin_sda"] + 1:
            say("pin_scl")
    return bad


def _read(path):
    """The JSON value in a file, or None when there is none or it is damaged."""
    try:
        os.remove(path + ".new")  # left by a power cut: never finished
    except OSError:
        pass
    try:
        if os.stat(path)[6] > _MAX_FILE:
            return None
        with open(path) as f:
            return json.load(f)
    except (OSError, ValueError):
        return None


def _write(path, value):
    with open(path + ".new", "w") as f:
        json.dump(value, f)
        f.flush()
    os.rename(path + ".new", path)


def _exists(path):
    try:
        os.stat(path)
        return True
    except OSError:
        return False


class Settings:
    """`values`: name -> integer, all within bounds; `problems`: names that fell back."""

    def __init__(self, path=PATH):
        self._path = path
        self.values = defaults()
        self.problems = []

    def load(self):
        found = _read(self._path)
        values = self.values = defaults()
        self.problems = []
        if not isinstance(found, dict):
            if found is not None or _exists(self._path):
                self.problems.append("")  # the whole file is unreadable
            return
        for entry in SETTINGS:
            name = entry[NAME]
            if name in found:
                if in_bounds(entry, found[name]):
                    values[name] = found[name]
                else:
                    self.problems.append(name)
        fixed = defaults()
        while True:
            bad = contradictions(values)
            if not bad:
                return
            name = bad[0]
            if name not in self.problems:
                self.problems.append(name)
            if values[name] == fixed[name]:
                # the default itself is in the way of another value: all of its group falls back
                for entry in SETTINGS:
                    if entry[GROUP] == BY_NAME[name][GROUP]:
                        if values[entry[NAME]] != entry[DEFAULT] and entry[NAME] not in self.problems:
                            self.problems.append(entry[NAME])
                        values[entry[NAME]] = entry[DEFAULT]
                if values[name] == fixed[name] and name in contradictions(values):
                    self.values = fixed
                    return
            values[name] = fixed[name]

    def change(self, pairs, agreed=True):
        """Set (number, value) pairs, all or none, and save.

        `agreed`: a person holds the button, as `wants_button` may ask for.
        Returns (error name, number at fault); ("none", 0) when saved.
        """
        new = dict(self.values)
        for number, value in pairs:
            entry = BY_NUMBER.get(number)
            if entry is None:
                return "no_such_setting", number
            if not in_bounds(entry, value):
                return "out_of_bounds", number
            new[entry[NAME]] = value
        bad = contradictions(new)
        if bad:
            return "out_of_bounds", BY_NAME[bad[0]][NUMBER]
        number = wants_button(self.values, pairs)
        if number and not agreed:
            return "hold_button", number
        _write(self._path, new)
        self.values = new
        self.problems = []
        return "none", 0


class Learned:
    """`values`: slot -> integer, kept between sweeps by the sweep controller."""

    def __init__(self, path=LEARNED_PATH):
        self._path = path
        self.values = {}

    def load(self):
        self.values = {}
        found = _read(self._path)
        if isinstance(found, list):
            for pair in found[:_MAX_LEARNED]:
                if not (isinstance(pair, list) and len(pair) == 2):
                    continue
                slot, value = pair
                if (
                    isinstance(slot, int)
                    and isinstance(value, int)
                    and 0 <= slot < 65536
                    and -_VALUE_LIMIT <= value <= _VALUE_LIMIT
                ):
                    self.values[slot] = value

    def store(self, pairs):
        """Take (slot, value) pairs over the old ones and save."""
        for slot, value in pairs:
            self.values[slot] = value
        _write(self._path, [[slot, self.values[slot]] for slot in sorted(self.values)][:_MAX_LEARNED])

    def forget(self):
        self.values = {}
        _write(self._path, [])


class BootCounter:
    """Counts starts of the board; remembers run numbers already given."""

    def __init__(self, path="/starts.json"):
        self._path = path
        self.count = 0
        self.last_run = 0

    def load(self):
        found = _read(self._path)
        if isinstance(found, list) and len(found) > 1 and all([isinstance(v, int) for v in found]):
            self.count, self.last_run = found[:2]  # version 0.1 wrote a third number
        self.count += 1
        self._save()

    def _save(self):
        _write(self._path, [self.count, self.last_run, 0])  # three, for a board that rolls back to 0.1

    def keep_run_number(self, run_id):
        """Never give out `run_id` again, even when its file is gone."""
        if run_id > self.last_run:
            self.last_run = run_id
            self._save()
