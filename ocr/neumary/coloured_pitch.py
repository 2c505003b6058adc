"""Pitch on one or two coloured lines: where a head stands, and what the lines mean.

How many degrees a head lies above the bottom line follows from its height and the network
(`neumary.range_table`), the less surely the further it is from the nearest seen line; how wide
the scribe's steps are beyond the lines is fitted to the whole page (`neumary.implied_spacing`).
What the bottom line is (F or c) follows from paint and from letters at the margin; letters win.

The outcome is always a range, even on a seen line: a scribe who inks one line in four lets
heads ride high or low on it, and the reading must not look like that of a full staff.
"""

from __future__ import annotations

import math
from collections.abc import Callable, Mapping, Sequence
from typing import Final

from neumary.accidentals import B_CLASS, FlatState
from neumary.gamut import CLEF_DEGREES, Sign
from neumary.implied_spacing import EVEN, FarHead, Spacing, fit_spacing
from neumary.range_table import MODELS, WITHOUT_NETWORK, degrees_at
from neumary.types import Pitch, Reading, Staff
from neumary_models.labels import CLEFS

LINE_DEGREES: Final[Mapping[str, int]] = {"red": 24, "yellow": 28, "grey": 28}
"""Red line = f3, yellow (or grey, faded) line = c4; after medieval theory."""

_FIFTH: Final = 4  # degrees from the F to the c line
_RIGHT_PAINT_P: Final = 0.95  # a line is what its paint says
_FADED_P: Final = 0.8  # the same for grey, which may be any faded paint
_F_BELOW_C_P: Final = 0.97  # the lower of two lines is F
_LETTER_DOUBT: Final = 0.15  # chance that a letter was misread or stands elsewhere
_LETTER_SPREAD: Final = 0.8  # steps by which a letter may stand off its line
_LEAST_B_P: Final = 0.15  # a flat may stand at a B this probable
_FURTHEST: Final = 14  # degrees
_LEAST_P: Final = 0.01

_NAMES: Final = {1: "one-line", 2: "two-line"}  # rows of the range table


def bottom_degrees(
    staff: Staff, signs: Sequence[Sign], rule: Mapping[str, int] = LINE_DEGREES
) -> tuple[tuple[int, float], ...]:
    """Degree of the bottom line as a distribution, best first; () where nothing tells.

    Parameters
    ----------
    staff : Staff
        Of one or two lines.
    signs : sequence of Sign
        Its signs; clefs among them bear witness.
    rule : mapping of str to int
        What each paint means, as a degree.
    """
    odds = _by_paint(staff, rule)
    letters = [sign for sign in signs if sign.is_clef and not sign.is_faint]
    if not odds and not letters:
        return ()
    seen = [_by_letter(staff, sign) for sign in letters]
    bases = sorted({*odds, *(base for one in seen for base in one if one[base] > 0.05)})
    usual = odds or dict.fromkeys(bases, 1.0 / len(bases))
    spare = (1 - _RIGHT_PAINT_P) / 7
    weights = {base: usual.get(base, spare) for base in bases}
    for one in seen:
        for base in bases:
            weights[base] *= (1 - _LETTER_DOUBT) * one.get(base, 0.0) + _LETTER_DOUBT / 7
    total = sum(weights.values())
    ranked = sorted(((w / total, -base) for base, w in weights.items()), reverse=True)
    return tuple((-base, p) for p, base in ranked if p >= _LEAST_P)


def _by_paint(staff: Staff, rule: Mapping[str, int]) -> dict[int, float]:
    low = rule.get(staff.lines[0].colour)
    if len(staff.lines) == 1:
        if low is None:
            return {}
        p = _FADED_P if staff.lines[0].colour == "grey" else _RIGHT_PAINT_P
        others = [degree for degree in sorted({*rule.values()}) if degree != low]
        return {low: p, **{degree: (1 - p) / len(others) for degree in others}}
    high = rule.get(staff.lines[-1].colour)
    known = {"red", "yellow"} & {staff.lines[0].colour, staff.lines[-1].colour}
    if low is not None and high is not None and high > low:
        return {low: 0.99, high: 0.01}
    if not known:
        return {LINE_DEGREES["red"]: 0.9, LINE_DEGREES["yellow"]: 0.1}
    return {LINE_DEGREES["red"]: _F_BELOW_C_P, LINE_DEGREES["yellow"]: 1 - _F_BELOW_C_P}


def _by_letter(staff: Staff, sign: Sign) -> dict[int, float]:
    """What a letter at the margin makes of the bottom line: letters stand on lines."""
    height, _ = height_above(staff, sign.glyph.row, sign.glyph.col)
    lines = range(-_FURTHEST, _FURTHEST + 1, 2)
    near = {step: math.exp(-0.5 * ((height - step) / _LETTER_SPREAD) ** 2) for step in lines}
    total = sum(near.values()) or 1.0
    names = [(sign.label, sign.reading.confidence)]
    names += [(label, p) for label, p in sign.reading.rivals if label in CLEFS]
    weights: dict[int, float] = {}
    for label, p in names:
        for step, q in near.items():
            base = CLEF_DEGREES[label] - step
            weights[base] = weights.get(base, 0.0) + p * q / total
    return weights


def height_above(staff: Staff, row: float, col: float) -> tuple[float, float]:
    """Degrees above the bottom line, and degrees from the nearest seen line.

    Two lines are a fifth apart whatever their distance; beside one line the staff space counts.
    """
    low = staff.lines[0].row_at(col)
    if len(staff.lines) == 1:
        height = (low - row) / max(staff.space_px / 2, 1e-6)
        return height, abs(height)
    gap = max(low - staff.lines[-1].row_at(col), 1e-6)
    height = _FIFTH * (low - row) / gap
    return height, min(abs(height), abs(height - _FIFTH))


def coloured_pitches(
    staff: Staff,
    signs: Sequence[Sign],
    bases: Sequence[tuple[int, float]],
    state: FlatState,
    word_cols: Sequence[float] = (),
    spacing: Spacing = EVEN,
) -> dict[str, Pitch]:
    """Pitches of all heads and custodes of a staff, by glyph id; flats hold as on full staves.

    Parameters
    ----------
    staff : Staff
    signs : sequence of Sign
        In the order sung. A flat belongs to the B it most probably stands at, if to any.
    bases : sequence of (int, float), at least one
        From `bottom_degrees`.
    state : FlatState
        Walks along.
    word_cols : sequence of float
        Columns (px) at which words begin, ascending.
    spacing : Spacing
        From `page_spacing`.
    """

    def pitch_of(sign: Sign) -> Pitch:
        return ranged(degrees_above(staff, sign.reading, sign.glyph.row, sign.glyph.col, spacing), bases)

    return ranged_walk(staff, signs, pitch_of, state, word_cols)


def ranged_walk(
    staff: Staff,
    signs: Sequence[Sign],
    pitch_of: Callable[[Sign], Pitch],
    state: FlatState,
    word_cols: Sequence[float] = (),
) -> dict[str, Pitch]:
    """Along a staff whose pitches are ranges: flats hold as on full staves.

    Parameters
    ----------
    staff : Staff
    signs : sequence of Sign
        In the order sung.
    pitch_of : callable
        Range of a head, custos, flat or natural, no flat in force.
    state : FlatState
        Walks along.
    word_cols : sequence of float
        Columns (px) at which words begin, ascending.
    """
    pitches: dict[str, Pitch] = {}
    words = list(word_cols)
    led = False  # whether a letter stands just before, no head between
    for sign in signs:
        if sign.label == "division":
            state.division()
            continue
        if sign.is_clef:
            led = True
            continue
        pitch = pitch_of(sign)
        if sign.label in ("flat", "natural"):
            b = next((d for d, _, p in pitch.alternatives if d % 7 == B_CLASS and p >= _LEAST_B_P), None)
            if b is not None and sign.label == "flat":
                state.flatten(b, beside_clef=led)
            elif b is not None:
                state.cancel(b)
            continue
        if sign.is_head:
            led = False
            while words and sign.glyph.col >= words[0] - staff.space_px / 2:
                words.pop(0)
                state.word()
            if sign.reading.starts_neume >= 0.5:
                state.neume()
            state.sound(pitch.alternatives[0][0])
        pitches[sign.glyph.id] = _altered(pitch, state)
    return pitches


def _altered(pitch: Pitch, state: FlatState) -> Pitch:
    """A pitch under the flats in force."""
    choices = tuple((degree, state.alter(degree), p) for degree, _, p in pitch.alternatives)
    return Pitch(certainty="ranged", degree=choices[0][0], alter=choices[0][1], alternatives=choices)


def ranged(above: Mapping[int, float], bases: Sequence[tuple[int, float]]) -> Pitch:
    """A range of pitches.

    Parameters
    ----------
    above : mapping of int to float
        Degrees above the bottom line (or another known height) with their probabilities.
    bases : sequence of (int, float), at least one
        Degree of that line with probabilities.

    Returns
    -------
    Pitch
        ``ranged``, alternatives best first; probabilities under 0.01 are left out, the rest sum to 1.
    """
    weights: dict[int, float] = {}
    for base, p in bases:
        for degree, q in above.items():
            weights[base + degree] = weights.get(base + degree, 0.0) + p * q
    kept = {degree: p for degree, p in weights.items() if p >= _LEAST_P}
    total = sum(kept.values())
    ranked = sorted(((p / total, -degree) for degree, p in kept.items()), reverse=True)
    alternatives = tuple((-degree, 0, round(p, 4)) for p, degree in ranked)
    return Pitch(certainty="ranged", degree=alternatives[0][0], alternatives=alternatives)


def page_spacing(signs: Mapping[str, Sequence[Sign]], staves: Sequence[Staff]) -> Spacing:
    """How wide a page's scribe sets steps beyond coloured lines.

    Parameters
    ----------
    signs : mapping of str to sequence of Sign
        Signs of each staff, by its id.
    staves : sequence of Staff
        All of the page; those of one or two coloured lines are used.
    """
    heads: list[FarHead] = []
    for staff in staves:
        if staff.kind != "coloured-lines" or not 0 < len(staff.lines) <= len(_NAMES):
            continue
        top = _FIFTH if len(staff.lines) > 1 else 0
        for sign in signs[staff.id]:
            if not sign.is_head:
                continue
            height, _ = height_above(staff, sign.glyph.row, sign.glyph.col)
            edge = top if height > top else 0
            if height > top or height < 0:
                network = tuple((step - edge, p) for step, p in _network(staff, sign.reading).items())
                heads.append(FarHead(height - edge, network))
    return fit_spacing(heads)


def _network(staff: Staff, reading: Reading) -> dict[int, float]:
    """What the network says, where it saw the grid as it is."""
    known = len(staff.lines) == 1 or staff.places[-1] == _FIFTH // 2
    return dict(reading.steps) if known else {}


def degrees_above(
    staff: Staff, reading: Reading, row: float, col: float, spacing: Spacing = EVEN
) -> dict[int, float]:
    """Degrees above the bottom line with their probabilities, which sum to 1."""
    height, _ = height_above(staff, row, col)
    top = _FIFTH if len(staff.lines) > 1 else 0
    if height > top:
        height = top + spacing.mended(height - top)
    elif height < 0:
        height = spacing.mended(height)
    network = _network(staff, reading)
    models = MODELS if network else WITHOUT_NETWORK
    away = min(abs(height), abs(height - top))
    return degrees_at(models[_NAMES[len(staff.lines)]], height, away, network)
