"""Colour and stroke of up to six curves, the same on paper and on the screen.

Each curve has a colour *and* a stroke, so that six curves stay apart for colour-blind eyes and on a grey
printer: the colours were chosen for distance under simulated colour-vision deficiencies and for even steps of
lightness (tests/report holds them to it).
"""

from __future__ import annotations

COLOURS = ("#23055f", "#ee3e26", "#629fdb", "#6a1007", "#2e10f1", "#82566f")
# on/off lengths in line widths; the first is solid
STROKES: tuple[tuple[float, ...], ...] = (
    (),
    (7, 2),
    (2.2, 1.4),
    (8, 2, 1.5, 2),
    (4, 1.6, 4, 4),
    (1.1, 1.1),
)
