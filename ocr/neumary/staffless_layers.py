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
import numpy as np

from neumary.staffless import FreeCandidate
from neumary.staffless_glyphs import page_edges
from neumary.staffless_look import FreeLook
from neumary.types import Box, Glyph, Page, Reading, Remark, Staff

_LEAST_SPACES: Final = 0.7  # the middle of a staffless sign beyond the outer line
_MOST_SPACES: Final = 4.5
_SIDE_SPACES: Final = 1.5  # beyond the ends of the lines
_SURE_BEYOND: Final = 1.25  # so far beyond the lines no square note stands (common practice, no source)
_SHARED: Final = 0.3  # of a note's box inside a sign's box: both are the same ink


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
        mine = [reading.confidence for glyph, reading in notes if _shares(glyph.box, box)]
        is_note = bool(mine) and away < _SURE_BEYOND and max(mine) >= sign.p_sign
        found.append(Around(sign, staves[n].id, layer, box, away, is_note))
    return found


def without_leaks(page: Page, around: Sequence[Around]) -> Page:
    """Take signs of the melody that are ink of signs around the staff out of it.

    Parameters
    ----------
    page : Page
    around : sequence of Around
    """
    boxes = [one.box for one in around if not one.is_note]
    leaks = {glyph.id for glyph, _ in _notes(page) if any(_shares(glyph.box, box) for box in boxes)}
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
    return [(g, current[g.id]) for g in page.glyphs if g.id in current and g.staff in lined]


def _beyond(staff: Staff, row: float, col: float) -> float:
    """Spaces above the top line (positive) or below the bottom line (negative); 0 between them."""
    step = staff.step_at(row, col)
    top = 2 * staff.places[-1]
    return max(0.0, step - top) / 2 + min(0.0, step) / 2


def _beside(staff: Staff, col: float) -> bool:
    reach = _SIDE_SPACES * staff.space_px
    left, right = min(x.cols[0] for x in staff.lines), max(x.cols[-1] for x in staff.lines)
    return bool(left - reach <= col <= right + reach)


def _shares(note: Box, sign: Box) -> bool:
    high = min(note.bottom, sign.bottom) - max(note.top, sign.top)
    wide = min(note.right, sign.right) - max(note.left, sign.left)
    area = max(1, (note.bottom - note.top) * (note.right - note.left))
    return high > 0 and wide > 0 and float(np.divide(high * wide, area)) > _SHARED
