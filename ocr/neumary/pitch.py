"""From steps to pitches: clefs, accidentals, custodes.

A head's step goes through the clef in force to a degree. Where the leaf does not give the
pitch, the result says so: a range where only one or two heights are known, mere contour where
none is. Nothing is decided against a reading here; `neumary.decide` does that beforehand.
"""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass, field
from typing import Final

import msgspec

from neumary.accidentals import (
    B_CLASS,
    WORD_REACH_SPACES,
    FlatScope,
    FlatState,
    count_flats,
    repeats_flats,
    scope_of,
    word_starts,
)
from neumary.clefs_in_force import LEAST_P, Clef, clefs_in_force, ranked
from neumary.coloured_pitch import bottom_degrees, coloured_pitches, page_spacing, ranged_walk
from neumary.custodes import check_custodes
from neumary.gamut import (
    GAMUT_DEGREES,
    MOST_RANGED_LINES,
    Sign,
    degree_name,
    gives_exact_pitch,
    signs_by_staff,
)
from neumary.implied_spacing import EVEN, Spacing
from neumary.line_rule import DEFAULT_RULE, parse_rule
from neumary.ranges import find_anchors, letter_bases, ranged_pitch
from neumary.types import Certainty, Glyph, Pitch, Reading, Remark, Staff, Syllable

SURE_KIND_P: Final = 0.5
"""Under a kind of notation less probable than this, pitches are ranges."""
SURE_CLEF_P: Final = 0.9
"""Under a clef less probable than this that was inferred, overruled or taken up, pitches are ranges."""

_BESIDE_CLEF_SPACES: Final = 3.0  # a flat this near to the clef, no head between, belongs to it
_SAME_SPACES: Final = 0.3  # heights closer than this count as the same where no line measures them


@dataclass(slots=True)
class _Result:
    """What the walk along the staves collects, and what the colours of few lines mean to it."""

    rule: Mapping[str, int] = field(default_factory=lambda: parse_rule(DEFAULT_RULE))
    spacing: Spacing = EVEN  # of this page's scribe, beyond coloured lines
    pitches: dict[str, Pitch] = field(default_factory=dict)
    steps: dict[str, int] = field(default_factory=dict)
    accidentals: dict[str, int] = field(default_factory=dict)
    remarks: list[Remark] = field(default_factory=list)
    repeats_flats: bool = False  # the scribe writes a flat anew where it is wanted again

    def say(self, code: str, text: str, staff: str = "", glyph: str = "") -> None:
        self.remarks.append(Remark(code=code, text=text, staff=staff, glyph=glyph))


def resolve_pitches(
    staves: Sequence[Staff],
    glyphs: Sequence[Glyph],
    readings: Sequence[Reading],
    *,
    flat_scope: FlatScope = "auto",
    line_colours: str = DEFAULT_RULE,
    syllables: Sequence[Syllable] = (),
) -> tuple[list[Reading], list[Remark]]:
    """Give every head and custos its pitch.

    Parameters
    ----------
    staves : sequence of Staff
        In reading order.
    glyphs, readings : sequence of Glyph, of Reading
        Signs and what they were read as. The last reading of a glyph holds; earlier ones are
        handed back as they are.
    flat_scope : {"auto", "note", "word", "division", "staff", "piece"}
        How far a flat holds; see `neumary.accidentals`.
    line_colours : str
        What the paints of one or two lines mean; see `neumary.line_rule`.
    syllables : sequence of Syllable
        Where words begin, for the scope "word"; without them "word" ends at divisions only.

    Returns
    -------
    readings : list of Reading
        As many as came in, in the same order, `pitch` filled for heads and custodes.
    remarks : list of Remark
        Codes: ``clef-missing``, ``clef-off-line``, ``clefs-disagree``, ``custos-mismatch``,
        ``custos-step``, ``custos-inside``, ``flat-not-b``, ``outside-gamut``, ``pitch-ranged``, ``no-pitch``,
        ``words-unknown``, ``flat-repeated``.

    Raises
    ------
    UsageError
        If `flat_scope` is none of the rules, or `line_colours` makes no sense.
    """
    by_staff = signs_by_staff(staves, glyphs, readings)
    result = _Result(parse_rule(line_colours), page_spacing(by_staff, staves))
    flats = [count_flats(by_staff[staff.id], staff.space_px) for staff in staves]
    if flat_scope == "auto" and flats and repeats_flats(flats):
        flat_scope = "word"
        result.repeats_flats = True
        text = "A flat is repeated within a staff of this page, so flats are held to the word, not the staff."
        result.say("flat-repeated", text)
    state = FlatState(scope_of(staves[0], flat_scope)) if staves else FlatState("staff")
    words_wanted = False
    for staff in staves:
        signs = by_staff[staff.id]
        state.staff_end(scope_of(staff, flat_scope))
        starts = word_starts(staff, syllables)
        words_wanted |= state.scope == "word" and not starts and any(s.label == "flat" for s in signs)
        _resolve_staff(staff, signs, state, starts, result)
    if words_wanted:
        reach = f"{WORD_REACH_SPACES:.0f} staff spaces at most"
        text = f"Where words begin is not known; flats are held to the next division, {reach}."
        result.say("words-unknown", text)
    result.remarks += check_custodes(staves, by_staff, result.pitches)
    for layer in sorted({g.layer for g in glyphs} - {"melody"}):
        for staff in staves:
            _contour(staff, signs_by_staff([staff], glyphs, readings, layer)[staff.id], result)
    return _fill(readings, result), result.remarks


def accidental_degrees(
    staves: Sequence[Staff], glyphs: Sequence[Glyph], readings: Sequence[Reading]
) -> dict[str, int]:
    """Degree each flat or natural stands at, by glyph id; for encodings that state it.

    Signs without a clef in force are left out.
    """
    result = _Result()
    by_staff = signs_by_staff(staves, glyphs, readings)
    for staff in staves:
        _resolve_staff(staff, by_staff[staff.id], FlatState("staff"), (), result)
    return result.accidentals


def _fill(readings: Sequence[Reading], result: _Result) -> list[Reading]:
    last = {reading.glyph: i for i, reading in enumerate(readings)}
    filled = []
    for i, reading in enumerate(readings):
        if last[reading.glyph] == i:
            reading = msgspec.structs.replace(
                reading,
                pitch=result.pitches.get(reading.glyph),
                step=result.steps.get(reading.glyph, reading.step),
            )
        filled.append(reading)
    return filled


def _resolve_staff(
    staff: Staff, signs: list[Sign], state: FlatState, starts: Sequence[float], result: _Result
) -> None:
    if gives_exact_pitch(staff):
        _walk(staff, signs, state, starts, result)
    else:
        _resolve_ranged(staff, signs, state, starts, result)


def _resolve_ranged(
    staff: Staff, signs: list[Sign], state: FlatState, starts: Sequence[float], result: _Result
) -> None:
    pitched = [s for s in signs if s.is_head or s.label == "custos"]
    if not pitched:
        return
    few = 0 < len(staff.lines) <= MOST_RANGED_LINES and staff.kind != "staffless"
    bases = bottom_degrees(staff, signs, result.rule) if few else ()
    if bases:
        result.pitches.update(coloured_pitches(staff, signs, bases, state, starts, result.spacing))
        text = f"On staff {staff.id} pitch is a range: {len(staff.lines)} coloured line(s), no full staff."
        result.say("pitch-ranged", text, staff.id)
        return
    anchors = find_anchors(staff, signs) if staff.kind != "staffless" else ()
    if not anchors:
        _contour(staff, signs, result)
        text = f"Staff {staff.id} shows no line or letter that gives pitch: signs and contour only."
        result.say("no-pitch", text, staff.id)
        return
    letters = letter_bases(signs)

    def pitch_of(sign: Sign) -> Pitch:
        where = (sign.glyph.row, sign.glyph.col)
        return ranged_pitch(staff, anchors, *where, sign.reading.steps, letters)

    result.pitches.update(ranged_walk(staff, signs, pitch_of, state, starts))
    text = f"On staff {staff.id} pitch is a range: {len(anchors)} known height(s), no full staff."
    result.say("pitch-ranged", text, staff.id)


def _contour(staff: Staff, signs: Sequence[Sign], result: _Result) -> None:
    """Up, down or same against the head before, by height alone."""
    before: Sign | None = None
    for sign in signs:
        if not sign.is_head:
            continue
        move = ""
        if before is not None:
            rise = (before.glyph.row - sign.glyph.row) / staff.space_px
            move = "s" if abs(rise) < _SAME_SPACES else "u" if rise > 0 else "d"
        result.pitches[sign.glyph.id] = Pitch(certainty="contour", contour=move)  # type: ignore[arg-type]
        before = sign


def _walk(
    staff: Staff, signs: list[Sign], state: FlatState, starts: Sequence[float], result: _Result
) -> None:
    """One full staff, left to right."""
    clefs = clefs_in_force(staff, signs, result.say)
    clef: Clef | None = clefs.get("")
    state.words_known = bool(starts)
    unread: list[Sign] = []  # heads under no clef
    last_clef_col: float | None = None
    words = list(starts)
    outside = 0
    for k, sign in enumerate(signs):
        state.at(sign.glyph.col / staff.space_px)
        while words and sign.is_head and sign.glyph.col >= words[0] - staff.space_px / 2:
            words.pop(0)
            state.word()
        if sign.is_clef:
            clef = clefs.get(sign.glyph.id, clef)
            last_clef_col = sign.glyph.col
        elif sign.label == "division":
            state.division()
        elif sign.is_head and clef is None:
            unread.append(sign)
        elif clef is not None and sign.label in ("flat", "natural"):
            beside = last_clef_col is not None and (
                sign.glyph.col - last_clef_col <= _BESIDE_CLEF_SPACES * staff.space_px
                and not (result.repeats_flats and _sings(signs[k + 1 :], sign))
            )
            _accidental(staff, sign, clef, state, beside, result)
        elif clef is not None:
            if sign.is_head:
                last_clef_col = None
                if sign.reading.starts_neume >= 0.5:
                    state.neume()
            pitch = _exact(staff, sign, clef, state)
            result.pitches[sign.glyph.id] = pitch
            result.steps[sign.glyph.id] = _step(staff, sign)
            outside += not GAMUT_DEGREES[0] <= (pitch.degree or 0) <= GAMUT_DEGREES[1]
    if outside and clef is not None:
        text = f"{outside} note(s) of staff {staff.id} lie outside the gamut G2 to e5 under the {clef.name}."
        result.say("outside-gamut", text, staff.id)
    if unread:
        _contour(staff, unread, result)
        text = f"{len(unread)} note(s) of staff {staff.id} stand under no clef: contour only, no pitch."
        result.say("clef-missing", text, staff.id)


def _sings(ahead: Sequence[Sign], flat: Sign) -> bool:
    """Whether the neume after a flat has the note it flattens: then it is its own, not the clef's.

    Taken into account only where the scribe repeats flats (common practice, no source).
    """
    begun = False
    for sign in ahead:
        if not sign.is_head:
            continue
        if begun and sign.reading.starts_neume >= 0.5:
            return False
        begun = True
        if sign.reading.step == flat.reading.step:
            return True
    return False


def _step(staff: Staff, sign: Sign) -> int:
    if sign.reading.step is not None:
        return sign.reading.step
    return int(staff.step_at(sign.glyph.row, sign.glyph.col) + 0.5)


def _exact(staff: Staff, sign: Sign, clef: Clef, state: FlatState) -> Pitch:
    step = _step(staff, sign)
    degree = clef.base + step
    weights: dict[int, float] = {}
    for base, p in clef.bases or ((clef.base, 1.0),):
        for s, q in sign.reading.steps or ((step, 1.0),):
            weights[base + s] = weights.get(base + s, 0.0) + p * q
    alter = state.sound(degree) if sign.is_head else state.alter(degree)
    alternatives = _with_alters(ranked(weights, degree), state)
    sure = (not clef.concluded or clef.bases[0][1] >= SURE_CLEF_P) and staff.kind_p >= SURE_KIND_P
    certainty: Certainty = "exact" if sure else "ranged"
    return Pitch(certainty=certainty, degree=degree, alter=alter, alternatives=alternatives)


def _with_alters(
    degrees: Sequence[tuple[int, float]], state: FlatState
) -> tuple[tuple[int, int, float], ...]:
    """Degrees with their alteration, the one in force first; both for a B whose flat may or may not hold."""
    both: list[tuple[int, int, float]] = []
    for degree, p in degrees:
        alter, sure = state.alter(degree), state.chance(degree)
        both.append((degree, alter, round(p * sure, 4)))
        if p * (1 - sure) >= LEAST_P:
            both.append((degree, -1 - alter, round(p * (1 - sure), 4)))
    return (*both[:1], *sorted(both[1:], key=lambda choice: (-choice[2], choice[0], choice[1])))


def _accidental(
    staff: Staff, sign: Sign, clef: Clef, state: FlatState, beside_clef: bool, result: _Result
) -> None:
    degree = clef.base + _step(staff, sign)
    result.accidentals[sign.glyph.id] = degree
    if degree % 7 != B_CLASS:
        text = (
            f"A {sign.label} on staff {staff.id} stands at {degree_name(degree)} under the {clef.name}; "
            "only B takes one in chant, so it changes nothing here."
        )
        result.say("flat-not-b", text, staff.id, sign.glyph.id)
    elif sign.label == "flat":
        state.flatten(degree, beside_clef=beside_clef)
    else:
        state.cancel(degree)
