"""Table of messages: the only list of frame fields in the project.

A message is ``(type, name, head, each)``: `head` fields occur once, `each` fields repeat to
the end of the payload.  A field is ``(name, struct code, unit, scale)``; the
value in `unit` is the integer on the wire times `scale`.  Little endian, no
padding.  Receivers ignore trailing bytes they do not know and count message
types they do not know.

Ticks are 0.25 us (4 MHz) counts modulo 2**30, so that a board with 31-bit
small integers never allocates for a time; the receiver unwraps them.

This file is data alone: the board forgets it once `messages` has the layouts.
"""

TICK_HZ = 4000000

# Types below 0x40 go host -> board, 0x40..0x7F board -> host as replies,
# 0x80..0xBF are records: the frames a run file is made of.
_SESSION = ("session", "I", "", 1)
_READ = (_SESSION, ("run_id", "I", "", 1), ("offset", "I", "B", 1), ("length", "I", "B", 1))
MESSAGES = (
    # --- requests: `sequence` is the host's counter, echoed by the reply; all but hello and get_status
    # begin with the number of the session that asks ---
    (0x01, "hello", (("proto_major", "B", "", 1), ("proto_minor", "B", "", 1), ("session", "I", "", 1)), ()),
    (0x02, "get_status", (), ()),
    (0x03, "list_runs", (_SESSION, ("first", "H", "", 1)), ()),
    (0x04, "read_run", _READ, ()),
    (
        0x05,
        "ack_run",
        (
            _SESSION,
            ("run_id", "I", "", 1),
            ("size", "I", "B", 1),
            ("crc32", "I", "", 1),
            ("proof", "I", "", 1),
        ),
        (),
    ),
    (0x06, "delete_run", (_SESSION, ("run_id", "I", "", 1), ("damaged", "B", "", 1)), ()),
    (0x07, "get_settings", (_SESSION, ("first", "H", "", 1)), ()),
    (0x08, "set_settings", (_SESSION,), (("setting", "H", "", 1), ("value", "i", "", 1))),
    (0x09, "set_clock", (_SESSION, ("unix_s", "I", "s", 1)), ()),
    (0x0A, "zero", (_SESSION,), ()),
    (0x0B, "command", (_SESSION, ("command", "B", "", 1), ("argument", "i", "", 1)), ()),
    (0x0C, "self_test", (_SESSION,), ()),
    (0x0D, "get_learned", (_SESSION, ("first", "H", "", 1)), ()),
    # as read_run, but answered after the answer under way, so that the line need not wait for the host
    (0x0E, "read_next", _READ, ()),
    (0x0F, "get_counters", (_SESSION,), ()),
    # --- replies ---
    (
        0x41,
        "board_info",
        (
            ("proto_major", "B", "", 1),
            ("proto_minor", "B", "", 1),
            ("board_uid", "8s", "", 1),
            ("firmware", "16s", "", 1),
            ("boot_count", "I", "", 1),
            ("max_body", "H", "B", 1),
            ("table_hash", "I", "", 1),
        ),
        (),
    ),
    (
        0x42,
        "status",
        (
            ("state", "B", "", 1),
            ("fault", "B", "", 1),
            ("flags", "H", "", 1),
            ("tick", "I", "s", 1 / TICK_HZ),
            ("speed", "H", "rpm", 0.5),
            ("set_speed", "H", "rpm", 0.5),
            ("load_count", "i", "count", 1),
            ("zero_count", "i", "count", 1),
            ("torque", "i", "N.m", 0.001),
            ("valve", "H", "us", 1),
            ("runs_unacked", "H", "", 1),
            ("flash_free", "H", "KiB", 1),
            ("heap_free", "I", "B", 1),
            ("uptime_s", "I", "s", 1),
            ("unix_s", "I", "s", 1),
            ("pressure", "I", "Pa", 1),
            ("temperature", "h", "degC", 0.01),
            ("humidity", "H", "%", 0.01),
            ("load_overruns", "H", "", 1),
            ("load_bad_words", "H", "", 1),
            ("edge_overruns", "H", "", 1),
            ("frames_bad", "H", "", 1),
            ("frames_unknown", "H", "", 1),
            ("last_run_id", "I", "", 1),
        ),
        (),
    ),
    (
        0x43,
        "run_list",
        (("total", "H", "", 1), ("first", "H", "", 1)),
        (
            ("run_id", "I", "", 1),
            ("size", "I", "B", 1),
            ("crc32", "I", "", 1),
            ("frames", "H", "", 1),
            ("flags", "B", "", 1),
            ("verdict", "B", "", 1),
            ("started_unix_s", "I", "s", 1),
        ),
    ),
    # read_run is answered by run_data, as many as it takes, then this:
    (
        0x44,
        "read_done",
        (
            ("run_id", "I", "", 1),
            ("offset", "I", "B", 1),
            ("length", "I", "B", 1),
            ("crc32", "I", "", 1),
            ("challenge", "I", "", 1),
        ),
        (),
    ),
    (0x45, "done", (("request", "B", "", 1), ("value", "i", "", 1)), ()),
    (0x46, "refused", (("request", "B", "", 1), ("error", "B", "", 1), ("detail", "i", "", 1)), ()),
    (
        0x47,
        "settings",
        (("total", "H", "", 1), ("first", "H", "", 1)),
        (("setting", "H", "", 1), ("value", "i", "", 1)),
    ),
    (0x48, "self_test_result", (), (("item", "B", "", 1), ("result", "B", "", 1), ("value", "i", "", 1))),
    (
        0x49,
        "learned",
        (("total", "H", "", 1), ("first", "H", "", 1)),
        (("slot", "H", "", 1), ("value", "i", "", 1)),
    ),
    (0x4A, "counters", (), (("counter", "H", "", 1), ("value", "i", "", 1))),
    # bytes of a stored file from `offset` on, as they lie there
    (0x4B, "run_data", (("offset", "I", "B", 1),), (("byte", "B", "", 1),)),
    # --- records: `sequence` is the frame's place in the run file, from 0 ---
    (
        0x80,
        "run_header",
        (
            ("format", "H", "", 1),
            ("run_id", "I", "", 1),
            ("board_uid", "8s", "", 1),
            ("firmware", "16s", "", 1),
            ("boot_count", "I", "", 1),
            ("started_unix_s", "I", "s", 1),
            ("start_tick", "I", "s", 1 / TICK_HZ),
            ("trigger", "B", "", 1),
        ),
        (),
    ),
    (0x81, "run_settings", (), (("setting", "H", "", 1), ("value", "i", "", 1))),
    (0x82, "load_samples", (), (("tick", "I", "s", 1 / TICK_HZ), ("count", "i", "count", 1))),
    (0x83, "edge_times", (), (("tick", "I", "s", 1 / TICK_HZ),)),
    (
        0x84,
        "control_trace",
        (),
        (
            ("tick", "I", "s", 1 / TICK_HZ),
            ("set_speed", "H", "rpm", 0.5),
            ("speed", "H", "rpm", 0.5),
            ("valve", "H", "us", 1),
            ("flags", "H", "", 1),
        ),
    ),
    (0x85, "events", (), (("tick", "I", "s", 1 / TICK_HZ), ("event", "B", "", 1), ("value", "i", "", 1))),
    (
        0x86,
        "air",
        (),
        (
            ("tick", "I", "s", 1 / TICK_HZ),
            ("pressure", "I", "Pa", 1),
            ("temperature", "h", "degC", 0.01),
            ("humidity", "H", "%", 0.01),
        ),
    ),
    (
        0x87,
        "zeros",
        (),
        (
            ("tick", "I", "s", 1 / TICK_HZ),
            ("mean_x16", "i", "count", 0.0625),
            ("spread", "I", "count", 1),
            ("samples", "H", "", 1),
        ),
    ),
    (0x88, "run_learned", (), (("slot", "H", "", 1), ("value", "i", "", 1))),
    (
        0x89,
        "verdict",
        (
            ("verdict", "B", "", 1),
            ("reason", "B", "", 1),
            ("sweep_start_tick", "I", "s", 1 / TICK_HZ),
            ("sweep_end_tick", "I", "s", 1 / TICK_HZ),
            ("start_speed", "H", "rpm", 0.5),
            ("end_speed", "H", "rpm", 0.5),
            ("tracking_rms", "H", "%", 0.01),
            ("tracking_worst", "H", "%", 0.01),
            ("saturated_open_ms", "H", "ms", 1),
            ("saturated_shut_ms", "H", "ms", 1),
            ("load_overruns", "H", "", 1),
            ("load_bad_words", "H", "", 1),
            ("edge_overruns", "H", "", 1),
            ("edges_missed", "H", "", 1),
            ("edges_extra", "H", "", 1),
        ),
        (),
    ),
    (
        0x8F,
        "run_end",
        (("frames", "H", "", 1), ("loads", "I", "", 1), ("edges", "I", "", 1), ("complete", "B", "", 1)),
        (),
    ),
)
