"""What clefs and smaller marks share: the load of the pen, blocks, and laying a sign down."""

from __future__ import annotations

import numpy as np

from neumary_synth.drawn import Drawn, Stand
from neumary_synth.hand import Hand
from neumary_synth.outlines import square
from neumary_synth.pen import F64, U8, Ink


def lay(
    ink: Ink,
    mask: U8,
    hand: Hand,
    rng: np.random.Generator,
    stand: Stand,
    label: str,
    row: float,
    step: int,
    col: float | None = None,
) -> tuple[Drawn, float]:
    """Lay a sign on the mask and say what was drawn.

    Parameters
    ----------
    mask : ndarray of uint8, shape (H, W)
        Ink coverage.
    row : float
        Where the sign marks its pitch, px.
    col : float, optional
        The same across, px; the middle of the ink if left out.

    Returns
    -------
    drawn : Drawn
    right : float
        Right edge of the ink, px.
    """
    ink.lay(mask, rng, hand.flow(stand.space_px))
    top, left, bottom, right = ink.box()
    middle = (left + right) / 2 if col is None else col
    return Drawn(label, row, middle, top, left, bottom, right, step, False), right


def pen_load(hand: Hand, rng: np.random.Generator) -> float:
    """Ink in the pen for one sign, 0.45..1."""
    return float(np.clip(rng.normal(hand.ink, 0.7 * hand.ink_spread), 0.45, 1))


def block_outline(
    hand: Hand, rng: np.random.Generator, row: float, col: float, space: float, height: float, width: float
) -> F64:
    """A clef's block around (row, col); height and width px, shaped like the hand's heads."""
    size = (height / (hand.head_height * space), width / (hand.head_width * space))
    return square(hand, rng, row, col, space, size)
