"""Scenarios: what is refused, in one sentence, and what comes with the bench."""

from __future__ import annotations

import math
import random
from pathlib import Path

import pytest
from click.testing import CliRunner
from evenfall_bench import scenario
from evenfall_bench.cli import main, schema_text
from evenfall_bench.models import MODELS
from evenfall_bench.physics import Bench
from evenfall_bench.scenario import FAULTS, SCHEMA, ScenarioError, bundled, complete, engines, load

PROJECT = Path(__file__).resolve().parents[2]


@pytest.mark.parametrize("name", sorted(bundled()))
def test_bundled_scenarios_load(name: str) -> None:
    loaded = load(name)
    assert loaded["bench"]["title"]
    assert "nvented" in bundled()[name].read_text()


def test_engines_span_the_class() -> None:
    found = engines()
    assert len(found) >= 6
    powers = [max(n * t * 3.14159265 / 30 for n, t in e["torque_map"]) for e in found.values()]
    assert min(powers) < 1.6 * 746 and max(powers) > 30 * 746
    assert min(e["displacement_cc"] for e in found.values()) == 25
    assert max(e["displacement_cc"] for e in found.values()) == 120


@pytest.mark.parametrize(
    ("partial", "part"),
    [
        ({"motor": {}}, "unknown table [motor]"),
        ({"engine": {"idle": 3}}, "unknown key 'idle' in [engine]; did you mean 'idle_rpm'"),
        ({"engine": {"use": "claering saw"}}, "unknown engine 'claering saw'; did you mean"),
        ({"engine": {"use": "xyz"}}, "unknown engine 'xyz'; known are trimmer"),
        ({"engine": {"torque_map": [[1000, 2.0], [9000, 2.0]]}}, "must end at a speed where the torque is 0"),
        ({"engine": {"torque_map": [[1000, 2.0], [900, 0.0]]}}, "rising x"),
        ({"engine": {"torque_map": [[1000, "2"]]}}, "list of two or more [x, y] pairs"),
        ({"weather": {"pressure_Pa": 29.92}}, "weather.pressure_Pa is 29.92, outside 50000 to 110000 Pa"),
        ({"weather": {"humidity": float("nan")}}, "must be a number"),
        ({"weather": {"sensor": 1}}, "must be true or false"),
        ({"hall": {"magnets": 1.5}}, "must be a whole number"),
        ({"bench": {"title": 3}}, "must be a text in quotes"),
        ({"engine": 5}, "must be a table, written [engine]"),
        ({"flash": {"bad_blocks": ["a"]}}, "list of whole numbers"),
        ({"board": {"arm_length": 0.25}}, "whole numbers"),
        ({"servo": {"open_us": 1010.0}}, "must differ by at least 50 us"),
        ({"engine": {"idle_rpm": 1400.0}}, "idle_rpm must be above engine.stall_rpm"),
        ({"clutch": {"engage_rpm": 6000.0}}, "capacity_rpm must be above"),
        ({"valve": {"curve": [[0.0, 0.0], [0.5, 1.0]]}}, "from opening 0 to 1"),
        ({"faults": [{"at_s": 1}]}, "fault 1 needs a name"),
        ({"faults": [{"name": "hall_lst"}]}, "unknown fault 'hall_lst'; did you mean 'hall_lost'"),
        ({"faults": [{"name": "supply_low"}]}, "supply_low needs a value"),
        ({"faults": [{"name": "reset", "from": "noon"}]}, "from must be one of"),
        ({"faults": [{"name": "reset", "when": 3}]}, "unknown key 'when'"),
    ],
)
def test_what_is_wrong_is_said_in_one_sentence(partial: dict, part: str) -> None:
    with pytest.raises(ScenarioError) as caught:
        complete(partial, "bench.toml")
    text = str(caught.value)
    assert part in text
    assert text.startswith("bench.toml: ")
    assert "\n" not in text


@pytest.mark.parametrize(
    ("content", "part"),
    [
        (b"[engine\n", "is not valid TOML"),
        (b"\xff\xfe\x00", "is not UTF-8 text"),
        (b"a = " + b"[" * 5000, "is not valid TOML"),
        (b"#" * 300_000, "larger than 64 KiB"),
    ],
)
def test_files_that_are_no_scenarios(tmp_path: Path, content: bytes, part: str) -> None:
    path = tmp_path / "bad.toml"
    path.write_bytes(content)
    done = CliRunner().invoke(main, ["pull", "--scenario", str(path), "--json", "-"])
    assert done.exit_code == 2
    assert part in done.stderr
    assert len(done.stderr.strip().splitlines()) == 1


def test_missing_file_and_unknown_engine_at_the_command_line(tmp_path: Path) -> None:
    done = CliRunner().invoke(main, ["pull", "--scenario", str(tmp_path / "no.toml"), "--json", "-"])
    assert done.exit_code == 2
    assert "cannot read the scenario" in done.stderr and "trail-crew" in done.stderr
    path = tmp_path / "e.toml"
    path.write_text('[engine]\nuse = "turbine"\n')
    done = CliRunner().invoke(main, ["pull", "--scenario", str(path), "--json", "-"])
    assert done.exit_code == 2
    assert "unknown engine 'turbine'" in done.stderr


@pytest.mark.parametrize("text", ["", "a", "5..1", "1..", "1;2"])
def test_bad_seeds(text: str) -> None:
    done = CliRunner().invoke(main, ["pull", "--scenario", "trail-crew", "--seeds", text, "--json", "-"])
    assert done.exit_code == 2
    assert "names no seeds" in done.stderr


def test_every_default_is_inside_its_bounds() -> None:
    for table, (_, keys) in SCHEMA.items():
        for key in keys:
            if isinstance(key.default, int | float) and not isinstance(key.default, bool):
                assert key.low <= key.default <= key.high, (table, key.name)


def test_document_is_the_schema() -> None:
    assert (PROJECT / "bench_sim" / "SCENARIOS.md").read_text() == schema_text(), (
        "run: evenfall-bench scenarios --schema > bench_sim/SCENARIOS.md"
    )


def test_physics_knows_every_fault_it_is_given() -> None:
    elsewhere = {"button", "press", "reset", "supply_V", "power_cut", "power_cut_at_flash_op", "unplug"}
    bench = Bench.build({}, 1)
    for target, on, over, _ in FAULTS.values():
        if target not in elsewhere:
            bench.set(target, 1.0 if on is None else on)
            bench.run_until(bench.time_s + 0.01)
            bench.set(target, over)
            bench.run_until(bench.time_s + 0.01)


def test_scenario_is_not_changed_by_completing_it() -> None:
    partial = {"engine": {"use": "post auger"}}
    complete(partial)
    assert partial == {"engine": {"use": "post auger"}}
    assert complete({})["engine"]["torque_map"] is not scenario.SCHEMA["engine"][1][2].default


def test_benches_nobody_thought_of_stay_finite() -> None:
    """Keys at their bounds and between, whole sweeps with a lost chain: no value runs off."""
    made = 0
    for n in range(120):
        rng = random.Random(n)
        partial: dict = {"engine": {"use": rng.choice(list(engines()))}}
        for table, models in MODELS.items():
            partial.setdefault(table, {})["model"] = rng.choice(list(models))
        for table, (_, keys) in SCHEMA.items():
            for key in keys:
                if key.models and partial[table]["model"] not in key.models:
                    continue
                number = isinstance(key.default, int | float) and not isinstance(key.default, bool)
                if number and table != "bench" and rng.random() < 0.15:
                    at = rng.choice((0.0, 1.0, rng.random(), rng.random() ** 4))
                    value = key.low + (key.high - key.low) * at
                    partial.setdefault(table, {})[key.name] = (
                        int(value) if isinstance(key.default, int) else value
                    )
        try:
            bench = Bench(complete(partial), n)
        except ScenarioError:
            continue  # keys that contradict each other
        made += 1
        bench.set_throttle(1.0)
        for _ in range(3):
            bench.set_servo_us(rng.uniform(900.0, 2100.0))
            bench.run_until(bench.time_s + 0.4)
        bench.set("load_lost", 1.0)
        bench.run_until(bench.time_s + 0.6)
        values = [*bench.now.values(), *(x for record in bench.truth for x in record)]
        assert all(math.isfinite(v) for v in values), partial
        assert 0.0 <= bench.now["fill"] <= 1.0
        assert bench.now["speed_rpm"] < 60000.0
    assert made >= 25


def test_an_unknown_model_of_a_part_is_refused_by_name() -> None:
    with pytest.raises(ScenarioError, match=r"brake.model 'afinity' is unknown; did you mean 'affinity'"):
        complete({"brake": {"model": "afinity"}})
