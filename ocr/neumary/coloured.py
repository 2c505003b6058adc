"""Staves of one or two coloured lines: told apart from full ones, their paints named.

Early notation on lines inks the F line red and the c line yellow (or another, often faded,
colour) and leaves the rest of the grid to the eye (common practice; the colours are told by
medieval theory texts). What a paint *means* is a rule that can be set, see `neumary.line_rule`.
"""

from __future__ import annotations

import math
from collections.abc import Mapping, Sequence
from typing import Final

import msgspec
import numpy as np

from neumary.inked_lines import line_contrast
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
_COLOURLESS: Final = 0.96  # from here the photograph itself has no colour
_BLACK: Final = 150  # grey levels swallowed by a line that is no faded paint
_BARE: Final = 90  # the least channel of line ink stays under this where a note covers the line
_SAMPLES: Final = 160
_BRIGHT: Final = ("red", "yellow", "blue")
_CLEF_PAINTS: Final = ("red", "yellow")  # a single line of these may stand for a clef
_RULED_SHARE: Final = 0.6  # of a page's full staves
_RULED: Final = 0.8  # ruling against the weaker painted line, median of a page; plain staves mostly from 1 on
# Of a painted line, median of a page: where a second one had faded 0.37 and more, dry ruling 0.18.
_HARDLY_SECOND: Final = 0.25
_SECOND: Final = 0.7  # of a painted line: a fainter one beside it is ruling where staves have one line
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
        Staves of one or two lines with their paints named; `kind` and `kind_p` set on those
        that are likelier than not of coloured lines. All others are handed back untouched.
    """
    means = parse_rule(DEFAULT_RULE) if rule is None else rule
    lined = [staff for staff in staves if staff.lines]
    few = sum(len(staff.lines) <= FEW_LINES for staff in lined)
    share = 2 * few / max(1, len(lined)) - 1
    out = []
    for staff in staves:
        if not 0 < len(staff.lines) <= FEW_LINES or staff.kind not in ("square", "coloured-lines"):
            doubtful = len(staff.lines) > FEW_LINES and staff.kind == "square" and mixed_paints(staff)
            out.append(msgspec.structs.replace(staff, kind_p=_MIXED_P) if doubtful else staff)
            continue
        painted = _painted(ink, staff)
        odds = _BASE_ODDS + _PAGE_ODDS * share + _odds_of_paints(painted, means)
        odds += _ASKED_ODDS if asked is not None and asked <= FEW_LINES else 0.0
        p = 1 / (1 + math.exp(-odds))
        if p >= 0.5:
            painted = msgspec.structs.replace(painted, kind="coloured-lines", kind_p=round(p, 4))
        else:
            staff = msgspec.structs.replace(staff, kind_p=round(1 - p, 4))
        out.append(painted if p >= 0.5 else staff)
    return out


def without_ruling(ink: InkMap, staves: Sequence[Staff]) -> list[Staff]:
    """Take ruling that was never painted out of staves whose own lines are.

    Where on most full staves of a page all lines but one at the edge have one bright paint, and that
    one has another colour and is fainter; or where two lines, one of them red, stand two spaces
    apart, and all others are fainter and without paint: the others are the ruling that the painted
    ones were laid on. Among the plain lines of a full staff a red or yellow one is the fainter one.
    Where staves mostly have one line, a fainter second one without paint is ruling as well; so is one line
    more than most staves of the page have, if it is of other ink than the others, and none of a clef's.

    Parameters
    ----------
    ink : InkMap
    staves : sequence of Staff
        All of a page.

    Returns
    -------
    list of Staff
    """
    return _without_odd_edges(ink, _without_unpainted(ink, _without_second(ink, staves)))


def _without_unpainted(ink: InkMap, staves: Sequence[Staff]) -> list[Staff]:
    """Where most full staves have unpainted, fainter lines among painted ones, all of them without those."""
    full = [staff for staff in staves if len(staff.lines) > FEW_LINES]
    own = {staff.id: _painted_lines(ink, staff) for staff in full}
    found = [fainter for kept, fainter in own.values() if kept]
    if len(found) < max(FEW_LINES, _RULED_SHARE * len(full)) or np.median(found) > _RULED:
        return list(staves)
    out = []
    for staff in staves:
        kept = own[staff.id][0] if staff.id in own else ()
        lines = tuple(staff.lines[k] for k in kept) if kept else staff.lines
        out.append(msgspec.structs.replace(staff, lines=lines))
    return out


def _without_second(ink: InkMap, staves: Sequence[Staff]) -> Sequence[Staff]:
    """Where staves mostly have one line, those without a second one that is fainter and has no paint.

    Where they mostly have two, those without it, if on most of the page it is hardly to be seen.
    """
    pairs = [staff for staff in staves if len(staff.lines) == FEW_LINES]
    told = {staff.id: found for staff in pairs if (found := _bright_and_rest(ink, staff)) is not None}
    limit = _SECOND
    if len(pairs) > sum(len(staff.lines) == 1 for staff in staves):
        if len(told) < max(FEW_LINES, _RULED_SHARE * len(pairs)):
            return staves
        limit = math.inf if np.median([rest for _, rest in told.values()]) < _HARDLY_SECOND else 0.0
    out = []
    for staff in staves:
        bright, rest = told.get(staff.id, (0, math.inf))
        out.append(msgspec.structs.replace(staff, lines=(staff.lines[bright],)) if rest < limit else staff)
    return out


def _bright_and_rest(ink: InkMap, staff: Staff) -> tuple[int, float] | None:
    """The bright one of two lines, and how strong the other, unpainted one is against it."""
    paints = [name_paint(_core(ink, line)) for line in staff.lines]
    bright = [k for k, paint in enumerate(paints) if paint in _BRIGHT]
    if len(bright) != 1:
        return None
    strong = _contrasts(ink, staff)
    return bright[0], float(strong[1 - bright[0]] / max(float(strong[bright[0]]), 1.0))


def _without_odd_edges(ink: InkMap, staves: list[Staff]) -> list[Staff]:
    """Staves without one line more than most have, if that is of other ink than the painted rest."""
    counts = [len(staff.lines) for staff in staves]
    usual = max(sorted(set(counts)), key=counts.count, default=0)
    if usual <= FEW_LINES or counts.count(usual) <= len(counts) / 2:
        return staves
    out = []
    for staff in staves:
        if len(staff.lines) == usual + 1:
            paints = [name_paint(_core(ink, line)) for line in staff.lines]
            for edge, rest in ((0, slice(1, None)), (-1, slice(0, -1))):
                own = set(paints[rest])
                if len(own) == 1 and own <= set(_BRIGHT) and paints[edge] not in (*_CLEF_PAINTS, *own):
                    staff = msgspec.structs.replace(staff, lines=staff.lines[rest])
                    break
        out.append(staff)
    return out


def _contrasts(ink: InkMap, staff: Staff) -> Floats:
    """Contrast of each line of a staff, 0 where there is none to tell."""
    each = (line_contrast(ink, msgspec.structs.replace(staff, lines=(line,))) for line in staff.lines)
    return np.array([0.0 if contrast is None else contrast for contrast in each])


def _painted_lines(ink: InkMap, staff: Staff) -> tuple[tuple[int, ...], float]:
    """The painted ones among the lines of a full staff, and how strong the others are against them.

    None where not some only are painted.
    """
    strong = _contrasts(ink, staff)
    paints = [name_paint(_core(ink, line)) for line in staff.lines]
    n = len(staff.lines)
    choices: list[tuple[int, ...]] = [(low, low + FEW_LINES) for low in range(n - FEW_LINES)]
    choices = [pair for pair in choices if "red" in [paints[k] for k in pair]]
    if n > FEW_LINES + 1:
        edges = tuple(range(1, n)), tuple(range(n - 1))
        choices += [
            most for most in edges if len({paints[k] for k in most}) == 1 and paints[most[0]] in _BRIGHT
        ]
    best: tuple[tuple[int, ...], float] = (), 1.0
    for kept in choices:
        rest = [k for k in range(n) if k not in kept]
        like = {paints[k] for k in kept} if len(kept) > FEW_LINES else set(_BRIGHT)
        if any(paints[k] in like for k in rest):
            continue
        fainter = float(strong[rest].max() / max(float(strong[list(kept)].min()), 1.0))
        if fainter < best[1]:
            best = kept, fainter
    return best


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


def _painted(ink: InkMap, staff: Staff) -> Staff:
    lines = tuple(msgspec.structs.replace(line, colour=name_paint(_core(ink, line))) for line in staff.lines)
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


def _core(ink: InkMap, line: StaffLine) -> Floats:
    """Median light swallowed along the middle of a line, where no note covers it; shape (3,)."""
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
