"""The host's decoder: against construct, against the message table, and under damage."""

import dataclasses
import random
from binascii import crc32

import numpy as np
import pytest
from cobs import cobs
from evenfall.board import run_file
from evenfall_wire import messages
from evenfall_wire.frames import MAX_WIRE, Unframer
from hypothesis import given
from hypothesis import strategies as st
from sample_runs import UID, sample_run


def test_a_whole_run_is_decoded_without_a_word_of_damage():
    run = run_file.decode_run(sample_run(41))
    assert run.damage == []
    assert run.complete
    assert (run.run_id, run.board_uid, run.firmware, run.trigger) == (41, UID.hex(), "test", "button")
    assert len(run.load_time_s) == 960
    # the tick counter wraps two seconds in: times go on rising, at the amplifier's pace
    assert np.allclose(np.diff(run.load_time_s), 0.0125)
    assert run.load_time_s[0] == 0.0
    assert np.all(np.diff(run.edge_time_s) > 0)
    assert run.settings["engine_teeth"] == 10
    assert run.zeros == [(0.0, 50000.0, 300.0, 80)]
    assert run.air[0][1:] == pytest.approx((100200.0, 21.5, 45.0))
    assert run.verdict is not None
    assert run.verdict["verdict"] == "good"
    assert run.verdict["sweep_start_tick"] == pytest.approx(1.0)
    assert run.verdict["sweep_end_tick"] == pytest.approx(11.0)
    assert run.verdict["tracking_rms"] == pytest.approx(0.35)


def test_construct_reads_the_same_numbers_as_numpy():
    data = sample_run(2)
    formats = run_file.constructs()
    frame_format = run_file.frame_construct()
    ticks, counts = [], []
    for chunk in data.split(b"\x00")[:-1]:
        body = cobs.decode(chunk)
        frame = frame_format.parse(body, size=len(body)).checked.value
        if frame.type == run_file.TYPE_OF["load_samples"]:
            for row in formats["load_samples"].parse(frame.payload).each:
                ticks.append(row.tick)
                counts.append(row.count)
    run = run_file.decode_run(data)
    assert counts == run.load_count.tolist()
    start = ticks[0]
    assert [((t - start) % messages.TICK_WRAP) * run_file.TICK_S for t in ticks] == run.load_time_s.tolist()


def test_construct_notices_a_wrong_crc():
    import construct

    body = bytearray(cobs.decode(sample_run(2).split(b"\x00")[0]))
    body[5] ^= 1
    with pytest.raises(construct.ChecksumError):
        run_file.frame_construct().parse(bytes(body), size=len(body))


def _fields(entry):
    ranges = {"b": 8, "B": 8, "h": 16, "H": 16, "i": 32, "I": 32}

    def one(code):
        if code.endswith("s"):
            return st.binary(min_size=int(code[:-1]), max_size=int(code[:-1]))
        bits = ranges[code]
        return (
            st.integers(0, 2**bits - 1)
            if code.isupper()
            else st.integers(-(2 ** (bits - 1)), 2 ** (bits - 1) - 1)
        )

    return st.tuples(*[one(f[1]) for f in entry])


@given(st.data())
def test_every_message_reads_the_same_in_table_construct_and_numpy(data):
    entry = data.draw(st.sampled_from(messages.MESSAGES))
    name = entry[1]
    head = data.draw(_fields(entry[2]))
    each = data.draw(st.lists(_fields(entry[3]), max_size=8)) if entry[3] else []
    frame = run_file.open_frame(run_file.frame_bytes(name, 7, head, each)[:-1])
    assert frame is not None
    assert (frame.kind, frame.sequence) == (entry[0], 7)
    message = run_file.decode_message(frame.kind, frame.payload)
    assert message is not None
    assert tuple(message.head.values()) == head
    assert [tuple(e) for e in message.each] == each
    parsed = run_file.constructs()[name].parse(frame.payload)
    assert tuple(parsed[f[0]] for f in entry[2]) == head
    if entry[3]:
        assert [tuple(row[f[0]] for f in entry[3]) for row in parsed.each] == each
        if not entry[2]:
            rows = np.frombuffer(frame.payload, run_file.DTYPES[name])
            assert [tuple(r) for r in rows.tolist()] == each


def test_each_lost_frame_is_named_and_the_rest_kept():
    chunks = sample_run(3).split(b"\x00")[:-1]
    whole = run_file.decode_run(sample_run(3))
    del chunks[6], chunks[10:12]
    run = run_file.decode_run(b"\x00".join(chunks) + b"\x00")
    assert "frame 6 is missing" in run.damage
    assert "frames 11 to 12 are missing" in run.damage
    assert any("load samples were recorded" in line for line in run.damage)
    assert set(run.load_time_s) <= set(whole.load_time_s)


def test_a_torn_tail_loses_only_the_torn_frame():
    data = sample_run(4)
    keep = [len(c) + 1 for c in data.split(b"\x00")[:-1]]
    cut = sum(keep[:20]) + 5
    run = run_file.decode_run(data[:cut])
    assert any(line.startswith("the last frame is truncated (5 bytes") for line in run.damage)
    assert not run.complete
    assert run.run_id == 4
    assert len(run.load_count) > 600


def test_unknown_frames_are_counted_and_unknown_trailing_fields_ignored():
    data = sample_run(5)
    chunks = data.split(b"\x00")[:-1]
    body = bytearray(cobs.decode(chunks[0]))[:-4] + b"new fields"
    grown = cobs.encode(bytes(body) + crc32(body).to_bytes(4, "little"))
    alien = bytes([0xBE]) + len(chunks).to_bytes(2, "little") + b"???"
    alien = cobs.encode(alien + crc32(alien).to_bytes(4, "little"))
    run = run_file.decode_run(b"\x00".join([grown, *chunks[1:], alien]) + b"\x00")
    assert run.run_id == 5
    assert run.damage == ["1 frames of type 0xBE skipped: this host does not know them"]


@pytest.mark.parametrize("data", [b"", b"\x00", b"\x00" * 1000, b"hello", b"\xff" * 100_000])
def test_what_is_no_run_at_all_decodes_to_nothing_and_says_so(data):
    run = run_file.decode_run(data)
    assert any("run_header frame is missing" in line for line in run.damage)
    assert len(run.load_count) == 0


def test_damaged_files_never_raise_and_never_invent_samples():
    data = sample_run(6)
    whole = run_file.decode_run(data)
    true_loads = set(zip(whole.load_time_s.tolist(), whole.load_count.tolist(), strict=True))
    rng = random.Random(1)
    for _ in range(150):
        mutated = bytearray(data)
        for _ in range(rng.randint(1, 30)):
            at = rng.randrange(len(mutated))
            match rng.randrange(4):
                case 0:
                    mutated[at] ^= 1 << rng.randrange(8)
                case 1:
                    del mutated[at : at + rng.randint(1, 50)]
                case 2:
                    mutated[at:at] = rng.randbytes(rng.randint(1, 20))
                case 3:
                    mutated[at] = 0
        run = run_file.decode_run(bytes(mutated))
        assert run.damage
        if run.run_id:
            assert set(zip(run.load_time_s.tolist(), run.load_count.tolist(), strict=True)) <= true_loads


@given(st.binary(max_size=2000))
def test_host_and_board_parsers_agree_on_any_bytes(data):
    """The board's Unframer and the host's path take the same frames from the same bytes."""
    got = []
    Unframer().feed(data, lambda kind, sequence, payload: got.append((kind, sequence, bytes(payload))))
    ours = [run_file.open_frame(c) for c in data.split(b"\x00")[:-1] if c]
    assert [tuple(f) for f in ours if f] == got


def test_overlong_chunks_are_refused_before_any_work():
    assert run_file.open_frame(b"\x01" * MAX_WIRE) is None


def test_ticks_unwrap_over_several_wraps():
    true = np.arange(0, 4 * messages.TICK_WRAP, messages.TICK_WRAP // 5, dtype=np.int64)
    assert run_file.unwrap_ticks(true % messages.TICK_WRAP, 0).tolist() == true.tolist()
    # samples from before the start are negative
    assert run_file.unwrap_ticks(np.array([messages.TICK_WRAP - 4]), 4).tolist() == [-8]


def test_a_run_is_plain_arrays():
    run = run_file.decode_run(sample_run(7))
    for field in dataclasses.fields(run):
        value = getattr(run, field.name)
        if isinstance(value, np.ndarray):
            assert value.dtype in (np.float64, np.int64), field.name


def test_a_file_of_holes_is_told_in_a_few_sentences():
    """Every other frame of the longest run is gone: a count, not 32,768 sentences."""
    frames = [run_file.frame_bytes("zeros", n) for n in range(1, 1 << 16, 2)]
    _, damage = run_file.split_run(b"".join(frames))
    assert len(damage) == run_file.MAX_SENTENCES + 1
    assert damage[0] == "frame 0 is missing"
    assert damage[-1] == "32748 more gaps; 32768 frames are missing in all"
