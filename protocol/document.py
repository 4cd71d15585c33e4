"""What the tables of evenfall_wire do not carry because the board has no use for it.

Read by refresh.py alone, for SPEC.md and protocol.json.
"""

# table of codes -> (title, where its numbers stand, {name: what the value or detail beside it is})
CODES = {
    "STATES": ("States", "`status.state`; `events.value` of `state`; `detail` of `busy_state`", {}),
    "TRIGGERS": ("Triggers", "`run_header.trigger`; `events.value` of `trigger`", {}),
    "FAULTS": (
        "Faults",
        "`status.fault`; `events.value` of `fault`; firmware/BOARD.md has limits and actions",
        {},
    ),
    "VERDICTS": ("Verdicts", "`run_list.verdict`, `verdict.verdict`; `events.value` of `verdict`", {}),
    "REASONS": ("Reasons", "`verdict.reason`: why it is poor or aborted", {}),
    "EVENTS": (
        "Events",
        "`events.event`",
        {
            "state": "value: state",
            "fault": "value: fault",
            "trigger": "value: trigger",
            "verdict": "value: verdict",
            "clock_set": "value: unix_s & 0x7FFFFFFF",
            "load_gap": "value: load overruns since the start, modulo 65536",
            "edge_gap": "value: edge overruns since the start, modulo 65536",
            "learned": "value: number of slots stored",
            "zeroed": "value: the new zero, counts",
            "uptime": "value: seconds since the board's start, at the run's end: ticks wrap, this does not",
            "not_recorded": "value: runs before this one, made while another waited to be stored",
            "small_record": "value: so many more runs would fit; no trace, and of load samples and edges "
            "only those from 1.5 s before the sweep to 1 s after it (no sweep judged: the newest)",
        },
    ),
    "REFUSALS": (
        "Refusals",
        "`refused.error`",
        {
            "newer_protocol": "detail: the board's proto_major",
            "busy_state": "detail: state",
            "other_session": "detail: ms until that session lapses",
            "no_such_run": "detail: run_id & 0x7FFFFFFF",
            "not_acknowledged": "detail: run_id & 0x7FFFFFFF",
            "copy_differs": "detail: size of the board's file",
            "no_such_setting": "detail: the setting's number",
            "out_of_bounds": "detail: the setting's number; 0 for `set_clock`",
            "store_unreadable": "detail: for a read the byte offset that could not be read, else 0",
            "busy_request": "detail: per cent done of the request under way",
            "button_first": "detail: seconds that a press counts",
            "fault_stands": "detail: fault",
            "part_missing": "detail: the setting's number of its pin",
            "unknown_request": "detail: the command's number, 0 for a type",
        },
    ),
    "COMMANDS": (
        "Commands",
        "`command.command`; `argument` is not used by any, send 0",
        {
            "arm": "state `rest` only; the person's throttle or button starts the sweep",
            "start": "start the sweep now: state `ready`, shaft above `spin_up_speed`, button pressed lately",
            "stop": "from any session, in any state; ends a sweep with the load kept",
            "characterise": "state `ready`: the next start measures the valve in place of a sweep; with the "
            "shaft turning as `start`",
            "clear_fault": "value of `done`: the fault that stands now",
            "forget_learned": "state `rest` or `safe`",
            "restart": "state `rest` or `safe`, shaft at rest; about 0.2 s after the reply",
        },
    ),
    "SELF_TEST_ITEMS": (
        "Self-test items",
        "`self_test_result.item`",
        {
            "load_cell": "value: samples in 1 s",
            "speed_pickup": "value: edges seen since the start",
            "servo": "value: travel, us",
            "button": "value: presses since the start",
            "led": "value: blinks shown",
            "flash": "value: KiB free",
            "clock": "value: seconds since the start",
            "air": "value: pressure, Pa",
            "kill": "value: ms it was held",
            "memory": "value: bytes of heap free after a collection",
            "zero": "value: spread of the newest block, counts",
        },
    ),
    "SELF_TEST_RESULTS": ("Self-test results", "`self_test_result.result`", {}),
    "COUNTERS": ("Counters", "`counters.counter`; since the start of the board", {}),
    "STATUS_BITS": ("Status bits", "`status.flags`, bit numbers", {}),
    "TRACE_BITS": ("Trace bits", "`control_trace.flags`, bit numbers", {}),
    "RUN_BITS": (
        "Run bits",
        "`run_list.flags`, bit numbers",
        {
            "complete": "the file has its `run_end`, written with nothing missing",
            "acknowledged": "a host proved that it has a copy",
            "truncated": "power failed while it was written",
            "aborted": "the sweep was stopped or a fault ended it",
            "unreadable": "the board cannot read the file whole; `crc32` is 0",
        },
    ),
}

# slots of `learned` and `run_learned`; firmware/lib/evenfall_board/valve_map.py is their owner
LEARNED_SLOTS = (
    (1, "inertia", "mN.m per half rpm/s, times 2^16", "inertia seen by the controller"),
    (2, "valve_exponent", "1/256", "d ln(flow) / d ln(opening)"),
    (
        3,
        "hold",
        "packed",
        "opening that held the top speed, in 1/4096 of the travel, plus 8192 times that speed in 16 half rpm",
    ),
    (4, "valve_gain", "1/256", "how strongly the fill answers the valve, against what the gains assume"),
    (5, "ripple", "mHz", "ripple of the water supply"),
    (6, "delay", "1/32768 s", "delay from the command to the valve to the measured torque"),
    (
        7,
        "fill_rate",
        "packed",
        "flow over water held at the lowest speed against 5.35 1/s, in 1/256, plus 2048 times its weight, "
        "plus 2^20 times the weight of slot 2 (1/u^2 of the logarithms, in 1/16)",
    ),
    (
        10,
        "knot",
        "packed",
        "slots 10 + k, k = 0..95, at 256 k rpm: opening in 1/4096 of the travel, "
        "plus 8192 times the brake torque in mN.m at wide-open throttle",
    ),
)
