"""Lines of neumes with letters at the edge and no staff lines, as the reader will see them.

The truth of such a page has no lines, so none can be shaken. What the reader works with is a
*virtual* staff: an F and a c line laid through the heights that letters give. The true course of
those heights follows from the written degrees of the heads.
"""

from __future__ import annotations

from typing import Final

import msgspec
import numpy as np
import numpy.typing as npt

from neumary.gamut import CLEF_DEGREES
from neumary.types import LineColour, Page, Staff, StaffLine
from neumary_models.labels import HEADS

F64 = npt.NDArray[np.float64]

_F: Final = 24  # degree of the lower virtual line; the upper one lies four degrees higher
_FIFTH: Final = 4
_LEAST_HEADS: Final = 3
_BENT_FROM: Final = 12  # heads from which a bow is fitted too
_KNOTS: Final = 24
# How far a reader's virtual staff is off, in staff spaces: as a whole (letters stand where they
# may), at the far end (letters fix the near one only), in a bow; and its scale, in logarithms.
_OFF, _TILT, _BOW, _SCALE = 0.12, 0.2, 0.08, 0.04
# The same before any letter was found.
_LOST, _LOST_SCALE = 1.3, 0.12


def letter_views(page: Page, staff: Staff, rng: np.random.Generator) -> list[tuple[Staff, bool]]:
    """A line of neumes between virtual lines, as found by its letters, and as guessed before.

    Parameters
    ----------
    page : Page
        A rendered page's truth.
    staff : Staff
        One of its staves of kind "letters".
    rng : numpy Generator

    Returns
    -------
    list of (Staff, bool)
        Two virtual lines each, red F below yellow c, `seen` 0; True where steps are to be
        learned, False for the guess, whose line rows the network does not get. Empty where too
        few heads tell the grid.
    """
    course = _course(page, staff)
    if course is None:
        return []
    cols, rows = course
    space = staff.space_px
    along = np.linspace(0, 1, len(cols))
    off = rng.normal(0, _OFF) + rng.normal(0, _TILT) * along + rng.normal(0, _BOW) * 4 * along * (1 - along)
    found = _virtual(staff, cols, rows + off * space, space * float(np.exp(rng.normal(0, _SCALE))))
    lost = rng.uniform(-_LOST, _LOST) + rng.normal(0, _TILT) * along
    guess = _virtual(staff, cols, rows + lost * space, space * float(np.exp(rng.normal(0, _LOST_SCALE))))
    return [(found, True), (guess, False)]


def true_staff(page: Page, staff: Staff) -> Staff | None:
    """The virtual staff of a line of neumes as the scribe had it in mind; None as `letter_views`."""
    course = _course(page, staff)
    return None if course is None else _virtual(staff, *course, staff.space_px)


def _virtual(staff: Staff, cols: F64, rows: F64, space: float) -> Staff:
    pair: tuple[tuple[float, LineColour], ...] = ((0.0, "red"), (_FIFTH / 2 * space, "yellow"))
    lines = tuple(
        StaffLine(
            cols=tuple(float(c) for c in cols), rows=tuple(float(r) for r in rows - rise),
            thickness_px=0.0, colour=colour, seen=0.0,
        )
        for rise, colour in pair
    )  # fmt: skip
    return msgspec.structs.replace(staff, lines=lines, space_px=space)


def _course(page: Page, staff: Staff) -> tuple[F64, F64] | None:
    """Columns and rows (px) of the height F along a line of neumes, from its heads and letters."""
    readings = page.current()
    found, letters = [], []
    for glyph in page.glyphs:
        reading = readings[glyph.id]
        if glyph.staff != staff.id:
            continue
        if reading.label in HEADS and reading.pitch is not None and reading.pitch.degree is not None:
            found.append((glyph.col, glyph.row, reading.pitch.degree - _F))
        elif reading.label in CLEF_DEGREES:
            letters.append((glyph.col, glyph.row, CLEF_DEGREES[reading.label] - _F))
    if len(found) < _LEAST_HEADS or not letters:
        return None
    cols, rows, rises = np.array(found + letters, dtype=np.float64).T
    left, right = cols.min(), cols.max() + staff.space_px
    along = (cols - left) / (right - left)
    order = 2 if len(found) >= _BENT_FROM else 1
    fitted = np.polyfit(along, rows + rises * staff.space_px / 2, order)
    at = np.linspace(left, right, _KNOTS)
    return at, np.polyval(fitted, (at - left) / (right - left))
