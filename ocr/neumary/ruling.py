"""Ruling that was found as lines of staves, and taken out of them again.

Leaves are ruled before they are written on, in plummet or a dry point, and staff lines are laid on that
ruling or beside it. What was never painted is fainter than what was, and mostly of another colour.
"""

from __future__ import annotations

import math
from collections.abc import Sequence
from typing import Final

import msgspec
import numpy as np

from neumary.coloured import FEW_LINES, line_ink, name_paint
from neumary.inked_lines import line_contrast, lines_p
from neumary.leaf_map import LeafMap
from neumary.lines import Floats
from neumary.types import InkMap, Staff

_BRIGHT: Final = ("red", "yellow", "blue")
_CLEF_PAINTS: Final = ("red", "yellow")  # a single line of these may stand for a clef
_YELLOW: Final = 0.7  # of a red line below: a yellow one, however pale, counts as much
_RULED_SHARE: Final = 0.6  # of a page's full staves
_RULED: Final = 0.8  # ruling against the weaker painted line, median of a page; plain staves mostly from 1 on
# Of a painted line, median of a page: where a second one had faded 0.13 and more, dry ruling 0.14 and 0.18;
# but the map sees the faded line as clearly as the painted one (0.89 and more of it), the ruling less (0.76).
_HARDLY_SECOND: Final = 0.25
_MAPPED_SECOND: Final = 0.82
_SECOND: Final = 0.7  # of a painted line: a fainter one beside it is ruling where staves have one line
# Of the other lines of a staff. Where one at the edge had faded on a whole page its median was 0.62 and more,
# of ruling beside the staves 0.33 and less.
_FAINT_EDGE: Final = 0.42
_MAPPED_EDGE: Final = 0.88  # the same of its probability on the map: a pale clef line had 1.0, ruling 0.76
_FAINT_ODD: Final = 0.3  # the same of a line that most staves of the page do not have
_LEAST_FULL: Final = 3
_LEAST_PAINT: Final = 25.0  # grey levels; what swallows less has no colour to tell
_EDGES: Final = ((0, slice(1, None)), (-1, slice(0, -1)))  # a line at the edge, and the others


def without_ruling(ink: InkMap, seen: LeafMap, staves: Sequence[Staff]) -> list[Staff]:
    """Take ruling that was never painted out of staves whose own lines are.

    Where on most full staves of a page all lines but one at the edge have one bright paint, and that
    one has another colour and is fainter; or where two lines, one of them red, stand two spaces
    apart, and all others are fainter and without paint: the others are the ruling that the painted
    ones were laid on. Among the plain lines of a full staff a red or yellow one is the fainter one.
    Where staves mostly have one line, a fainter second one without paint is ruling as well; so is one line
    more than most staves of the page have, if it is of other ink than the others, and none of a clef's, or
    is hardly there. Where on most full staves the same line at the edge is far fainter than all others, it
    is the ruling they stand beside.

    Parameters
    ----------
    ink : InkMap
    seen : LeafMap
        In which the staves were found.
    staves : sequence of Staff
        All of a page.

    Returns
    -------
    list of Staff
    """
    painted = _without_unpainted(ink, _without_second(ink, seen, staves))
    return _without_odd_edges(ink, _without_faint_edges(ink, seen, painted))


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


def _without_second(ink: InkMap, seen: LeafMap, staves: Sequence[Staff]) -> Sequence[Staff]:
    """Where staves mostly have one line, those without a second one that is fainter and has no paint.

    Where they mostly have two, those without it, if on most of the page it is hardly to be seen, neither
    in the ink nor on the map.
    """
    pairs = [staff for staff in staves if len(staff.lines) == FEW_LINES]
    told = {staff.id: found for staff in pairs if (found := _bright_and_rest(ink, staff)) is not None}
    limit = _SECOND
    if len(pairs) > sum(len(staff.lines) == 1 for staff in staves):
        if len(told) < max(FEW_LINES, _RULED_SHARE * len(pairs)):
            return staves
        inked = float(np.median([rest for _, rest in told.values()]))
        painted = [(staff, told[staff.id][0]) for staff in pairs if staff.id in told]
        mapped = [_mapped(ink, seen, staff, 1 - k, slice(k, k + 1)) for staff, k in painted]
        limit = math.inf if inked < _HARDLY_SECOND and np.median(mapped) < _MAPPED_SECOND else 0.0
    out = []
    for staff in staves:
        bright, rest = told.get(staff.id, (0, math.inf))
        out.append(msgspec.structs.replace(staff, lines=(staff.lines[bright],)) if rest < limit else staff)
    return out


def _bright_and_rest(ink: InkMap, staff: Staff) -> tuple[int, float] | None:
    """The bright one of two lines, and how strong the other, unpainted one is against it."""
    paints = [name_paint(line_ink(ink, line)) for line in staff.lines]
    bright = [k for k, paint in enumerate(paints) if paint in _BRIGHT]
    if len(bright) != 1:
        return None
    strong = _contrasts(ink, staff)
    return bright[0], float(strong[1 - bright[0]] / max(float(strong[bright[0]]), 1.0))


def _mapped(ink: InkMap, seen: LeafMap, staff: Staff, one: int, others: slice) -> float:
    """How clearly the map sees one line of a staff, against others."""
    p = np.array(lines_p(ink, seen, staff))
    return float(p[one] / max(float(np.median(p[others])), 1e-6))


def _without_faint_edges(ink: InkMap, seen: LeafMap, staves: list[Staff]) -> list[Staff]:
    """Staves without the line at one edge that on most full ones is far fainter than all others.

    The map must see it less clearly, too.
    """
    full = [staff for staff in staves if len(staff.lines) > _LEAST_FULL]
    if len(full) < max(_LEAST_FULL, _RULED_SHARE * len(staves)):
        return staves
    strong = [_contrasts(ink, staff) for staff in full]
    for edge, rest in _EDGES:
        fainter = [float(each[edge] / max(float(np.median(each[rest])), 1.0)) for each in strong]
        if np.mean(np.array(fainter) < _FAINT_EDGE) < _RULED_SHARE:
            continue
        if np.median([_mapped(ink, seen, staff, edge, rest) for staff in full]) >= _MAPPED_EDGE:
            continue
        faint = {staff.id for staff in full if not _is_clef_line(ink, staff, edge, rest)}
        return [
            msgspec.structs.replace(staff, lines=staff.lines[rest]) if staff.id in faint else staff
            for staff in staves
        ]
    return staves


def _is_clef_line(ink: InkMap, staff: Staff, edge: int, rest: slice) -> bool:
    """Whether the line at an edge alone has a paint that stands for a clef."""
    swallowed = line_ink(ink, staff.lines[edge])
    if swallowed.max() < _LEAST_PAINT:
        return False
    paint = name_paint(swallowed)
    return paint in _CLEF_PAINTS and paint not in [name_paint(line_ink(ink, x)) for x in staff.lines[rest]]


def _without_odd_edges(ink: InkMap, staves: list[Staff]) -> list[Staff]:
    """Staves without one line more than most have, if that is hardly there or of other ink than the rest."""
    counts = [len(staff.lines) for staff in staves]
    usual = max(sorted(set(counts)), key=counts.count, default=0)
    if usual <= FEW_LINES or counts.count(usual) <= len(counts) / 2:
        return staves
    out = []
    for staff in staves:
        if len(staff.lines) == usual + 1:
            paints = [name_paint(line_ink(ink, line)) for line in staff.lines]
            strong = _contrasts(ink, staff)
            for edge, rest in _EDGES:
                own = set(paints[rest])
                other = len(own) == 1 and own <= set(_BRIGHT) and paints[edge] not in (*_CLEF_PAINTS, *own)
                if other or strong[edge] < _FAINT_ODD * np.median(strong[rest]):
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
    paints = [name_paint(line_ink(ink, line)) for line in staff.lines]
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
        weaker = float(strong[list(kept)].min())
        if [paints[k] for k in kept] == list(_CLEF_PAINTS):
            weaker = max(weaker, _YELLOW * float(strong[kept[0]]))
        fainter = float(strong[rest].max() / max(weaker, 1.0))
        if fainter < best[1]:
            best = kept, fainter
    return best
