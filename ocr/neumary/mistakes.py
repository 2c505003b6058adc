"""Every single mistake of a page against the truth: where, what, and what it goes back to.

The counts of `neumary.metrics` say how much went wrong; this says what, so that a person can
look at it. Both pair signs alike.
"""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from typing import Final, Literal

import msgspec

from neumary.gamut import line_step
from neumary.page_matching import SOFT_PAIRS, Match, Placed, compare_signs, sign_costs
from neumary.staff_measures import pair_staves
from neumary.types import Page, Staff

Sort = Literal["missed", "spurious", "label", "step", "pitch"]
"""Not read; read where nothing is; wrong name; right name on the wrong step; wrong pitch only."""

Cause = Literal["staff", "lines", "clef", "flat", "touching", "mistaken", "sign"]
"""What a mistake goes back to, in the order in which the causes are tried.

``staff``: no staff was found there, or one was found where none is. ``lines``: the staff was found
with other lines. ``clef``, ``flat``: name and step are right, the pitch is not. ``touching``: missed
beside a sign nearer than one space. ``mistaken``: a sign of another group was read there.
``sign``: none of these, the sign itself was misread.
"""

_TOUCHING_SPACES: Final = 1.0


class Mistake(msgspec.Struct, frozen=True, kw_only=True):
    """One thing to put right.

    Attributes
    ----------
    sort, cause : str
    group : str
        Group of the true sign; of the read one where nothing is.
    row, col : float
        Where it is, original px.
    space_px : float
        Staff space there.
    true, read : str
        Labels; "" for none.
    confidence : float
        Of the reading; 0 where there is none.
    true_step, read_step : int or None
    under_inferred : bool
        Whether what was read stands under a clef that was concluded, not seen.
    """

    page_id: str
    sort: Sort
    cause: Cause
    group: str
    row: float
    col: float
    space_px: float
    true: str = ""
    read: str = ""
    confidence: float = 0.0
    true_step: int | None = None
    read_step: int | None = None
    under_inferred: bool = False


def list_mistakes(
    read: Page,
    truth: Page,
    *,
    note_spaces: float = 0.5,
    sign_spaces: float = 1.0,
    soft_pairs: Sequence[tuple[str, str]] = SOFT_PAIRS,
) -> list[Mistake]:
    """All mistakes of a page, in reading order of the truth, spurious signs last.

    Parameters
    ----------
    read, truth : Page
        The same image, in the same pixels.
    note_spaces, sign_spaces : float
        Distances of centres up to which heads, and other signs, are the same; staff spaces.
    soft_pairs : sequence of (str, str)
        Labels that count as equal.
    """
    found = compare_signs(read, truth, note_spaces, sign_spaces, soft_pairs)
    staves = pair_staves(read.staves, truth.staves)
    mistakes = []
    partner = {true: ours for ours, true in found.pairs}
    for true in found.true:
        mistake = _judge(truth.page_id, partner.get(true), true, found, staves, read)
        if mistake is not None:
            mistakes.append(mistake)
    hit = set(partner.values())
    for placed in found.read:
        if placed not in hit:
            cause: Cause = "sign" if _near_staff(placed, truth.staves) else "staff"
            mistakes.append(_mistake(truth.page_id, "spurious", cause, placed, None))
    return mistakes


def _judge(
    page_id: str,
    ours: Placed | None,
    true: Placed,
    found: Match,
    staves: Mapping[int, int],
    read: Page,
) -> Mistake | None:
    """What is wrong with one true sign; None where nothing is."""
    if ours is None:
        return _mistake(page_id, "missed", _why_missed(true, found.true, staves, read), None, true)
    if ours.group != true.group:
        return _mistake(page_id, "label", "mistaken", ours, true)
    if not found.same(ours.sign.label, true.sign.label):
        return _mistake(page_id, "label", "sign", ours, true)
    if true.group == "division":
        return None
    if _step(ours) != _step(true) and _step(true) is not None:
        cause: Cause = "lines" if _other_lines(true, staves, read) else "sign"
        return _mistake(page_id, "step", cause, ours, true)
    if true.sign.is_head and true.symbol is not None and ours.symbol != true.symbol:
        flat = ours.symbol is not None and ours.symbol[0] == true.symbol[0]
        return _mistake(page_id, "pitch", "flat" if flat else "clef", ours, true)
    return None


def _step(placed: Placed) -> int | None:
    return line_step(placed.sign.reading) if placed.sign.is_clef else placed.sign.reading.step


def _why_missed(true: Placed, theirs: list[Placed], staves: Mapping[int, int], read: Page) -> Cause:
    if not _near_staff(true, read.staves):
        return "staff"
    if _other_lines(true, staves, read):
        return "lines"
    gaps = sign_costs([true], [p for p in theirs if p is not true])
    return "touching" if gaps.size and float(gaps.min()) < _TOUCHING_SPACES else "sign"


def _other_lines(true: Placed, staves: Mapping[int, int], read: Page) -> bool:
    """Whether the staff of a true sign was found with other lines than it has."""
    return true.staff not in staves and bool(read.staves)


def _near_staff(placed: Placed, staves: Sequence[Staff]) -> bool:
    """Whether a sign stands within some staff's reach: five spaces around its lines."""
    row, col = placed.sign.glyph.row, placed.sign.glyph.col
    for staff in staves:
        if not staff.lines:
            box = staff.area
            if box.top <= row < box.bottom and box.left <= col < box.right:
                return True
            continue
        reach = 5 * staff.space_px
        left, right = min(x.cols[0] for x in staff.lines), max(x.cols[-1] for x in staff.lines)
        top, bottom = staff.lines[-1].row_at(col), staff.lines[0].row_at(col)
        if left - reach / 2 <= col <= right + reach / 2 and top - reach <= row <= bottom + reach:
            return True
    return False


def _mistake(page_id: str, sort: Sort, cause: Cause, ours: Placed | None, true: Placed | None) -> Mistake:
    shown = true or ours
    assert shown is not None
    glyph = shown.sign.glyph
    return Mistake(
        page_id=page_id,
        sort=sort,
        cause=cause,
        group=shown.group,
        row=glyph.row,
        col=glyph.col,
        space_px=shown.space_px,
        true=true.sign.label if true else "",
        read=ours.sign.label if ours else "",
        confidence=ours.sign.reading.confidence if ours else 0.0,
        true_step=_step(true) if true else None,
        read_step=_step(ours) if ours else None,
        under_inferred=ours is not None and ours.clef_inferred,
    )
