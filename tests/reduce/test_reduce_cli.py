"""The commands a person types, on run files made from the message table."""

from __future__ import annotations

import json
import shlex
from pathlib import Path

import numpy as np
import pytest
from evenfall import cli
from evenfall.archive.archive import Archive
from evenfall.board.settings import value_of
from evenfall_wire import codes, messages, settings
from made_runs import ENGINES, Flaws, make_run
from run_writer import run_bytes

HZ = messages.TICK_HZ


def stored_file(path: Path, made, air=(99000, 2485, 0)) -> Path:
    """Write a made run as the board would store it."""
    run = made.run

    def ticks(seconds):
        return [round(float(t) * HZ) % messages.TICK_WRAP for t in seconds]

    held = {s[1]: s[3] for s in settings.SETTINGS} | run.settings
    v = codes.VERDICTS.index("good")
    start, end = ticks([run.verdict["sweep_start_tick"], run.verdict["sweep_end_tick"]])
    records = [
        (
            "run_header",
            (1, run.run_id, bytes.fromhex(run.board_uid), b"made", 1, run.started_unix_s, 0, 0),
            (),
        ),
        ("run_settings", (), [(settings.BY_NAME[k][0], x) for k, x in held.items()]),
        ("zeros", (), [(ticks([z[0]])[0], int(z[1] * 16), int(z[2]), z[3]) for z in run.zeros]),
        ("air", (), [(0, *air)]),
        ("load_samples", (), list(zip(ticks(run.load_time_s), run.load_count.tolist(), strict=True))),
        ("edge_times", (), [(t,) for t in ticks(run.edge_time_s)]),
        ("verdict", (v, 0, start, end, 25000, 10000, 35, 120, 0, 0, 0, 0, 0, 0, 0), ()),
        ("run_end", (0, run.load_time_s.size, run.edge_time_s.size, 1), ()),
    ]
    path.write_bytes(run_bytes(records))
    return path


class Done:
    def __init__(self, stdout, stderr):
        self.stdout, self.stderr = stdout, stderr


@pytest.fixture
def evenfall(tmp_path, monkeypatch, capsys):
    """Run the command in this process, as its entry point does, and check the exit code."""
    monkeypatch.chdir(tmp_path)
    monkeypatch.setenv("EVENFALL_ARCHIVE", str(tmp_path / "archive"))

    def go(*args, code=0):
        capsys.readouterr()
        with pytest.raises(SystemExit) as left:
            cli.main(list(args))
        done = Done(*capsys.readouterr())
        assert (left.value.code or 0) == code, done.stderr + done.stdout
        return done

    return go


def test_reduce_a_run_file(tmp_path, evenfall):
    p = make_run(ENGINES[2], 3, flaws=Flaws(zero_after_N=0.0))
    stored_file(tmp_path / "a.run", p)
    out = evenfall("budget", "a.run", "--trials", "20", "--mean", "6000:9000").stdout
    for words in (
        "Peak power",
        "ISO 1585",
        "Mean over 6000:9000 rpm",
        "span",
        "cancels",
        "Monte Carlo: no bin has a known uncertainty",  # the inertia is not known
    ):
        assert words in out
    got = json.loads(evenfall("budget", "a.run", "--json").stdout)
    assert got["air_factor"] == pytest.approx(1.0, abs=2e-3)
    speed = np.array(got["bins"]["speed_rpm"], float)
    torque = np.array(got["bins"]["torque_observed_Nm"], float)
    mid = (speed > 6000) & (speed < 12000)
    # the board holds no inertia: left in, by hand
    bias = ENGINES[2].inertia_kg_m2 * 750 * 2 * np.pi / 60
    assert torque[mid] == pytest.approx(p.truth(speed[mid]) + bias, rel=0.01)
    assert any("inertia" in n for n in got["notes"])
    si = evenfall("budget", "a.run", "--units", "si", "--standard", "din70020").stdout
    assert "N·m" in si and "DIN 70020" in si


def test_a_run_of_the_archive_is_named_by_its_number_there(tmp_path, evenfall):
    """It once said *Run 3*, the board's number, when asked for run 1 of the archive."""
    stored_file(tmp_path / "a.run", make_run(ENGINES[2], 3, run_id=3))
    with Archive(tmp_path / "archive") as archive:
        assert archive.store_run((tmp_path / "a.run").read_bytes()) == 1
        assert archive.run(1).run_id != 1
    assert "Run 1 " in evenfall("budget", "1").stdout
    assert json.loads(evenfall("budget", "1", "--json").stdout)["run"] == 1


def test_health_of_a_run_file(tmp_path, evenfall):
    stored_file(tmp_path / "good.run", make_run(ENGINES[2], 3))
    out = evenfall("health", "good.run", "--flow", "6 L/min", "--plot", "shown").stdout
    assert "FOUND" not in out and out.count(" ok ") >= 8
    pictures = list((tmp_path / "shown").glob("*.svg"))
    assert len(pictures) == 10 and all(p.read_text().startswith("<?xml") for p in pictures)
    stored_file(tmp_path / "bad.run", make_run(ENGINES[2], 3, flaws=Flaws(missed=0.02)))
    got = evenfall("health", "bad.run", "--json", code=1)
    assert [f["name"] for f in json.loads(got.stdout) if f["found"]] == ["pulses missed"]


def test_inertia_from_files_into_a_setup(tmp_path, evenfall):
    engine = ENGINES[2]
    for seed, sweep_s in ((1, 6.0), (2, 15.0)):
        stored_file(tmp_path / f"{seed}.run", make_run(engine, seed, sweep_s=sweep_s))
    got = json.loads(evenfall("inertia", "1.run", "2.run", "--store", "bench", "--new", "--json").stdout)
    assert got["inertia_kg_m2"] == pytest.approx(engine.inertia_kg_m2, rel=0.15)
    listed = json.loads(evenfall("setup", "list", "--json").stdout)
    assert listed[0]["inertia_kg_m2"] == pytest.approx(got["inertia_kg_m2"])
    error = evenfall("inertia", "1.run", code=2).stderr
    assert "at least two runs" in error


def test_calibrate_with_typed_weights(tmp_path, evenfall):
    rows = [(m, 50000 + round(m * 9.80665 * 42000)) for m in (0, 1, 2, 5, 2, 1, 0)]
    args = [a for m, c in rows for a in ("--reading", f"{m} kg={c:.0f}")]
    out = evenfall("calibrate", "span", "--arm", "250 mm", *args, "--plot", "r.svg").stdout
    assert "Span 4200" in out or "Span 41999" in out
    line = next(line for line in out.splitlines() if line.startswith("evenfall board set "))
    words = dict(word.split("=") for word in shlex.split(line)[3:])  # as a shell takes it apart
    assert value_of("arm_length", words["arm_length"]) == 250_000
    assert value_of("span", words["span"]) == pytest.approx(42_006_420, abs=10)  # 42,000 less the buoyancy
    assert (tmp_path / "r.svg").exists()
    listed = json.loads(evenfall("calibrate", "list", "--json").stdout)
    # iron of 7,850 kg/m3 in air of 1.2 kg/m3 weighs 0.0153 % less
    assert listed[0]["span_count_per_N"] == pytest.approx(42000 * 1.000153, rel=1e-5)
    (tmp_path / "w.csv").write_text("# mass, count\n0 lb,100\n11.0231 lb,2059496\n")
    far = evenfall("calibrate", "span", "--arm", "10 in", "--hanger", "20 in", "--file", "w.csv", "--dry-run",
                   "--json")  # fmt: skip
    assert json.loads(far.stdout)["calibration"]["span_count_per_N"] == pytest.approx(
        1.000153 * 2059396 / (11.0231 * 0.45359237 * 9.80665 * 2), rel=1e-6
    )
    assert json.loads(far.stdout)["number"] is None
    evenfall("calibrate", "use", "1")


def test_check_weight_log_and_alarm(tmp_path, evenfall):
    evenfall("calibrate", "check", "5 kg", "--count", "1", code=6)
    args = [a for m in (0, 5) for a in ("--reading", f"{m} kg={m * 9.80665 * 42000:.0f}")]
    evenfall("calibrate", "span", "--arm", "250 mm", *args)
    good = 5 * 9.80665 * 42000
    evenfall("calibrate", "check", "5 kg", "--count", f"{good:.0f}", "--plot", "d.png")
    got = evenfall("calibrate", "check", "5 kg", "--count", f"{good * 1.02:.0f}", code=1)
    assert "+2.00 % off" in got.stdout
    assert json.loads(evenfall("calibrate", "check", "--json", code=1).stdout)["error_rel"][1] > 0.0195


def test_a_check_weight_log_of_version_0_1_is_taken_in(tmp_path, evenfall):
    args = [a for m in (0, 5) for a in ("--reading", f"{m} kg={m * 9.80665 * 42000:.0f}")]
    evenfall("calibrate", "span", "--arm", "250 mm", *args)
    old = tmp_path / "archive" / "check_weights.csv"
    good = f"1700000000,5,{5 * 9.80665 * 42000:.0f}"
    old.write_text(f"unix_s,mass_kg,count_above_zero\r\n{good}\r\nrubbish\r\n")
    assert "line 3" in evenfall("calibrate", "check", code=2).stderr
    old.write_text(f"unix_s,mass_kg,count_above_zero\r\n{good}\r\n")
    assert "1 reading," in evenfall("calibrate", "check").stdout


def test_air_commands(tmp_path, evenfall):
    dry = ("--pressure", "29.92 inHg", "--temperature", "60 F", "--humidity", "0 %")
    got = json.loads(evenfall("air", "factor", *dry, "--json").stdout)
    assert got["factors"]["j607"]["factor"] == pytest.approx(1.0, abs=1e-6)
    out = evenfall("air", "factor", *dry, "--height", "4000 ft").stdout
    assert "sea-level value" in out
    out = evenfall("air", "station", "--altimeter", "30.05 inHg", "--height", "900 ft").stdout
    assert "29.09 inHg" in out  # 30.05 less about 0.96 inHg for 900 ft


BAD = [
    (("budget", "none.run"), 6, "neither a run's number nor a run file"),
    (("budget", "7"), 6, "7"),
    (("health", "junk.run"), 5, "run"),
    (("calibrate", "span", "--arm", "250", "--reading", "0 kg=1"), 2, "has no unit"),
    (("calibrate", "span", "--arm", "9.84 m", "--reading", "0 kg=1"), 2, "looks like inches"),
    (("calibrate", "span", "--arm", "250 mm", "--reading", "5=3"), 2, "has no unit"),
    (("calibrate", "span", "--arm", "250 mm", "--reading", "5 kg=abc"), 2, "not a number of counts"),
    (("calibrate", "span", "--arm", "250 mm", "--file", "no.csv"), 2, "cannot be read"),
    (("air", "station", "--height", "900 ft"), 2, "either --altimeter or --sea-level"),
    (("air", "station", "--altimeter", "29.92 hPa", "--height", "900 ft"), 2, "no sea-level pressure"),
    (("air", "station", "--sea-level", "1013 hPa", "--height", "900 ft"), 2, "--temperature"),
    (("air", "factor", "--pressure", "29.92 hPa", "--temperature", "68 F", "--humidity", "40 %"), 2, "inHg"),
    (("air", "factor"), 6, "no air reading"),
]


@pytest.mark.parametrize(("args", "code", "words"), BAD, ids=lambda v: v if isinstance(v, str) else None)
def test_bad_input_gets_one_sentence(tmp_path, evenfall, args, code, words):
    (tmp_path / "junk.run").write_bytes(bytes(range(1, 200)) * 5 + b"\x00")
    done = evenfall(*args, code=code)
    assert words in done.stderr and done.stdout == ""
    assert len(done.stderr.strip().splitlines()) == 1
