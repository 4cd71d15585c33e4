"""Runs of a board without a clock get their true time from its ticks; teeth are checked at a fetch."""

import time
from dataclasses import replace

import evenfall.cli
import pytest
from evenfall.archive.archive import Archive
from evenfall.board import run_file
from evenfall.board.link import Link
from evenfall.errors import DamageError
from evenfall.model import Air, Event, Setup
from evenfall.workflow.fetch import TICK_WRAP_S, HostClock, active_filing, take_runs, teeth_warning
from evenfall.workflow.live_view import air_line
from evenfall_wire import messages
from faulty_board import Faults, FaultyBoard
from sample_runs import sample_run

NOW = 1_800_000_000.0
BOOT = 7  # of the sample runs


def undated(start_tick, uptime_s=None):
    """A run of 60 s; `uptime_s`: the board's at the start, None for old firmware."""
    run = run_file.decode_run(sample_run(1, start_tick=start_tick, started_unix_s=0))
    told = [] if uptime_s is None else [Event(60.0, "uptime", int(uptime_s + 60.0))]
    return replace(run, events=[*run.events, *told])


@pytest.mark.parametrize("age_s", [0.0, 20.0, 200.0, TICK_WRAP_S - 1])
def test_ticks_give_the_age(age_s):
    clock = HostClock(NOW, tick_s=30.0, uptime_s=4000.0, boot_count=BOOT)
    tick = int((30.0 - age_s) * messages.TICK_HZ) % messages.TICK_WRAP
    assert clock.start_of(undated(tick)) == (round(NOW - age_s), True)


@pytest.mark.parametrize("age_s", [0.0, 1.0, 267.9, 268.9, 400.0, 3600.0, 86_400.0, 30 * 86_400.5])
@pytest.mark.parametrize("slip_s", [-1.0, 0.0, 1.0])
def test_the_uptime_of_the_run_tells_how_often_the_ticks_wrapped(age_s, slip_s):
    """Uptimes are whole seconds, and passes of the loop may lie between them and the ticks."""
    clock = HostClock(NOW, tick_s=30.0, uptime_s=3_000_000.0, boot_count=BOOT)
    tick = int((30.0 - age_s) * messages.TICK_HZ) % messages.TICK_WRAP
    run = undated(tick, 3_000_000.0 - age_s + slip_s)
    assert clock.start_of(run) == (round(NOW - age_s), True)


def test_it_is_never_before_the_board_began():
    clock = HostClock(NOW, tick_s=30.0, uptime_s=25.0, boot_count=BOOT)
    assert clock.start_of(undated(int(200.0 * messages.TICK_HZ))) == (NOW - 25, True)


def test_nobody_knows_when_a_run_of_an_earlier_start_was_made():
    clock = HostClock(NOW, tick_s=30.0, uptime_s=25.0, boot_count=BOOT + 1)
    assert clock.start_of(undated(0, 500.0)) == (NOW - 26, False)


def test_a_fetched_run_carries_it(tmp_path):
    class Board(FaultyBoard):
        def _answer(self, kind, sequence, payload):
            if messages.BY_TYPE[kind][1] != "get_status":
                return super()._answer(kind, sequence, payload)
            values = dict.fromkeys((f[0] for f in messages.BY_NAME["status"][2]), 0)
            values["tick"], values["uptime_s"] = 100 * messages.TICK_HZ, 500
            return [self._frame("status", sequence, tuple(values.values()))]

    data = sample_run(1, start_tick=40 * messages.TICK_HZ, started_unix_s=0)
    with (
        Board(tmp_path, {1: data}, Faults()) as board,
        Link(board.url) as line,
        Archive(tmp_path / "a") as archive,
    ):
        before = HostClock.read(line).unix_s
        line.info = replace(line.info, boot_count=BOOT)
        entry = replace(line.runs()[0], started_unix_s=0)
        ((_, number, _),) = take_runs(line, archive, [entry], active_filing(archive))
        row = archive.row(number)
    assert row["started_unix_s"] == pytest.approx(before - 60, abs=3)
    assert row["clock"] == "host"


def test_teeth_and_magnets_of_another_bench_are_said_at_the_fetch(tmp_path):
    with (
        FaultyBoard(tmp_path, {}, Faults()) as board,
        Link(board.url) as line,
        Archive(tmp_path / "a") as archive,
    ):
        assert teeth_warning(line, archive, active_filing(archive)) == ""
        archive.activate("setup", archive.add_record(Setup(12, 12, 1), "crew"))  # 1:1 as 10:10
        assert teeth_warning(line, archive, active_filing(archive)) == ""
        archive.activate("setup", archive.add_record(Setup(14, 10, 2), "auger"))
        said = teeth_warning(line, archive, active_filing(archive))
    assert "teeth 10:10, the set-up 14:10" in said and "1 magnets, the set-up 2" in said


def test_the_live_view_corrects_with_the_air_that_a_run_would_be_corrected_with():
    """A reading that a person typed goes before the board's own, as it does for a run that is fetched."""
    status = {"flags": ["air_ok"], "pressure": 95_000.0, "temperature": 30.0, "humidity": 50.0}
    said = air_line(status, "iso1585", Air(99_000.0 + 1_000.0, 298.15, 0.3157))
    assert "factor 1.000" in said and "typed" in said


def test_such_a_date_is_marked_where_it_is_shown(tmp_path, capsys):
    with Archive(tmp_path / "a") as archive:
        archive.store_run(sample_run(1, started_unix_s=0), started_unix_s=int(NOW))
        archive.store_run(sample_run(2))
        archive.store_run(sample_run(3, started_unix_s=0), started_unix_s=int(NOW), time_known=False)
        archive.store_run(sample_run(4, started_unix_s=0))
        assert [archive.row(n)["clock"] for n in (1, 2, 3, 4)] == ["host", "board", "unknown", "unknown"]
    assert evenfall.cli.run(["runs", "list", "--archive", str(tmp_path / "a")]) == 0
    out, err = capsys.readouterr()
    assert out.count("~20") == 1 and "the board had no clock" in err
    assert out.count("?20") == 2 and "? time unknown, fetched at the time shown" in err
    assert evenfall.cli.run(["runs", "show", "1", "--archive", str(tmp_path / "a")]) == 0
    assert "the board had no clock" in capsys.readouterr().out
    assert evenfall.cli.run(["runs", "show", "3", "--archive", str(tmp_path / "a")]) == 0
    said = " ".join(capsys.readouterr().out.split())
    fetched = time.strftime("%Y-%m-%d")
    assert f"time unknown, fetched at {fetched}" in said and "the board had no clock" not in said


def test_a_run_that_goes_to_another_archive_keeps_its_date_and_adds_nothing_twice(tmp_path):
    with Archive(tmp_path / "a") as archive:
        setup = archive.add_record(Setup(14, 10), "crew")
        dated = archive.store_run(sample_run(1, started_unix_s=0), started_unix_s=int(NOW), setup_id=setup)
        lost = archive.store_run(sample_run(2, started_unix_s=0), setup_id=setup)
        files = [archive.export(dated), archive.export(lost)]
    with Archive(tmp_path / "b") as other:
        numbers = [other.import_file(data)[0] for data in files]
        rows = [other.row(n) for n in numbers]
        assert (rows[0]["started_unix_s"], rows[0]["clock"]) == (int(NOW), "host")
        assert rows[1]["clock"] == "unknown"
        assert len(other.records(Setup)) == 1
        wrong = files[0].replace(b'"started_unix_s": 1800000000', b'"started_unix_s": -5')
    with Archive(tmp_path / "c") as other, pytest.raises(DamageError, match="impossible time"):
        other.import_file(wrong)
