"""Weights that forgive: each reading checked as it comes, kept at once, taken back with a word."""

from __future__ import annotations

from collections.abc import Callable
from pathlib import Path

import numpy as np
import pytest
from evenfall.archive.archive import Archive
from evenfall.errors import BoardError, InputError
from evenfall.model import Calibration
from evenfall.reduction.calibration import check_reading
from evenfall.workflow.weights import WeightReading, far_zero, hang, hang_twice, implausible_reading, read_csv

SPAN = 42_000 * 9.80665  # counts per kilogram
ZERO = 50_000.0
ENDS = 0x7FFFFF  # data sheet of the 24-bit amplifier: the code beyond its range


def still(mass_kg: float) -> list[float]:
    return [ZERO + SPAN * mass_kg + (-1) ** i * 20.0 for i in range(40)]


class Person:
    """Types the lines; what hangs is what was typed unless `cell` says otherwise."""

    def __init__(self, lines: list[str], choices: list[str] | None = None) -> None:
        self.lines = lines
        self.choices = choices or []
        self.heard: list[str] = []
        self.hangs = ""

    def say(self, text: str) -> None:
        self.heard.append(text)

    def ask(self, question: str, default: str = "") -> str:
        if not self.lines:
            raise KeyboardInterrupt  # the lid closes
        self.hangs = self.lines.pop(0)
        return self.hangs

    def choose(self, question: str, options: dict[str, str], default: str) -> str:
        self.heard.append(question)
        return self.choices.pop(0) if self.choices else default


def cell(person: Person, wrong: dict[str, list[float]] | None = None) -> Callable[[], list[float]]:
    def read() -> list[float]:
        if wrong and person.hangs in wrong:
            return wrong[person.hangs]
        return still(float(person.hangs.split()[0].replace(",", ".")))

    return read


def test_up_and_down_with_decimal_commas(tmp_path: Path) -> None:
    person = Person(["0 kg", "2,5 kg", "5 kg", "2,5 kg", "0 kg", ""])
    hung = hang(person, cell(person), tmp_path / "w.csv")
    assert [h.mass_kg for h in hung] == [0.0, 2.5, 5.0, 2.5, 0.0]
    assert [m for m, _ in read_csv(tmp_path / "w.csv")] == [0.0, 2.5, 5.0, 2.5, 0.0]
    assert not [line for line in person.heard if line.startswith("!")]


def test_a_weight_that_was_named_wrongly_is_asked_about_at_once(tmp_path: Path) -> None:
    person = Person(["0 kg", "2 kg", "5 kg", "5 kg", ""])
    hung = hang(person, cell(person, {"5 kg": still(4.0)}), tmp_path / "w.csv")
    assert [h.mass_kg for h in hung] == [0.0, 2.0], "twice left out"
    assert any("-20.0 % of the largest load" in line and "as 4.000 kg would" in line for line in person.heard)


def test_a_swinging_weight_and_an_overloaded_cell_are_said() -> None:
    assert implausible_reading(still(2.0), 2.0, [WeightReading(0.0, ZERO)]) == ""
    swinging = [ZERO + SPAN * 2.0 + 100.0 * i for i in range(40)]
    assert "not still" in implausible_reading(swinging, 2.0, [WeightReading(0.0, ZERO)])
    assert "end of range" in implausible_reading([float(ENDS)] * 40, 2.0, [])
    assert "does the weight hang" in implausible_reading(still(0.0), 2.0, [WeightReading(0.0, ZERO)])


def test_a_person_may_keep_a_reading_all_the_same(tmp_path: Path) -> None:
    person = Person(["0 kg", "2 kg", "5 kg", ""], ["keep"])
    hung = hang(person, cell(person, {"5 kg": still(4.9)}), tmp_path / "w.csv")
    assert [h.mass_kg for h in hung] == [0.0, 2.0, 5.0]


def test_undo_and_a_closed_lid(tmp_path: Path) -> None:
    path = tmp_path / "kept" / "w.csv"
    person = Person(["undo", "0 kg", "2 kg", "2 kg", "undo"])
    with pytest.raises(KeyboardInterrupt):
        hang(person, cell(person), path)
    assert any("nothing to take back" in line for line in person.heard)
    again = Person(["5 kg", ""], ["yes"])
    hung = hang(again, cell(again), path)
    assert [h.mass_kg for h in hung] == [0.0, 2.0, 5.0]
    anew = Person(["0 kg", ""], ["no"])
    assert [h.mass_kg for h in hang(anew, cell(anew), path)] == [0.0]
    assert [m for m, _ in read_csv(path.with_suffix(".old.csv"))] == [0.0, 2.0, 5.0], "nothing is lost"


STEPS = ("weight", "off", "on")


class Twice(Person):
    """Types weights; what comes between is Enter."""

    def __init__(self, lines: list[str], choices: list[str] | None = None) -> None:
        super().__init__(lines, choices)
        self.weight = ""

    def ask(self, question: str, default: str = "") -> str:
        if question == STEPS[0]:
            self.weight = super().ask(question, default)
            return self.weight
        return ""

    def read(self) -> list[float]:
        return still(float(self.weight.split()[0]))


def test_water_off_and_on_goes_on_after_a_closed_lid(tmp_path: Path) -> None:
    """Readings of an interrupted measurement were lost."""
    path = tmp_path / "kept" / "hose.csv"
    person = Twice(["0 kg", "2 kg", "5 kg", "undo"])
    with pytest.raises(KeyboardInterrupt):
        hang_twice(person, person.read, STEPS, True, path)
    again = Twice(["5 kg", ""], ["yes"])
    rows = hang_twice(again, again.read, STEPS, True, path)
    assert any("2 readings" in line and "(0, 2 kg)" in line for line in again.heard)
    assert [row[0] for row in rows] == [0.0, 2.0, 5.0]
    assert rows[1] == (2.0, ZERO + 2 * SPAN, ZERO + 2 * SPAN)
    undone = Twice(["undo", ""], ["yes"])
    assert hang_twice(undone, undone.read, STEPS, True, path) == rows[:2]
    anew = Twice(["0 kg", ""], ["no"])
    assert [row[0] for row in hang_twice(anew, anew.read, STEPS, True, path)] == [0.0]
    assert f"2,{ZERO + 2 * SPAN:.10g}," in path.with_suffix(".old.csv").read_text()
    path.write_text("mass_kg,count_before,count_with,unix_s\n2,1\n")
    with pytest.raises(InputError, match="line 2: write a mass and 2 counts"):
        hang_twice(anew, anew.read, STEPS, True, path)


def test_water_off_and_on_forgives_slips(tmp_path: Path) -> None:
    """A mistyped mass once lost every weight that was read before it."""
    person = Twice(["undo", "0 kg", "5", "-1 kg", "5 kg", "undo", "5 kg", ""])
    path = tmp_path / "hose.csv"
    rows = hang_twice(person, person.read, STEPS, True, path)
    assert [row[0] for row in rows] == [0.0, 5.0] and rows[0][1:] == (ZERO, ZERO)
    assert len([line for line in person.heard if line.startswith("!")]) == 2
    swinging = [ZERO + 1000.0 * i for i in range(40)]
    for still_too, kept in ((True, []), (False, [0.0])):
        reads = [still(0.0), swinging]
        person = Twice(["0 kg", ""])
        path = tmp_path / f"{still_too}.csv"
        made = hang_twice(person, lambda: reads.pop(0), STEPS, still_too, path)  # noqa: B023
        assert [row[0] for row in made] == kept, "an engine that runs shakes the load"
    person = Twice(["0 kg", ""])
    assert hang_twice(person, lambda: [float(ENDS)] * 40, STEPS, False, tmp_path / "ends.csv") == []


def test_a_check_weight_read_the_wrong_way_round_is_not_logged() -> None:
    calibration = Calibration(ZERO, SPAN / 9.80665)
    check_reading(calibration, (0.0, 5.0, 5.2 * SPAN))
    for count in (-5.0 * SPAN, 0.0, 11.0 * SPAN):
        with pytest.raises(InputError, match="nothing was logged"):
            check_reading(calibration, (0.0, 5.0, count))


def test_what_cannot_be_read_costs_one_answer(tmp_path: Path) -> None:
    def dead() -> list[float]:
        raise BoardError("the load cell does not answer")

    person = Person(["five", "5", "-5 kg", ""])
    assert hang(person, cell(person), tmp_path / "w.csv") == []
    assert len([line for line in person.heard if line.startswith("!")]) == 3
    person = Person(["5 kg", ""])
    assert hang(person, dead, tmp_path / "w.csv") == []
    assert "! the load cell does not answer" in person.heard


@pytest.mark.parametrize(
    "text",
    [
        "0 kg,100\n5 kg,2059496\n",
        "mass_kg,count\n0,100\n5,2059496\n",
        "\ufeffweight [g];reading\n0;100\n5000;2059496\n",
        "mass;count\n0 kg;100\n5,0 kg;2059496,0\n",
        "# bench of the crew\n\n0 kg\t100\n5 kg\t2059496\n",
        "Mass (lb),Count,Remark\n0,100,up\n11.0231131,2059496,up\n",
    ],
)
def test_csv_as_people_write_it(tmp_path: Path, text: str) -> None:
    path = tmp_path / "w.csv"
    path.write_text(text, encoding="utf-8")
    (zero, a), (five, b) = read_csv(path)
    assert (zero, a, b) == (0.0, 100.0, 2059496.0)
    assert five == pytest.approx(5.0, rel=1e-6)


@pytest.mark.parametrize(
    ("text", "words"),
    [("5,2059496\n", "line 1, weight: '5' has no unit"), ("0 kg,1\n5 kg,many\n", "line 2: reading 'many'"),
     ("5 kg\n", "line 1: write a mass and a count"),
     ("mass,count\n5,1\n", "line 2, weight: '5' has no unit")],
)  # fmt: skip
def test_csv_that_will_not_do_names_its_line(tmp_path: Path, text: str, words: str) -> None:
    path = tmp_path / "w.csv"
    path.write_text(text, encoding="utf-8")
    with pytest.raises(InputError, match=words):
        read_csv(path)


def test_a_noisy_cell_at_rest_is_still_and_a_moving_one_is_not() -> None:
    """Vibration of 900 counts: the halves of a reading differ by chance, and that is no movement."""
    rng = np.random.default_rng(5)
    noise = 900.0 * rng.standard_normal((200, 64))
    assert sum(bool(implausible_reading(ZERO + n, 0.0, [])) for n in noise) <= 1
    creeping = np.linspace(0.0, 6000.0, 64)
    assert all("not still" in implausible_reading(ZERO + n + creeping, 0.0, []) for n in noise)


@pytest.mark.parametrize(
    ("hangs_kg", "said"), [(0.0, ""), (0.05, ""), (1.0, "as 1.00 kg would"), (-0.5, "-4.9 N")]
)
def test_a_zero_with_something_on_the_arm_is_questioned(tmp_path: Path, hangs_kg: float, said: str) -> None:
    with Archive(tmp_path / "a") as archive:
        assert far_zero(archive, ZERO + SPAN, 42_000_000) == "", "nothing to hold it against"
        made = Calibration(ZERO, 42_000.0, max_load_N=49.0, made_unix_s=1)
        archive.activate("calibration", archive.add_record(made, "span"))
        told = far_zero(archive, ZERO + SPAN * hangs_kg, 42_000_000)
    assert said in told and bool(said) == bool(told)
