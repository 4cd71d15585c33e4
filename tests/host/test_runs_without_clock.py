"""Runs of a board without a clock get their true time from its ticks; teeth are checked at a fetch."""

from dataclasses import replace

import evenfall.cli
import pytest
from evenfall.archive.archive import Archive
from evenfall.board import run_file
from evenfall.board.link import Link
from evenfall.model import Air, Setup
from evenfall.workflow.fetch import TICK_WRAP_S, HostClock, active_filing, take_runs, teeth_warning
from evenfall.workflow.live_view import air_line
from evenfall_wire import messages
from faulty_board import Faults, FaultyBoard
from sample_runs import sample_run

NOW = 1_800_000_000.0
BOOT = 7  # of the sample runs


def undated(start_tick):
    return run_file.decode_run(sample_run(1, start_tick=start_tick, started_unix_s=0))


@pytest.mark.parametrize("age_s", [0.0, 20.0, 200.0, TICK_WRAP_S - 1])
def test_ticks_give_the_age(age_s):
    clock = HostClock(NOW, tick_s=30.0, uptime_s=4000.0, boot_count=BOOT)
    tick = int((30.0 - age_s) * messages.TICK_HZ) % messages.TICK_WRAP
    assert clock.start_of(undated(tick)) == round(NOW - age_s)


def test_it_is_never_before_the_board_began():
    clock = HostClock(NOW, tick_s=30.0, uptime_s=25.0, boot_count=BOOT)
    assert clock.start_of(undated(int(200.0 * messages.TICK_HZ))) == NOW - 25
    assert replace(clock, boot_count=BOOT + 1).start_of(undated(0)) == NOW - 26


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
    assert evenfall.cli.run(["runs", "list", "--archive", str(tmp_path / "a")]) == 0
    out, err = capsys.readouterr()
    assert out.count("~20") == 1 and "the board had no clock" in err
    assert evenfall.cli.run(["runs", "show", "1", "--archive", str(tmp_path / "a")]) == 0
    assert "the board had no clock" in capsys.readouterr().out
