"""evenfall board ...: what can be asked of the board over the line."""

from __future__ import annotations

import time
from collections.abc import Callable
from typing import Any

import click
from evenfall_wire import codes
from evenfall_wire.settings import SETTINGS

from evenfall.board import code_texts
from evenfall.board.link import setting
from evenfall.cli._root import (
    echo,
    json_option,
    noun,
    open_link,
    port_option,
    print_json,
    print_table,
    progress,
    when,
)
from evenfall.errors import BoardError, InputError
from evenfall.workflow.live_view import BUSY_STATES

board = noun("board", "Ask and set the board: status, runs, settings, zero, self-test.")


@board.command()
@port_option
@json_option
def status(port: str | None, as_json: bool) -> None:
    """State, fault, speed, load, air, flash and counters."""
    with open_link(port) as line:
        s = line.status()
        counts = {} if s["state"] in BUSY_STATES else line.board_counters()
        info, counters = line.info, line.counters
    assert info
    if as_json:
        print_json({"board": vars(info), "status": s, "counters": counts, "link": counters.as_dict()})
        return
    rows = [
        ("board", f"{info.uid}, firmware {info.firmware}, protocol {info.protocol}, start {info.boot_count}"),
        ("state", code_texts.say(code_texts.STATES, s["state"])),
        ("fault", code_texts.say(code_texts.FAULTS, s["fault"])),
        ("speed", f"{s['speed']:,.0f} rpm, set {s['set_speed']:,.0f} rpm"),
        ("torque", f"{s['torque']:.3f} N·m (count {s['load_count']}, zero {s['zero_count']})"),
        ("valve", f"{s['valve']} us"),
        ("air", _air(s)),
        ("flags", ", ".join(code_texts.say(code_texts.STATUS_BITS, f) for f in s["flags"])),
        ("runs", f"{s['runs_unacked']} not yet pulled, last is {s['last_run_id']}"),
        ("room", f"{s['flash_free']} KiB of flash, {s['heap_free'] / 1024:.0f} KiB of memory"),
        ("clock", f"{when(s['unix_s'])}, up {s['uptime_s'] / 60:.0f} min"),
        ("lost", f"{s['load_overruns']} load overruns, {s['load_bad_words']} bad words, "
                 f"{s['edge_overruns']} edge overruns"),
        ("line", f"board: {s['frames_bad']} bad, {s['frames_unknown']} unknown; here: {counters.sentence()}"),
        ("counts", ", ".join(f"{n} {code_texts.say(code_texts.COUNTERS, name)}" for name, n in counts.items())
                   or "not told by this board, or not now"),
    ]  # fmt: skip
    for name, text in rows:
        echo(f"{name:7} {text}")


def _air(s: dict[str, Any]) -> str:
    if "air_ok" not in s["flags"]:
        return "no barometer"
    return f"{s['pressure'] / 100:.1f} hPa, {s['temperature']:.1f} C, {s['humidity']:.0f} %"


@board.command()
@port_option
@json_option
def runs(port: str | None, as_json: bool) -> None:
    """Runs stored on the board."""
    with open_link(port) as line:
        entries = line.runs()
    if as_json:
        print_json([vars(e) for e in entries])
        return
    rows = [
        [e.run_id, when(e.started_unix_s), code_texts.say(code_texts.VERDICTS, e.verdict), e.size, e.frames,
         ", ".join(code_texts.say(code_texts.RUN_BITS, f) for f in e.flags)]
        for e in entries
    ]  # fmt: skip
    print_table(["run", "started", "verdict", "bytes", "frames", ""], rows, {"run", "bytes", "frames"})


@board.command()
@click.argument("group", required=False)
@port_option
@json_option
def settings(group: str | None, port: str | None, as_json: bool) -> None:
    """Show the settings on the board, all or one GROUP.

    Groups: drive, load, sweep, valve, limits ...
    """
    groups = list(dict.fromkeys(s[6] for s in SETTINGS))
    if group is not None and group not in groups:
        raise InputError(f"there is no group '{group}'; groups are {', '.join(groups)}")
    with open_link(port) as line:
        values = line.settings()
    table = {s[1]: s for s in SETTINGS}
    names = [n for n in values if group is None or (n in table and table[n][6] == group)]
    if as_json:
        print_json({n: values[n] for n in names})
        return
    rows = []
    for name in names:
        _, _, unit, default, low, high, its_group = table.get(name, (0, name, "?", "?", "?", "?", "?"))
        mark = "" if values[name] == default else "*"
        rows.append([name, values[name], unit, mark, default, f"{low} to {high}", its_group])
    print_table(["setting", "value", "unit", "", "default", "bounds", "group"], rows, {"value", "default"})


@board.command("set")
@click.argument("changes", nargs=-1, required=True, metavar="NAME=VALUE...")
@port_option
def set_values(changes: tuple[str, ...], port: str | None) -> None:
    """Change settings on the board with NAME=VALUE."""
    values = {}
    for change in changes:
        name, _, text = change.partition("=")
        unit = setting(name)[2]
        try:
            values[name] = int(text)
        except ValueError:
            raise InputError(f"'{change}': write NAME=VALUE with a whole number of {unit}") from None
    with open_link(port) as line:
        line.set_settings(values)
        now = line.settings()
    for name in values:
        echo(f"{name} = {now[name]} {setting(name)[2]}")
        if now[name] != setting(name)[3] and name in code_texts.SETTING_CAUTIONS:
            progress(f"caution: {code_texts.SETTING_CAUTIONS[name]}")


@board.command()
@port_option
def zero(port: str | None) -> None:
    """Take the zero of the load cell.

    Nothing may hang on the arm; everything must be at rest.
    """
    with open_link(port) as line:
        echo(f"zero {line.zero()} counts")


@board.command("self-test")
@port_option
@json_option
def self_test(port: str | None, as_json: bool) -> None:
    """Test each part of the board; the valve moves.

    Keep hands and hoses clear.
    """
    with open_link(port) as line:
        progress("testing; the valve moves ...")
        rows = line.self_test()
    if as_json:
        print_json([{"item": i, "result": r, "value": v} for i, r, v in rows])
    else:
        table = [
            [code_texts.say(code_texts.SELF_TEST_ITEMS, i),
             code_texts.say(code_texts.SELF_TEST_RESULTS, r), v,
             code_texts.say(code_texts.SELF_TEST_ADVICE, i) if r in ("fail", "ask_person") else ""]
            for i, r, v in rows
        ]  # fmt: skip
        print_table(["part", "result", "reading", "what to do"], table, {"reading"})
    failed = [code_texts.say(code_texts.SELF_TEST_ITEMS, i) for i, r, _ in rows if r == "fail"]
    if failed:
        raise BoardError(f"self-test failed: {', '.join(failed)}")


@board.command()
@port_option
def clock(port: str | None) -> None:
    """Set the board's clock to this computer's."""
    now = int(time.time())
    with open_link(port) as line:
        line.set_clock(now)
    echo(f"clock set to {when(now)}")


@board.command()
@port_option
@json_option
def learned(port: str | None, as_json: bool) -> None:
    """What the board has learned about its bench."""
    with open_link(port) as line:
        values = line.learned()
    if as_json:
        print_json(values)
    else:
        print_table(["slot", "value"], [[k, v] for k, v in values.items()], {"slot", "value"})


@board.command()
@click.argument("run_id", type=int)
@click.option("--damaged", is_flag=True, help="A run that the board itself cannot read whole.")
@click.option("--yes", is_flag=True, help="Do not ask.")
@port_option
def delete(run_id: int, damaged: bool, yes: bool, port: str | None) -> None:
    """Delete one run on the board.

    The board refuses while no verified copy was acknowledged.
    """
    lost = " What could not be read of it is lost for good." if damaged else ""
    if not yes:
        click.confirm(f"Delete run {run_id} on the board?{lost}", abort=True, err=True)
    with open_link(port) as line:
        line.delete(run_id, damaged)
    echo(f"run {run_id} deleted on the board")


def _add_command(name: str) -> Callable[..., None]:
    @board.command(name.replace("_", "-"), help=code_texts.COMMANDS[name].capitalize() + ".")
    @port_option
    def send(port: str | None) -> None:
        with open_link(port) as line:
            line.command(name)
        echo(f"done: {code_texts.COMMANDS[name]}")

    return send


for _name in codes.COMMANDS[1:]:
    _add_command(_name)
