"""Which signs stand around a staff and not on it, and what of them had been taken for melody.

Staffless signs of printed books stand 1 to 3 spaces above the top line or below the bottom line;
square notes stand on the lines or at most about a space beyond them. Where both readers claim the same
ink, its height over the lines and the two probabilities decide.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from typing import Final

import msgspec

from neumary.staffless import FreeCandidate
from neumary.staffless_glyphs import page_edges
from neumary.staffless_look import FreeLook
from neumary.types import Box, Glyph, Page, Reading, Remark, Staff
from neumary_models.labels import HEADS

_LEAST_SPACES: Final = 0.7  # the middle of a staffless sign beyond the outer line
_MOST_SPACES: Final = 4.5
_SIDE_SPACES: Final = 1.5  # beyond the ends of the lines
_SURE_BEYOND: Final = 1.25  # so far beyond the lines no square note stands (common practice, no source)
_SHARED: Final = 0.3  # of a note's box inside a sign's box: both are the same ink
_SAME: Final = 0.4  # of a sign's box inside a note's box: the sign is that note
_SURER: Final = 0.3  # by so much the sign must be surer than a note near the lines


@dataclass(frozen=True, slots=True)
class Around:
    """A sign above or below a staff.

    Attributes
    ----------
    sign : FreeCandidate
    staff : str
        Id of the nearest staff.
    layer : str
        "upper" or "lower".
    box : Box
        Page px.
    beyond : float
        Of its middle beyond the outer line, in spaces.
    is_note : bool
        Whether its ink is sooner a note of the melody.
    """

    sign: FreeCandidate
    staff: str
    layer: str
    box: Box
    beyond: float
    is_note: bool = False


def signs_around(page: Page, look: FreeLook) -> list[Around]:
    """Signs above and below the staves of a page.

    Parameters
    ----------
    page : Page
    look : FreeLook
    """
    staves = [staff for staff in page.staves if staff.lines]
    notes = _notes(page)
    found = []
    for sign in look.signs:
        box = Box(*page_edges(sign.box, look))
        row, col = (box.top + box.bottom - 1) / 2, (box.left + box.right - 1) / 2
        near = [(abs(_beyond(staff, row, col)), n) for n, staff in enumerate(staves) if _beside(staff, col)]
        if not near:
            continue
        away, n = min(near)
        if not _LEAST_SPACES <= away <= _MOST_SPACES:
            continue
        layer = "upper" if _beyond(staves[n], row, col) > 0 else "lower"
        is_note = any(
            _inside(box, glyph.box) > _SAME and not _is_leak(staves[n], glyph, reading, sign.p_sign)
            for glyph, reading in notes
            if glyph.staff == staves[n].id
        )
        found.append(Around(sign, staves[n].id, layer, box, away, is_note))
    return found


def without_leaks(page: Page, around: Sequence[Around]) -> Page:
    """Take signs of the melody that are ink of signs around the staff out of it.

    Parameters
    ----------
    page : Page
    around : sequence of Around
        Without those that are notes.
    """
    staves = {staff.id: staff for staff in page.staves}
    leaks = {
        glyph.id
        for glyph, reading in _notes(page)
        for one in around
        if _inside(glyph.box, one.box) > _SHARED
        and _is_leak(staves[glyph.staff], glyph, reading, one.sign.p_sign)
    }
    if not leaks:
        return page
    text = f"{len(leaks)} signs read as notes belong to staffless signs around the staves and were taken out."
    return msgspec.structs.replace(
        page,
        glyphs=tuple(glyph for glyph in page.glyphs if glyph.id not in leaks),
        readings=tuple(reading for reading in page.readings if reading.glyph not in leaks),
        warnings=(*page.warnings, Remark(code="not-melody", text=text)),
    )


def _notes(page: Page) -> list[tuple[Glyph, Reading]]:
    current = page.current()
    lined = {staff.id for staff in page.staves if staff.lines}
    read = ((g, current[g.id]) for g in page.glyphs if g.id in current and g.staff in lined)
    return [(glyph, reading) for glyph, reading in read if reading.label in HEADS]


def _beyond(staff: Staff, row: float, col: float) -> float:
    """Spaces above the top line (positive) or below the bottom line (negative); 0 between them."""
    step = staff.step_at(row, col)
    top = 2 * staff.places[-1]
    return max(0.0, step - top) / 2 + min(0.0, step) / 2


def _beside(staff: Staff, col: float) -> bool:
    reach = _SIDE_SPACES * staff.space_px
    left, right = min(x.cols[0] for x in staff.lines), max(x.cols[-1] for x in staff.lines)
    return bool(left - reach <= col <= right + reach)


def _is_leak(staff: Staff, note: Glyph, reading: Reading, p_sign: float) -> bool:
    """Whether a note that shares its ink with a sign around the staff is that sign's ink."""
    far = abs(_beyond(staff, note.row, note.col)) >= _SURE_BEYOND
    return far or reading.confidence < p_sign - _SURER


def _inside(part: Box, whole: Box) -> float:
    """Share of a box that lies inside another one."""
    high = min(part.bottom, whole.bottom) - max(part.top, whole.top)
    wide = min(part.right, whole.right) - max(part.left, whole.left)
    area = max(1, (part.bottom - part.top) * (part.right - part.left))
    return max(high, 0) * max(wide, 0) / area
