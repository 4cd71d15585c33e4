"""The wiring as a drawing and a table, both made from the settings table's pins, so they cannot drift."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass
from xml.sax.saxutils import escape

from evenfall.board import code_texts
from evenfall.board.settings import TABLE


@dataclass(frozen=True)
class Wire:
    """One wire from a part to the board; `to` is a pin setting, or a supply's name."""

    name: str
    to: str
    note: str = ""


@dataclass(frozen=True)
class Part:
    """A box of the drawing."""

    title: str
    lines: tuple[str, ...]
    wires: tuple[Wire, ...]
    side: str  # "wet": at the brake, "dry": at the desk


SUPPLIES = ("3V3", "GND", "USB")

PARTS = (
    Part(
        "Load amplifier",
        ("24-bit bridge amplifier, two-wire clocked", "load cell on a 4-wire shielded cable"),
        (
            Wire("data", "pin_load_data"),
            Wire("clock", "pin_load_clock"),
            Wire("supply", "3V3"),
            Wire("ground", "GND"),
        ),
        "wet",
    ),
    Part(
        "Speed pickup",
        ("Hall switch, open collector, 3.3 V pull-up", "1 kΩ in series, 1 nF to ground at the board"),
        (Wire("signal", "pin_hall"), Wire("supply", "3V3", "or its own"), Wire("ground", "GND")),
        "wet",
    ),
    Part(
        "Valve servo",
        ("own 5-6 V supply of 3 A or more, 1000 µF at the plug", "10 kΩ from signal to ground"),
        (Wire("signal", "pin_servo"), Wire("ground", "GND")),
        "wet",
    ),
    Part(
        "Kill relay",
        (
            "transistor and coil with diode; 10 kΩ to ground at its input",
            "contact closed without power: earths the ignition",
        ),
        (Wire("hold", "pin_kill"), Wire("ground", "GND")),
        "wet",
    ),
    Part(
        "Button",
        ("closes to ground; 100 nF across it",),
        (Wire("switch", "pin_button"), Wire("ground", "GND")),
        "dry",
    ),
    Part(
        "LED",
        ("470 Ω in series",),
        (Wire("anode", "pin_led"), Wire("cathode", "GND")),
        "dry",
    ),
    Part(
        "I2C: air sensor, second amplifier",
        ("optional; 2.2-4.7 kΩ from each line to 3V3", "less than half a metre of wire"),
        (
            Wire("data (SDA)", "pin_sda"),
            Wire("clock (SCL)", "pin_scl"),
            Wire("supply", "3V3"),
            Wire("ground", "GND"),
        ),
        "dry",
    ),
    Part(
        "Laptop",
        ("USB, through an isolator", "on battery while water flows"),
        (Wire("USB", "USB"),),
        "dry",
    ),
)

INK, PAPER, FAINT = "#22303c", "#ffffff", "#8a97a3"
WET, DRY, BOARD = "#e3f0f7", "#f6f1e4", "#e9e6f2"
# dash patterns tell the wires apart in grey print as well
STROKES = {
    "signal": ("#1d5c8f", ""),
    "3V3": ("#a8501f", "9 4"),
    "GND": ("#22303c", "2 4"),
    "USB": ("#6b4f86", "12 3 2 3"),
}


MARKS = (
    "<!-- made by `evenfall board wiring`: the pins of the settings table, and the button -->",
    "<!-- end of the table -->",
)


def default_pins() -> dict[str, int]:
    """name -> GPIO of every pin setting, as the table has them."""
    return {s.name: s.default for s in TABLE.values() if s.group == "pins"}


def _label(wire: Wire, pins: Mapping[str, int]) -> str:
    if wire.to in SUPPLIES:
        return wire.to
    number = pins[wire.to]
    return f"GPIO {number}" if number >= 0 else "not fitted"


def table(pins: Mapping[str, int]) -> str:
    """The wires in the order of the drawing, and what the button does: two Markdown tables."""
    rows = ["| part | wire | board | setting |", "|---|---|---|---|"]
    for part in PARTS:
        for wire in part.wires:
            setting = f"`{wire.to}`" if wire.to in TABLE else ""
            note = f" ({wire.note})" if wire.note else ""
            rows.append(f"| {part.title} | {wire.name} | {_label(wire, pins)}{note} | {setting} |")
    rows += ["", "| state of the board | a press of the button |", "|---|---|"]
    rows += [f"| {code_texts.STATES[state]} | {does} |" for state, does in code_texts.BUTTON.items()]
    return "\n".join(rows) + "\n"


WIDTH, BOX_W, ROW, TOP = 1180, 400, 24, 96
BOARD_X, BOARD_W = 500, 180


def _text(x: float, y: float, text: str, size: int = 14, anchor: str = "start", more: str = "") -> str:
    return f'<text x="{x:g}" y="{y:g}" font-size="{size}" text-anchor="{anchor}"{more}>{escape(text)}</text>'


def _box(x: float, y: float, w: float, h: float, fill: str) -> str:
    return (
        f'<rect x="{x:g}" y="{y:g}" width="{w:g}" height="{h:g}" rx="7" fill="{fill}" '
        f'stroke="{INK}" stroke-width="1.6"/>'
    )


def _height(part: Part) -> int:
    return 34 + 18 * len(part.lines) + ROW * len(part.wires) + 8


def _column(side: str) -> list[tuple[Part, float]]:
    out, y = [], float(TOP)
    for part in PARTS:
        if part.side == side:
            out.append((part, y))
            y += _height(part) + 26
    return out


def drawing(pins: Mapping[str, int]) -> str:
    """The wiring as an SVG; `pins` is name -> GPIO (-1: not fitted)."""
    columns = {side: _column(side) for side in ("wet", "dry")}
    bottom = max(y + _height(part) for column in columns.values() for part, y in column)
    height = bottom + 132
    out = [
        f'<svg xmlns="http://www.w3.org/2000/svg" viewBox="0 0 {WIDTH} {height:g}" width="{WIDTH}" '
        f'height="{height:g}" font-family="DejaVu Sans, Verdana, sans-serif" fill="{INK}" role="img" '
        'aria-labelledby="t d">',
        '<title id="t">Wiring of the evenfall board</title>',
        '<desc id="d">Each wire runs from a part at the brake (left) or at the desk (right) to the board '
        "in the middle. WIRING.md holds the same as a table.</desc>",
        f'<rect width="{WIDTH}" height="{height:g}" fill="{PAPER}"/>',
        f'<rect x="12" y="52" width="{BOARD_X - 44}" height="{bottom - 30:g}" fill="{WET}"/>',
        f'<rect x="{BOARD_X + BOARD_W + 32}" y="52" width="{WIDTH - BOARD_X - BOARD_W - 44}" '
        f'height="{bottom - 30:g}" fill="{DRY}"/>',
        _text(20, 34, "Wiring of the evenfall board", 20, more=' font-weight="bold"'),
        _text(24, 78, "at the brake: water, heat, ignition", 15, more=' font-style="italic"'),
        _text(WIDTH - 24, 78, "at the desk: dry", 15, "end", ' font-style="italic"'),
        _box(BOARD_X, TOP, BOARD_W, bottom - TOP, BOARD),
        _text(BOARD_X + BOARD_W / 2, TOP + 24, "board", 17, "middle", ' font-weight="bold"'),
        _text(BOARD_X + BOARD_W / 2, TOP + 43, "RP2040 or RP2350", 13, "middle"),
    ]
    for side, column in columns.items():
        left = side == "wet"
        x = 24 if left else WIDTH - 24 - BOX_W
        edge = x + BOX_W if left else x
        board_edge = BOARD_X if left else BOARD_X + BOARD_W
        for part, y in column:
            out.append(_box(x, y, BOX_W, _height(part), PAPER))
            out.append(_text(x + 12, y + 24, part.title, 16, more=' font-weight="bold"'))
            for i, line in enumerate(part.lines):
                out.append(_text(x + 12, y + 44 + 18 * i, line, 12))
            wire_y = y + 34 + 18 * len(part.lines) + ROW / 2
            for wire in part.wires:
                out += _wire(wire, pins, edge, board_edge, wire_y, left)
                wire_y += ROW
    out += _foot(bottom + 40)
    out.append("</svg>")
    return "\n".join(out) + "\n"


def _wire(
    wire: Wire, pins: Mapping[str, int], edge: float, board_edge: float, y: float, left: bool
) -> list[str]:
    colour, dash = STROKES[wire.to if wire.to in SUPPLIES else "signal"]
    label = _label(wire, pins)
    if label == "not fitted":
        colour, dash = FAINT, "1 6"
    style = f' stroke-dasharray="{dash}"' if dash else ""
    name = f"{wire.name} ({wire.note})" if wire.note else wire.name
    inside, text_side = (-12, "end") if left else (12, "start")
    at_board, board_side = (10, "start") if left else (-10, "end")
    return [
        f'<path d="M{edge:g} {y:g}H{board_edge:g}" stroke="{colour}" stroke-width="2.4" fill="none"{style}/>',
        f'<circle cx="{edge:g}" cy="{y:g}" r="3.4" fill="{colour}"/>',
        f'<circle cx="{board_edge:g}" cy="{y:g}" r="3.4" fill="{colour}"/>',
        _text(edge + inside, y + 5, name, 13, text_side),
        _text(board_edge + at_board, y + 5, label, 13, board_side, ' font-weight="bold"'),
    ]


def _foot(y: float) -> list[str]:
    out = []
    x = 24.0
    for key, words in (
        ("signal", "signal"),
        ("3V3", "3.3 V from the board"),
        ("GND", "ground"),
        ("USB", "USB"),
    ):
        colour, dash = STROKES[key]
        style = f' stroke-dasharray="{dash}"' if dash else ""
        out.append(f'<path d="M{x:g} {y:g}h52" stroke="{colour}" stroke-width="2.4"{style}/>')
        out.append(_text(x + 62, y + 5, words, 13))
        x += 110 + 8 * len(words)
    for i, line in enumerate(
        (
            "All grounds meet at one point, the board's ground; the servo's supply brings its own wire "
            "there. No pin takes more than 3.3 V.",
            "A kill switch of its own, across the relay's contact and within reach, is required: "
            "it must stop the engine with the board unplugged.",
            "The cell's shield goes to ground at the board's end only. Drip loops in every cable; "
            "nothing electric below a hose joint.",
        )
    ):
        out.append(_text(24, y + 34 + 20 * i, line, 13))
    return out


def arm_drawing() -> str:
    """The torque arm seen along the shaft, and the hoses seen from above, as an SVG."""
    w, h = 1180, 460
    water, steel = "#1d5c8f", INK
    out = [
        f'<svg xmlns="http://www.w3.org/2000/svg" viewBox="0 0 {w} {h}" width="{w}" height="{h}" '
        f'font-family="DejaVu Sans, Verdana, sans-serif" fill="{INK}" role="img" aria-labelledby="t d">',
        '<title id="t">Torque arm and hoses</title>',
        '<desc id="d">Left: the arm is level, the load cell pulls at a right angle to it, the arm length '
        "runs from the shaft's centre to the line of the force. Right: both hoses leave along the shaft "
        "and hang in a loose loop.</desc>",
        f'<rect width="{w}" height="{h}" fill="{PAPER}"/>',
        _text(24, 34, "Seen along the shaft", 17, more=' font-weight="bold"'),
        _text(700, 34, "Seen from above", 17, more=' font-weight="bold"'),
        # brake housing, free to turn on its own bearings
        f'<circle cx="150" cy="210" r="86" fill="{WET}" stroke="{steel}" stroke-width="2"/>',
        f'<circle cx="150" cy="210" r="13" fill="{PAPER}" stroke="{steel}" stroke-width="2"/>',
        f'<path d="M150 203v14M143 210h14" stroke="{steel}" stroke-width="1.4"/>',
        _text(150, 158, "brake housing", 13, "middle"),
        _text(150, 176, "on its own bearings", 12, "middle"),
        # arm, rod, cell
        f'<path d="M232 200H520V220H232" fill="{BOARD}" stroke="{steel}" stroke-width="2"/>',
        _text(376, 190, "arm, level under half the load", 13, "middle"),
        f'<path d="M500 220V284" stroke="{steel}" stroke-width="3"/>',
        f'<circle cx="500" cy="210" r="6" fill="{PAPER}" stroke="{steel}" stroke-width="2"/>',
        _box(470, 284, 60, 44, DRY),
        _text(500, 311, "cell", 14, "middle"),
        f'<path d="M500 328V356M440 356H560" stroke="{steel}" stroke-width="3"/>',
        _text(540, 262, "rod with joints", 13),
        _text(540, 279, "at both ends", 13),
        f'<path d="M486 220v14h14" fill="none" stroke="{steel}" stroke-width="1.2"/>',
        _text(482, 250, "90°", 13, "end"),
        # arm length
        f'<path d="M150 296V390M500 360V390" stroke="{FAINT}" stroke-width="1.2" stroke-dasharray="5 4"/>',
        f'<path d="M156 382H494" stroke="{steel}" stroke-width="1.4"/>',
        f'<path d="M150 382l11 -5v10zM500 382l-11 -5v10z" fill="{steel}"/>',
        _text(325, 404, "arm_length: shaft centre to the line of the force", 14, "middle"),
        _text(24, 442, "Direction of pull or push does not matter: the sign of span says which.", 13),
        # from above
        _box(800, 130, 120, 160, WET),
        _text(860, 214, "brake", 14, "middle"),
        f'<path d="M640 210H800M920 210H960" stroke="{steel}" stroke-width="7"/>',
        _text(648, 196, "shaft", 13),
        f'<path d="M920 170H1010C1090 170 1090 250 1040 330" fill="none" stroke="{water}" stroke-width="5"/>',
        f'<path d="M920 250H980C1050 250 1030 300 990 350" fill="none" stroke="{water}" stroke-width="5" '
        'stroke-dasharray="14 5"/>',
        _text(1006, 152, "inlet", 13),
        _text(930, 274, "outlet", 13),
        _box(844, 290, 32, 96, BOARD),
        _text(886, 372, "arm", 13),
        _text(700, 424, "Hoses leave along the shaft and hang in a loose loop: pressure and", 13),
        _text(700, 442, "stiffness then press on the bearings, not on the arm.", 13),
        "</svg>",
    ]
    return "\n".join(out) + "\n"
