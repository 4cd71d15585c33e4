"""Requests of the message table against the real firmware, byte by byte over the simulated line."""

from __future__ import annotations

from binascii import crc32

import pytest
from bench_rig import Rig
from evenfall.board import run_file
from evenfall_wire import codes, messages, settings
from firmware_rig import on_board

IDLE = {"operator": {"ready_s": 600.0}}
# a person who opens the throttle for 6 s and never touches the button
UNPRESSED = {"operator": {"ready_s": 2.5, "arm_before_s": 0.0, "press_after_s": 0.0, "give_up_s": 6.0}}
REQUEST = {m[1]: m[0] for m in messages.MESSAGES}


def refusal(message, request):
    assert message.name == "refused", message
    assert message.head["request"] == REQUEST[request]
    return codes.REFUSALS[message.head["error"]]


def number(name):
    return settings.BY_NAME[name][0]


@pytest.fixture(scope="module")
def idle():
    with Rig(IDLE) as rig:
        rig.run(2.5)
        yield rig


@pytest.fixture(scope="module")
def recorded():
    """A board that holds three runs nobody asked for."""
    with Rig(UNPRESSED, runs=3) as rig:
        while rig.now < 90 and rig.status()["runs_unacked"] < 3:
            rig.run(1.0)
        rig.until("rest", 20, step=0.5)
        yield rig


def test_hello_names_the_board_and_the_protocol(idle):
    head = idle.ask("hello", (messages.PROTO_MAJOR, 99, 7)).head
    assert head["proto_major"] == messages.PROTO_MAJOR and head["proto_minor"] == messages.PROTO_MINOR
    assert head["board_uid"] == bytes.fromhex("e660583883000001")
    assert head["firmware"].startswith(b"evenfall")
    assert head["max_body"] == 372 and head["boot_count"] == 1


def test_a_second_host_is_refused_until_the_first_is_silent(idle):
    idle.run(3.5)
    assert idle.ask("hello", (2, 0, 100)).name == "board_info"
    assert refusal(idle.ask("hello", (2, 0, 200)), "hello") == "other_session"
    assert idle.ask("hello", (2, 0, 100)).name == "board_info"
    assert idle.ask("hello", (2, 0, 0)).name == "board_info"  # 0 asks who is there and claims nothing
    idle.run(2.0)
    assert idle.ask("get_counters", session=100).name == "counters"  # heard: the three seconds begin anew
    idle.run(2.0)
    reply = idle.ask("hello", (2, 0, 200))
    assert refusal(reply, "hello") == "other_session" and 500 < reply.head["detail"] < 1100
    idle.run(3.2)
    assert idle.ask("hello", (2, 0, 200)).name == "board_info"
    idle.run(3.2)


# a request of each kind that changes something, or takes time, with values that would be taken
CHANGES = {
    "ack_run": ((1, 0, 0, 0), ()),
    "delete_run": ((1, 0), ()),
    "set_settings": ((), [(number("sweep_time"), 12000)]),
    "set_clock": ((1_750_000_000,), ()),
    "zero": ((), ()),
    "command": ((codes.COMMANDS.index("arm"), 0), ()),
    "self_test": ((), ()),
    "list_runs": ((0,), ()),
    "read_run": ((1, 0, 1), ()),
    "read_next": ((1, 0, 1), ()),
    "get_settings": ((0,), ()),
    "get_learned": ((0,), ()),
    "get_counters": ((), ()),
}


def test_only_the_session_that_said_hello_may_ask(idle):
    """Every request of the table is tried; none but hello, get_status and stop works without the session."""
    named = {m[1] for m in messages.MESSAGES if m[0] < 0x40}
    assert named == set(CHANGES) | {"hello", "get_status"}
    idle.run(3.5)
    assert idle.ask("hello", (2, 0, 100)).name == "board_info"
    before = dict(idle.ask("get_settings", (0,), session=100).each)
    for name, (head, each) in CHANGES.items():
        assert idle.ask("hello", (2, 0, 100)).name == "board_info"
        for other in (200, 0):
            assert refusal(idle.ask(name, head, each, session=other), name) == "no_session", name
    restart = (codes.COMMANDS.index("restart"), 0)
    assert refusal(idle.ask("command", restart, session=200), "command") == "no_session"
    assert idle.ask("command", (codes.COMMANDS.index("stop"), 0), session=200).name == "done"
    assert idle.status()["state"] == "rest"
    assert dict(idle.ask("get_settings", (0,), session=100).each) == before
    idle.run(3.2)  # the session lapses: its own requests count no more either, until the next hello
    assert refusal(idle.ask("set_clock", (1_750_000_000,), session=100), "set_clock") == "no_session"
    assert refusal(idle.ask("set_clock", (1_750_000_000,), session=0), "set_clock") == "no_session"


def test_newer_protocol_and_nonsense_are_refused(idle):
    assert refusal(idle.ask("hello", (messages.PROTO_MAJOR + 1, 0, 200)), "hello") == "newer_protocol"
    framer = run_file.Framer()
    for kind in (0x3E, 0x10):
        idle.line.to_board += bytes(framer.finish(kind, 77, 0))
        (reply,), _ = idle.replies()
        assert reply.name == "refused" and reply.head["request"] == kind
        assert codes.REFUSALS[reply.head["error"]] == "unknown_request"
    idle.line.to_board += bytes(framer.finish(REQUEST["read_run"], 78, 3))
    (reply,), _ = idle.replies()
    assert refusal(reply, "read_run") == "bad_payload"
    assert refusal(idle.ask("read_run", (4711, 0, 1)), "read_run") == "no_such_run"
    assert refusal(idle.ask("ack_run", (4711, 0, 1, 0)), "ack_run") == "no_such_run"
    assert refusal(idle.ask("delete_run", (4711, 0)), "delete_run") == "no_such_run"
    assert refusal(idle.ask("delete_run", (4711, 1)), "delete_run") == "no_such_run"
    assert refusal(idle.ask("command", (200, 0)), "command") == "unknown_request"


def test_an_answer_is_never_answered(idle):
    """Replies, records and free types are counted and dropped: a line that echoes cannot set up a storm."""
    before = idle.status()["frames_unknown"]
    framer = run_file.Framer()
    for kind in range(0x40, 0x100):
        idle.line.to_board += bytes(framer.finish(kind, kind, 0))
    messages_, stored = idle.replies(3.0, until=False)
    assert messages_ == [] and stored == b""
    assert idle.status()["frames_unknown"] == before + 0xC0


def test_an_echoing_line_quiets_down(idle):
    """All that the board says comes back to it: one request has one reply, and then there is peace."""
    idle.send("get_status")
    heard = b""
    for _ in range(1250):  # 5 s
        idle.run(0.004)
        heard += bytes(idle.line.from_board)
        idle.line.to_board += bytes(idle.line.from_board)
        idle.line.from_board.clear()
    assert heard.count(b"\0") == 1
    assert idle.status()["state"] == "rest"


def test_settings_cut_inside_a_pair_change_nothing(idle):
    """As it lay on the line: 1, 2, 5 bytes short of the last pair, and one byte too many."""
    before = dict(idle.ask("get_settings", (0,)).each)
    framer = run_file.Framer()
    pairs = [(number("sweep_time"), 12000 if before[number("sweep_time")] != 12000 else 11000), (23, 900)]
    for cut in (-1, 1, 2, 5):
        idle.greet()
        size = messages.pack_into("set_settings", framer.payload, 0, (idle.session,), pairs)
        idle.line.to_board += bytes(framer.finish(REQUEST["set_settings"], 900 + cut, size - cut))
        (reply,), _ = idle.replies()
        assert refusal(reply, "set_settings") == "bad_payload"
        assert dict(idle.ask("get_settings", (0,)).each) == before


def test_a_request_with_the_number_of_the_one_before_and_other_contents_is_another(idle):
    def set_time(value):
        head = (idle.session,)
        idle.line.to_board += run_file.frame_bytes(
            "set_settings", 4242, head, [(number("sweep_time"), value)]
        )
        (reply,), _ = idle.replies()
        assert reply.name == "done"
        return dict(idle.ask("get_settings", (0,)).each)[number("sweep_time")]

    idle.greet()
    assert set_time(13000) == 13000
    assert set_time(14000) == 14000
    assert idle.ask("set_settings", (), [(number("sweep_time"), 10000)]).name == "done"


def test_the_clock_takes_only_a_time_that_can_be(idle):
    for unix_s in (0, 1_735_689_599, 2_145_916_800, 3_200_000_000, 0xFFFFFFFF):
        assert refusal(idle.ask("set_clock", (unix_s,)), "set_clock") == "out_of_bounds"
    assert idle.ask("set_clock", (1_735_689_600,)).name == "done"


@pytest.mark.parametrize(("name", "longest_s"), [("zero", 4.0), ("self_test", 9.0)])
def test_hello_and_status_are_answered_while_something_takes_time(idle, name, longest_s):
    """Others are told how far it is; a repeat of the request itself waits for its reply: it is done once."""
    idle.run(0.5)
    idle.board.fault("cell_push", 2)  # a push of the arm: no block is steady at once
    sequence = idle.send(name)
    percents = []
    end = idle.now + longest_s
    final = None
    while final is None and idle.now < end:
        idle.run(0.15)
        idle.board.fault("cell_push", 0 if idle.now > end - longest_s + 1.0 else len(percents) % 2 * 2)
        idle.line.to_board += run_file.frame_bytes(name, sequence, (idle.session,))
        idle.send("hello", (2, 0, idle.session))
        came, _ = idle.replies(0.15, until=False)
        if any(m.name in ("done", "self_test_result") for m in came):
            final = came
            break
        assert [m.name for m in came] == ["board_info"], came
        idle.send("get_status")
        idle.send("get_settings", (0,), session=idle.session)
        came, _ = idle.replies(0.15, until=False)
        if any(m.name in ("done", "self_test_result") for m in came):
            final = came
            break
        assert [m.name for m in came] == ["status", "refused"], came
        assert refusal(came[1], "get_settings") == "busy_request"
        percents.append(came[1].head["detail"])
    assert final and len(percents) >= 2
    assert percents == sorted(percents) and 0 <= percents[0] and percents[-1] <= 100
    idle.board.fault("cell_push", 0)
    idle.line.to_board += run_file.frame_bytes(name, sequence, (idle.session,))
    came, _ = idle.replies(1.0)
    assert came and came[0].name in ("done", "self_test_result")  # kept, not done anew


def test_damaged_frames_are_counted_and_the_next_is_answered(idle):
    before = idle.status()["frames_bad"]
    good = run_file.frame_bytes("get_status", 5)
    idle.line.to_board += (
        b"\x05garbage\x00" + good[:3] + bytes([good[3] ^ 1]) + good[4:] + b"A" * 900 + b"\x00"
    )
    idle.run(0.2)
    assert not idle.line.from_board
    assert idle.status()["frames_bad"] == before + 3


def test_status_says_what_is_so(idle):
    status = idle.status()
    assert status["state"] == "rest" and status["fault"] == "none"
    flags = run_file.bit_names(codes.STATUS_BITS, status["flags"])
    assert {"load_ok", "kill_ready", "store_ok", "settings_ok", "learning"} <= set(flags)
    assert "speed_ok" not in flags and "button" not in flags
    assert abs(status["torque"]) < 30  # mN.m after the first zero
    assert status["zero_count"] != 0 and status["speed"] == 0
    before = status["uptime_s"]
    idle.run(3.0)
    assert idle.status()["uptime_s"] - before in (3, 4)


def test_settings_are_listed_changed_and_refused(idle):
    reply = idle.ask("get_settings", (0,))
    assert reply.head["total"] == len(settings.SETTINGS)
    values = dict(reply.each)
    assert set(values) == {s[0] for s in settings.SETTINGS}
    assert len(idle.ask("get_settings", (30,)).each) == len(settings.SETTINGS) - 30
    done = idle.ask("set_settings", (), [(number("sweep_time"), 12000), (number("end_speed"), 5250)])
    assert done.name == "done" and done.head["value"] == 0
    done = idle.ask("set_settings", (), [(number("pin_led"), 14)])
    assert done.name == "done" and done.head["value"] == 1  # counts from the next start
    values = dict(idle.ask("get_settings", (0,)).each)
    assert values[number("sweep_time")] == 12000 and values[number("pin_led")] == 14
    for pairs, error, at_fault in (
        ([(number("sweep_time"), 9000), (999, 1)], "no_such_setting", 999),
        ([(number("sweep_time"), 4999)], "out_of_bounds", number("sweep_time")),
        ([(number("pin_led"), values[number("pin_servo")])], "out_of_bounds", None),
        ([(number("servo_open"), values[number("servo_shut")])], "out_of_bounds", number("servo_open")),
    ):
        reply = idle.ask("set_settings", (), pairs)
        assert refusal(reply, "set_settings") == error
        assert at_fault is None or reply.head["detail"] == at_fault
    assert dict(idle.ask("get_settings", (0,)).each) == values


def test_settings_survive_a_restart_by_command(idle):
    idle.ask("set_settings", (), [(number("arm_length"), 311000)])
    boots = idle.ask("hello", (2, 0, 0)).head["boot_count"]
    assert idle.ask("command", (codes.COMMANDS.index("restart"), 0)).name == "done"
    idle.run(2.5)
    assert idle.ask("hello", (2, 0, idle.session)).head["boot_count"] == boots + 1
    status = idle.status()
    assert status["state"] == "rest" and status["fault"] == "none"  # asked for: no watchdog fault
    assert dict(idle.ask("get_settings", (0,)).each)[number("arm_length")] == 311000


def test_clock_zero_and_learned(idle):
    assert idle.ask("set_clock", (1_750_000_000,)).name == "done"
    status = idle.status()
    assert abs(status["unix_s"] - 1_750_000_000) <= 1
    assert "clock_set" in run_file.bit_names(codes.STATUS_BITS, status["flags"])
    done = idle.ask("zero")
    assert done.name == "done" and done.head["value"] == idle.status()["zero_count"]
    assert idle.ask("get_learned", (0,)).each == []


def test_an_unsteady_load_is_no_zero(idle):
    """Somebody works on the arm: the zero that stands stays, the host and the self-test are told."""

    def work(seconds):
        end, push = idle.now + seconds, 0
        while idle.now < end:
            push = 2 if push != 2 else 0
            idle.board.fault("cell_push", push)
            idle.run(0.15)

    idle.run(1.0)
    before = idle.status()["zero_count"]
    idle.send("zero")
    work(4.5)
    (reply,), _ = idle.replies()
    assert refusal(reply, "zero") == "unsteady"
    assert idle.status()["zero_count"] == before
    idle.send("self_test")
    work(6.0)
    (reply,), _ = idle.replies()
    results = {codes.SELF_TEST_ITEMS[i]: codes.SELF_TEST_RESULTS[r] for i, r, _ in reply.each}
    assert results["zero"] == "fail" and results["load_cell"] == "pass"
    idle.board.fault("cell_push", 0)
    idle.run(0.5)
    assert idle.ask("zero").name == "done"
    results = {codes.SELF_TEST_ITEMS[i]: r for i, r, _ in idle.ask("self_test", seconds=12).each}
    assert codes.SELF_TEST_RESULTS[results["zero"]] == "pass"


def test_self_test_reports_each_item(idle):
    idle.ask("set_clock", (1_750_000_000,))
    reply = idle.ask("self_test", seconds=12)
    assert reply.name == "self_test_result", reply
    results = {codes.SELF_TEST_ITEMS[i]: (codes.SELF_TEST_RESULTS[r], v) for i, r, v in reply.each}
    assert set(results) == set(codes.SELF_TEST_ITEMS)
    for item in ("load_cell", "zero", "flash", "clock", "memory"):
        assert results[item][0] == "pass", results
    for item in ("servo", "kill", "led", "button", "speed_pickup"):
        assert results[item][0] == "ask_person", results
    assert results["air"][0] == "not_fitted"
    assert 70 <= results["load_cell"][1] <= 100
    kill = [e for e in idle.board.log if e[1] == "kill line"][-2:]
    assert [e[2] for e in kill] == ["low", "high"] and 0.4 < kill[1][0] - kill[0][0] < 0.7
    assert idle.status()["state"] == "rest"


def test_runs_are_listed_read_acknowledged_deleted(recorded):
    runs = recorded.runs()
    assert [r[0] for r in runs] == [1, 2, 3]
    whole = {}
    for run_id, size, crc, frames, flags, verdict, _ in runs:
        data = recorded.read(run_id)
        assert len(data) == size and crc32(data) == crc and data.count(b"\0") == frames
        assert run_file.bit_names(codes.RUN_BITS, flags) == ["complete"]
        assert codes.VERDICTS[verdict] == "recorded"
        run = run_file.decode_run(data)
        assert run.damage == [] and run.complete and run.trigger == "spin_up"
        assert run.verdict["reason"] == "no_button"
        whole[run_id] = data
    assert refusal(recorded.ask("delete_run", (1, 0)), "delete_run") == "not_acknowledged"
    assert (
        refusal(recorded.ask("delete_run", (1, 1)), "delete_run") == "not_acknowledged"
    )  # it is not damaged
    size, crc = runs[0][1:3]
    challenge = recorded.ask("read_run", (1, 0, 1)).head["challenge"]
    proof = run_file.proof(challenge, whole[1])
    for head in ((1, size, crc ^ 1, proof), (1, size + 1, crc, proof), (1, size, crc, proof ^ 1)):
        reply = recorded.ask("ack_run", head)
        assert refusal(reply, "ack_run") == "copy_differs" and reply.head["detail"] == size
    # what the list says of the run, and any checksum derived from that, is no proof
    for guess in (0, crc, crc32(challenge.to_bytes(4, "little"), crc), challenge, crc ^ challenge):
        assert refusal(recorded.ask("ack_run", (1, size, crc, guess)), "ack_run") == "copy_differs"
    assert run_file.bit_names(codes.RUN_BITS, recorded.runs()[0][4]) == ["complete"]
    assert recorded.acknowledge(1, whole[1]).name == "done"
    assert recorded.acknowledge(1, whole[1]).name == "done"  # again: no harm
    assert run_file.bit_names(codes.RUN_BITS, recorded.runs()[0][4]) == ["complete", "acknowledged"]
    assert recorded.read(1) == whole[1]
    assert recorded.ask("delete_run", (1, 0)).name == "done"
    assert [r[0] for r in recorded.runs()] == [2, 3]


def test_a_run_is_read_from_any_byte(recorded):
    data = recorded.read(3)
    size = len(data)
    for offset, length in (
        (0, 1), (5, 7), (361, 361), (360, 363), (size - 2, 9), (4000, 3000), (size, 5), (size + 9, 5),
        (77, 0), (0xFFFFFFFF, 0xFFFFFFFF),
    ):  # fmt: skip
        reply = recorded.ask("read_run", (3, offset, length), seconds=10)
        expected = data[offset : offset + length]
        assert reply.name == "read_done"
        assert recorded.stored == expected
        assert reply.head["length"] == len(expected)
        assert reply.head["crc32"] == crc32(expected) and reply.head["offset"] == offset


def test_the_board_starts_with_its_runs(recorded):
    before = recorded.runs()
    recorded.board.restart(cause=1)
    recorded.run(2.5)
    assert recorded.runs() == before


def test_a_host_that_stops_reading_is_given_up():
    assert on_board("link_gives_up.py") == ["ok"]


def test_the_next_run_is_read_without_a_pause(recorded):
    """read_next waits for the answer under way; a later one takes its place; anything else ends both."""
    whole = {run: recorded.read(run) for run in (2, 3)}

    def reading(*asked):
        for name, head in asked:
            recorded.send(name, head)
        return recorded.replies(3.0, until=False)

    messages_, stored = reading(("read_run", (2, 0, 1 << 24)), ("read_next", (3, 0, 1 << 24)))
    assert [m.head["run_id"] for m in messages_] == [2, 3] and stored == whole[2] + whole[3]
    messages_, stored = reading(
        ("read_run", (2, 0, 1 << 24)), ("read_next", (3, 0, 1 << 24)), ("read_next", (2, 0, 2))
    )
    first = whole[2][:2]
    assert [m.name for m in messages_] == ["read_done"] * 2 and stored == whole[2] + first
    messages_, stored = reading(("read_run", (2, 0, 1 << 24)), ("get_status", ()))  # breaks nothing off
    assert [m.name for m in messages_] == ["status", "read_done"] and stored == whole[2]
    messages_, stored = reading(
        ("read_run", (2, 0, 1 << 24)), ("read_next", (3, 0, 1 << 24)), ("get_learned", (0,))
    )
    assert [m.name for m in messages_] == ["learned"] and len(stored) < len(whole[2])
    (reply,), stored = reading(("read_next", (3, 0, 1 << 24)))  # with nothing under way: as read_run
    assert reply.name == "read_done" and stored == whole[3]
    messages_, stored = reading(("read_run", (2, 0, 1 << 24)), ("read_next", (4711, 0, 1)))
    assert stored == whole[2] and refusal(messages_[1], "read_next") == "no_such_run"


def test_a_repeated_command_is_answered_again_and_not_done_twice():
    """Replies to arm and start get lost: the same request, the same answer, though the state has changed."""

    def asked_twice(rig, name):
        head = (codes.COMMANDS.index(name), 0)
        sequence = rig.send("command", head)
        lost, _ = rig.replies(1.0)
        assert lost[0].name == "done", lost
        for _ in range(2):
            rig.line.to_board += run_file.frame_bytes("command", sequence, (rig.session, *head))
            assert rig.replies(1.0)[0] == lost
        assert refusal(rig.ask("command", head), "command") == "busy_state"  # a new request is judged anew

    with Rig(IDLE) as rig:
        rig.run(2.5)
        asked_twice(rig, "arm")
        assert rig.status()["state"] == "ready"
    with Rig(PRESSED_TO_ARM) as rig:
        rig.until("ready", 10)
        rig.run(3.0)
        asked_twice(rig, "start")
        assert rig.status()["state"] == "steady"


# the person arms by the button, opens the throttle 2 s later and leaves the rest to the host
PRESSED_TO_ARM = {"operator": {"arm_before_s": 2.0, "press_after_s": 0.0, "give_up_s": 9.0}}


@pytest.mark.parametrize("name", ["start", "characterise"])
def test_nothing_on_the_wire_starts_a_sweep_that_no_person_armed(name):
    """Armed by the host, or nobody: refused.  Armed by the button lately: done."""
    head = (codes.COMMANDS.index(name), 0)
    with Rig({"operator": {"arm_before_s": 0.0, "press_after_s": 0.0, "give_up_s": 9.0}}) as rig:
        rig.until("record", 10)
        rig.run(1.0)
        assert refusal(rig.ask("command", head), "command") == "busy_state"
        assert rig.status()["state"] == "record"
    with Rig({"operator": {"arm_before_s": 0.0, "press_after_s": 0.0, "give_up_s": 9.0}}) as rig:
        rig.run(1.5)
        assert rig.ask("command", (codes.COMMANDS.index("arm"), 0)).name == "done"
        while rig.status()["speed"] < 2 * 5000:
            rig.run(0.05)
        reply = rig.ask("command", head)
        assert refusal(reply, "command") == "button_first" and reply.head["detail"] == 30
        assert rig.status()["state"] == "ready"
    with Rig(PRESSED_TO_ARM) as rig:
        rig.until("ready", 10)
        while rig.status()["speed"] < 2 * 5000:
            rig.run(0.05)
        assert rig.ask("command", head).name == "done"


def test_a_press_that_was_long_ago_starts_nothing():
    late = {"operator": {"arm_before_s": 31.0, "ready_s": 33.0, "press_after_s": 0.0, "give_up_s": 9.0}}
    with Rig(late) as rig:
        rig.until("ready", 10)
        while rig.status()["speed"] < 2 * 5000:
            rig.run(0.05)
        reply = rig.ask("command", (codes.COMMANDS.index("start"), 0))
        assert refusal(reply, "command") == "button_first"


def test_a_run_that_flash_cannot_give_back_does_not_stick():
    assert on_board("unreadable_run.py") == ["ok"]
