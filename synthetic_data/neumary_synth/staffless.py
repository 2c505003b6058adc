"""Staffless neume signs: thin accent-like strokes written over the words.

A first set of shapes after the accent neumes of the 10th to 12th century (common
practice, no published source). No pitch stands behind them.
"""

from __future__ import annotations

from typing import Final

import numpy as np

from neumary_synth.clefs import stem
from neumary_synth.drawn import Drawn
from neumary_synth.hand import Hand
from neumary_synth.letters import LETTERS
from neumary_synth.pen import F64, U8, Ink, Nib, bend

# strokes in units of a virga's height: (row, col), 0 = middle row, left edge
_VIRGA: Final = [(0.5, 0.0), (-0.2, 0.25), (-0.5, 0.45)]
_DOT: Final = [(-0.05, 0.0), (0.05, 0.08)]
_CLIVIS: Final = [(0.4, 0.0), (-0.35, 0.25), (-0.42, 0.42), (-0.1, 0.5), (0.4, 0.5)]
_PES: Final = [(0.1, 0.0), (0.35, 0.15), (0.2, 0.35), (-0.5, 0.6)]
SIGNS: Final[dict[str, list[list[tuple[float, float]]]]] = {
    "virga": [_VIRGA],
    "virga with episema": [_VIRGA, [(-0.5, 0.42), (-0.45, 0.75)]],
    "punctum": [_DOT],
    "tractulus": [[(0.02, 0.0), (-0.03, 0.4)]],
    "pes": [_PES],
    "clivis": [_CLIVIS],
    "clivis with episema": [_CLIVIS, [(-0.48, 0.3), (-0.5, 0.75)]],
    "torculus": [[(-0.1, 0.0), (0.1, 0.12), (-0.2, 0.35), (-0.45, 0.55), (-0.1, 0.6), (0.4, 0.5)]],
    "porrectus": [[(0.4, 0.0), (-0.4, 0.25), (0.3, 0.45), (0.0, 0.65), (-0.5, 0.85)]],
    "scandicus": [[(0.4, 0.0), (0.45, 0.08)], [(0.15, 0.2), (0.2, 0.28)], [(0.1, 0.38), (-0.5, 0.7)]],
    "climacus": [[(0.4, 0.0), (-0.5, 0.35)], [(-0.1, 0.55), (-0.05, 0.62)], [(0.2, 0.7), (0.25, 0.77)]],
    "quilisma": [
        [
            (-0.1, 0.0),
            (0.15, 0.08),
            (-0.1, 0.2),
            (0.15, 0.28),
            (-0.1, 0.4),
            (0.15, 0.5),
            (-0.1, 0.65),
            (-0.5, 0.85),
        ]
    ],
    "oriscus": [[(0.0, 0.0), (-0.2, 0.12), (0.1, 0.3), (-0.15, 0.5), (0.25, 0.5)]],
    "pressus": [
        [(0.3, 0.0), (-0.35, 0.2), (-0.2, 0.35), (-0.4, 0.5), (-0.15, 0.55)],
        [(0.2, 0.6), (0.27, 0.68)],
    ],
    "stropha": [[(-0.15, 0.0), (-0.02, 0.12), (0.2, 0.0)]],
    "distropha": [[(-0.15, k * 0.28), (-0.02, k * 0.28 + 0.12), (0.2, k * 0.28)] for k in range(2)],
    "tristropha": [[(-0.15, k * 0.28), (-0.02, k * 0.28 + 0.12), (0.2, k * 0.28)] for k in range(3)],
    "trigon": [[(-0.2, 0.0), (-0.15, 0.08)], [(-0.2, 0.35), (-0.15, 0.43)], [(0.2, 0.45), (0.25, 0.53)]],
    "cephalicus": [[(0.4, 0.0), (-0.35, 0.2), (-0.45, 0.38), (-0.1, 0.45), (-0.05, 0.3)]],
    "epiphonus": [[(-0.1, 0.0), (0.3, 0.08), (0.2, 0.35), (-0.1, 0.45)]],
    "porrectus flexus": [[(0.4, 0.0), (-0.4, 0.25), (0.3, 0.45), (-0.4, 0.75), (-0.35, 0.88), (0.4, 0.95)]],
}
SIGNIFICATIVE_LETTERS: Final = tuple("acehltxmpsfi")


def draw_staffless(
    mask: U8, hand: Hand, rng: np.random.Generator, row: float, col: float, size_px: float, name: str
) -> tuple[Drawn, float]:
    """Draw a staffless sign or a significative letter, in place.

    Parameters
    ----------
    mask : ndarray of uint8, shape (H, W)
        Ink coverage.
    row : float
        Middle of the sign, px.
    col : float
        Left edge, px.
    size_px : float
        Height of a virga.
    name : str
        A key of `SIGNS`, or "letter x" with one of `SIGNIFICATIVE_LETTERS`.

    Returns
    -------
    drawn : Drawn
        Its label is `name`, its step 0.
    right : float
        Right edge of the ink, px.

    Raises
    ------
    ValueError
        If the name is not known.
    """
    ink = Ink()
    load = float(np.clip(rng.normal(hand.ink, hand.ink_spread), 0.45, 1))
    nib = Nib(size_px * (0.03 + 0.14 * hand.nib), hand.nib_angle_deg, max(0.8, 0.05 * size_px))
    for path in _paths(rng, row, col, size_px, name):
        ink.nib(path, nib, load)
    ink.lay(mask, rng, hand.flow(size_px / 2))
    top, left, bottom, right = ink.box()
    return Drawn(name, (top + bottom) / 2, (left + right) / 2, top, left, bottom, right, 0, True), right


def _paths(rng: np.random.Generator, row: float, col: float, size_px: float, name: str) -> list[F64]:
    if name in SIGNS:
        stretch = rng.normal(1, 0.12, 2)
        lean = float(rng.normal(0.08, 0.1))
        paths = []
        for stroke in SIGNS[name]:
            points = np.array(stroke) + rng.normal(0, 0.02, (len(stroke), 2))
            rows = points[:, 0] * stretch[0]
            cols = points[:, 1] * stretch[1] - lean * rows
            paths.append(bend(np.stack([row + rows * size_px, col + (cols + 0.1) * size_px], axis=1), 5))
        return paths
    letter = name.removeprefix("letter ")
    if letter in SIGNIFICATIVE_LETTERS and letter != name:
        tall = 0.5 * size_px
        strokes = (stem(s) if isinstance(s, str) else s for s in LETTERS[letter][1])
        return [
            bend([(row + (r + 0.5) * tall, col + (0.2 + 0.6 * c) * tall) for r, c in s], 4) for s in strokes
        ]
    raise ValueError(f"no staffless sign {name!r}: choose one of {', '.join(SIGNS)}")
