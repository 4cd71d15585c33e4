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
    with Rig(UNPRESSED, pulls=3) as rig:
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
    assert idle.ask("hello", (1, 0, 100)).name == "board_info"
    assert refusal(idle.ask("hello", (1, 0, 200)), "hello") == "other_session"
    assert idle.ask("hello", (1, 0, 100)).name == "board_info"
    idle.run(2.0)
    assert idle.ask("get_status").name == "status"  # heard: the three seconds begin anew
    idle.run(2.0)
    assert refusal(idle.ask("hello", (1, 0, 200)), "hello") == "other_session"
    idle.run(3.2)
    assert idle.ask("hello", (1, 0, 200)).name == "board_info"


def test_newer_protocol_and_nonsense_are_refused(idle):
    assert refusal(idle.ask("hello", (messages.PROTO_MAJOR + 1, 0, 200)), "hello") == "newer_protocol"
    framer = run_file.Framer()
    for kind in (0x3E, 0x42, 0x80, 0xFF):
        idle.line.to_board += bytes(framer.finish(kind, 77, 0))
        (reply,), _ = idle.replies()
        assert reply.name == "refused" and reply.head["request"] == kind
        assert codes.REFUSALS[reply.head["error"]] == "unknown_request"
    idle.line.to_board += bytes(framer.finish(REQUEST["read_run"], 78, 3))
    (reply,), _ = idle.replies()
    assert refusal(reply, "read_run") == "bad_payload"
    assert refusal(idle.ask("read_run", (4711, 0, 1)), "read_run") == "no_such_run"
    assert refusal(idle.ask("ack_run", (4711, 0, 1)), "ack_run") == "no_such_run"
    assert refusal(idle.ask("delete_run", (4711,)), "delete_run") == "no_such_run"
    assert refusal(idle.ask("command", (200, 0)), "command") == "unknown_request"


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
    boots = idle.ask("hello", (1, 0, 200)).head["boot_count"]
    assert idle.ask("command", (codes.COMMANDS.index("restart"), 0)).name == "done"
    idle.run(2.5)
    assert idle.ask("hello", (1, 0, 300)).head["boot_count"] == boots + 1
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
    assert idle.ask("get_learned").each == []


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
    assert refusal(recorded.ask("delete_run", (1,)), "delete_run") == "not_acknowledged"
    reply = recorded.ask("ack_run", (1, runs[0][1], runs[0][2] ^ 1))
    assert refusal(reply, "ack_run") == "copy_differs"
    assert refusal(recorded.ask("ack_run", (1, runs[0][1] + 1, runs[0][2])), "ack_run") == "copy_differs"
    assert recorded.ask("ack_run", (1, *runs[0][1:3])).name == "done"
    assert recorded.ask("ack_run", (1, *runs[0][1:3])).name == "done"  # again: no harm
    assert run_file.bit_names(codes.RUN_BITS, recorded.runs()[0][4]) == ["complete", "acknowledged"]
    assert recorded.read(1) == whole[1]
    assert recorded.ask("delete_run", (1,)).name == "done"
    assert [r[0] for r in recorded.runs()] == [2, 3]


def test_a_run_is_read_from_any_frame(recorded):
    data = recorded.read(3)
    frames = [f + b"\0" for f in data.split(b"\0")[:-1]]
    for first, count in ((0, 1), (5, 7), (3, 1), (len(frames) - 2, 9), (20, 30), (50, 1), (len(frames), 5)):
        reply = recorded.ask("read_run", (3, first, count), seconds=10)
        expected = b"".join(frames[first : first + count])
        assert reply.name == "read_done"
        assert recorded.stored == expected
        assert reply.head["frame_count"] == len(frames[first : first + count])
        assert reply.head["crc32"] == crc32(expected) and reply.head["first_frame"] == first


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

    messages_, stored = reading(("read_run", (2, 0, 65535)), ("read_next", (3, 0, 65535)))
    assert [m.head["run_id"] for m in messages_] == [2, 3] and stored == whole[2] + whole[3]
    messages_, stored = reading(
        ("read_run", (2, 0, 65535)), ("read_next", (3, 0, 65535)), ("read_next", (2, 0, 2))
    )
    first = b"".join(f + b"\0" for f in whole[2].split(b"\0")[:2])
    assert [m.name for m in messages_] == ["read_done"] * 2 and stored == whole[2] + first
    messages_, stored = reading(("read_run", (2, 0, 65535)), ("read_next", (3, 0, 65535)), ("get_status", ()))
    assert [m.name for m in messages_] == ["status"] and len(stored) < len(whole[2])
    (reply,), stored = reading(("read_next", (3, 0, 65535)))  # with nothing under way: as read_run
    assert reply.name == "read_done" and stored == whole[3]
    messages_, stored = reading(("read_run", (2, 0, 65535)), ("read_next", (4711, 0, 1)))
    assert stored == whole[2] and refusal(messages_[1], "read_next") == "no_such_run"


def test_a_repeated_command_is_answered_again_and_not_done_twice():
    """Replies to arm and start get lost: the same request, the same answer, though the state has changed."""

    def asked_twice(rig, name):
        head = (codes.COMMANDS.index(name), 0)
        sequence = rig.send("command", head)
        lost, _ = rig.replies(1.0)
        assert lost[0].name == "done", lost
        for _ in range(2):
            rig.line.to_board += run_file.frame_bytes("command", sequence, head)
            assert rig.replies(1.0)[0] == lost
        assert refusal(rig.ask("command", head), "command") == "busy_state"  # a new request is judged anew

    with Rig(IDLE) as rig:
        rig.run(2.5)
        asked_twice(rig, "arm")
        assert rig.status()["state"] == "ready"
    with Rig({"operator": {"arm_before_s": 0.0, "press_after_s": 0.0, "give_up_s": 9.0}}) as rig:
        rig.until("record", 10)
        rig.run(2.5)
        asked_twice(rig, "start")
        assert rig.status()["state"] == "steady"
