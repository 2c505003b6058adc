"""Square heads or pointed ones: told by which way the edges of their ink run.

A square head has upright and level edges, a lozenge slanting ones, and so have the strokes that
join them. The directions of edges are counted in nine parts of each head (N. Dalal and B.
Triggs, "Histograms of oriented gradients for human detection", CVPR 2005); their means over the
page are weighed by a logistic model fitted on rendered pages (`neumary.head_shape_table`).
"""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass
from typing import Final

import cv2
import numpy as np
import numpy.typing as npt

from neumary.head_shape_table import LEAST_SPREAD, MEANS, OFFSET, SPREADS, WEIGHTS
from neumary.types import Glyph, InkMap, Reading, Staff
from neumary_models.labels import HEADS

F64 = npt.NDArray[np.float64]

GROUPS: Final = ("punctum", "virga", "")
"""Labels whose heads are described apart; "" = all heads."""
CELLS: Final = 3
"""Parts of a head each way."""
DIRECTIONS: Final = 8
"""Of edges, told apart round the circle; the first is a left edge of ink."""
MEASURES: Final = CELLS * CELLS * DIRECTIONS + 2
"""Of each group: shares of the directions, part by part, then height and width in spaces."""
_SURE_HEAD_P: Final = 0.6
_LEAST_HEADS: Final = 4  # of a group; a group with fewer is taken to look as usual
_MOST_HEADS: Final = 120  # more tell no more
_LEAST_OF_A_HAND: Final = 12  # that tell it from the hand before or after
_SURE_LOG_ODDS: Final = 3.5  # at 2.2 two of 280 rendered pages of one hand were parted
_SIDE_SPACES: Final = 2.0
_SIDE_PX: Final = 24
_SLOPE_SPACES: Final = 2.0  # how far to either side a staff's slope is taken from
_MIDDLE: Final = slice(4, 20)  # px: what of a patch is the head's own
_SOFT_PX: Final = 0.7
_LEVEL: Final = (DIRECTIONS // 4, 3 * DIRECTIONS // 4)  # upper and lower edges, as staff lines have


@dataclass(frozen=True, slots=True, eq=False)
class MeasuredHead:
    """One head beyond doubt.

    Attributes
    ----------
    staff, label : str
    measures : ndarray of float64, shape (MEASURES,)
        Shares of the directions of its edges, part by part, then height and width in spaces.
    """

    staff: str
    label: str
    measures: F64


def measure_heads(
    ink: InkMap, staves: Sequence[Staff], glyphs: Sequence[Glyph], readings: Sequence[Reading]
) -> list[MeasuredHead]:
    """Edges and sizes of a page's heads: of so many as are needed, from all over the page.

    Parameters
    ----------
    ink : InkMap
    staves, glyphs, readings : sequence of Staff, of Glyph, of Reading
    """
    own = {staff.id: staff for staff in staves}
    current = {reading.glyph: reading for reading in readings}
    sure: list[tuple[Glyph, str]] = []
    for glyph in glyphs:
        reading = current.get(glyph.id)
        if reading is None or glyph.staff not in own:
            continue
        if reading.label not in HEADS or reading.note or reading.confidence < _SURE_HEAD_P:
            continue
        sure.append((glyph, reading.label))
    out = []
    for glyph, label in sure[:: max(1, math.ceil(len(sure) / _MOST_HEADS))]:
        box, staff = glyph.box, own[glyph.staff]
        sizes = [(box.bottom - box.top) / staff.space_px, (box.right - box.left) / staff.space_px]
        measured = np.concatenate([count_edges(_patch(ink, glyph, staff)), sizes])
        out.append(MeasuredHead(glyph.staff, label, measured))
    return out


def describe(heads: Sequence[MeasuredHead]) -> F64 | None:
    """What heads look like, taken together.

    Parameters
    ----------
    heads : sequence of MeasuredHead

    Returns
    -------
    ndarray of float64, shape (len(GROUPS) * MEASURES,), or None
        Means of the measures, group by group; nan in a group of too few heads. None where there are
        too few heads of any kind.
    """
    if len(heads) < _LEAST_HEADS:
        return None
    usual = []
    for name in GROUPS:
        own = [head.measures for head in heads if name in (head.label, "")]
        usual.append(np.mean(own, axis=0) if len(own) >= _LEAST_HEADS else np.full(MEASURES, np.nan))
    return np.concatenate(usual)


def change_of_hand(heads: Sequence[MeasuredHead], order: Sequence[str]) -> int:
    """How many staves one hand wrote before another went on in the other kind of heads; 0 if none did.

    Parameters
    ----------
    heads : sequence of MeasuredHead
    order : sequence of str
        Ids of the staves as they are read.

    Returns
    -------
    int
        Where both parts are surely of different kinds; of several such places the surest.
    """
    rank = {name: k for k, name in enumerate(order)}
    best, surest = 0, 0.0
    for k in range(1, len(order)):
        parts = [[head for head in heads if (rank[head.staff] < k) == first] for first in (True, False)]
        if min(map(len, parts)) < _LEAST_OF_A_HAND:
            continue
        one, other = (log_odds(told) for told in map(describe, parts) if told is not None)
        if one * other < 0 and min(abs(one), abs(other)) >= _SURE_LOG_ODDS and abs(one - other) > surest:
            best, surest = k, abs(one - other)
    return best


def _patch(ink: InkMap, glyph: Glyph, staff: Staff) -> F64:
    """Ink around a head, grey levels swallowed, brought to one size, the staff level."""
    step = _SIDE_SPACES * staff.space_px * ink.scale / _SIDE_PX
    row, col = (glyph.row + 0.5) * ink.scale - 0.5, (glyph.col + 0.5) * ink.scale - 0.5
    turn = math.atan(_slope(staff, glyph.col))
    along, across = step * math.cos(turn), step * math.sin(turn)
    middle = (_SIDE_PX - 1) / 2
    to_page = np.array(
        [
            [along, -across, col - middle * (along - across)],
            [across, along, row - middle * (along + across)],
        ]
    )
    flat = cv2.warpAffine(
        ink.flat, to_page, (_SIDE_PX, _SIDE_PX), flags=cv2.INTER_LINEAR | cv2.WARP_INVERSE_MAP,
        borderMode=cv2.BORDER_CONSTANT, borderValue=(255, 255, 255),
    )  # fmt: skip
    return np.asarray(255.0 - flat.min(axis=2), dtype=np.float64)


def _slope(staff: Staff, col: float) -> float:
    """How steeply a staff's lines fall to the right at a column; 0 without lines."""
    reach = _SLOPE_SPACES * staff.space_px
    falls = [line.row_at(col + reach) - line.row_at(col - reach) for line in staff.lines]
    return float(np.median(falls)) / (2 * reach) if falls else 0.0


def count_edges(patch: F64) -> F64:
    """Strength of the edges of each direction, part by part, over that of all that are not level.

    Parameters
    ----------
    patch : ndarray of float64, shape (24, 24)
        Grey levels swallowed; two staff spaces high and wide.
    """
    soft = cv2.GaussianBlur(patch, (0, 0), _SOFT_PX)
    down = cv2.Sobel(soft, cv2.CV_64F, 0, 1, ksize=3)[_MIDDLE, _MIDDLE]
    across = cv2.Sobel(soft, cv2.CV_64F, 1, 0, ksize=3)[_MIDDLE, _MIDDLE]
    strength = np.hypot(down, across)
    at = (np.arctan2(down, across) / (2 * np.pi) * DIRECTIONS) % DIRECTIONS
    low = np.floor(at)
    part = at - low
    first = low.astype(int) % DIRECTIONS
    cell = np.arange(len(strength)) * CELLS // len(strength)
    lead = (cell[:, None] * CELLS + cell[None, :]) * DIRECTIONS
    count = CELLS * CELLS * DIRECTIONS
    shares = np.bincount((lead + first).ravel(), (strength * (1 - part)).ravel(), count)
    shares += np.bincount((lead + (first + 1) % DIRECTIONS).ravel(), (strength * part).ravel(), count)
    slanting = np.delete(shares.reshape(-1, DIRECTIONS), _LEVEL, axis=1).sum()
    return np.asarray(shares / max(float(slanting), 1e-6))


def log_odds(described: F64) -> float:
    """Logarithm of the odds that heads are those of a pointed hand.

    Parameters
    ----------
    described : ndarray of float64
        From `describe`.
    """
    off = (described - np.array(MEANS)) / np.maximum(np.array(SPREADS), LEAST_SPREAD)
    odds = float(np.nan_to_num(off) @ np.array(WEIGHTS)) + OFFSET
    return max(-30.0, min(30.0, odds))


def pointed_p(described: F64) -> float:
    """Probability that heads are those of a pointed hand; parameters as `log_odds`."""
    return 1 / (1 + math.exp(-log_odds(described)))
