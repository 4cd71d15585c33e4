"""evenfall board ...: ask and set the board, its firmware, its wiring."""

from __future__ import annotations

import time
from collections.abc import Callable
from dataclasses import asdict
from pathlib import Path
from typing import TYPE_CHECKING, Any

import click
from evenfall_wire import codes

from evenfall.board import code_texts
from evenfall.board.settings import GROUPS, KINDS, TABLE, setting, shown, value_of
from evenfall.cli._root import (
    RUN_LIST,
    archive_option,
    echo,
    json_option,
    noun,
    open_link,
    port_option,
    print_json,
    print_pairs,
    print_table,
    progress,
    when,
)
from evenfall.errors import BoardError, DamageError, EvenfallError, InputError

if TYPE_CHECKING:
    from evenfall.board import firmware_install

ROOM = ("runs_fit", "records_small")  # counters that `board status` tells beside the free bytes

board = noun("board", "Read and control the board: status, runs, settings, zero, self-test, firmware.")

# --- asking and setting ---


@board.command()
@port_option
@json_option
def status(port: str | None, as_json: bool) -> None:
    """State, fault, speed, load, air, flash and counters."""
    with open_link(port) as line:
        s = line.status()
        counts = {} if s["state"] in code_texts.BUSY_STATES else line.board_counters()
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
        ("room", f"{s['flash_free']} KiB of flash{_fit(counts)}, {s['heap_free'] / 1024:.0f} KiB of memory"),
        ("clock", f"{when(s['unix_s'])}, up {s['uptime_s'] / 60:.0f} min"),
        ("lost", f"{s['load_overruns']} load overruns, {s['load_bad_words']} bad words, "
                 f"{s['edge_overruns']} edge overruns"),
        ("line", f"board: {s['frames_bad']} bad, {s['frames_unknown']} unknown; here: {counters.sentence()}"),
        *_counted(counts),
    ]  # fmt: skip
    print_pairs(rows)


def _fit(counts: dict[str, int]) -> str:
    """How many more runs fit, where the board says it."""
    if "runs_fit" not in counts:
        return ""
    small = "; the next one is recorded small" if counts.get("records_small") else ""
    return f" ({counts['runs_fit']} {code_texts.say(code_texts.COUNTERS, 'runs_fit')}{small})"


def _counted(counts: dict[str, int]) -> list[tuple[str, str]]:
    """Rows of the board's counts; what did not happen takes no room."""
    if not counts:
        return [("counts", "not told by this board, or not now")]
    told = set(ROOM)
    rows = []
    gaps = [name for name in counts if name.startswith("load_gaps")]
    seen = [name for name in ("presses_seen", "edges_seen") if name in counts]
    for title, names in (("gaps", gaps), ("seen", seen)):
        told.update(names)
        said = ", ".join(f"{counts[name]:,} {code_texts.say(code_texts.COUNTERS, name)}" for name in names)
        rows += [(title, said)] if said else []
    rest = [
        f"{n:,} {code_texts.say(code_texts.COUNTERS, k)}" for k, n in counts.items() if k not in told and n
    ]
    return rows + [("counts", line) for line in rest]


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
    if group is not None and group not in GROUPS:
        raise InputError(f"there is no group '{group}'; groups are {', '.join(GROUPS)}")
    with open_link(port) as line:
        values = line.settings()
    names = [n for n in values if group is None or (n in TABLE and TABLE[n].group == group)]
    if as_json:
        print_json({n: values[n] for n in names})
        return
    rows = []
    for name in names:
        row = TABLE.get(name)
        if row is None:
            rows.append([name, values[name], "", "not known to this evenfall", ""])
            continue
        mark = "" if values[name] == row.default else "*"
        may = ", ".join(KINDS[name]) if name in KINDS else f"{shown(row, row.low)} to {shown(row, row.high)}"
        rows.append([name, shown(row, values[name]), mark, may, row.group])
    print_table(["setting", "value", "", "may be", "group"], rows, {"value"})


@board.command("set")
@click.argument("changes", nargs=-1, required=True, metavar="NAME=VALUE...")
@port_option
def set_values(changes: tuple[str, ...], port: str | None) -> None:
    """Change settings on the board with NAME=VALUE.

    Values take units and names: arm_length='250 mm' fail_valve=open sweep_time='10 s'.
    """
    values = {}
    for change in changes:
        name, sign, text = change.partition("=")
        if not sign:
            raise InputError(f"'{change}': write NAME=VALUE, for instance arm_length='250 mm'")
        if setting(name).name in values:
            raise InputError(f"{name} is given twice; give it once")
        values[setting(name).name] = value_of(name, text)
    with open_link(port) as line:
        line.set_settings(values)
        now = line.settings()
    for name in values:
        row = setting(name)
        echo(f"{name} = {shown(row, now[name])}")
        if now[name] != row.default and name in code_texts.SETTING_CAUTIONS:
            progress(f"caution: {code_texts.SETTING_CAUTIONS[name]}")


@board.command()
@port_option
@archive_option
def zero(port: str | None, archive_dir: Path) -> None:
    """Take the zero of the load cell.

    Nothing may hang on the arm; everything must be at rest.
    """
    from evenfall.archive.archive import FILE_NAME, Archive
    from evenfall.workflow.weights import far_zero

    with open_link(port) as line:
        taken, span = line.zero(), line.settings()["span"]
    echo(f"zero {taken} counts")
    if (archive_dir / FILE_NAME).exists():
        with Archive(archive_dir) as archive:
            if wrong := far_zero(archive, taken, span):
                progress(f"caution: {wrong}")


@board.command("self-test")
@port_option
@json_option
def self_test(port: str | None, as_json: bool) -> None:
    """Test each part of the board; the valve moves.

    Keep hands and hoses clear.
    """
    with open_link(port) as line:
        if line.status()["state"] in ("rest", "safe"):  # else it refuses: nobody is asked to press in vain
            progress("Press the board's button once now, and turn the shaft by hand if it stands free.")
            progress("Testing for some seconds; the valve moves ...")
        rows = line.self_test()
    if as_json:
        unit = code_texts.SELF_TEST_READINGS
        print_json([{"item": i, "result": r, "value": v, "unit": unit.get(i, "")} for i, r, v in rows])
    else:
        table = [
            [code_texts.say(code_texts.SELF_TEST_ITEMS, i),
             code_texts.say(code_texts.SELF_TEST_RESULTS, r), code_texts.self_test_reading(i, r, v),
             code_texts.say(code_texts.SELF_TEST_ADVICE, i) if r in ("fail", "ask_person") else ""]
            for i, r, v in rows
        ]  # fmt: skip
        print_table(["part", "result", "reading", "what to do"], table)
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
@click.argument("runs", type=RUN_LIST)
@click.option("--damaged", is_flag=True, help="A run that the board itself cannot read whole.")
@click.option("--yes", is_flag=True, help="Do not ask.")
@port_option
def delete(runs: list[int], damaged: bool, yes: bool, port: str | None) -> None:
    """Delete runs on the board.

    The board refuses while no verified copy was acknowledged.
    """
    lost = " What could not be read of it is lost for good." if damaged else ""
    if not yes:
        click.confirm(f"Delete run {', '.join(map(str, runs))} on the board?{lost}", abort=True, err=True)
    with open_link(port) as line:
        for run_id in runs:
            line.delete(run_id, damaged)
            echo(f"run {run_id} deleted on the board")


_MORE_HELP = {
    "arm": "The sweep begins by the throttle or the button at the bench.",
    "start": "Only within 30 s after the button at the bench armed the board, and with the shaft turning.",
    "stop": "Ends a sweep, or disarms the board.",
    "characterise": "The armed board does so in place of the next sweep; the throttle begins it.",
    "clear_fault": "What is still wrong is found again.",
}


def _add_command(name: str) -> Callable[..., None]:
    text = f"{code_texts.COMMANDS[name].capitalize()}.\n\n{_MORE_HELP.get(name, '')}"

    @board.command(name.replace("_", "-"), help=text)
    @port_option
    def send(port: str | None) -> None:
        with open_link(port) as line:
            line.command(name)
        echo(f"done: {code_texts.COMMANDS[name]}")

    return send


for _name in codes.COMMANDS[1:]:
    _add_command(_name)


@board.command()
@click.argument("capture", required=False, type=click.Path(path_type=Path, dir_okay=False))
@port_option
@click.option(
    "--save", type=click.Path(path_type=Path, dir_okay=False), help="Keep the bytes of the link here."
)
@json_option
def trace(capture: Path | None, port: str | None, save: Path | None, as_json: bool) -> None:
    """Print the decoded frames of a capture or of the board.

    CAPTURE holds bytes of a line, or a run file.  Without it the board is greeted and asked for its
    status, its list of runs and its settings; what it answers is shown.
    """
    from evenfall.board import trace as tracing

    if capture is not None:
        try:
            data = capture.read_bytes()
        except OSError as error:
            raise InputError(f"{capture}: it cannot be read ({error.strerror})") from None
    else:
        data = _talk(port)
        if save is not None:
            from evenfall.archive.files import write_whole

            write_whole(save, data)
            progress(f"wrote {len(data)} bytes to {save}")
    found = list(tracing.frames(data))
    if as_json:
        print_json(found)
        return
    for frame in found:
        echo(tracing.line_of(frame))
    damaged = sum("damage" in f for f in found)
    if capture is not None and damaged == len(found):
        raise DamageError(f"{capture} holds no whole frame: is it a capture of a line, or a run file?")
    progress(f"{len(found)} frames, {damaged} of them damaged")


def _talk(port: str | None) -> bytes:
    """Bytes that the board sent while it was asked who, how and what it is."""
    line = open_link(port)
    heard = bytearray()
    line.listener = heard.extend
    with line:
        began = time.monotonic()
        line.status()
        line.runs()
        line.settings()
        progress(f"asked for {time.monotonic() - began:.1f} s")
    return bytes(heard)


# --- firmware and wiring ---

checkout_option = click.option(
    "--checkout",
    type=click.Path(path_type=Path, file_okay=False),
    default=None,
    show_default="the firmware that came with this program",
    help="Folder of the source, with firmware/ and protocol/ in it.",
)
any_board_option = click.option(
    "--any-board", is_flag=True, help="Accept other chips than RP2040 and RP2350 (to try it elsewhere)."
)
no_restart_option = click.option("--no-restart", is_flag=True, help="Leave the board at its prompt.")


@board.command()
@port_option
@checkout_option
@click.option(
    "--compiled/--source",
    "bytecode",
    default=None,
    help="Form of the files; compiled starts sooner and needs less memory.",
)
@click.option("--dry-run", is_flag=True, help="Show what would change; write nothing.")
@any_board_option
@no_restart_option
@json_option
def install(
    port: str | None,
    checkout: Path | None,
    bytecode: bool | None,
    dry_run: bool,
    any_board: bool,
    no_restart: bool,
    as_json: bool,
) -> None:
    """Put the firmware on a board that has MicroPython.

    Each file is checked by hash before it is used; settings and runs stay; the
    earlier firmware is kept on the board for `evenfall board rollback`.  If the
    board already runs evenfall, hold its button while you plug it in.
    """
    from evenfall.board import firmware_install
    from evenfall.board.link import find_port

    source = firmware_install.firmware_files(checkout)
    with firmware_install.Prompt(port or find_port()) as prompt:
        interpreter = firmware_install.check_board(prompt, any_board)
        if bytecode is None:
            files, why_source = firmware_install.usual_form(source, interpreter)
            if why_source:
                progress(f"sent as source: {why_source}")
        else:
            files = firmware_install.in_form(source, interpreter, bytecode)
        plan = firmware_install.plan(prompt, files, interpreter.name)
        forms = _forms(source, interpreter) if dry_run else []
        if as_json:
            sizes = {f"{form}_bytes": size for form, size, _ in forms}
            print_json({**asdict(plan), **sizes, "dry_run": dry_run})
        else:
            _show(plan)
            for form, size, why_not in forms:
                echo(f"  as {form}: {why_not or f'{size} bytes'}")
        if dry_run:
            progress("nothing was written")
        elif plan.nothing_to_do and not plan.notes:
            progress("the board has this firmware already; nothing was written")
        else:
            firmware_install.install(prompt, files, _bar)
            progress(f"installed {plan.version}; every file agrees by hash")
        if not dry_run and not no_restart:
            prompt.restart()


@board.command()
@port_option
@any_board_option
@no_restart_option
def rollback(port: str | None, any_board: bool, no_restart: bool) -> None:
    """Go back to the firmware before the last install.

    Settings and runs stay.
    """
    from evenfall.board import firmware_install
    from evenfall.board.link import find_port

    with firmware_install.Prompt(port or find_port()) as prompt:
        firmware_install.check_board(prompt, any_board)
        version = firmware_install.rollback(prompt)
        echo(f"the board has its earlier firmware again ({version})")
        if not no_restart:
            prompt.restart()


@board.command()
@port_option
@click.option("--image", type=click.Path(path_type=Path, dir_okay=False), help="A copy of the flash instead.")
@click.option(
    "--save", type=click.Path(path_type=Path, dir_okay=False), help="Keep the copy of the flash here."
)
@any_board_option
@archive_option
def rescue(
    port: str | None, image: Path | None, save: Path | None, any_board: bool, archive_dir: Path
) -> None:
    """Take runs from a board whose storage is damaged.

    Reads the whole flash from the board's prompt (hold its button while you plug it in), finds runs by their
    frames, without directories, and archives them. Nothing on the board is changed. Runs that were deleted
    are found, too, while their place was not used again.
    """
    from evenfall.archive.archive import Archive, write_whole
    from evenfall.board import firmware_install
    from evenfall.board import rescue as finding
    from evenfall.board.link import find_port

    if image is not None:
        flash = image.read_bytes()
    else:
        with firmware_install.Prompt(port or find_port()) as prompt:
            firmware_install.check_board(prompt, any_board)
            flash = finding.flash_of(prompt, _tenths)
    if save is not None:
        write_whole(save, flash)
        progress(f"the copy of the flash is in {save}")
    found = finding.runs_in(flash)
    with Archive(archive_dir) as archive:
        for data in found:
            number, new = archive.import_file(data)
            damage = archive.run(number).damage
            state = f"incomplete: {damage[0]}" if damage else "whole"
            echo(f"run {number}: {len(data)} bytes, {state}{'' if new else ', was here already'}")
    echo(f"{len(found)} runs found in {len(flash) // 1024} KiB of flash")


def _tenths(done: int, total: int) -> None:
    if done * 10 // total > (done - 1) * 10 // total:
        progress(f"  {done * 100 // total:3d} %")


@board.command()
@checkout_option
@click.option(
    "--out", type=click.Path(path_type=Path, file_okay=False), help="Write the compiled files here."
)
@click.option(
    "--arch",
    type=click.Choice(["armv6m", "armv7emsp", "rv32imc"]),
    default="armv6m",
    show_default=True,
    help="Processor: RP2040 (and RP2350); RP2350 only; RP2350 on its RISC-V cores.",
)
@json_option
def build(checkout: Path | None, out: Path | None, arch: str, as_json: bool) -> None:
    """Compile the firmware and show the sizes."""
    from evenfall.board import firmware_install

    files = firmware_install.firmware_files(checkout)
    small = firmware_install.compiled(files, arch)
    if out is not None:
        from evenfall.archive.files import write_whole

        for path, content in small.items():
            target = out / path.lstrip("/")
            target.parent.mkdir(parents=True, exist_ok=True)
            write_whole(target, content)
        progress(f"wrote {len(small)} files to {out}")
    rows: list[dict[str, Any]] = [
        {"file": path, "source_bytes": len(content), "compiled_bytes": len(_compiled_form(small, path))}
        for path, content in files.items()
    ]
    if as_json:
        print_json({"version": firmware_install.version_of(small), "files": rows})
        return
    total = {"file": "total"} | {k: sum(r[k] for r in rows) for k in ("source_bytes", "compiled_bytes")}
    columns = ["file", "source_bytes", "compiled_bytes"]
    print_table(columns, [[r[c] for c in columns] for r in [*rows, total]], right=set(columns[1:]))


@board.command()
@click.option("--port", default=None, help="Take the pins from the settings of the board on this port.")
@click.option(
    "--out", type=click.Path(path_type=Path, file_okay=False), default=Path("."), help="Folder to write into."
)
def wiring(port: str | None, out: Path) -> None:
    """Draw the wiring, for default or own pins."""
    from evenfall.archive.files import write_whole
    from evenfall.board import wiring_diagram as drawn

    if out.suffix or out.is_file():
        raise InputError(f"--out {out}: two drawings are written; name a folder")
    pins = drawn.default_pins()
    if port is not None:
        with open_link(port) as line:
            pins = {name: value for name, value in line.settings().items() if name in pins}
    out.mkdir(parents=True, exist_ok=True)
    for name, content in (("wiring.svg", drawn.drawing(pins)), ("torque_arm.svg", drawn.arm_drawing())):
        write_whole(out / name, content.encode())
        progress(f"wrote {out / name}")
    echo(drawn.table(pins), nl=False)


def _forms(
    source: dict[str, bytes], interpreter: firmware_install.Interpreter
) -> list[tuple[str, int | None, str]]:
    """Bytes of each form of the firmware on this board, or why it does not run that form."""
    from evenfall.board import firmware_install

    forms: list[tuple[str, int | None, str]] = []
    for form, bytecode in (("source", False), ("compiled", True)):
        try:
            files = firmware_install.in_form(source, interpreter, bytecode)
            forms.append((form, sum(map(len, files.values())), ""))
        except EvenfallError as error:
            forms.append((form, None, str(error)))
    return forms


def _compiled_form(small: dict[str, bytes], path: str) -> bytes:
    return small[path] if path in small else small[path.removesuffix(".py") + ".mpy"]


def _show(plan: firmware_install.Plan) -> None:
    echo(f"board: {plan.board}")
    free = plan.bytes_free // 1024
    echo(f"firmware: {plan.version}, {plan.bytes_to_write} bytes; {free} KiB free on the board")
    for word, paths in (("new", plan.new), ("changed", plan.changed), ("gone", plan.gone)):
        for path in paths:
            echo(f"  {word:8}{path}")
    echo(f"  same    {len(plan.same)} files")
    for note in plan.notes:
        echo(note)


def _bar(done: int, total: int) -> None:
    progress(f"  {done * 100 // total:3d} %")
