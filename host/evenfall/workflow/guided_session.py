"""A session at the bench, step by step: `STEPS` is the order.

How far it has come is written to the archive in the archive after every step and after every
run, so a crash, a closed lid or a pulled plug loses at most the question that was open.  Runs are
taken from the session itself: one that was fetched and not yet noted down is found again.
"""

from __future__ import annotations

import json
import time
from collections.abc import Callable
from contextlib import AbstractContextManager
from dataclasses import asdict, dataclass, field, fields
from typing import Any, Protocol

import numpy as np

from evenfall.archive.archive import Archive, Query
from evenfall.board import code_texts
from evenfall.board.link import Link
from evenfall.board.settings import setting
from evenfall.errors import BoardError, EvenfallError, InputError, LinkError
from evenfall.model import Air, Calibration, Setup
from evenfall.output.text import (
    US,
    Units,
    comparison_lines,
    peak_line,
    repeatability_line,
    verdict_sentence,
)
from evenfall.reduction.air import check_air, describe
from evenfall.reduction.calibration import BUOYANCY, check_drift, check_reading
from evenfall.statistics import counting
from evenfall.statistics.compare import Comparison, compare
from evenfall.statistics.groups import Group, group
from evenfall.statistics.reduced_run import ReducedRun
from evenfall.units import typed
from evenfall.workflow.drive_from_runs import inertia_of, inertia_sentence, keep_inertia
from evenfall.workflow.fetch import active_filing, file_air, take_runs, teeth_warning
from evenfall.workflow.first_start import Rows, ask_what_was_seen, see_button, see_pickup, tell_self_test
from evenfall.workflow.run_groups import scatter_between_sessions, spans
from evenfall.workflow.weights import far_zero

STEPS = (
    "self_test",
    "zero",
    "weight",
    "air",
    "engine",
    "warm_up",
    "inertia",
    "before",
    "change",
    "warm_again",
    "after",
    "turns",
    "change_back",
    "warm_back",
    "before_again",
    "report",
)
IN_TURN = ("change_back", "warm_back", "before_again")  # come with the order A-B-B-A only
WARM_RUNS = 3  # so many in a row must agree ...
WARM_SPREAD = 0.01  # ... within this, before the engine counts as warm; common practice, no source
QUICKER = 0.5  # of the usual sweep time: far enough apart for the inertia, and it fits the board's memory
WEIGHT_READINGS = 20
WEIGHT_PAUSE_S = 0.1  # between them: two seconds in all, longer than a hanging weight swings
IDLE_STATES = ("rest", "ready", "safe")


Reading = tuple[float, float, float]  # Unix seconds, kg, counts above the zero
Judge = Callable[[list[ReducedRun]], tuple[bool, list[str]]]  # (whether these are enough, what to say)


class Talk(Protocol):
    """The person."""

    def say(self, text: str) -> None: ...
    def ask(self, question: str, default: str = "") -> str: ...
    def choose(self, question: str, options: dict[str, str], default: str) -> str: ...


@dataclass
class Plan:
    """Everything that is kept of a guided session; plain values only."""

    session: int
    step: str = STEPS[0]
    engine: str = ""
    before_build: str = ""
    after_build: str = ""
    change: str = ""
    by: str = ""
    want: int = 3
    decide: float = 0.01
    self_test: list[list[Any]] = field(default_factory=list)
    zero_count: int | None = None
    weight: dict[str, float] | None = None
    earlier: list[int] = field(default_factory=list)  # runs the board held from before
    warm: list[int] = field(default_factory=list)
    quicker: list[int] = field(default_factory=list)  # runs at another sweep time, for the inertia
    sweep_time_ms: int = 0  # of the board before them; 0: it is as it was
    before: list[int] = field(default_factory=list)
    warm_again: list[int] = field(default_factory=list)
    after: list[int] = field(default_factory=list)
    turns: bool = False  # before, after, after, before: what drifts in the session cancels
    warm_back: list[int] = field(default_factory=list)
    page: str = ""

    def known(self) -> set[int]:
        return {
            *self.earlier, *self.before, *self.after, *self.warm, *self.quicker, *self.warm_again,
            *self.warm_back,
        }  # fmt: skip


def steps_that_come(turns: bool) -> tuple[str, ...]:
    """The steps of a session, those of the order A-B-B-A only where it was chosen."""
    return tuple(step for step in STEPS if turns or step not in IN_TURN)


def load_plan(archive: Archive) -> Plan | None:
    """The session that is still open, or None.  A plan of a newer evenfall keeps what is known here."""
    found = archive.open_plan()
    if found is None:
        return None
    session, text = found
    body = json.loads(text)
    names = {f.name for f in fields(Plan)}
    return Plan(**{**{k: v for k, v in body.items() if k in names}, "session": session})


class Guide:
    """Leads through the steps.

    `line()` opens the board; `reduce(number)` gives a reduced run; `write_page(before, after)` writes
    the report and returns where it lies; `keep_weight(reading)` adds to the check-weight log and returns
    all of it; `first_start()` asks for what a new bench lacks, and returns its self-test if it made one;
    `fetch(line)` brings in what waits on the board where somebody else does that.
    """

    def __init__(
        self,
        archive: Archive,
        plan: Plan,
        talk: Talk,
        line: Callable[[], AbstractContextManager[Link]],
        reduce: Callable[[int], ReducedRun],
        write_page: Callable[[list[int], list[int]], str],
        units: Units = US,
        keep_weight: Callable[[Reading], list[Reading]] = lambda reading: [reading],
        first_start: Callable[[], Rows] = list,
        fetch: Callable[[Link], None] | None = None,
    ) -> None:
        self.archive = archive
        self.plan = plan
        self.talk = talk
        self.line = line
        self.reduce = reduce
        self.write_page = write_page
        self.units = units
        self.keep_weight = keep_weight
        self.first_start = first_start
        self.fetch = fetch or self._take_all
        self.tested: Rows = []
        self.leaving = False  # the person has said so

    def run(self) -> bool:
        """Go on from the open step; return whether the session came to its end."""
        if self.plan.step == STEPS[0]:
            try:
                self.tested = self.first_start()
            except (LinkError, BoardError, InputError) as error:
                self.talk.say(f"! {error}")
        if self.plan.step in IN_TURN and not self.plan.turns:
            self.plan.step = "report"  # kept by an evenfall that went through them all
        while self.plan.step:
            try:
                done = getattr(self, "step_" + self.plan.step)()
            except (LinkError, BoardError, InputError) as error:
                self.talk.say(f"! {error}")
                done = False
            if done:
                coming = steps_that_come(self.plan.turns)
                later = STEPS[STEPS.index(self.plan.step) + 1 :]
                self.plan.step = next((step for step in later if step in coming), "")
                self.keep()
                continue
            self.keep()
            if self.leaving:
                return False
            options = {"again": "try this step again", "leave": "leave; `evenfall session` goes on from here"}
            if self.talk.choose(f"Step '{_title(self.plan.step)}' is not done.", options, "again") == "leave":
                return False
        self.archive.end_session(self.plan.session)
        return True

    def keep(self) -> None:
        """Write down how far we are."""
        self.archive.keep_plan(self.plan.session, json.dumps(asdict(self.plan)))

    # --- steps: each returns whether it is done ---

    def step_self_test(self) -> bool:
        """Every part of the board; the clock; what it still holds from before."""
        said = "Done at the first start." if self.tested else "The valve moves: keep hands and hoses clear."
        self._heading("Self-test", said)
        with self.line() as line:
            line.set_clock()
            results = self.tested or line.self_test()
            if not self.tested:
                tell_self_test(self.talk, results)
                never = {item for item, result, _ in results if result == "ask_person"}
                if "button" in never:
                    see_button(self.talk, line)
                if "speed_pickup" in never:
                    see_pickup(self.talk, line)
                ask_what_was_seen(self.talk, results)
            self.plan.self_test = [list(row) for row in results]
            self.tested = []
            self.keep()
            self._fetch(line)
        self._adopt(self.plan.earlier)
        if self.plan.earlier:
            self.talk.say(
                f"The board held {len(self.plan.earlier)} runs from before; they are in the archive now."
            )
        failed = [item for item, result, _ in results if result == "fail"]
        if failed:
            options = {"no": "put it right and test again", "yes": "go on all the same"}
            names = ", ".join(code_texts.say(code_texts.SELF_TEST_ITEMS, item) for item in failed)
            return self.talk.choose(f"Failed: {names}. Go on?", options, "no") == "yes"
        return True

    def step_zero(self) -> bool:
        """The load cell with nothing on the arm."""
        self._heading("Zero", "Nothing on the arm, hoses hanging as in a run, shaft at rest, water off.")
        self.talk.ask("Enter when it is so")
        with self.line() as line:
            self.plan.zero_count = line.zero()
            span = line.settings()["span"]
        self.talk.say(f"Zero {self.plan.zero_count} counts.")
        if wrong := far_zero(self.archive, self.plan.zero_count, span):
            self.talk.say(f"! {wrong}")
            options = {"no": "take it off and zero again", "yes": "it is right: arm or hanger were changed"}
            return self.talk.choose("Go on with this zero?", options, "no") == "yes"
        return True

    def step_weight(self) -> bool:
        """A known weight on the arm against the calibration."""
        self._heading("Weight check", "Hang the check weight where the calibration weights hang.")
        text = self.talk.ask("Its mass with unit (5 kg, 11 lb), or 'skip'", "skip")
        if text.strip().lower() == "skip":
            self.talk.say("Skipped: nothing says today that the load cell still reads true.")
            return True
        mass = typed(text, "mass", "check weight")
        calibration, source = self._calibration()
        with self.line() as line:
            zero, counts = self._read_load(line)
        reading = (float(int(time.time())), mass, counts - zero)
        # a slip of hand or keyboard must not spoil the log
        check_reading(calibration, reading, buoyancy=BUOYANCY)
        error = check_drift(calibration, self.keep_weight(reading), buoyancy=BUOYANCY)
        self.plan.weight = {"mass_kg": mass, "error": float(error.error_rel[-1])}
        self.talk.say(f"The weight reads {100 * self.plan.weight['error']:+z.2f} % off ({source}).")
        for note in error.notes:
            self.talk.say(f"! {note}")
        if error.notes:
            options = {"no": "put it right and weigh again", "yes": "go on all the same"}
            if self.talk.choose("Go on with that?", options, "no") == "no":
                return False
        self.talk.ask("Take the weight off, then Enter")
        return True

    def step_air(self) -> bool:
        """The board's own sensor, or typed."""
        self._heading(
            "Air", "Station pressure, not reduced to sea level; temperature at the engine's intake."
        )
        with self.line() as line:
            status = line.status()
        if "air_ok" in status["flags"]:
            kelvin, humidity = status["temperature"] + 273.15, status["humidity"] / 100
            air = Air(status["pressure"], kelvin, humidity, source="board")
            check_air(air)
            self.talk.say(f"The board reads {describe(air)}; each run carries its own reading.")
            self.archive.deactivate("air")
            return True
        pressure = self.talk.ask("Pressure with unit (29.92 inHg, 1013 hPa)")
        temperature = self.talk.ask("Temperature with unit (68 F, 20 C)")
        humidity_text = self.talk.ask("Relative humidity (45 %)")
        air = Air(
            typed(pressure, "pressure", "pressure"),
            typed(temperature, "temperature", "temperature"),
            typed(humidity_text, "ratio", "humidity"),
        )
        file_air(self.archive, air)
        self.talk.say(f"Air: {describe(air)}.")
        return True

    def step_engine(self) -> bool:
        """Which engine, in which build, by whom, how many runs."""
        self._heading("Engine", "")
        names = [e["name"] for e in self.archive.engines()]
        if names:
            self.talk.say("Engines here: " + ", ".join(names))
        name = self.talk.ask("Engine", self.plan.engine or (names[-1] if names else "")).strip()
        if name.lower() not in [n.lower() for n in names]:
            self.archive.add_engine(name)
        builds = [b["build"] for b in self.archive.builds(name)]
        if builds:
            self.talk.say("Builds: " + ", ".join(builds))
        build = self.talk.ask("Build as it is now", builds[-1] if builds else "as found").strip()
        if build.lower() not in [b.lower() for b in builds]:
            self.archive.add_build(name, build)
        self.plan.engine, self.plan.before_build = name, build
        self.plan.by = self.talk.ask("Who is at the bench", self.plan.by)
        want = self.talk.ask("Runs before and after, each", str(self.plan.want)).strip()
        if not want.isdigit() or not 2 <= int(want) <= 30:
            raise InputError(f"'{want}' runs: give a number from 2 to 30; three is a good start")
        self.plan.want = int(want)
        self.archive.activate("build", self.archive.build_id(name, build))
        return True

    def step_warm_up(self) -> bool:
        """Runs until three in a row agree."""
        self._heading(
            "Warm-up",
            f"Run until {WARM_RUNS} in a row agree within {100 * WARM_SPREAD:g} %. Each run: press the "
            "board's button, throttle wide open, shut it when the engine has come down to the end speed; "
            "wait until all stands still.",
        )
        return self._make_runs(self.plan.warm, self._warm_enough)

    def step_inertia(self) -> bool:
        """The inertia of all that turns, from runs at another sweep time: asked for where it is not known."""
        found = self.archive.active("setup")
        known = self.archive.record(Setup, found.number).inertia_kg_m2 if found else 0.0
        if not found or known:
            said = f"Known: {1e3 * known:.2f} g·m²." if known else "No set-up is active that could keep it."
            self._heading("Inertia", said)
            return True
        self._heading(
            "Inertia",
            "Not known yet: the flywheel's share stays in the torque, and no interval can be given. Two or "
            "more runs at another sweep time find it.",
        )
        options = {"now": "make them now", "later": "go on without; results will say so"}
        if self.talk.choose("Find it now?", options, "now") == "later":
            return True
        try:
            with self.line() as line:
                usual = self.plan.sweep_time_ms or line.settings()["sweep_time"]
                quicker = max(round(usual * QUICKER), setting("sweep_time").low)
                line.set_settings({"sweep_time": quicker})
            self.plan.sweep_time_ms = usual
            self.talk.say(f"The board now sweeps in {quicker / 1000:g} s.")
            if not self._make_runs(self.plan.quicker, lambda runs: (len(runs) >= 2, [])):
                return False
        finally:
            self._usual_sweep_time()
        folder = self.archive.folder
        usual_runs = [p.key for p in self._counting(self.plan.warm, {})[-WARM_RUNS:]]
        fit, of_runs = inertia_of([spans([*usual_runs, *self.plan.quicker])], folder)
        for note in fit.notes:
            self.talk.say(f"! {note}")
        assert found
        label = next(r["label"] for r in self.archive.records(Setup) if r["number"] == found.number)
        keep_inertia(folder, label, fit, of_runs, False)
        self.talk.say(f"{inertia_sentence(fit)}. It is kept in set-up '{label}'.")
        return True

    def _usual_sweep_time(self) -> None:
        """The board sweeps as before again; said, where it cannot be told now."""
        usual = self.plan.sweep_time_ms
        if not usual:
            return
        try:
            with self.line() as line:
                line.set_settings({"sweep_time": usual})
            self.plan.sweep_time_ms = 0
        except (LinkError, BoardError) as error:
            self.talk.say(f"! {error}")
            self.talk.say(f"Before other runs: evenfall board set sweep_time='{usual / 1000:g} s'")
        self.keep()

    def step_before(self) -> bool:
        """The runs before the change."""
        self._heading("Before", f"{self.plan.want} runs of '{self.plan.before_build}', one like the other.")
        return self._make_runs(self.plan.before, self._enough)

    def step_change(self) -> bool:
        """What was changed, and the name of the new build."""
        self._heading("Change", "Engine off and cold enough to touch. Change one thing only.")
        self.plan.change = self.talk.ask("What was changed", self.plan.change).strip()
        if not self.plan.change:
            raise InputError("say in a few words what was changed; the report carries it")
        builds = [b["build"].lower() for b in self.archive.builds(self.plan.engine)]
        name = self.talk.ask("Name of the new build", self.plan.after_build or self.plan.change[:40]).strip()
        if name.lower() in builds and name != self.plan.after_build:
            raise InputError(
                f"'{self.plan.engine}' has a build '{name}' already; give the new one another name"
            )
        if name.lower() not in builds:
            self.archive.add_build(self.plan.engine, name, self.plan.change, self.plan.by)
        self.plan.after_build = name
        self.archive.activate("build", self.archive.build_id(self.plan.engine, name))
        return True

    def step_warm_again(self) -> bool:
        """The engine cooled while it was changed."""
        self._heading("Warm-up again", "The engine has cooled: the same warm-up as before.")
        return self._make_runs(self.plan.warm_again, self._warm_enough)

    def step_after(self) -> bool:
        """The runs after the change, judged as they come."""
        self._heading("After", f"{self.plan.want} runs of '{self.plan.after_build}'.")
        return self._make_runs(self.plan.after, self._enough_after)

    def step_turns(self) -> bool:
        """Whether to go back to the build before: A-B-B-A."""
        self._heading(
            "Order A-B-B-A",
            "Engine, air and bench drift through a session. Before, after, after, before: a steady drift "
            "falls out of the difference, and fewer runs decide.",
        )
        again = f"{self.plan.want} more runs, then change back and {self.plan.want} runs again"
        options = {"report": "go on to the report", "turns": again}
        self.plan.turns = self.talk.choose("Run in turn, A-B-B-A?", options, "report") == "turns"
        if not self.plan.turns:
            return True
        return self._make_runs(self.plan.after, self._enough_twice)

    def step_change_back(self) -> bool:
        """The build as it was before."""
        self._heading("Change back", "Engine off and cold enough to touch. Put back what was changed.")
        self.talk.ask(f"Enter when the engine is '{self.plan.before_build}' again")
        build = self.archive.build_id(self.plan.engine, self.plan.before_build)
        self.archive.activate("build", build)
        return True

    def step_warm_back(self) -> bool:
        """The engine cooled once more."""
        self._heading("Warm-up, third time", "The engine has cooled: the same warm-up as before.")
        return self._make_runs(self.plan.warm_back, self._warm_enough)

    def step_before_again(self) -> bool:
        """The last block of A-B-B-A."""
        self._heading("Before, again", f"{self.plan.want} runs of '{self.plan.before_build}'.")
        return self._make_runs(self.plan.before, self._enough_twice)

    def step_report(self) -> bool:
        """The answer, and the report."""
        self._heading("Report", "")
        self.plan.page = self.write_page(self.plan.before, self.plan.after)
        result = self._compared()
        sentence = verdict_sentence(result, self.units)
        self.talk.say(sentence[0].upper() + sentence[1:] + ".")
        for line in comparison_lines(result, self.units):
            self.talk.say("  " + line)
        for difference in result.differences:
            self.talk.say(f"! {difference.sentence}")
        self.talk.say(f"The report: {self.plan.page}")
        return True

    # --- parts ---

    def _heading(self, title: str, advice: str) -> None:
        steps = steps_that_come(self.plan.turns)
        self.talk.say(f"\n{steps.index(self.plan.step) + 1}/{len(steps)} {title}")
        if advice:
            self.talk.say(advice)

    def _calibration(self) -> tuple[Calibration, str]:
        """The active calibration, else what the board's settings say."""
        number = active_filing(self.archive).calibration_id
        if number:
            return self.archive.record(Calibration, number), "against the active calibration"
        with self.line() as line:
            settings = line.settings()
        span = settings["span"] / 1000.0
        if span == 0:
            raise InputError("the board's span is 0 counts/kN and no calibration is active: calibrate first")
        return (
            Calibration(0.0, span, arm_m=settings["arm_length"] / 1e6),
            "against the board's own span: calibrate",
        )

    def _read_load(self, line: Link) -> tuple[float, float]:
        """(zero, mean of the counts) over some readings of the status."""
        counts, zero = [], 0.0
        for _ in range(WEIGHT_READINGS):
            status = line.status()
            if "load_ok" not in status["flags"]:
                raise BoardError("the load cell does not answer; check its plug and its four wires")
            counts.append(status["load_count"])
            zero = float(status["zero_count"])
            time.sleep(WEIGHT_PAUSE_S)
        return zero, float(np.median(counts))

    def _fetch(self, line: Link) -> None:
        """All runs that the board has not been told are safe here."""
        status = line.status()
        if status["fault"] != "none":
            self.talk.say(f"! {code_texts.say(code_texts.FAULTS, status['fault'])}")
        if status["state"] not in IDLE_STATES:
            state = code_texts.say(code_texts.STATES, status["state"])
            raise BoardError(f"the board is not at rest ({state}); wait until the run is stored")
        self.fetch(line)

    def _take_all(self, line: Link) -> None:
        filing = active_filing(self.archive, self.talk.say)
        if wrong := teeth_warning(line, self.archive, filing):
            self.talk.say(f"! {wrong}")
        entries = [e for e in line.runs() if "acknowledged" not in e.flags]
        for _ in take_runs(line, self.archive, entries, filing):
            pass

    def _adopt(self, target: list[int]) -> list[int]:
        """Runs of this session that stand in no list yet go into this one; return them."""
        rows = self.archive.find(Query(session=self.plan.session, excluded=None, limit=10_000))
        known = self.plan.known()
        new = [r["run"] for r in sorted(rows, key=lambda r: r["run"]) if r["run"] not in known]
        target += new
        if self._warming(target):
            for number in new:
                self.archive.add_tag(number, counting.WARM_UP_TAG)
        self.keep()
        return new

    def _warming(self, target: list[int]) -> bool:
        plan = self.plan
        return any(target is one for one in (plan.warm, plan.quicker, plan.warm_again, plan.warm_back))

    def _make_runs(
        self, target: list[int], judge: Callable[[list[ReducedRun]], tuple[bool, list[str]]]
    ) -> bool:
        """Make, fetch, judge, until the person says it is enough."""
        self._adopt(target)
        told: dict[int, ReducedRun] = {}
        while True:
            counted = self._counting(target, told)
            enough, said = judge(counted)
            for sentence in said:
                self.talk.say("  " + sentence)
            options = {
                "fetch": "a run is made: fetch it",
                "exclude": "leave the last run out, with a reason",
                "done": "go on to the next step",
                "leave": "leave; `evenfall session` goes on from here",
            }
            n = len(counted)
            tally = "1 run counts." if n == 1 else f"{n} runs count."
            do = self.talk.choose(tally, options, "done" if enough else "fetch")
            if do == "leave":
                self.leaving = True
                return False
            if do == "done":
                return True
            try:
                if do == "exclude":
                    self._exclude(counted)
                else:
                    with self.line() as line:
                        self._fetch(line)
                    new = self._adopt(target)
                    for number in new:
                        self._show(number, told)
                    if not new:
                        self.talk.say(
                            "! The board holds no new run. Wait until it is stored; a run under way when the "
                            "board lost its power is gone."
                        )
            except EvenfallError as error:
                self.talk.say(f"! {error}")

    def _counting(self, target: list[int], told: dict[int, ReducedRun]) -> list[ReducedRun]:
        """Reduced runs of the list that are not excluded; one that cannot be reduced is said."""
        found = []
        warming = self._warming(target)
        for number in target:
            why = counting.why_left_out(self.archive.row(number))
            if why and not (warming and why == counting.WARM_UP_TAG):
                self.talk.say(f"  run {number} does not count: {why}")
                continue
            try:
                if number not in told:
                    told[number] = self.reduce(number)
                if told[number].reduction.failed:
                    self.talk.say(f"  run {number} does not count: {told[number].reduction.failed}")
                    continue
                found.append(told[number])
            except EvenfallError as error:
                self.talk.say(f"! run {number} is kept but does not count: {error}")
        return found

    def _show(self, number: int, told: dict[int, ReducedRun]) -> None:
        row = self.archive.row(number)
        verdict = code_texts.say(code_texts.VERDICTS, row["verdict"])
        reason = "" if row["reason"] == "none" else f": {code_texts.say(code_texts.REASONS, row['reason'])}"
        self.talk.say(f"Run {number}, {verdict}{reason}")
        told[number] = self.reduce(number)
        peak = told[number].reduction.peak_power_W
        self.talk.say("  " + peak_line("Peak power", peak, self.units.power_scale, self.units.power_name))

    def _exclude(self, counted: list[ReducedRun]) -> None:
        if not counted:
            raise InputError("there is no run to leave out")
        number = counted[-1].key
        self.archive.exclude(number, self.talk.ask(f"Why does run {number} not count"))

    def _warm_enough(self, runs: list[ReducedRun]) -> tuple[bool, list[str]]:
        if len(runs) < WARM_RUNS:
            return False, []
        peaks = np.array([p.reduction.peak_power_W.value for p in runs[-WARM_RUNS:]])
        spread = float(np.ptp(peaks) / peaks.mean())
        if spread <= WARM_SPREAD:
            return True, [f"the last {WARM_RUNS} agree within {100 * spread:.1f} %: warm"]
        return False, [f"the last {WARM_RUNS} still differ by {100 * spread:.1f} %: run again"]

    def _group(self, runs: list[ReducedRun], label: str) -> Group:
        return group(runs, label)

    def _enough(self, runs: list[ReducedRun]) -> tuple[bool, list[str]]:
        if len(runs) < 2:
            return False, []
        g = self._group(runs, self.plan.before_build)
        lines = [repeatability_line(g, self.units)] + [f.sentence for f in g.findings]
        return len(runs) >= self.plan.want, lines

    def _enough_twice(self, runs: list[ReducedRun]) -> tuple[bool, list[str]]:
        return len(runs) >= 2 * self.plan.want, []

    def _enough_after(self, runs: list[ReducedRun]) -> tuple[bool, list[str]]:
        if len(runs) < 2:
            return False, []
        before = self._counting(self.plan.before, {})
        if len(before) < 2:
            return len(runs) >= self.plan.want, []
        result = self._against(before, runs)
        findings = [f.sentence for f in result.after.findings]
        return len(runs) >= self.plan.want, [verdict_sentence(result, self.units), *findings]

    def _compared(self) -> Comparison:
        return self._against(self._counting(self.plan.before, {}), self._counting(self.plan.after, {}))

    def _against(self, before: list[ReducedRun], after: list[ReducedRun]) -> Comparison:
        """As `evenfall compare` and the page: with what this bench has shown between sessions."""
        return compare(
            self._group(before, self.plan.before_build),
            self._group(after, self.plan.after_build),
            self.plan.decide,
            between=scatter_between_sessions(self.archive, self.plan.engine),
        )


def _title(step: str) -> str:
    return step.replace("_", " ")
