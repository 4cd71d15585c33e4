"""What once gave a wrong number without a word: each is refused, left out or said."""

from __future__ import annotations

import dataclasses
import json
import math
import re
import sys
from pathlib import Path

import numpy as np
import pytest
from evenfall.archive.archive import Archive
from evenfall.cli import main
from evenfall.errors import DamageError
from evenfall.output import page, plots, text
from evenfall.reduction import reduce
from evenfall.reduction.diagnostics import diagnose
from evenfall.statistics import counting
from evenfall.statistics.reduced_run import ReducedRun
from evenfall.workflow import demo
from evenfall.workflow.first_start import calibration_from
from evenfall.workflow.reduce_service import reduce_stored
from evenfall.workflow.weights import WeightReading
from sample_runs import sample_run

sys.path.insert(0, str(Path(__file__).resolve().parents[1] / "reduce"))

from made_runs import ENGINES, STANDARD_AIR, make_run

CALIBRATED = ["calibrate", "span", "--arm", "250 mm"]


@pytest.fixture
def run(tmp_path, monkeypatch, capsys):
    """The command as its user starts it: (stdout, stderr), the exit code checked."""
    monkeypatch.setenv("EVENFALL_ARCHIVE", str(tmp_path / "archive"))

    def call(*args, rc=0):
        capsys.readouterr()
        with pytest.raises(SystemExit) as left:
            main([str(a) for a in args])
        said = capsys.readouterr()
        assert (left.value.code or 0) == rc, said
        return said.out, said.err

    return call


def printed(reduction) -> str:
    from rich.console import Console

    console = Console(width=80)
    with console.capture() as captured:
        console.print(text.run_report(reduction))
    return captured.get()


# --- the zero ----------------------------------------------------------------------------------------


def with_zeros(made, *zeros):
    return dataclasses.replace(made.run, zeros=[(t, float(c), float(s), 64) for t, c, s in zeros])


@pytest.mark.parametrize("code", [0x7FFFFF, -0x800000])
def test_an_end_code_is_no_zero_of_a_run(code):
    """The quietest block of all was taken: the run read -11 hp, judged fair."""
    made = make_run(ENGINES[1], 1)
    good = made.run.zeros[0]
    mixed = with_zeros(made, (0.0, code, 0), good[:3])
    r = reduce.reduce_run(mixed, made.calibration, made.setup, STANDARD_AIR)
    plain = reduce.reduce_run(with_zeros(made, good[:3]), made.calibration, made.setup, STANDARD_AIR)
    assert r.peak_power_W.value == pytest.approx(plain.peak_power_W.value, rel=1e-9)
    assert any("end of range when it was taken" in note for note in r.notes)
    (found,) = [f for f in diagnose(mixed, made.calibration, made.setup) if f.name == "zero and direction"]
    assert found.found and "end of range" in found.sentence


def test_a_run_whose_every_zero_is_an_end_code_is_not_reduced_without_a_calibration():
    made = make_run(ENGINES[1], 1)
    bad = with_zeros(made, (0.0, 0x7FFFFF, 0))
    with pytest.raises(DamageError, match="holds no zero"):
        reduce.reduce_run(bad, reduce.calibration_from_settings(bad), made.setup, STANDARD_AIR)


def test_a_zero_far_from_the_calibrations_is_left_out_when_another_agrees_and_said_when_none_does():
    made = make_run(ENGINES[1], 1)
    t, count, spread, _ = made.run.zeros[0]
    span = made.calibration.span_count_per_N
    held = made.run.settings.get("load_limit", 400)
    calibration = dataclasses.replace(made.calibration, zero_count=count, made_unix_s=1)
    run = with_zeros(made, (t - 1, count + 0.1 * held * span, spread), (t, count, spread))
    run = dataclasses.replace(run, settings={**run.settings, "load_limit": held})
    r = reduce.reduce_run(run, calibration, made.setup, STANDARD_AIR)
    assert any("another one agrees" in note for note in r.notes)
    alone = dataclasses.replace(run, zeros=run.zeros[:1])
    r = reduce.reduce_run(alone, calibration, made.setup, STANDARD_AIR)
    assert any("something hung on the arm" in note for note in r.notes)


def test_a_negative_peak_is_a_failed_run_everywhere():
    made = make_run(ENGINES[1], 1)
    backwards = dataclasses.replace(made.calibration, span_count_per_N=-made.calibration.span_count_per_N)
    r = reduce.reduce_run(made.run, backwards, made.setup, STANDARD_AIR)
    assert r.failed and r.notes[0].startswith("This run failed as a measurement")
    assert "FAILED RUN" in printed(r)
    assert plots.curve_of(r).label.endswith("(failed run)")
    (found,) = [f for f in diagnose(made.run, backwards, made.setup) if f.name == "zero and direction"]
    assert found.found and "sign of the span" in found.sentence
    sheet = page.run_page(ReducedRun(r), page.About("saw", "", "", "", ""))
    assert "FAILED RUN" in sheet.verdict


# --- an interval that is not known -------------------------------------------------------------------


@pytest.mark.parametrize(
    ("calibrated", "inertia_known", "words"),
    [
        (False, True, "calibration of the load cell"),
        (True, False, "the inertia"),
        (False, False, "calibration of the load cell and the inertia"),
    ],
)
def test_unknown_causes_take_the_interval_away(calibrated, inertia_known, words):
    made = make_run(ENGINES[1], 1)
    calibration, setup = made.calibration, made.setup
    if not calibrated:
        calibration = dataclasses.replace(calibration, span_u_rel=0.0, arm_u_m=0.0)
    if not inertia_known:
        setup = dataclasses.replace(setup, inertia_kg_m2=0.0, inertia_u_kg_m2=0.0)
    r = reduce.reduce_run(made.run, calibration, setup, STANDARD_AIR)
    assert r.not_known and math.isnan(r.peak_power_W.half_width)
    assert np.isnan(r.bins.torque_u_Nm).all()
    assert np.isfinite(r.bins.torque_u_independent_Nm[np.isfinite(r.bins.torque_Nm)]).all(), "repeats compare"
    said = " ".join(printed(r).split())
    assert "± NOT KNOWN" in said and "not known" in said and "all causes" not in said
    assert words in text.banner(r)
    assert plots.curve_of(r).label.endswith("(± not known)")
    sheet = page.run_page(ReducedRun(r), page.About("saw", "", "", "", ""))
    assert "NOT KNOWN" in sheet.verdict and sheet.table.rows[0][2] == "not known"
    assert "± not known" in sheet.tiles[0].value


def test_known_causes_give_the_interval_as_before():
    made = make_run(ENGINES[1], 1)
    r = reduce.reduce_run(made.run, made.calibration, made.setup, STANDARD_AIR)
    assert not r.not_known and not text.banner(r) and math.isfinite(r.peak_power_W.half_width)
    assert "all causes" in printed(r)


def test_json_says_that_the_interval_is_not_known(run, tmp_path):
    (tmp_path / "a.run").write_bytes(sample_run(1))
    run("runs", "import", tmp_path / "a.run")
    shown = json.loads(run("runs", "show", 1, "--json")[0])
    assert shown["peak_power"]["half_width"] is None
    assert set(shown["not_known"]) >= {"span", "inertia"} and "NOT KNOWN" in shown["banner"]


def test_the_banner_stands_above_the_table_of_a_stored_run(run, tmp_path):
    (tmp_path / "a.run").write_bytes(sample_run(1))
    run("runs", "import", tmp_path / "a.run")
    out, _ = run("runs", "show", 1)
    assert "run 1, SHA" in out
    assert out.index("NOT KNOWN") < out.index("Peak power")
    assert max(len(line) for line in out.splitlines()) <= 80


# --- which runs count ---------------------------------------------------------------------------------


@pytest.fixture
def filed(tmp_path):
    """Runs 1-4 'stock', 5-8 'cut'; 9 poor, 10 aborted, 11 warm-up, 12 excluded, all of 'cut'."""
    with Archive(tmp_path / "archive") as archive:
        archive.add_engine("post auger")
        stock, cut = (archive.add_build("post auger", name) for name in ("stock", "cut"))
        for i in range(1, 13):
            verdict = {9: "poor", 10: "aborted"}.get(i, "good")
            flow = 0.5 if i > 8 else 1 + 0.001 * (i % 4)
            data = sample_run(i, flow=flow, verdict=verdict, started_unix_s=1_700_000_000 + 300 * i)
            reduce_stored(archive, archive.store_run(data, build_id=stock if i < 5 else cut))
        archive.add_tag(11, counting.WARM_UP_TAG)
        archive.exclude(12, "hose fell off")
    return tmp_path / "archive"


@pytest.mark.parametrize("words", [("1-4", "5-12"), ("stock", "cut", "--engine", "post auger")], ids=str)
def test_what_does_not_count_is_left_out_of_a_comparison_and_said(run, filed, words):
    told = json.loads(run("compare", *words, "--json")[0])
    assert told["after"]["runs"] == [5, 6, 7, 8]
    assert told["after"]["left_out"] == "4 left out: 9 poor, 10 aborted, 11 warm-up, 12 excluded"
    out, _ = run("compare", *words)
    assert "12 excluded (--all counts all)" in " ".join(out.split())
    told = json.loads(run("compare", *words, "--all", "--json")[0])
    assert told["after"]["runs"] == list(range(5, 13)), "overriding is explicit"


def test_runs_of_two_builds_are_no_group(run, tmp_path):
    """Two builds in one list once gave a repeatability of 8.1 %, "two runs of one build"."""
    folder = tmp_path / "demo"
    with Archive(folder) as archive:
        demo.take_in_recorded(archive)
    for words in (["repeat", "1-6"], ["page", "1-6"], ["compare", "1-4", "5-6"],
                  ["plot", "1-6", "--out", tmp_path / "x.png"]):  # fmt: skip
        _, err = run(*words, "--archive", folder, rc=2)
        assert "several builds (clearing saw, as found; clearing saw, raised port)" in " ".join(err.split())
    out, _ = run("repeat", "1-6", "--all", "--archive", folder)
    assert "runs 1-6: six runs" in out


def test_the_same_rule_holds_for_repeat_page_and_chart(run, filed):
    assert json.loads(run("repeat", "5-12", "--json")[0])["runs"] == [5, 6, 7, 8]
    path = Path(run("page", "1-4", "5-12")[0].strip())
    assert "4 left out" in path.read_text()
    _, err = run("repeat", "9,10", rc=6)
    assert "none counts" in err and "9 poor" in err
    _, err = run("chart", "post auger", rc=2)
    assert "several builds" in err, "a chart does not mix builds"


def test_a_run_that_characterised_the_valve_does_not_count():
    row = {"excluded": None, "flags": "characterise", "verdict": "recorded", "tags": None}
    assert counting.why_left_out(row) == "characterises the valve"
    assert counting.why_left_out({**row, "flags": None}) is None


# --- nothing implausible by itself, nothing by a slip of the keyboard -----------------------------------


@pytest.mark.parametrize(
    ("readings", "words"),
    [
        (("0 kg=1000", "5 kg=8000000", "10 kg=2000000"), "straight line"),
        (("0 kg=1000", "5 kg=7000000", "10 kg=8000000", "5 kg=3000000", "0 kg=1000"), "not plausible"),
    ],
)
def test_an_implausible_calibration_is_refused(run, readings, words):
    args = [*CALIBRATED, *(w for r in readings for w in ("--reading", r))]
    _, err = run(*args, rc=2)
    assert words in err and "Nothing was stored" in err
    assert json.loads(run("calibrate", "list", "--json")[0]) == []
    run(*args, "--accept")
    assert len(json.loads(run("calibrate", "list", "--json")[0])) == 1


@pytest.mark.parametrize(
    ("args", "rc", "words"),
    [
        (("setup", "add", "x", "--engine-teeth", 14000), 2, "outside 1 to 200"),
        (("setup", "add", "x", "--magnets", 1000), 2, "outside 1 to 64"),
        (("setup", "add", "", "--engine-teeth", 10), 2, "cannot be the name of a set-up"),
        (("setup", "add", "  "), 2, "cannot be the name of a set-up"),
        (("compare", "1-4", "5-8", "--decide", "0 %"), 2, "between 0 and 100 %"),
        (("compare", "1-4", "5-8", "--decide", "300 %"), 2, "between 0 and 100 %"),
    ],
    ids=str,
)
def test_values_that_cannot_be_are_refused(run, filed, args, rc, words):
    _, err = run(*args, rc=rc)
    assert words in err


def test_the_first_start_knows_the_span_no_better_than_the_command(run):
    """It took standard gravity as exact: the interval of the span came out half as wide."""
    weights = ((0.0, 0.0), (2.0, 784_532.0), (5.0, 1_961_330.0))
    words = [word for mass, count in weights for word in ("--reading", f"{mass:g} kg={count:g}")]
    out, _ = run(*CALIBRATED, *words, "--json")
    by_command = json.loads(out)["calibration"]
    led = calibration_from([WeightReading(*w) for w in weights], by_command["arm_m"], by_command["arm_u_m"])
    assert led.span_u_rel == pytest.approx(by_command["span_u_rel"])
    assert led.span_u_rel > 0.026 / math.sqrt(3) / 9.80665, "gravity of an unknown place"


def test_an_inertia_does_not_become_active_under_a_mistyped_set_up(run, tmp_path):
    sys.path.insert(0, str(Path(__file__).resolve().parents[1] / "reduce"))
    from test_reduce_cli import stored_file

    files = [
        stored_file(tmp_path / f"{i}.run", make_run(ENGINES[1], i, sweep_s=s)) for i, s in ((1, 6), (2, 15))
    ]
    run("setup", "add", "crew's bench")
    _, err = run("inertia", *files, "--store", "crews bench", rc=2)
    assert "there is no set-up 'crews bench'" in err
    assert [r["label"] for r in json.loads(run("setup", "list", "--json")[0])] == ["crew's bench"]


# --- nothing overwritten, nothing invented among the real -----------------------------------------------


def test_pages_of_other_runs_do_not_take_each_others_place(run, filed):
    paths = {run("page", *specs)[0].strip() for specs in (("1-4", "5-8"), ("1", "5"), ("1-3", "5-8"), ("1",))}
    assert len(paths) == 4 and all(Path(p).exists() for p in paths)


def test_the_demonstration_stays_out_of_a_real_archive(run, filed):
    _, err = run("demo", "--folder", filed, rc=2)
    assert "post auger" in err and "invented data" in err
    with Archive(filed) as archive:
        assert archive.active("setup") is None and len(archive.engines()) == 1


def test_teeth_of_board_and_set_up_that_differ_are_said():
    made = make_run(ENGINES[1], 1)
    run = dataclasses.replace(made.run, settings={**made.run.settings, "engine_teeth": 14, "brake_teeth": 12})
    setup = dataclasses.replace(made.setup, engine_teeth=10, brake_teeth=10)
    r = reduce.reduce_run(run, made.calibration, setup, STANDARD_AIR)
    assert any("14:12 teeth" in note and "10:10" in note for note in r.notes)
    same = dataclasses.replace(setup, engine_teeth=28, brake_teeth=24)
    assert not reduce.teeth_differ(run, same), "the ratio counts"


def test_a_page_of_the_demonstration_says_that_it_is_invented(run, tmp_path):
    out, _ = run("demo", "--recorded", "--folder", tmp_path / "demo")
    page_file = tmp_path / "page.html"
    run("page", "1-3", "4-6", "--archive", tmp_path / "demo", "--out", page_file)
    assert "Invented data from a simulated bench" in page_file.read_text()
    # figures that are no means of the runs as they were do not pass for them
    assert "a drift of" in out and "the drift is taken out" in " ".join(out.split())
    assert "means of the runs, drift taken out" in page_file.read_text()
    # the runs carry their time
    out, _ = run("runs", "list", "--archive", tmp_path / "demo")
    assert len(re.findall("2026-05-(?:09|10)", out)) == 6 and "unknown" not in out  # by the time zone
