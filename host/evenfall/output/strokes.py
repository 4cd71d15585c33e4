"""Colour and stroke of up to six curves, the same on paper and on the screen.

Each curve has a colour *and* a stroke, so that six curves stay apart for colour-blind eyes and on a grey
printer: the colours were chosen for distance under simulated colour-vision deficiencies, for even steps of
lightness, and for a contrast of at least 3:1 with the paper (tests/report and tests/screen hold them to it).
"""

from __future__ import annotations

COLOURS = ("#000020", "#3e86fe", "#896a40", "#57009d", "#3e5b64", "#351703")
# on/off lengths in line widths; the first is solid
STROKES: tuple[tuple[float, ...], ...] = (
    (),
    (7, 2),
    (2.2, 1.4),
    (8, 2, 1.5, 2),
    (4, 1.6, 4, 4),
    (1.1, 1.1),
)
