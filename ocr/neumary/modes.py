"""Which mode a chant may be in: a hint for people, never an input to pitch.

Three kinds of evidence, each a small table of the trade: the final (the last note), the ambitus,
and how often the tenor sounds. The weights are design figures without a source.

References
----------
.. [1] Finals, tenors and ambitus of the eight modes as in every handbook (authentic tenor a
   fifth above the final, except mode 3; plagal tenor a third below its authentic one, except
   mode 8; plagal range from a fourth below to a fifth above the final).
"""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass
from typing import Final

from neumary.gamut import Sign, degree_name, signs_by_staff
from neumary.types import Glyph, Reading, Remark, Staff


@dataclass(frozen=True, slots=True)
class Mode:
    """One of the eight modes, in degrees of the clef-literal octave (d3 = 22)."""

    number: int
    final: int
    tenor: int
    low: int
    high: int


MODES: Final = (
    Mode(1, 22, 26, 22, 29),  # D, a, D-d
    Mode(2, 22, 24, 19, 26),  # D, F, A-a
    Mode(3, 23, 28, 23, 30),  # E, c, E-e
    Mode(4, 23, 26, 20, 27),  # E, a, B-b
    Mode(5, 24, 28, 24, 31),  # F, c, F-f
    Mode(6, 24, 26, 21, 28),  # F, a, C-c
    Mode(7, 25, 29, 25, 32),  # G, d, G-g
    Mode(8, 25, 28, 22, 29),  # G, c, D-d
)

_AFFINALS: Final = ((4, 0.06), (3, 0.02))
"""Transposed finals: up a fifth (a, b, c) and up a fourth (with b-flat), and what they cost."""

_NOT_FINAL: Final = 0.01  # the last note is no final of the mode: an excerpt, or a misreading
_OUTSIDE: Final = 0.35  # per step beyond ambitus plus one; a step beyond is common practice
_TENOR_WEIGHT: Final = 3.0
_UNUSED: Final = 0.12  # per step of the octave the melody does not touch


def ambitus(degrees: Sequence[int]) -> tuple[int, int] | None:
    """Lowest and highest degree; None for no notes."""
    return (min(degrees), max(degrees)) if degrees else None


def suggest_mode(degrees: Sequence[int]) -> list[tuple[int, float]]:
    """Modes a melody may be in.

    Parameters
    ----------
    degrees : sequence of int
        Diatonic degrees of a whole chant in the order sung, clef-literal octave.

    Returns
    -------
    list of (int, float)
        All eight modes with probabilities that sum to 1, best first; equal where there are
        no notes. Read as a hint: an excerpt whose last note is no final says little.

    Examples
    --------
    >>> suggest_mode([24, 23, 24, 22, 23, 21, 22, 22])[0][0]     # F E F D E C D D
    2
    """
    scores = {mode.number: _log_score(mode, degrees) for mode in MODES}
    peak = max(scores.values())
    weights = {number: math.exp(score - peak) for number, score in scores.items()}
    total = sum(weights.values())
    return sorted(((n, w / total) for n, w in weights.items()), key=lambda pair: (-pair[1], pair[0]))


def _log_score(mode: Mode, degrees: Sequence[int]) -> float:
    if not degrees:
        return 0.0
    at_place = [_at(mode, 0, degrees)] + [
        _at(mode, shift, degrees) + math.log(cost) for shift, cost in _AFFINALS
    ]
    return max(at_place)


def _at(mode: Mode, shift: int, degrees: Sequence[int]) -> float:
    final, tenor = mode.final + shift, mode.tenor + shift
    low, high = mode.low + shift, mode.high + shift
    found_low, found_high = min(degrees), max(degrees)
    score = 0.0 if degrees[-1] == final else math.log(_NOT_FINAL)
    beyond = max(0, low - 1 - found_low) + max(0, found_high - high - 1)
    score += beyond * math.log(_OUTSIDE)
    score += (max(0, found_low - low) + max(0, high - found_high)) * math.log(1 - _UNUSED)
    tenor_share = sum(d == tenor for d in degrees) / len(degrees)
    return score + _TENOR_WEIGHT * tenor_share


_LEAST_NOTES: Final = 20  # fewer notes say nothing of a mode (design figure)
_CUSTODES_WRITTEN: Final = 3  # a page with so many, on two staves in five, is by a scribe who writes them


def hint_modes(staves: Sequence[Staff], glyphs: Sequence[Glyph], readings: Sequence[Reading]) -> list[Remark]:
    """Range, last note and likeliest mode of each melody of a page, as hints.

    Parameters
    ----------
    staves : sequence of Staff
        In reading order.
    glyphs, readings : sequence of Glyph, of Reading
        With pitches.

    Returns
    -------
    list of Remark
        Code ``mode-hint``, `staff` the one the melody begins on. None for melodies of fewer than
        20 notes with an exact pitch.

    Notes
    -----
    Where one chant ends and the next begins is not read: an opening in mid-staff is passed over.
    The staves of a page count as one melody, parted before a staff whose clef is hidden (mostly by
    an initial) and after one that lacks a custos where the scribe writes them. So a hint may speak
    of two chants at once; nothing else rests on it.
    """
    by_staff = signs_by_staff(staves, glyphs, readings)
    return [
        _hint(names, degrees)
        for names, degrees in _melodies(staves, by_staff)
        if len(degrees) >= _LEAST_NOTES
    ]


def _melodies(staves: Sequence[Staff], by_staff: dict[str, list[Sign]]) -> list[tuple[list[str], list[int]]]:
    """Staff ids and degrees of each melody."""
    custodes = {staff.id: any(s.label == "custos" for s in by_staff[staff.id]) for staff in staves}
    written = sum(custodes.values()) >= max(_CUSTODES_WRITTEN, 0.4 * len(staves))
    found: list[tuple[list[str], list[int]]] = []
    begins = True
    for staff in staves:
        signs = by_staff[staff.id]
        if begins or any(s.is_clef and s.reading.by == "inferred" for s in signs):
            found.append(([], []))
        pitches = [s.reading.pitch for s in signs if s.is_head]
        found[-1][0].append(staff.id)
        found[-1][1].extend(
            p.degree for p in pitches if p is not None and p.degree is not None and p.certainty == "exact"
        )
        begins = written and not custodes[staff.id]
    return found


def _hint(names: list[str], degrees: list[int]) -> Remark:
    where = f"staff {names[0]} holds" if len(names) == 1 else f"staves {names[0]} to {names[-1]} hold"
    last = degrees[-1]
    if last in {mode.final + shift for mode in MODES for shift in (0, *(s for s, _ in _AFFINALS))}:
        ranked = suggest_mode(degrees)
        likely = " or ".join(str(number) for number, p in ranked[:2] if p >= ranked[0][1] / 3)
        ending = f"which would suit mode {likely}"
    else:
        ending = "which is no final, so no mode is suggested"
    text = (
        f"If {where} one chant: range {degree_name(min(degrees))} to {degree_name(max(degrees))}, "
        f"last note {degree_name(last)}, {ending}."
    )
    return Remark(code="mode-hint", text=text, staff=names[0])
