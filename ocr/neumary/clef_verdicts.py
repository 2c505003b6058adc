"""Clefs put on record: kept, overruled, left out or inferred."""

from __future__ import annotations

from collections.abc import Sequence
from typing import Final

from neumary.clef_chain import CERTAIN_P
from neumary.clef_witness import sign_base
from neumary.gamut import CLEF_DEGREES, Sign, base_degree, clef_name, line_step
from neumary.measures import with_odds
from neumary.record import OVERRULED, Record
from neumary.stretches import Stretch, clef_hypotheses, letter_on_line, usual_clefs
from neumary.types import Box, Glyph, Reading, Staff

_LEAST_P: Final = 0.01  # bases less probable than this are not told

WEIGHED: Final = "weighed with its neighbours"
"""Note on a clef that is kept as read, with the probability that all evidence together leaves it."""

INFER_LEAST_P: Final = 0.25
"""An inferred clef less probable than this is not given: contour only is the honest answer. Pitches under
one less probable than `neumary.pitch.SURE_CLEF_P` are ranges, with the other clefs' as alternatives."""

_INFERRED_ODDS: Final = 0.5
"""What the odds of a clef that is inferred are worth: of 602 on 1,800 rendered pages kept out of training
those said to be .45, .66, .75, .86 and .92 probable were right .38, .46, .55, .78 and .73 of the time, those
above .98 always; a logistic fit (Platt 1999) has slope .95 and offset -.73. Of four sets of pages three say
so, the fourth that they had been given about rightly."""


def settle_clef(
    run: Sequence[Stretch], i: int, bases: Sequence[int], p: float, others: dict[int, float], record: Record
) -> int | None:
    """Put one stretch's clef on record.

    Parameters
    ----------
    run : sequence of Stretch
    i : int
        Which stretch of the run.
    bases : sequence of int
        Degree of the bottom line decided for each stretch.
    p : float
        Probability of this stretch's base.
    others : dict of int to float
        Probabilities of the other bases.
    record : Record
        Takes the new readings, glyphs and remarks.

    Returns
    -------
    int or None
        The base; None where it stays unknown.
    """
    stretch, base = run[i], bases[i]
    kept = _keep_clefs(run, i, bases, p, others, record)
    if not stretch.opens_staff or (stretch.clefs and kept):
        return base
    if (stretch.observed and not stretch.clefs) or not stretch.signs:
        return base
    if stretch.hidden is not None:
        as_clef = {
            k: q for k, q in clef_hypotheses(stretch.hidden.reading).items() if base_degree(*k) == base
        }
        if as_clef and p > 0.5:
            clef = max(as_clef, key=lambda k: (as_clef[k], k))
            _replace_clef(stretch.staff, stretch.hidden, clef, p, others, record)
            return base
    if not any(s.is_head or s.label == "custos" for s in stretch.signs):
        return base
    p, others = inferred_p(p, others)
    if p < INFER_LEAST_P:
        text = f"Staff {stretch.staff.id} shows no clef, and its neighbours do not settle which it has."
        record.say("clef-unknown", text, stretch.staff.id)
        return None
    _infer_clef(run, i, bases, p, others, record)
    return base


def weigh_clefs(stretch: Stretch, base: int, p: float, record: Record) -> None:
    """Give clefs that were read with doubt, and kept, the probability all evidence together leaves them.

    Parameters
    ----------
    stretch : Stretch
    base : int
        Decided degree of its bottom line.
    p : float
        Its probability.
    record : Record
        Takes the new readings; what the reader itself made of the sign stays before them.
    """
    for sign in stretch.clefs:
        if sign.is_faint or sign.glyph.id in record.dropped or sign_base(sign) != base:
            continue
        if sign.reading.confidence <= CERTAIN_P:
            record.put(sign, confidence=round(p, 4), rivals=(), note=WEIGHED)


def _keep_clefs(
    run: Sequence[Stretch], i: int, bases: Sequence[int], p: float, others: dict[int, float], record: Record
) -> bool:
    """Put the clef signs of a stretch on record as kept, overruled or dropped; whether any is left."""
    stretch, base = run[i], bases[i]
    before = bases[i - 1] if i and not stretch.opens_staff else None
    left = 0
    for sign in stretch.clefs:
        agrees = sign_base(sign) == base
        fits = agrees or any(base_degree(*k) == base for k in clef_hypotheses(sign.reading))
        spoken_for = not agrees and any(o is not sign and sign_base(o) == base for o in stretch.clefs)
        if sign.is_faint and (not fits or before == base or spoken_for):
            record.dropped.add(sign.glyph.id)
            continue
        if before == base and not agrees and sign.reading.by != "human":
            _ignore_clef(stretch.staff, sign, record)
            continue
        borne_out = [o for o in stretch.clefs if o is not sign and not o.is_faint and sign_base(o) == base]
        if borne_out and not fits and sign.reading.by != "human":
            _set_aside(stretch.staff, sign, borne_out[0], record)
            continue
        left += 1
        if not agrees:
            _overrule_clef(stretch, sign, base, p, others, record)
        elif sign.is_faint:
            name = clef_name(sign.label, line_step(sign.reading) or 0)
            text = (
                f"Staff {stretch.staff.id}: a faint sign (p {sign.reading.confidence:.2f}) is taken as the "
                f"{name}; its neighbours and the melody bear it out."
            )
            record.say("clef-faint", text, stretch.staff.id, sign.glyph.id)
            step = line_step(sign.reading) or 0
            record.take_up(sign, p, step=step, steps=_steps(sign.label, step, p, others))
    return left > 0


def _ignore_clef(staff: Staff, sign: Sign, record: Record) -> None:
    name = clef_name(sign.label, sign.reading.step or 0)
    text = (
        f"Staff {staff.id}: what was read as a {name} in mid-staff (p {sign.reading.confidence:.2f}, at "
        f"row {sign.glyph.row:.0f}, column {sign.glyph.col:.0f}) is left out: the notes after it speak "
        "against it."
    )
    record.say("clef-ignored", text, staff.id)
    record.dropped.add(sign.glyph.id)


def _set_aside(staff: Staff, sign: Sign, other: Sign, record: Record) -> None:
    """Of two clefs that disagree, the one its neighbours and the melody speak against."""
    names = [clef_name(s.label, line_step(s.reading) or 0) for s in (sign, other)]
    text = (
        f"The clefs of staff {staff.id} disagree: the {names[0]} (p {sign.reading.confidence:.2f}) is left "
        f"out, the {names[1]} (p {other.reading.confidence:.2f}) taken; neighbours and melody bear it out."
    )
    record.say("clefs-disagree", text, staff.id, other.glyph.id)
    record.dropped.add(sign.glyph.id)


def _overrule_clef(
    stretch: Stretch, sign: Sign, base: int, p: float, others: dict[int, float], record: Record
) -> None:
    odds = clef_hypotheses(sign.reading)
    step = line_step(sign.reading)
    if sign.reading.by == "human" or step is None or base_degree(sign.label, step) == base:
        return
    fitting = {k: q for k, q in odds.items() if base_degree(*k) == base}
    if sum(not s.is_faint for s in stretch.clefs) > 1 and not fitting:
        return  # `pitch` warns that the two clefs disagree
    clef = _clef_for(base, stretch.staff, fitting, step)
    _replace_clef(stretch.staff, sign, clef, p, others, record)


def _clef_for(
    base: int, staff: Staff, fitting: dict[tuple[str, int], float], step: int | None = None
) -> tuple[str, int]:
    """The clef that gives a base: as read if possible, else on the same line, else by use, else a letter."""
    if fitting:
        return max(fitting, key=lambda k: (fitting[k], k))
    for other in ("clef_c", "clef_f"):
        if step is not None and base_degree(other, step) == base:
            return other, step
    use = {k: q for k, q in usual_clefs(staff).items() if base_degree(*k) == base}
    return max(use, key=lambda k: (use[k], k)) if use else letter_on_line(base, staff)


def _replace_clef(
    staff: Staff, sign: Sign, clef: tuple[str, int], p: float, others: dict[int, float], record: Record
) -> None:
    label, step = clef
    was = clef_name(sign.label, sign.reading.step or 0) if sign.is_clef else f"a {sign.label}"
    text = (
        f"Staff {staff.id}: read as {was} (p {sign.reading.confidence:.2f}), taken as the "
        f"{clef_name(label, step)} (p {p:.2f}) because its neighbours, custodes or flats ask for it."
    )
    record.say("clef-overruled", text, staff.id, sign.glyph.id)
    rivals = ((sign.label, round(max(0.0, 1 - p), 4)),) if label != sign.label else ()
    record.put(
        sign,
        label=label,
        confidence=round(p, 4),
        rivals=rivals,
        step=step,
        steps=_steps(label, step, p, others),
        note=f"{OVERRULED}: {was}",
    )


def _steps(label: str, step: int, p: float, others: dict[int, float]) -> tuple[tuple[int, float], ...]:
    """Probabilities of bases as steps the clef may stand on; those off the lines mean other letters."""
    ranked = sorted(others.items(), key=lambda pair: (-pair[1], pair[0]))
    rest = [(CLEF_DEGREES[label] - b, round(q, 4)) for b, q in ranked if q >= _LEAST_P]
    return ((step, round(p, 4)), *rest)


def _infer_clef(
    run: Sequence[Stretch], i: int, bases: Sequence[int], p: float, others: dict[int, float], record: Record
) -> None:
    """A clef no ink shows: a glyph at the left of the staff's signs, marked as inferred."""
    stretch, base = run[i], bases[i]
    staff = stretch.staff
    label, step = _familiar_clef(run, i, bases, base)
    col = max(0.0, min(s.glyph.col for s in stretch.signs) - staff.space_px)
    row = staff.row_of(step, col)
    half = staff.space_px / 2
    box = Box(
        max(0, int(row - half)), max(0, int(col - half)), max(1, int(row + half)), max(1, int(col + half))
    )
    glyph = Glyph(id=f"{staff.id}-clef", staff=staff.id, row=row, col=col, box=box)
    record.glyphs.append(glyph)
    record.readings.append(
        Reading(
            glyph=glyph.id,
            label=label,
            confidence=round(p, 4),
            step=step,
            steps=_steps(label, step, p, others),
            by="inferred",
            note="no clef seen",
        )
    )
    text = f"No clef was seen on staff {staff.id}; the {clef_name(label, step)} is inferred (p {p:.2f})."
    record.say("clef-inferred", text, staff.id, glyph.id)


def inferred_p(p: float, others: dict[int, float]) -> tuple[float, dict[int, float]]:
    """Probability of an inferred clef and of the others, as often as such are right."""
    less = with_odds(p, _INFERRED_ODDS)
    more = (1 - less) / (1 - p) if p < 1 else 1.0
    return less, {base: q * more for base, q in others.items()}


def _familiar_clef(run: Sequence[Stretch], i: int, bases: Sequence[int], base: int) -> tuple[str, int]:
    """Letter and line for a base: the nearest clef sign of the run that gives it, else by use."""
    for j in sorted(range(len(run)), key=lambda j: (abs(j - i), j)):
        for sign in run[j].clefs:
            step = line_step(sign.reading)
            if step is not None and bases[j] == base and base_degree(sign.label, step) == base:
                return sign.label, step
    return _clef_for(base, run[i].staff, {})
