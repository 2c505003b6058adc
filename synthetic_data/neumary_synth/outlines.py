"""Outlines that heads are made of: square and diamond, rounded corners, ragged edges."""

from __future__ import annotations

from dataclasses import dataclass
from functools import lru_cache

import numpy as np

from neumary_synth.hand import Hand
from neumary_synth.pen import F64

SQUARE = np.array([[-0.5, -0.5], [-0.5, 0.5], [0.5, 0.5], [0.5, -0.5]])
DIAMOND = np.array([[-0.5, 0.0], [0.0, 0.5], [0.5, 0.0], [0.0, -0.5]])


@dataclass(frozen=True, slots=True)
class Spot:
    """Where a head's own ink lies, px: centre of the ink and its box."""

    row: float
    col: float
    top: float
    left: float
    bottom: float
    right: float


def spot_of(outlines: list[F64]) -> Spot:
    """Centre of area and box of a few outlines, each (n, 2) float (row, col) px."""
    area = moment_r = moment_c = 0.0
    for p in outlines:
        q = np.roll(p, -1, axis=0)
        cross = p[:, 0] * q[:, 1] - q[:, 0] * p[:, 1]
        part = float(cross.sum()) / 2
        if abs(part) < 1e-9:
            continue
        sign = 1.0 if part > 0 else -1.0
        area += sign * part
        moment_r += sign * float(((p[:, 0] + q[:, 0]) * cross).sum()) / 6
        moment_c += sign * float(((p[:, 1] + q[:, 1]) * cross).sum()) / 6
    low = np.min([p.min(axis=0) for p in outlines], axis=0)
    high = np.max([p.max(axis=0) for p in outlines], axis=0)
    return Spot(
        moment_r / area, moment_c / area, float(low[0]), float(low[1]), float(high[0]), float(high[1])
    )


def rounded(corners: F64, rounding: float, bows: tuple[float, float, float, float]) -> F64:
    """Closed outline through corners with bulging sides and rounded corners.

    Parameters
    ----------
    corners : ndarray of float64, shape (n, 2)
        (row, col) px.
    rounding : float
        Radius as a share of a side.
    bows : tuple of float
        Outward bulge of the sides, px; a fifth side has the first's, and so on.

    Returns
    -------
    ndarray of float64, shape (m, 2)
    """
    out = []
    n = len(corners)
    share = min(0.45, rounding)
    for i in range(n):
        a, b, c = corners[i], corners[(i + 1) % n], corners[(i + 2) % n]
        run = b - a
        normal = np.array([-run[1], run[0]]) / max(np.hypot(*run), 1e-9)
        for t in np.linspace(share, 1 - share, 5):
            out.append(a + run * t + normal * bows[i % 4] * (1 - (2 * t - 1) ** 2))
        if share > 0.02:
            start, end = b - run * share, b + (c - b) * share
            out.extend((start * (1 - t) ** 2 + 2 * b * t * (1 - t) + end * t**2) for t in (0.33, 0.67))
        else:
            out.append(b)
    return np.array(out)


@lru_cache(maxsize=256)
def _template(hand: Hand) -> F64:
    """The hand's head in a unit square around 0."""
    turn = abs(hand.turn)
    corners = (1 - turn) * SQUARE + turn * DIAMOND
    if hand.turn < 0:
        corners = corners * np.array([1.0, -1.0])
        corners = corners[[1, 0, 3, 2]]
    bows = (hand.bow_ends, hand.bow_sides, hand.bow_ends, hand.bow_sides)
    return rounded(corners, hand.rounding, bows)


def ragged(outline: F64, hand: Hand, rng: np.random.Generator, space: float) -> F64:
    """An outline with the hand's ragged edge; (n, 2) px."""
    if hand.roughness <= 0:
        return outline
    extent = float(np.ptp(outline[:, 0]))
    noise = rng.normal(0, hand.roughness * min(space, 1.5 * extent), outline.shape)
    return outline + 0.8 * noise + 0.6 * np.roll(noise, 1, axis=0)


def square(
    hand: Hand,
    rng: np.random.Generator,
    row: float,
    col: float,
    space: float,
    size: tuple[float, float] = (1.0, 1.0),
) -> F64:
    """Outline of a common head around (row, col); `size` scales height and width."""
    unit = _template(hand)
    wobble = rng.normal(0, 0.5 * hand.head_spread, 5)
    height = hand.head_height * space * size[0] * (1 + wobble[0])
    width = hand.head_width * space * size[1] * (1 + 1.4 * wobble[1])
    v, u = unit[:, 0], unit[:, 1]
    rows = v * height - (hand.rise + wobble[2]) * u * width
    cols = u * width * (1 - (hand.taper + wobble[4]) * v) - (hand.lean + wobble[3]) * v * height
    return ragged(np.stack([rows + row, cols + col], axis=1), hand, rng, space)
