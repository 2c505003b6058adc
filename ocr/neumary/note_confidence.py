"""How sure each note is as a whole, and whether it was right."""

from __future__ import annotations

from collections.abc import Mapping, Sequence

import msgspec

from neumary.melody_measures import Shift, put_right
from neumary.page_matching import SOFT_PAIRS, Match, Placed, place_signs
from neumary.types import Page


class Outcome(msgspec.Struct, frozen=True, array_like=True):
    """One note as read: how sure, and what was right about it."""

    label_p: float
    note_p: float  # label, step and the clef it stands under together
    label_right: bool
    note_right: bool


def has_step(placed: Placed) -> bool:
    """Whether a sign's line or space is known."""
    return placed.sign.reading.step is not None


def note_right(found: Match, read: Placed, true: Placed, shifts: Mapping[str, Shift]) -> bool:
    """Whether label (leniently) and pitch are right; the step where the truth has no pitch."""
    if not found.same(read.sign.label, true.sign.label):
        return False
    if true.symbol is None:
        return not has_step(true) or read.sign.reading.step == true.sign.reading.step
    return put_right(read, shifts) == true.symbol


def judge_notes(found: Match) -> tuple[Outcome, ...]:
    """Outcome of every head read."""
    partner = {a.sign.glyph.id: b for a, b in found.pairs}
    outcomes = []
    for read in found.read:
        true = partner.get(read.sign.glyph.id)
        label_right = true is not None and found.same(read.sign.label, true.sign.label)
        right = true is not None and note_right(found, read, true, {})
        outcomes.append(Outcome(_label_p(found, read), _note_p(found, read), label_right, right))
    return tuple(outcomes)


def note_confidences(page: Page, *, soft_pairs: Sequence[tuple[str, str]] = SOFT_PAIRS) -> dict[str, float]:
    """How sure each note of a page is as a whole: by this a level for taking notes unseen is set.

    Parameters
    ----------
    page : Page
    soft_pairs : sequence of (str, str)
        Labels that count as one.

    Returns
    -------
    dict of str to float
        By glyph id, melody heads in reading order: the product of the probabilities of the label, of the
        step (or the best of a range), of the flat that may or may not hold, and of the clef the note stands
        under; 0 where a note on lines was given no pitch for want of a clef.
    """
    signs = [placed for placed in place_signs(page) if placed.sign.is_head]
    found = Match(signs, [], [], {frozenset(pair) for pair in soft_pairs})
    return {p.sign.glyph.id: _note_p(found, p) for p in signs}


def _label_p(found: Match, placed: Placed) -> float:
    reading = placed.sign.reading
    p = reading.confidence + sum(p for x, p in reading.rivals if found.same(x, reading.label))
    return round(min(p, 1.0), 6)


def _note_p(found: Match, placed: Placed) -> float:
    if has_step(placed) and placed.symbol is None:
        return 0.0  # it stands on lines, yet under no clef: no pitch is given that could be taken
    p = _label_p(found, placed) * _pitch_p(placed)
    pitch = placed.sign.reading.pitch
    with_clef = placed.clef_inferred or (pitch is not None and pitch.certainty != "exact")
    return round(min(p if with_clef else p * placed.clef_p, 1.0), 6)


def _pitch_p(placed: Placed) -> float:
    """Probability of the pitch given; under a clef that was seen, without what is in doubt about the clef."""
    reading = placed.sign.reading
    step_p = dict(reading.steps).get(reading.step, 1.0) if reading.step is not None else 1.0
    if reading.pitch is None or not reading.pitch.alternatives:
        return step_p
    degree, _, p = reading.pitch.alternatives[0]
    if placed.clef_inferred or reading.pitch.certainty != "exact":
        return p
    either = sum(q for d, _, q in reading.pitch.alternatives if d == degree)  # flat or not
    return step_p * p / either if either else step_p
