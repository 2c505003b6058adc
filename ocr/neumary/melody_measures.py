"""The melody of a page against the true one: edits, and stretches shifted by a clef error."""

from __future__ import annotations

from collections import Counter
from collections.abc import Mapping
from dataclasses import dataclass

from neumary.measures import Share, Symbol, edit_distance
from neumary.page_matching import Match, Placed

_Stretch = tuple[int, int, int, int]


def _stretch(read: Placed, true: Placed) -> _Stretch:
    """Notes under one clef on both sides."""
    return read.staff, read.clefs_before, true.staff, true.clefs_before


@dataclass(frozen=True, slots=True)
class Shift:
    """A stretch read too high (or too low) as a whole."""

    stretch: _Stretch
    degrees: int


def find_shifts(found: Match) -> dict[str, Shift]:
    """Shift of each read head that stands in a shifted stretch, by glyph id.

    A stretch is shifted if more than half of its matched notes, two at least, are wrong by the
    same number of degrees.
    """
    gaps: dict[_Stretch, list[int]] = {}
    place: dict[str, _Stretch] = {}
    for read, true in found.pairs:
        place[read.sign.glyph.id] = _stretch(read, true)
        if read.symbol is not None and true.symbol is not None:
            gaps.setdefault(_stretch(read, true), []).append(read.symbol[0] - true.symbol[0])
    shifted: dict[_Stretch, Shift] = {}
    for stretch, values in gaps.items():
        degrees, count = Counter(values).most_common(1)[0]
        if degrees and count >= 2 and 2 * count > len(values):
            shifted[stretch] = Shift(stretch, degrees)
    result: dict[str, Shift] = {}
    last: _Stretch | None = None
    for read in found.read:
        if last is not None and last[0] != read.staff:
            last = None
        last = place.get(read.sign.glyph.id, last)
        if last is not None and last in shifted:
            result[read.sign.glyph.id] = shifted[last]
    return result


def put_right(read: Placed, shifts: Mapping[str, Shift]) -> Symbol:
    """Symbol of a read head once its stretch is moved back."""
    shift = shifts.get(read.sign.glyph.id)
    if shift is None or read.symbol is None:
        return read.symbol
    return read.symbol[0] - shift.degrees, read.symbol[1]


def melody_edits(found: Match, shifts: Mapping[str, Shift]) -> tuple[Share, Share]:
    """Edits of the pitch sequence / its true length: as read, and each shift counted once."""
    without = {a.sign.glyph.id for a, b in found.pairs if b.symbol is None}
    read = [p for p in found.read if p.sign.glyph.id not in without]
    true = [p.symbol for p in found.true if p.symbol is not None]
    if not true:  # nothing to compare where the truth has notes but no pitch
        spurious = Share(0 if found.true else len(read), 0)
        return spurious, spurious
    edits = edit_distance([p.symbol for p in read], true)
    moved = edit_distance([put_right(p, shifts) for p in read], true) + len(set(shifts.values()))
    return Share(edits, len(true)), Share(min(edits, moved), len(true))
