"""`evenfall board ...`: the firmware's files on the board."""

from __future__ import annotations

from dataclasses import asdict
from pathlib import Path
from typing import Any

import click

from evenfall.board import firmware_install
from evenfall.board import wiring_diagram as drawn
from evenfall.board.link import find_port
from evenfall.cli._root import (
    echo,
    json_option,
    noun,
    open_link,
    port_option,
    print_json,
    print_table,
    progress,
)
from evenfall.errors import EvenfallError

board = noun("board", "Ask and set the board: status, runs, settings, zero, self-test, firmware.")

checkout_option = click.option(
    "--checkout",
    type=click.Path(path_type=Path, file_okay=False),
    default=None,
    show_default="the firmware that came with this program",
    help="Folder of the source, with firmware/ and protocol/ in it.",
)
any_board_option = click.option(
    "--any-board", is_flag=True, help="Do not insist on an RP2040 or RP2350 (to try it elsewhere)."
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
@click.option("--dry-run", is_flag=True, help="Say what would change; write nothing.")
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
    with firmware_install.Prompt(port or find_port()) as prompt:
        firmware_install.check_board(prompt, any_board)
        version = firmware_install.rollback(prompt)
        echo(f"the board has its earlier firmware again ({version})")
        if not no_restart:
            prompt.restart()


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
    files = firmware_install.firmware_files(checkout)
    small = firmware_install.compiled(files, arch)
    if out is not None:
        for path, content in small.items():
            target = out / path.lstrip("/")
            target.parent.mkdir(parents=True, exist_ok=True)
            target.write_bytes(content)
        progress(f"wrote {len(small)} files to {out}")
    rows: list[dict[str, Any]] = [
        {"file": path, "source_bytes": len(content), "compiled_bytes": len(_twin(small, path))}
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
    pins = drawn.default_pins()
    if port is not None:
        with open_link(port) as line:
            pins = {name: value for name, value in line.settings().items() if name in pins}
    out.mkdir(parents=True, exist_ok=True)
    for name, content in (("wiring.svg", drawn.drawing(pins)), ("torque_arm.svg", drawn.arm_drawing())):
        (out / name).write_text(content, encoding="utf-8")
        progress(f"wrote {out / name}")
    echo(drawn.table(pins), nl=False)


def _forms(
    source: dict[str, bytes], interpreter: firmware_install.Interpreter
) -> list[tuple[str, int | None, str]]:
    """Bytes of each form of the firmware on this board, or why it does not run that form."""
    forms: list[tuple[str, int | None, str]] = []
    for form, bytecode in (("source", False), ("compiled", True)):
        try:
            files = firmware_install.in_form(source, interpreter, bytecode)
            forms.append((form, sum(map(len, files.values())), ""))
        except EvenfallError as error:
            forms.append((form, None, str(error)))
    return forms


def _twin(small: dict[str, bytes], path: str) -> bytes:
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
