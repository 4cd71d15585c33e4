"""Numbers that stand for states, faults, events and refusals.

Each table is a tuple of names; the number is the place in the tuple.  The
sentences that people read live on the host (host/evenfall/board/code_texts.py), so
that the board does not carry them.  New names go at the end; a name no longer sent
becomes reserved_<number>, so that no number ever changes its meaning.
"""

CLAMP_LOW = -0x800000  # a load code at either end of the amplifier's range measures nothing
CLAMP_HIGH = 0x7FFFFF

STATES = ("start", "rest", "ready", "steady", "sweep", "release", "store", "safe", "characterise", "record")

TRIGGERS = ("button", "spin_up", "host")

FAULTS = (
    "none",
    "overspeed",
    "load_open",
    "load_clamped",
    "load_stuck",
    "load_silent",
    "hall_lost",
    "servo_no_answer",
    "water_lost",
    "brown_out",
    "button_stuck",
    "load_lost",
    "stalled",
    "watchdog",
    "flash_full",
    "store_damaged",
    "settings_bad",
    "top_speed_not_held",
    "cell_overload",
)

# "poor" and below carry a reason; the reason is one of REASONS.
VERDICTS = ("none", "good", "fair", "poor", "aborted", "recorded")

REASONS = (
    "none",
    "time_off",
    "tracking_off",
    "valve_full_open",
    "valve_shut",
    "supply_low",
    "top_speed_not_held",
    "fault",
    "stopped_by_button",
    "stopped_by_host",
    "no_button",
    "buffer_full",
    "samples_lost",
    "brake_too_weak",
    "valve_too_large",
)

EVENTS = (
    "state",
    "fault",
    "trigger",
    "verdict",
    "clock_set",
    "load_gap",
    "edge_gap",
    "learned",
    "zeroed",
    "not_recorded",
    "uptime",  # seconds since the start of the board at the event's tick: ticks wrap after 268 s
    "small_record",
)

REFUSALS = (
    "none",
    "unknown_request",
    "bad_payload",
    "newer_protocol",
    "busy_state",
    "other_session",
    "no_such_run",
    "not_acknowledged",
    "copy_differs",
    "no_such_setting",
    "out_of_bounds",
    "store_unreadable",
    "reserved_12",  # never sent; set_settings says it in the value of `done`
    "moving",
    "unsteady",
    "no_session",
    "busy_request",
    "button_first",
    "hold_button",  # a limit that keeps people safe: changed only while the board's button is held
    "fault_stands",  # no sweep, no zero by a faulty cell: until its cause is gone and it is cleared
    "part_missing",  # a part that this needs has no pin in the settings
)

COMMANDS = ("none", "arm", "start", "stop", "characterise", "clear_fault", "forget_learned", "restart")

SELF_TEST_ITEMS = (
    "load_cell",
    "speed_pickup",
    "servo",
    "button",
    "led",
    "flash",
    "clock",
    "air",
    "kill",
    "memory",
    "zero",
)
SELF_TEST_RESULTS = ("pass", "fail", "not_fitted", "ask_person")

# Counts since the start of the board, beside those of `status`.  Load samples are lost while flash is
# erased or written (the chip stands still), never in a run; so gaps are told apart by where they came.
COUNTERS = (
    "load_gaps_in_run",  # while a run is recorded
    "load_gaps_in_store",  # while a run is stored and room is made
    "load_gaps_at_rest",  # all others: acknowledging, deleting, settings, long answers
    "heap_after_store",  # bytes free after the collection that follows each run: shows a leak, not garbage
    "runs_not_recorded",  # the throttle was opened again before the run before was on flash
    "runs_fit",  # so many more runs are sure to fit onto the flash, acknowledged ones making way
    "records_small",  # 1: room is short, the next run is recorded small (setting small_records)
    "edges_seen",  # of the speed pickup: a shaft turned by hand is too slow for a speed
    "presses_seen",  # of the button
)

# status.flags and control_trace.flags, bit numbers
STATUS_BITS = (
    "button",
    "load_ok",
    "speed_ok",
    "clock_set",
    "air_ok",
    "kill_ready",
    "store_ok",
    "settings_ok",
    "learning",
)
TRACE_BITS = (
    "valve_open_limit",
    "valve_shut_limit",
    "slewing",
    "in_sweep",
    "speed_held_over",
    "load_held_over",
)
# run_list.flags, bit numbers
RUN_BITS = ("complete", "acknowledged", "truncated", "aborted", "unreadable")
