"""The one table of states: what may follow what, and why.

Names of states are those of evenfall_wire.codes.STATES.  `step` is the only
way to change state; the maintainers' diagram is drawn from TRANSITIONS.
"""

from evenfall_wire import codes

# number of a name on the wire: a search, since dictionaries of them would take 1.5 kB
EVENT = codes.EVENTS.index
FAULT = codes.FAULTS.index
REASON = codes.REASONS.index
STATE = codes.STATES.index
TRIGGER = codes.TRIGGERS.index
VERDICT = codes.VERDICTS.index

TRANSITIONS = (
    # from, event, to
    ("start", "checked", "rest"),
    ("start", "fault", "safe"),
    ("rest", "arm", "ready"),
    ("rest", "spin_up", "record"),
    ("rest", "fault", "safe"),
    ("ready", "disarm", "rest"),
    ("ready", "begin", "steady"),
    ("ready", "characterise", "characterise"),
    ("ready", "fault", "safe"),
    ("record", "begin", "steady"),
    ("record", "characterise", "characterise"),
    ("record", "spun_down", "store"),
    ("record", "forget", "rest"),
    ("record", "fault", "safe"),
    ("steady", "ramp", "sweep"),
    ("steady", "stop", "release"),
    ("steady", "fault", "safe"),
    ("sweep", "end", "release"),
    ("sweep", "stop", "release"),
    ("sweep", "fault", "safe"),
    ("release", "released", "store"),
    ("release", "fault", "safe"),
    ("store", "stored", "rest"),
    ("store", "stored_fault", "safe"),
    ("safe", "stopped", "store"),
    ("safe", "clear", "rest"),
    ("characterise", "measured", "store"),
    ("characterise", "fault", "safe"),
)

CONTROLLED = ("steady", "sweep", "release")  # the controller has the valve
BUSY = ("steady", "sweep", "release", "characterise", "record")  # status and stop only


def step(state, event):
    """The state after `event`, or None when the table does not allow it."""
    for before, why, after in TRANSITIONS:
        if before == state and why == event:
            return after
    return None
