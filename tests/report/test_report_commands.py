"""The commands compare, repeat, chart, plot, page, export on an archive of made-up runs."""

from __future__ import annotations

import csv
import io
import json
import re
import sqlite3
from collections.abc import Callable
from pathlib import Path

import numpy as np
import pytest
from evenfall.archive.archive import Archive
from evenfall.board import run_file
from evenfall.cli import main
from evenfall.output.tables import BINS_QUERY
from evenfall.workflow.reduce_service import reduce_stored
from evenfall.workflow.run_groups import reduced
from evenfall_wire import messages
from sample_runs import sample_run

DAY = 86_400
START = 1_700_000_000


def flow_of(run: int, gain: float) -> float:
    """A made-up engine's scatter of 0.3 %, the same in every run of the tests."""
    return gain * (1 + 0.003 * float(np.random.default_rng(run).standard_normal()))


@pytest.fixture(scope="module")
def folder(tmp_path_factory: pytest.TempPathFactory) -> Path:
    """post auger: runs 1-4 with the stock pipe, 5-8 with the cut pipe, 3 % up; run 9 excluded;
    and a reference saw pulled twice a day for eight days, the last day 4 % down."""
    path = tmp_path_factory.mktemp("archive")
    with Archive(path) as archive:
        archive.add_engine("post auger")
        stock = archive.add_build("post auger", "stock pipe")
        cut = archive.add_build("post auger", "cut pipe", "8 mm off the <belly>", "bench crew")
        for i in range(1, 10):
            data = sample_run(i, flow=flow_of(i, 1.0 if i < 5 else 1.03), started_unix_s=START + 300 * i)
            reduce_stored(archive, archive.store_run(data, build_id=stock if i < 5 else cut))
        archive.exclude(9, "hose fell off")
        archive.add_note(6, "plug looked lean")
        archive.add_engine("reference saw")
        saw = archive.build_id("reference saw")
        for day in range(8):
            for k in (0, 1):
                i = 20 + 2 * day + k
                at = START + (10 + 7 * day) * DAY + 600 * k
                flow = flow_of(i, 0.96 if day == 7 else 1.0)
                reduce_stored(
                    archive, archive.store_run(sample_run(i, flow=flow, started_unix_s=at), build_id=saw)
                )
    return path


@pytest.fixture
def run(folder: Path, capsys: pytest.CaptureFixture[str]) -> Callable[..., tuple[int, str, str]]:
    def call(*words: str) -> tuple[int, str, str]:
        with pytest.raises(SystemExit) as ended:
            main([*words, "--archive", str(folder)])
        out = capsys.readouterr()
        return int(ended.value.code or 0), out.out, out.err

    return call


def test_compare_by_numbers_and_by_builds(run: Callable[..., tuple[int, str, str]]) -> None:
    code, out, _ = run("compare", "1-4", "5-8", "--json")
    assert code == 0
    by_number = json.loads(out)
    code, out, _ = run("compare", "stock pipe", "cut pipe", "--engine", "post auger", "--json")
    by_build = json.loads(out)
    assert by_number["peak_power_W"] == by_build["peak_power_W"]
    assert by_build["before"]["label"] == "stock pipe" and by_build["after"]["runs"] == [5, 6, 7, 8]
    gain = by_number["peak_power_W"]
    # all before, then all after: a drift looks like a gain, so the slope in time widens the interval
    assert abs(gain["relative"] - 0.03) < gain["relative_half_width"] < 0.02
    assert any("A-B-B-A" in s for s in by_number["sessions"])
    assert by_number["outcome"] == "real" and by_number["calibration_cancels"]
    code, out, _ = run("compare", "1-4", "5-8")
    assert "at peak power: real" in out and "cut pipe against stock pipe" in out


def test_alternating_runs_decide_with_less(run: Callable[..., tuple[int, str, str]]) -> None:
    """The same eight runs, split so that the groups alternate: a smaller interval, no advice."""
    blocks = json.loads(run("compare", "1-4", "5-8", "--json")[1])["peak_power_W"]
    turns = json.loads(run("compare", "1,4,6,7", "2,3,5,8", "--all", "--json")[1])
    assert turns["peak_power_W"]["half_width"] / turns["peak_power_W"]["s_pooled"] < 0.6 * (
        blocks["half_width"] / blocks["s_pooled"]
    )
    assert not any("A-B-B-A" in s for s in turns["sessions"])
    assert any("drift" in s for s in turns["sessions"])


def test_groups_of_different_sessions_carry_the_scatter_between_them(
    run: Callable[..., tuple[int, str, str]],
) -> None:
    """Runs 10 on are of a saw run twice a day: two days against two others, nothing changed."""
    c = json.loads(run("compare", "10-13", "14-17", "--json")[1])
    assert c["outcome"] == "inside the noise"
    (said,) = [s for s in c["sessions"] if "different sessions" in s]
    assert "as this bench's sessions have shown" in said and "2023-" in said
    gain = c["peak_power_W"]
    two_samples = 2.8 * gain["s_pooled"] * np.sqrt(2 / 4)
    assert gain["half_width"] > two_samples


def test_compare_says_what_is_wrong(run: Callable[..., tuple[int, str, str]]) -> None:
    for words, code, sentence in (
        (("compare", "1-4", "4"), 2, "run 4 is in both groups"),
        (("compare", "1-4", "20-21"), 2, "of several engines (post auger, reference saw)"),
        (("compare", "stock pipe", "5-8"), 2, "a build's name needs its engine too: give --engine"),
        (("compare", "1-4", "no such", "--engine", "post auger"), 6, "has no build 'no such'"),
        (("compare", "4-1", "5-8"), 2, "runs backwards; write 1-4"),
        (("compare", "1,1", "5-8"), 2, "names a run twice"),
        (("compare", "1-9999", "5-8"), 2, "more than 200 runs"),
        (("compare", "1-4", "99"), 6, "there is no run 99"),
        (("compare", "1-4", "5-8", "--plot", "x.pdf"), 2, "must end in .png or .svg"),
    ):  # fmt: skip
        got, out, err = run(*words)
        assert (got, out) == (code, ""), words
        assert sentence in err and err.startswith("evenfall: ") and err.count("\n") == 1


def test_repeat(run: Callable[..., tuple[int, str, str]]) -> None:
    code, out, _ = run("repeat", "1-4", "--json")
    g = json.loads(out)
    power = [flow_of(i, 1.0) for i in (1, 2, 3, 4)]
    expected = 2.8 * np.std(power, ddof=1) / np.mean(power)
    assert code == 0 and g["peak_power_r_W"] / g["peak_power_W"] == pytest.approx(expected, rel=0.15)
    assert "repeatability r =" in run("repeat", "1-4")[1]


def test_a_build_leaves_out_what_was_excluded(run: Callable[..., tuple[int, str, str]]) -> None:
    assert json.loads(run("repeat", "cut pipe", "--engine", "post auger", "--json")[1])["runs"] == [
        5,
        6,
        7,
        8,
    ]
    assert json.loads(run("repeat", "5-9", "--json")[1])["runs"] == [5, 6, 7, 8], "by number as well"
    assert json.loads(run("repeat", "5-9", "--all", "--json")[1])["runs"] == [5, 6, 7, 8, 9]


def test_chart_sees_the_bad_day(run: Callable[..., tuple[int, str, str]], tmp_path: Path) -> None:
    target = tmp_path / "chart.svg"
    code, out, _ = run("chart", "reference saw", "--json", "--plot", str(target))
    c = json.loads(out)
    assert code == 8 and len(c["sessions"]) == 8 and c["baseline"] == 7
    assert [(a["index"], a["rule"]) for a in c["alarms"]] == [(7, "beyond three sigma")]
    assert "OUTSIDE" in c["today"] and c["week_pairs"] == 7
    assert "<svg" in target.read_text()
    assert "ALARM" in run("chart", "reference saw")[1]
    code, out, err = run("chart", "post auger", "stock pipe")
    assert code == 2 and "needs 6 sessions of the reference engine, there are 1" in err


def test_pictures(run: Callable[..., tuple[int, str, str]], tmp_path: Path) -> None:
    target = tmp_path / "all.svg"
    code, _, _ = run("plot", "1-4", "5-8", "7", "--out", str(target), "--title", "costs $5 & <more>")
    text = target.read_text()
    assert code == 0 and "cut pipe" in text and "run 7, cut pipe" in text and "$5 &amp; &lt;more&gt;" in text
    assert run("plot", "1", "--out", str(tmp_path / "a.png"), "--set-speed")[0] == 0
    assert (tmp_path / "a.png").read_bytes()[:4] == b"\x89PNG"
    assert run("plot", "1", "--out", str(target), "--set-speed")[0] == 0
    text = target.read_text()
    assert "post auger: stock pipe" in text and "run 1 ·" in text, "what it shows stands in it"
    code, _, err = run("plot", "1", "2", "3", "4", "5", "6", "7", "--out", str(target))
    assert code == 2 and "more than 6 cannot be told apart" in err


def test_page(run: Callable[..., tuple[int, str, str]], folder: Path, tmp_path: Path) -> None:
    code, out, _ = run("page", "1-4", "5-8", "--note", "for the crew")
    text = Path(out.strip()).read_text()
    assert code == 0 and out.strip().startswith(str(folder))
    for words in (
        "post auger: cut pipe against stock pipe",
        "8 mm off the &lt;belly&gt;",
        "bench crew",
        "for the crew",
        "Run 6: plug looked lean",
        "at peak power: real; mean power",
        "1,002 hPa",
    ):
        assert words in text, words
    assert run("page", "7", "--out", str(tmp_path / "one.html"), "--units", "si")[0] == 0
    assert "kW" in (tmp_path / "one.html").read_text()
    assert run("page", "1-4", "--out", str(tmp_path / "group.html"))[0] == 0
    code, _, err = run("page", "1", "2", "3")
    assert code == 2 and "a group before and one after" in err


def test_export_equals_the_query_in_any_sqlite_tool(
    run: Callable[..., tuple[int, str, str]], folder: Path, tmp_path: Path
) -> None:
    code, out, _ = run("export", "1-8")
    lines = list(csv.reader(io.StringIO(out)))
    assert code == 0
    with sqlite3.connect(folder / "evenfall.sqlite") as db:
        rows = [r for r in db.execute(BINS_QUERY) if r[0] <= 8]
    assert lines[0][0] == "run" and lines[0][6] == "torque_Nm [N.m]"
    assert len(lines) - 1 == len(rows)
    for line, row in zip(lines[1:], rows, strict=True):
        assert [float(v) if v else None for v in line[5:]] == list(row[5:])
        assert line[:5] == [str(v) for v in row[:5]]
    for name in ("x.csv", "x.parquet"):
        assert run("export", "1-8", "--table", "runs", "--out", str(tmp_path / name))[0] == 0
    assert run("export", "--schema")[1].count("| torque_u_independent_Nm | N.m |") == 1
    code, _, err = run("export", "1-8", "--out", str(tmp_path / "x.xls"))
    assert code == 2 and "must end in .csv or .parquet" in err


def test_what_ails_the_bench_stands_on_the_page(tmp_path: Path) -> None:
    """A load cell that clamps in one run of a group: the page and the comparison name the run's trouble."""
    good = sample_run(1)
    weak = bytearray()
    frames = [run_file.open_frame(chunk) for chunk in sample_run(2).split(b"\x00")[:-1]]
    for at, frame in enumerate(frames):
        assert frame is not None
        head, each = messages.unpack(messages.BY_TYPE[frame.kind][1], frame.payload)
        if messages.BY_TYPE[frame.kind][1] == "load_samples":
            each = [(tick, min(count, 500_000)) for tick, count in each]
            each = [(tick, 0x7FFFFF if count == 500_000 else count) for tick, count in each]
        weak += run_file.frame_bytes(messages.BY_TYPE[frame.kind][1], at, head, each)
    with Archive(tmp_path) as archive:
        numbers = [archive.store_run(data) for data in (good, bytes(weak))]
        found = [reduced(archive, n) for n in numbers]
    at_the_end = re.compile(r"^Clamp: [1-9]\d* samples at the amplifier's end")
    assert not any(at_the_end.match(note) for note in found[0].reduction.notes)
    assert any(at_the_end.match(note) for note in found[1].reduction.notes)


def test_a_poor_run_is_marked_in_its_group(tmp_path: Path) -> None:
    with Archive(tmp_path) as archive:
        number = archive.store_run(sample_run(1, verdict="poor"))
        assert "The board judged it poor: nothing to remark." in reduced(archive, number).reduction.notes
