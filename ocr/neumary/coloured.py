"""Staves of one or two coloured lines: told apart from full ones, their paints named.

Early notation on lines inks the F line red and the c line yellow (or another, often faded,
colour) and leaves the rest of the grid to the eye (common practice; the colours are told by
medieval theory texts). What a paint *means* is a rule that can be set, see `neumary.line_rule`.
"""

from __future__ import annotations

import math
from collections.abc import Callable, Mapping, Sequence
from typing import Final

import msgspec
import numpy as np

from neumary.line_rule import DEFAULT_RULE, parse_rule
from neumary.lines import Floats
from neumary.types import InkMap, LineColour, Staff, StaffLine

FEW_LINES: Final = 2
"""Staves of at most so many lines can be of this kind."""
# Shares of the blue light swallowed that are swallowed of green and of red light; measured on
# rendered lines: red paint 0.82 to 1 and 0.1 to 0.5, yellow 0 to 0.6 and 0 to 0.4, faded 0.8 to
# 0.94 and 0.76 to 0.9.
_YELLOW_GREEN: Final = 0.65
_RED_RED: Final = 0.62
# Lines of full staves, rendered: brown ink .62 to .80, black .78 to .91, what is black but swallows less
# is grey.
_BROWN_RED: Final = 0.79
_PALE: Final = 75  # grey levels of red light
_COLOURLESS: Final = 0.96  # from here the photograph itself has no colour
_BLACK: Final = 150  # grey levels swallowed by a line that is no faded paint
_BARE: Final = 90  # the least channel of line ink stays under this where a note covers the line
_SAMPLES: Final = 160
# Log odds for the kind (design figures, no source):
_BASE_ODDS: Final = -1.5
_PAINT_ODDS: Final = 2.0  # all lines of the staff have a paint that means something
_TWO_PAINTS_ODDS: Final = 2.5  # two lines, two paints, in the order F below C
_PAGE_ODDS: Final = 3.0  # by how much the page's staves have few lines: -this .. this
_MIXED_P: Final = 0.3  # of a full staff whose lines have such paints (design figure)
_ASKED_ODDS: Final = 4.0  # the user said that staves have one or two lines


def recognise(
    ink: InkMap, staves: Sequence[Staff], *, asked: int | None = None, rule: Mapping[str, int] | None = None
) -> list[Staff]:
    """Name the paints of staves of few lines, and tell which are of the coloured-lines kind.

    Parameters
    ----------
    ink : InkMap
    staves : sequence of Staff
        All of a page.
    asked : int, optional
        Number of lines of every staff, where the user gave it.
    rule : mapping of str to int, optional
        From `neumary.line_rule.parse_rule`; the default rule where left out.

    Returns
    -------
    list of Staff
        With the paints of their lines named; `kind` and `kind_p` set on those of one or two lines
        that are likelier than not of coloured lines.
    """
    means = parse_rule(DEFAULT_RULE) if rule is None else rule
    lined = [staff for staff in staves if staff.lines]
    few = sum(len(staff.lines) <= FEW_LINES for staff in lined)
    share = 2 * few / max(1, len(lined)) - 1
    out = []
    for staff in staves:
        if not 0 < len(staff.lines) <= FEW_LINES or staff.kind not in ("square", "coloured-lines"):
            staff = _painted(ink, staff, name_line) if len(staff.lines) > FEW_LINES else staff
            doubtful = len(staff.lines) > FEW_LINES and staff.kind == "square" and mixed_paints(staff)
            out.append(msgspec.structs.replace(staff, kind_p=_MIXED_P) if doubtful else staff)
            continue
        painted = _painted(ink, staff, name_paint)
        odds = _BASE_ODDS + _PAGE_ODDS * share + _odds_of_paints(painted, means)
        odds += _ASKED_ODDS if asked is not None and asked <= FEW_LINES else 0.0
        p = 1 / (1 + math.exp(-odds))
        if p >= 0.5:
            painted = msgspec.structs.replace(painted, kind="coloured-lines", kind_p=round(p, 4))
        else:
            staff = msgspec.structs.replace(staff, kind_p=round(1 - p, 4))
        out.append(painted if p >= 0.5 else staff)
    return out


def mixed_paints(staff: Staff) -> bool:
    """Whether a staff of many lines looks like several of two coloured lines taken for one.

    A full staff has lines of one paint, or one red and at most one yellow among plain ones
    (common practice, no source).
    """
    colours = [line.colour for line in staff.lines]
    yellow, red = colours.count("yellow"), colours.count("red")
    if not yellow or yellow == len(colours):
        return False
    return yellow > 1 or red != 1 or len(set(colours)) > FEW_LINES + 1 or len(colours) < FEW_LINES + 2


def _odds_of_paints(staff: Staff, means: Mapping[str, int]) -> float:
    degrees = [means.get(line.colour) for line in staff.lines]
    odds = _PAINT_ODDS if None not in degrees else 0.0
    known = [degree for degree in degrees if degree is not None]
    if len(known) == FEW_LINES and known[0] < known[1]:
        odds += _TWO_PAINTS_ODDS
    return odds


def _painted(ink: InkMap, staff: Staff, name: Callable[[Floats], LineColour]) -> Staff:
    lines = tuple(msgspec.structs.replace(line, colour=name(line_ink(ink, line))) for line in staff.lines)
    return msgspec.structs.replace(staff, lines=lines)


def name_paint(swallowed: Floats) -> LineColour:
    """Name of a line's paint.

    Parameters
    ----------
    swallowed : ndarray, shape (3,)
        Grey levels of red, green and blue light that the line takes from bare parchment.
    """
    red, green, blue = (float(x) for x in swallowed)
    if red > 1.15 * blue:
        return "blue"
    if green < _YELLOW_GREEN * blue:
        return "yellow"
    if red < _RED_RED * blue:
        return "red"
    if red >= _COLOURLESS * blue or red >= _BLACK:
        return "black"
    return "grey" if red > 0.72 * blue else "brown"


def name_line(swallowed: Floats) -> LineColour:
    """Name of the paint of a line of a full staff, where black and brown ink are commoner than faded paint.

    Parameters
    ----------
    swallowed : ndarray, shape (3,)
        As in `name_paint`.
    """
    paint = name_paint(swallowed)
    if paint in ("red", "yellow", "blue"):
        return paint
    red, _, blue = (float(x) for x in swallowed)
    if red < _BROWN_RED * blue:
        return "brown"
    return "grey" if red < _PALE else "black"


def line_ink(ink: InkMap, line: StaffLine) -> Floats:
    """Median light swallowed along the middle of a line, where no note covers it.

    Parameters
    ----------
    ink : InkMap
    line : StaffLine

    Returns
    -------
    ndarray of float64, shape (3,)
        Grey levels of red, green and blue light.
    """
    height, width = ink.dark.shape
    cols = np.linspace(line.cols[0], line.cols[-1], _SAMPLES)
    rows = np.interp(cols, line.cols, line.rows)
    at = np.rint((rows + 0.5) * ink.scale - 0.5).astype(int)[:, None] + np.arange(-1, 2)
    on = np.rint((cols + 0.5) * ink.scale - 0.5).astype(int)[:, None]
    ink_here = 255.0 - ink.flat[np.clip(at, 0, height - 1), np.clip(on, 0, width - 1)]
    core = ink_here[np.arange(_SAMPLES), ink_here.max(axis=2).argmax(axis=1)]
    bare = core.min(axis=1) < _BARE
    if bare.sum() >= 0.1 * _SAMPLES:
        core = core[bare]
    clear = core.max(axis=1) >= 0.6 * np.median(core.max(axis=1))
    return np.asarray(np.median(core[clear], axis=0), dtype=np.float64)
