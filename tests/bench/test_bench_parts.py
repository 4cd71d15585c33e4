"""I2C parts, the serial line and the pty of the bench."""

from __future__ import annotations

import os
import struct
import threading
import time
from pathlib import Path

import pytest
import serial
from evenfall_bench.i2c_devices import Barometer, I2cAmplifier, I2cBus
from evenfall_bench.physics import Bench
from evenfall_bench.port import Lane, Noise, PtyPort
from evenfall_bench.scenario import complete

QUIET = {"flip_chance": 0.0, "drop_chance": 0.0, "double_chance": 0.0, "insert_chance": 0.0}
LINK = {"bytes_per_s": 1000.0, "latency_ms": 0.0, **QUIET}


# --- barometer ---------------------------------------------------------------------


def test_barometer_gives_the_data_sheets_example() -> None:
    # BMP280 data sheet, section 3.12: raw 519888 and 415148 give 25.08 C, t_fine 128422, 100653.27 Pa
    part = Barometer(Bench.build({}, 1))
    fine = part.t_fine(519888.0)
    assert round(fine) == 128422
    assert fine / 5120.0 == pytest.approx(25.08, abs=0.005)
    assert part.pressure_Pa(415148.0, fine) == pytest.approx(100653.27, abs=0.02)


def test_barometer_registers_carry_the_weather() -> None:
    bench = Bench.build({"weather": {"pressure_Pa": 91234.0, "temperature_C": 31.5, "humidity": 0.42}}, 1)
    part = Barometer(bench)
    part.write(bytes((0xF4,)) + bytes((0x57,)), 0.0)
    part.write(bytes((0xF7,)), 0.0)
    d = part.read(8, 0.0)
    raw_p, raw_t = d[0] << 12 | d[1] << 4 | d[2] >> 4, d[3] << 12 | d[4] << 4 | d[5] >> 4
    fine = part.t_fine(float(raw_t))
    assert fine / 5120.0 == pytest.approx(31.5, abs=0.01)
    assert part.pressure_Pa(float(raw_p), fine) == pytest.approx(91234.0, abs=2.0)
    assert part.humidity_percent(float(d[6] << 8 | d[7]), fine) == pytest.approx(42.0, abs=0.1)
    part.write(bytes((0x88,)), 0.0)
    assert struct.unpack("<H", part.read(2, 0.0)) == (27504,)


def test_barometer_asleep_shows_its_reset_values() -> None:
    part = Barometer(Bench.build({}, 1))
    part.write(bytes((0xF7,)), 0.0)
    assert part.read(3, 0.0) == b"\x80\x00\x00"  # data sheet, reset state of the data registers


# --- second amplifier ----------------------------------------------------------------


def powered(bench: Bench) -> I2cAmplifier:
    part = I2cAmplifier(bench)
    for register, value in ((0x00, 0x01), (0x00, 0x02)):
        part.write(bytes((register, value)), bench.time_s)
    bench.run_until(bench.time_s + 0.01)
    part.write(bytes((0x00,)), bench.time_s)
    assert part.read(1, bench.time_s)[0] & 8  # power-up ready
    part.write(bytes((0x02, 0x70)), bench.time_s)
    part.write(bytes((0x00, 0x96)), bench.time_s)
    return part


def test_i2c_amplifier_converts_320_times_a_second() -> None:
    bench = Bench.build({"amplifier": {"second_rate_Hz": 320.0}}, 1)
    part = powered(bench)
    seen = 0
    start = bench.time_s
    while bench.time_s < start + 1.0:
        bench.run_until(bench.time_s + 0.001)
        part.write(b"\x00", bench.time_s)
        if part.read(1, bench.time_s)[0] & 0x20:
            part.write(b"\x12", bench.time_s)
            code = int.from_bytes(part.read(3, bench.time_s), "big")
            seen += 1
    assert seen == pytest.approx(320, abs=2)
    assert code == pytest.approx(150000, abs=9000)
    part.write(b"\x00", bench.time_s)
    assert not part.read(1, bench.time_s)[0] & 0x20  # reading the result clears the ready bit


def test_nobody_answers_at_a_wrong_address() -> None:
    scenario = complete({"weather": {"sensor": True}})
    bus = I2cBus(scenario, Bench(scenario, 1))
    assert bus.transfer(0x2A, b"\x00", 1, 0.0) == b"\x01"
    assert bus.transfer(0x76, b"\xd0", 1, 0.0) == b"\x00\x60"  # chip id of the data sheet


# --- line ------------------------------------------------------------------------------


def test_line_rate_and_latency() -> None:
    lane = Lane({**LINK, "latency_ms": 5.0}, "x")
    lane.put(bytes(640), 0)
    assert lane.backlog_us(0) == 640_000
    assert lane.take(60_000) == b""
    assert len(lane.take(69_000)) == 64
    assert len(lane.take(320_000)) == 3 * 64
    assert len(lane.take(645_001)) == 6 * 64
    assert not lane.busy


def test_noise_hits_as_often_as_asked() -> None:
    n = 200_000
    noise = Noise({**QUIET, "flip_chance": 1e-3}, "x")
    data = bytes(n)
    out = noise.apply(data)
    wrong = sum(b != 0 for b in out)
    share = 1 - (1 - 1e-3) ** 8
    assert abs(wrong - n * share) < 5 * (n * share * (1 - share)) ** 0.5
    assert Noise(QUIET, "x").apply(b"abc") == b"abc"
    dropped = Noise({**QUIET, "drop_chance": 0.01}, "x").apply(data)
    doubled = Noise({**QUIET, "double_chance": 0.01}, "x").apply(data)
    assert n * 0.985 < len(dropped) < n * 0.995
    assert n * 1.005 < len(doubled) < n * 1.015


# --- pty ----------------------------------------------------------------------------------


def test_pty_passes_every_byte_value_both_ways(tmp_path: Path) -> None:
    port = PtyPort(str(tmp_path / "board"))
    try:
        assert port.exchange() == (b"", False)
        everything = bytes(range(256)) * 8
        with serial.Serial(port.path, timeout=2) as host:
            host.write(everything)
            got = b""
            until = time.monotonic() + 120
            while len(got) < len(everything) and time.monotonic() < until:
                data, here = port.exchange(100)
                assert here
                got += data
            assert got == everything
            port.write(everything[:1024])
            assert host.read(1024) == everything[:1024]
        assert port.exchange()[1] is False
    finally:
        port.close()
    assert not (tmp_path / "board").exists()


def test_replugged_pty_is_a_new_port_under_the_same_name(tmp_path: Path) -> None:
    name = tmp_path / "board"
    port = PtyPort(str(name))
    try:
        with serial.Serial(str(name), timeout=2) as host:
            port.unplug()
            assert not os.path.lexists(name)
            before = time.monotonic()
            assert port.exchange(60) == (b"", False)
            assert time.monotonic() - before > 0.055, "a bench without its cable keeps its pace"
            with pytest.raises((serial.SerialException, OSError)):
                host.write(b"x" * 10)
                host.read(1)
                raise OSError("read nothing")
        port.plug()
        with serial.Serial(str(name), timeout=2) as host:
            host.write(b"hello")
            assert port.exchange(500)[0] == b"hello"
    finally:
        port.close()


def test_a_host_that_does_not_read_holds_bytes_back_without_losing_any() -> None:
    port = PtyPort()
    try:
        with serial.Serial(port.path, timeout=5) as host:
            data = os.urandom(100_000)
            assert port.write(data) is False and port.full
            got = bytearray()

            def read() -> None:
                while len(got) < len(data):
                    got.extend(host.read(4096))

            reader = threading.Thread(target=read)
            reader.start()
            until = time.monotonic() + 120
            while port.full and time.monotonic() < until:
                port.write(b"")
                time.sleep(0.001)
            reader.join(120)
            assert bytes(got) == data
    finally:
        port.close()
