"""Clefs, degrees and the order of heads: the facts of the trade several stages share.

A pitch depends on a clef only through the *degree of the bottom line* (`base`): a C clef
on line 4 and an F clef on line 2 give the same staff. Everything here is pure.
"""

from __future__ import annotations

from collections.abc import Iterable, Mapping, Sequence
from dataclasses import dataclass
from typing import Final

from neumary.types import PNAMES, Glyph, Reading, Staff
from neumary_models.labels import CLEFS, HEADS

CLEF_DEGREES: Final[Mapping[str, int]] = {
    # C clef = c sol fa ut, F clef = F fa ut of the Guidonian gamut, in the clef-literal octave
    # (MEI 5.1: C clef line = c4, F clef line = f3).
    "clef_c": 28,
    "clef_f": 24,
    # Letters beside those two, in the register nearest to them; d4 and g4 as the clavis d and g
    # of the gamut, the others common practice, no source.
    "clef_a": 26,
    "clef_b": 27,
    "clef_d": 29,
    "clef_e": 30,
    "clef_g": 32,
}
"""Degree of the line each clef stands on."""

GAMUT_DEGREES: Final = (18, 37)
"""Gamma ut (G2) to ee la (E5): the twenty places of the medieval gamut."""

EXACT_KINDS: Final = frozenset({"square", "pointed", "layered"})
"""Kinds of notation on full staves: their steps give pitches, not ranges."""

MOST_RANGED_LINES: Final = 2
"""With so few lines pitch is a range, whatever the notation: most of the grid is not to be seen."""

STACKED_SPACES: Final = 0.35
"""Heads whose columns differ by less than this stand one above the other (common practice)."""

FALLING_LEAD_SPACES: Final = 0.2
"""A stacked upper head this far left of the lower one is sung first (common practice)."""

_OBLIQUE_SPACES: Final = 2.2  # hardly a stroke is longer (design figure)
_OBLIQUE_LEAN_SPACES: Final = 0.05  # nor leans its upper end farther right (design figure)

FAINT: Final = "faint"
"""Note on a reading below the level at which a sign is believed; the joint decision may keep it."""

CUT_SPACES: Final = 0.3
"""Lines that begin so near the left edge of the picture run out of it: of 52 such staves of 800 rendered
pages kept out of training 49 had lost their clef, of 176 others that begin within two spaces three."""

LEADING_SPACES: Final = 3.0
"""Heads this little left of a staff's first clef are still under it (design figure)."""


def gives_exact_pitch(staff: Staff) -> bool:
    """Whether a staff has lines enough for pitches rather than ranges."""
    return staff.kind in (*EXACT_KINDS, "coloured-lines", "letters") and len(staff.lines) > MOST_RANGED_LINES


def clef_step(line: int) -> int:
    """Step of a clef that stands on a line; lines count from 1 at the bottom."""
    return 2 * (line - 1)


def base_degree(label: str, step: int) -> int:
    """Degree of the bottom line (step 0) under a clef.

    Parameters
    ----------
    label : str
        A clef label of `neumary_models.labels`.
    step : int
        Step the clef stands on.

    Examples
    --------
    >>> base_degree("clef_c", clef_step(4)) == base_degree("clef_f", clef_step(2))
    True
    """
    return CLEF_DEGREES[label] - step


def degree_of(pname: str, octave: int) -> int:
    """Diatonic degree of a pitch name and octave (MEI data.PITCHNAME, data.OCTAVE)."""
    return 7 * octave + PNAMES.index(pname)


def degree_name(degree: int, alter: int = 0) -> str:
    """Name for people: ``c4``, ``b-flat 3``."""
    flat = "-flat " if alter < 0 else ""
    return f"{PNAMES[degree % 7]}{flat}{degree // 7}"


def clef_name(label: str, step: int) -> str:
    """Name for people: ``C clef on line 4``; between lines it says so."""
    letter = label.removeprefix("clef_").upper()
    where = (
        f"on line {step // 2 + 1}" if step % 2 == 0 else f"between lines {step // 2 + 1} and {step // 2 + 2}"
    )
    return f"{letter} clef {where}"


def line_step(reading: Reading) -> int | None:
    """Most probable step *on a line* of a clef: clefs stand on lines (common practice).

    None if the reading has no step at all.
    """
    if reading.step is None:
        return None
    if reading.step % 2 == 0:
        return reading.step
    on_lines = [(p, -abs(s - reading.step), s) for s, p in reading.steps if s % 2 == 0]
    return max(on_lines)[2] if on_lines else reading.step - 1


def runs_out(staff: Staff) -> bool:
    """Whether the left edge of the picture cuts a staff: its lines run up to it.

    What stood there, a clef and mostly some notes, cannot be seen, unless a clef shows that nothing is lost.
    """
    left = min((line.cols[0] for line in staff.lines), default=float("inf"))
    return left <= CUT_SPACES * staff.space_px


@dataclass(frozen=True, slots=True)
class Sign:
    """A glyph together with the reading that holds for it."""

    glyph: Glyph
    reading: Reading

    @property
    def label(self) -> str:
        """Label of the reading."""
        return self.reading.label

    @property
    def is_head(self) -> bool:
        """Whether it is a sung note."""
        return self.reading.label in HEADS

    @property
    def is_faint(self) -> bool:
        """Whether it is a candidate only, below the level at which a sign is believed."""
        return self.reading.note == FAINT

    @property
    def is_clef(self) -> bool:
        """Whether it is a clef."""
        return self.reading.label in CLEFS


def sung_order(signs: Iterable[Sign], space_px: float) -> list[Sign]:
    """Put the signs of one staff in the order they are sung.

    Left to right; of heads that stand one above the other the lower is sung first, the rule
    of the pes (SMuFL 1.4, plainchant implementation notes: podatus), unless the upper one
    stands clearly to the left (common practice, no source). An oblique stroke falls, and what stands
    over its end is sung after it, as in the porrectus (common practice).

    Parameters
    ----------
    signs : iterable of Sign
        Signs of one staff and one layer, any order.
    space_px : float
        Staff space, in px.
    """
    ordered = sorted(signs, key=lambda s: (s.glyph.col, -s.glyph.row, s.glyph.id))
    for _ in range(len(ordered)):  # neighbours change places; the bound ends rules that go in a circle
        changed = False
        for i in range(len(ordered) - 1):
            a, b = ordered[i : i + 2]
            if a.is_head and b.is_head and not _goes_before(a, b, ordered[max(0, i - 3) : i], space_px):
                ordered[i : i + 2] = b, a
                changed = True
        if not changed:
            break
    return ordered


def _goes_before(a: Sign, b: Sign, behind: Sequence[Sign], space_px: float) -> bool:
    """Whether one head is sung before another; `behind` are the signs just before the two."""
    if abs(b.glyph.col - a.glyph.col) >= STACKED_SPACES * space_px:
        return a.glyph.col < b.glyph.col
    upper, lower = (a, b) if a.glyph.row < b.glyph.row else (b, a)
    lead = (lower.glyph.col - upper.glyph.col) / space_px
    if lower.label != "oblique":
        falls = lead > FALLING_LEAD_SPACES
    elif upper.label == "oblique":
        falls = lead > -_OBLIQUE_LEAN_SPACES
    else:
        falls = lead > FALLING_LEAD_SPACES and not _ends_oblique(lower, behind, space_px)
    return (a is upper) == falls


def _ends_oblique(head: Sign, behind: Sequence[Sign], space_px: float) -> bool:
    """Whether an oblique's head is the lower end of a stroke that began just before."""
    return any(
        s.label == "oblique"
        and s.glyph.row < head.glyph.row
        and 0 < head.glyph.col - s.glyph.col < _OBLIQUE_SPACES * space_px
        for s in behind
    )


def signs_by_staff(
    staves: Sequence[Staff], glyphs: Sequence[Glyph], readings: Sequence[Reading], layer: str = "melody"
) -> dict[str, list[Sign]]:
    """Signs of each staff in the order sung, for one layer; staves without signs included.

    The last reading of a glyph holds; glyphs nobody has read are left out.
    """
    current = {reading.glyph: reading for reading in readings}
    found: dict[str, list[Sign]] = {staff.id: [] for staff in staves}
    for glyph in glyphs:
        if glyph.layer == layer and glyph.staff in found and glyph.id in current:
            found[glyph.staff].append(Sign(glyph, current[glyph.id]))
    return {staff.id: sung_order(found[staff.id], staff.space_px) for staff in staves}


def clef_groups(signs: Sequence[Sign]) -> list[list[Sign]]:
    """Clefs of one staff, those with no head between them together, in the order sung."""
    groups: list[list[Sign]] = []
    fresh = True
    for sign in signs:
        if sign.is_head:
            fresh = True
        elif sign.is_clef:
            if fresh:
                groups.append([])
            groups[-1].append(sign)
            fresh = False
    return groups


def leads(clef: Sign, signs: Sequence[Sign], space_px: float) -> bool:
    """Whether a clef holds from the beginning of its staff: hardly any head stands left of it."""
    heads = [s.glyph.col for s in signs if s.is_head]
    return not heads or clef.glyph.col - min(heads) <= LEADING_SPACES * space_px


def line_clef(staff: Staff) -> tuple[str, int] | None:
    """Clef given by a coloured line: red = F, yellow = C (common practice, after medieval theory).

    Only a line that differs from the others speaks, and only on a staff of the coloured-lines
    kind: all-red staves (13th c. on) carry no such information.

    Returns
    -------
    (label, step) or None
    """
    colours = [str(line.colour) for line in staff.lines]
    if staff.kind != "coloured-lines" or len(set(colours)) < 2:
        return None
    for colour, label in (("red", "clef_f"), ("yellow", "clef_c")):
        if colours.count(colour) == 1:
            return label, 2 * colours.index(colour)
    return None


def guide_clefs(staff: Staff) -> tuple[tuple[str, int], ...]:
    """Clefs that the one red and the one yellow line of a full staff would stand for: F and C.

    Full staves that keep these paints rule the other lines plain (common practice, after medieval
    theory). A red and a yellow line that contradict each other say nothing: c stands two lines above f.

    Returns
    -------
    tuple of (label, step)
        Empty on staves of one paint, of several lines of these paints, or of few lines (`line_clef`).
    """
    colours = [str(line.colour) for line in staff.lines]
    if staff.kind == "coloured-lines" or len(colours) <= MOST_RANGED_LINES or len(set(colours)) < 2:
        return ()
    if max(colours.count("red"), colours.count("yellow")) > 1:
        return ()
    found = [
        (label, 2 * colours.index(x))
        for x, label in (("red", "clef_f"), ("yellow", "clef_c"))
        if x in colours
    ]
    return tuple(found) if len({base_degree(*clef) for clef in found}) == 1 else ()
