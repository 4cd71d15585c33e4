"""What comes from outside is never run as code, and never bigger than it should be.

The wire: requests are numbers only.  The source: nothing in it runs text.  Scenario files: any value anywhere
gives a scenario within bounds or one sentence.  Run files and exports: tests/host.
"""

from __future__ import annotations

import ast
import math
from pathlib import Path

import pytest
from evenfall_bench import scenario as scenarios
from evenfall_wire import messages
from hypothesis import given, settings
from hypothesis import strategies as st
from wire_references import PROTOCOL

ROOT = PROTOCOL.parent
FORBIDDEN_CALLS = {"eval", "exec", "compile", "__import__", "execfile"}
FORBIDDEN_MODULES = {"pickle", "marshal", "shelve", "dill", "yaml"}
# the bench runs the firmware's own boot files; the board takes new firmware at its prompt, not over the wire
ALLOWED = {("bench_sim/evenfall_bench/shims/start.py", name) for name in ("exec", "execfile")}
SOURCES = sorted(
    path
    for part in ("firmware", "protocol", "host/evenfall", "bench_sim/evenfall_bench")
    for path in (ROOT / part).rglob("*.py")
)


def test_requests_carry_numbers_only():
    """No text, so no name of a file, setting or function, reaches the board."""
    for number, name, head, each in messages.MESSAGES:
        if number < 0x40:
            for field, code, _, _ in (*head, *each):
                assert code in "BHIbhi", f"{name}.{field} is no number"


@pytest.mark.parametrize("path", SOURCES, ids=lambda p: str(p.relative_to(ROOT)))
def test_no_text_is_run_as_code(path: Path):
    place = path.relative_to(ROOT).as_posix()
    for node in ast.walk(ast.parse(path.read_text())):
        if isinstance(node, ast.Call):
            called = node.func
            if isinstance(called, ast.Name) and called.id in FORBIDDEN_CALLS:
                assert (place, called.id) in ALLOWED, f"{place}:{node.lineno} calls {called.id}"
            for keyword in node.keywords:
                is_shell = keyword.arg == "shell" and not (
                    isinstance(keyword.value, ast.Constant) and keyword.value.value is False
                )
                assert not is_shell, f"{place}:{node.lineno} runs a shell"
        names = []
        if isinstance(node, ast.Import):
            names = [alias.name for alias in node.names]
        elif isinstance(node, ast.ImportFrom):
            names = [node.module or ""]
        for name in names:
            assert name.split(".")[0] not in FORBIDDEN_MODULES, f"{place}:{node.lineno} imports {name}"


KEYS = [(table, key.name) for table, (_, keys) in scenarios.SCHEMA.items() for key in keys]
anything = st.one_of(
    st.none(),
    st.booleans(),
    st.integers(-(10**30), 10**30),
    st.floats(allow_nan=True, allow_infinity=True),
    st.text(max_size=30),
    st.just("x" * 5_000),
    st.recursive(st.integers() | st.floats() | st.text(max_size=3), st.lists, max_leaves=8),
    st.dictionaries(st.text(max_size=5), st.integers(), max_size=3),
)


@settings(max_examples=300, deadline=None)
@given(st.sampled_from(KEYS), anything)
def test_any_value_in_a_scenario_is_within_bounds_or_refused_with_a_sentence(place, value):
    table, name = place
    try:
        whole = scenarios.complete({table: {name: value}})
    except scenarios.ScenarioError as error:
        said = str(error)
        assert "\n" not in said and len(said) < 1000, said[:200]
        return
    key = next(k for k in scenarios.SCHEMA[table][1] if k.name == name)
    got = whole[table][name]
    if isinstance(key.default, (int, float)) and not isinstance(key.default, bool):
        assert math.isfinite(got)
        if key.high:
            # 0 may stand for "work it out"; what was worked out is not asked for
            assert key.low <= value <= key.high


@settings(max_examples=150, deadline=None)
@given(st.sampled_from([*scenarios.SCHEMA, "board", "faults", "nothing"]), anything)
def test_any_value_for_a_table_is_refused_with_a_sentence_or_taken(table, value):
    for given_value in (
        value,
        [value],
        {"name": value},
        [{"name": value}],
        [{"name": "reset", "at_s": value}],
    ):
        try:
            scenarios.complete({table: given_value})
        except scenarios.ScenarioError as error:
            assert "\n" not in str(error) and len(str(error)) < 1000


@pytest.mark.parametrize(
    "text",
    [
        "a = " + "[" * 60_000,
        "a = " + "{b=" * 20_000,
        "[a" + ".b" * 20_000 + "]",
        "x = 1\n" * 10_000,
        "a = 1" + "0" * 5_000,
        '[bench]\ntitle = "' + "y" * 70_000 + '"',
        f"[bench]\n{'k' * 20_000} = 1",
    ],
    ids=["deep lists", "deep tables", "deep names", "repeats", "a huge number", "a huge text", "a long name"],
)
def test_bombs_in_scenario_files_are_refused_with_a_sentence(text, tmp_path):
    path = tmp_path / "bomb.toml"
    path.write_text(text)
    with pytest.raises(scenarios.ScenarioError) as caught:
        scenarios.load(path)
    said = str(caught.value)
    assert len(said) < 1000 and "\n" not in said
