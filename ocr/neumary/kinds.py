"""Which notation a page is in, with its probability, or as the user says.

Lines decide first (`neumary.coloured` tells few coloured lines from full staves), then letters at
the edge where there are no lines. Between square and pointed hands on full staves the heads'
corners decide: a square head fills them, a pointed one leaves them bare.
"""

from __future__ import annotations

import math
from collections.abc import Sequence
from typing import Final

import cv2
import msgspec
import numpy as np

from neumary.types import Glyph, InkMap, NotationKind, Reading, Staff

_FULL_KINDS: Final = frozenset({"square", "pointed"})
_SURE_HEAD_P: Final = 0.8
_LEAST_HEADS: Final = 6
_LEAST_PX: Final = 5
_CELLS: Final = 9
# Ink in the corners of a punctum's box over that in its middle, median of a page: on rendered
# held-out pages 0.27 to 0.57 in pointed hands and 0.43 to 0.73 in square ones, so one page in
# seven is told wrongly, or, better, doubtfully; nothing but the kind's name hangs on it.
_CORNERS_EVEN: Final = 0.435
_CORNERS_SLOPE: Final = 20.0
# Share of the rows with letters at their left end: 0.44 to 1 on rendered held-out pages with letters, 0 to
# 0.1 on those without.
_LETTERED_EVEN: Final = 0.3
_LETTERED_SLOPE: Final = 15.0


def name_kinds(
    ink: InkMap,
    staves: Sequence[Staff],
    glyphs: Sequence[Glyph],
    readings: Sequence[Reading],
    asked: NotationKind | None = None,
) -> list[Staff]:
    """Set kind and probability of each staff, after its signs were read.

    Parameters
    ----------
    ink : InkMap
    staves : sequence of Staff
        As found; kinds other than "square" and "pointed" were settled before and stay.
    glyphs, readings : sequence of Glyph, of Reading
    asked : NotationKind, optional
        What the user said; holds for all staves.

    Returns
    -------
    list of Staff
    """
    if asked is not None:
        return [msgspec.structs.replace(staff, kind=asked, kind_p=1.0) for staff in staves]
    corners = corner_ink(ink, glyphs, readings)
    if corners is None:
        return list(staves)
    pointed = 1 / (1 + math.exp(_CORNERS_SLOPE * (corners - _CORNERS_EVEN)))
    kind: NotationKind = "pointed" if pointed > 0.5 else "square"
    return [
        msgspec.structs.replace(staff, kind=kind, kind_p=round(staff.kind_p * max(pointed, 1 - pointed), 4))
        if staff.kind in _FULL_KINDS
        else staff
        for staff in staves
    ]


def corner_ink(ink: InkMap, glyphs: Sequence[Glyph], readings: Sequence[Reading]) -> float | None:
    """Ink in the corners of a page's puncta over that in their middles; None with too few of them."""
    current = {reading.glyph: reading for reading in readings}
    shares = []
    for glyph in glyphs:
        reading = current.get(glyph.id)
        if reading is None or reading.label != "punctum" or reading.confidence < _SURE_HEAD_P:
            continue
        share = _corners(ink, glyph)
        if share is not None:
            shares.append(share)
    return float(np.median(shares)) if len(shares) >= _LEAST_HEADS else None


def _corners(ink: InkMap, glyph: Glyph) -> float | None:
    box = glyph.box
    edges = (round(edge * ink.scale) for edge in (box.top, box.left, box.bottom, box.right))
    top, left, bottom, right = edges
    patch = ink.flat[max(0, top - 1) : bottom + 1, max(0, left - 1) : right + 1]
    if min(patch.shape[:2]) < _LEAST_PX:
        return None
    strength = np.asarray(255 - patch.min(axis=2), dtype=np.uint8)
    inked = (strength >= int(strength.max()) // 2).astype(np.uint8)
    _, labels, stats, _ = cv2.connectedComponentsWithStats(inked, connectivity=4)
    part = int(labels[patch.shape[0] // 2, patch.shape[1] // 2])
    x, y, width, height = (int(value) for value in stats[part, :4])
    if not part or min(width, height) < _LEAST_PX or not 0.5 < height / width < 2:
        return None
    head = strength[y : y + height, x : x + width]
    cells = np.asarray(cv2.resize(head, (_CELLS, _CELLS), interpolation=cv2.INTER_AREA), dtype=np.float64)
    middle = float(cells[3:6, 3:6].mean())
    ends = (slice(0, 2), slice(-2, None))
    corners = float(np.mean([cells[rows, cols].mean() for rows in ends for cols in ends]))
    return corners / middle if middle > 0 else None


def lettered_p(lettered: float) -> float:
    """Probability that a page without lines has letters that give its heights.

    Parameters
    ----------
    lettered : float
        Share of its rows at whose left end letters were found.
    """
    return 1 / (1 + math.exp(-_LETTERED_SLOPE * (lettered - _LETTERED_EVEN)))
