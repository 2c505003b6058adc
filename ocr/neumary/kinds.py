"""Which notation a page is in, with its probability, or as the user says.

Lines decide first (`neumary.coloured` tells few coloured lines from full staves), then letters at
the edge where there are no lines. Between square and pointed hands on full staves the edges of the
heads decide (`neumary.head_shapes`), before and after a change of hands.
"""

from __future__ import annotations

import math
from collections.abc import Sequence
from typing import Final

import msgspec

from neumary.head_shapes import MeasuredHead, change_of_hand, describe, measure_heads, pointed_p
from neumary.types import Glyph, InkMap, NotationKind, Reading, Staff

_FULL_KINDS: Final = frozenset({"square", "pointed"})
# Share of the rows with letters at their left end: 0.44 to 1 on rendered held-out pages with letters, 0 to
# 0.1 on those without.
_LETTERED_EVEN: Final = 0.3
_LETTERED_SLOPE: Final = 15.0
# Letters seen at fewer rows are believed on pages whose heads are nearly all beyond doubt, as staffless signs
# and words taken for heads are not: rendered pages with letters 0.93 and more, others mostly under 0.8.
_LETTERED_EVEN_HEADED: Final = 0.12
_HEADED: Final = 0.93
_LETTERED_ROWS: Final = 0.5  # by so many rows without letters a page's share is made doubtful
# Staffless signs beyond doubt against heads beyond doubt: on rendered pages 0.4 to 1.7 of staffless
# signs, 0 to 0.2 of heads with letters.
_SIGNS_EVEN: Final = 0.3
_SIGNS_SLOPE: Final = 3.0


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
    heads = measure_heads(ink, staves, glyphs, readings)
    order = [staff.id for staff in staves if staff.kind in _FULL_KINDS]
    first = set(order[: change_of_hand([head for head in heads if head.staff in order], order)])
    parts = ([head for head in heads if (head.staff in first) == own] for own in (False, True))
    told = [_kind_of(part) for part in parts]
    return [
        msgspec.structs.replace(staff, kind=kind[0], kind_p=round(staff.kind_p * kind[1], 4))
        if staff.kind in _FULL_KINDS and (kind := told[staff.id in first]) is not None
        else staff
        for staff in staves
    ]


def _kind_of(heads: Sequence[MeasuredHead]) -> tuple[NotationKind, float] | None:
    """What one hand's heads are, and how surely; None for too few."""
    described = describe(heads)
    if described is None:
        return None
    pointed = pointed_p(described)
    return ("pointed", pointed) if pointed > 0.5 else ("square", 1 - pointed)


def lettered_p(lettered: float, rows: int | None = None, sure_heads: float = 0.0) -> float:
    """Probability that a page without lines has letters that give its heights.

    Parameters
    ----------
    lettered : float
        Share of its rows at whose left end letters were found.
    rows : int, optional
        How many rows it has; few of them prove less.
    sure_heads : float
        Share of the heads in its rows that are beyond doubt.
    """
    share = lettered if rows is None else lettered * rows / (rows + _LETTERED_ROWS)
    even = _LETTERED_EVEN_HEADED if sure_heads >= _HEADED else _LETTERED_EVEN
    return 1 / (1 + math.exp(-_LETTERED_SLOPE * (share - even)))


def signs_rather_than_letters(lettered: float, heads: int, signs: int) -> bool:
    """Whether rows taken for neumes with letters at the edge are rather staffless signs.

    Parameters
    ----------
    lettered : float
        From `lettered_p`.
    heads : int
        Heads beyond doubt that were read in its rows, as of notes between lines.
    signs : int
        Staffless signs beyond doubt that were read off the same page.
    """
    odds = math.log(max(lettered, 1e-6) / max(1 - lettered, 1e-6))
    return bool(signs) and odds < _SIGNS_SLOPE * math.log((signs + 1) / (heads + 1) / _SIGNS_EVEN)
