"""The wiring guide cannot drift from the settings table."""

import math
import subprocess
import sys
import xml.etree.ElementTree as ElementTree

import pytest
from evenfall.board import wiring_diagram
from evenfall_wire.settings import BY_NAME
from pio_rig import ROOT

SVG = "{http://www.w3.org/2000/svg}"
GUIDE = (ROOT / "firmware/WIRING.md").read_text(encoding="utf-8")


def texts(svg):
    return [e.text for e in ElementTree.fromstring(svg).iter(f"{SVG}text")]


def test_every_pin_of_the_settings_is_wired_once():
    wired = [w.to for part in wiring_diagram.PARTS for w in part.wires if w.to not in wiring_diagram.SUPPLIES]
    assert sorted(wired) == sorted(wiring_diagram.default_pins())


def test_the_files_in_firmware_are_what_is_drawn_now():
    pins = wiring_diagram.default_pins()
    again = "run: evenfall board wiring --out firmware"
    assert (ROOT / "firmware/wiring.svg").read_text(encoding="utf-8") == wiring_diagram.drawing(pins), again
    assert (ROOT / "firmware/torque_arm.svg").read_text(encoding="utf-8") == wiring_diagram.arm_drawing(), (
        again
    )
    start, end = (GUIDE.index(mark) for mark in wiring_diagram.MARKS)
    assert GUIDE[start + len(wiring_diagram.MARKS[0]) : end].strip() == wiring_diagram.table(pins).strip()


def test_changed_and_missing_pins_show():
    pins = {**wiring_diagram.default_pins(), "pin_hall": 22, "pin_kill": -1}
    shown = texts(wiring_diagram.drawing(pins))
    assert "GPIO 22" in shown and "not fitted" in shown
    assert f"GPIO {BY_NAME['pin_hall'][3]}" not in shown
    assert "| Kill relay | hold | not fitted | `pin_kill` |" in wiring_diagram.table(pins)


@pytest.mark.parametrize(
    "svg", [wiring_diagram.drawing(wiring_diagram.default_pins()), wiring_diagram.arm_drawing()]
)
def test_drawings_are_whole_and_inside_their_frame(svg):
    root = ElementTree.fromstring(svg)
    _, _, width, height = (float(v) for v in root.get("viewBox").split())
    assert root.find(f"{SVG}title").text and root.find(f"{SVG}desc").text
    for e in root.iter(f"{SVG}text"):
        x, y, size = (float(e.get(k)) for k in ("x", "y", "font-size"))
        length = 0.56 * size * len(e.text)  # a wide guess at the font
        left = x - {"start": 0, "middle": length / 2, "end": length}[e.get("text-anchor")]
        assert -20 <= left and left + length <= width + 20 and size <= y <= height, e.text


def test_settings_that_the_guide_names_exist():
    import re

    for name in re.findall(r"`(\w+)(?:=\d+)?`", GUIDE):
        if name in ("evenfall",) or name in ("load_clamped",):
            continue
        assert name in BY_NAME, name


def test_numbers_in_the_guide():
    """Checked against plain physics, not against our own code."""
    radius_m, rpm = 0.020, 14500
    omega = 2 * math.pi * rpm / 60
    assert round(omega**2 * radius_m, -3) == 46000 and "46,000 m/s²" in GUIDE
    assert round(0.005 / (omega * radius_m) * 1e6, -1) == 160 and "160 µs" in GUIDE
    assert round(3e5 * math.pi / 4 * 0.012**2) == 34 and "is 34 N" in GUIDE
    assert round(100 * (1 - math.cos(math.radians(2))), 2) == 0.06
    assert round(100 * (1 - math.cos(math.radians(5))), 1) == 0.4
    assert 8 / 0.002 * 60 == 240000 and "240,000" in GUIDE


def test_command_draws_and_prints(tmp_path):
    done = subprocess.run(
        [
            sys.executable,
            "-c",
            "from evenfall.cli import main; main()",
            "board",
            "wiring",
            "--out",
            str(tmp_path),
        ],
        capture_output=True,
        text=True,
        timeout=180,
    )
    assert done.returncode == 0, done.stderr
    assert done.stdout == wiring_diagram.table(wiring_diagram.default_pins())
    assert (tmp_path / "wiring.svg").read_text(encoding="utf-8") == wiring_diagram.drawing(
        wiring_diagram.default_pins()
    )
