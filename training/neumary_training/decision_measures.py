"""Counts behind `neumary_training.decision_eval`: staves, clefs and steps against the truth."""

from __future__ import annotations

from collections import Counter
from collections.abc import Iterator, Sequence
from dataclasses import asdict, dataclass
from typing import Final

import msgspec
import numpy as np

from neumary.clef_verdicts import WEIGHED
from neumary.clef_witness import is_witnessed
from neumary.gamut import signs_by_staff
from neumary.measures import F64, match
from neumary.page_matching import Placed, place_signs, sign_costs
from neumary.stretches import cut_stretches
from neumary.types import Page
from neumary_models.labels import CLEFS
from neumary_training.decision_hidden import open_staves

CAUGHT_CODES: Final = frozenset(
    {"clef-overruled", "clef-doubtful", "clef-inferred", "clef-unknown", "clefs-disagree", "custos-mismatch"}
)
"""Warnings that send a reader to the clef of the staff they name. A custos an odd number of degrees from its
note ("custos-step") does not: a wrong C or F clef shifts by an even number."""

OTHER_LETTER: Final = {"clef_c": "clef_f", "clef_f": "clef_c"}
_NOTE_SPACES: Final = 0.5
_SURE_STEP_P: Final = 0.9
_LOST: Final = 0.7  # a staff of whose notes more than this share is missed was not found


@dataclass(slots=True)
class ClefCount:
    """Staves by what became of their clef; a staff counts if four of its notes were found."""

    staves: int = 0
    right: int = 0
    wrong_warned: int = 0
    wrong_silent: int = 0
    sound: int = 0  # right with the clef as the reader saw it, nothing inferred or overruled
    sound_warned: int = 0  # false alarms
    hidden: int = 0  # no clef sign of the truth can be seen before the first note
    hidden_right: int = 0
    hidden_warned: int = 0  # wrong, or unknown, and said so
    witnessed: int = 0  # hidden ones of which a custos, a flat or a natural speaks
    witnessed_right: int = 0

    def as_dict(self) -> dict[str, int]:
        """Plain values."""
        return asdict(self)


@dataclass(slots=True)
class StepCount:
    """Steps the decision changed."""

    fixed: int = 0
    harmed: int = 0
    moved: int = 0  # wrong before and after

    def as_dict(self) -> dict[str, int]:
        """Plain values."""
        return asdict(self)


def _heads(page: Page) -> list[Placed]:
    return [p for p in place_signs(page) if p.sign.is_head]


def matched_heads(read: Page, truth: Page) -> list[tuple[Placed, Placed]]:
    """Heads of both sides paired by place."""
    ours, theirs = _heads(read), _heads(truth)
    return [(ours[i], theirs[j]) for i, j in match(sign_costs(ours, theirs), _NOTE_SPACES)]


def staff_shifts(read: Page, truth: Page) -> dict[str, int | None]:
    """How far the opening of each read staff is out, in degrees; None where it has no pitch.

    The commonest difference among the first six matched notes of a staff; staves with fewer than
    four matched notes are left out.
    """
    found: dict[str, list[int | None]] = {}
    for ours, theirs in matched_heads(read, truth):
        if theirs.symbol is not None:
            gap = None if ours.symbol is None else ours.symbol[0] - theirs.symbol[0]
            found.setdefault(ours.sign.glyph.staff, []).append(gap)
    return {staff: Counter(gaps[:6]).most_common(1)[0][0] for staff, gaps in found.items() if len(gaps) >= 4}


def warned_staves(page: Page) -> set[str]:
    """Staves whose clef a warning puts in doubt; a custos doubts both staves it ties."""
    order = [staff.id for staff in page.staves]
    named = {w.staff for w in page.warnings if w.code in CAUGHT_CODES}
    for warning in page.warnings:
        if warning.code == "custos-mismatch" and warning.staff in order[:-1]:
            named.add(order[order.index(warning.staff) + 1])
    return named


def witnessed_staves(read: Page) -> set[str]:
    """Staves of whose first clef more than habit speaks: a custos on either side, a flat, a natural."""
    by_staff = signs_by_staff(read.staves, read.glyphs, read.readings)
    run = [s for staff in read.staves for s in cut_stretches(staff, by_staff[staff.id])]
    return {s.staff.id for i, s in enumerate(run) if s.opens_staff and is_witnessed(run, i)}


def _settled_staves(read: Page) -> set[str]:
    """Staves with a clef that was inferred, taken up or overruled; those only weighed left out."""
    current = read.current()
    clefs = [g for g in read.glyphs if g.id in current and current[g.id].label in CLEFS]
    return {g.staff for g in clefs if current[g.id].by != "machine" and current[g.id].note != WEIGHED}


def count_clefs(count: ClefCount, read: Page, truth: Page) -> None:
    """Add up the staves of one page."""
    warned, hidden = warned_staves(read), hidden_staves(read, truth)
    witnessed, settled = witnessed_staves(read), _settled_staves(read)
    for staff, shift in staff_shifts(read, truth).items():
        said = staff in warned or shift is None
        count.staves += 1
        count.right += shift == 0
        count.sound += shift == 0 and staff not in settled
        count.sound_warned += shift == 0 and staff not in settled and said
        count.wrong_warned += shift != 0 and said
        count.wrong_silent += shift != 0 and not said
        if staff in hidden:
            count.hidden += 1
            count.hidden_right += shift == 0
            count.hidden_warned += shift != 0 and said
            count.witnessed += staff in witnessed
            count.witnessed_right += staff in witnessed and shift == 0


def hidden_staves(read: Page, truth: Page) -> set[str]:
    """Read staves on whose true staff no clef stands before the first note."""
    unseen = open_staves(truth)
    return {a.sign.glyph.staff for a, b in matched_heads(read, truth) if b.staff in unseen}


def on_whole_staves(read: Page, truth: Page) -> list[tuple[Placed, Placed]]:
    """Matched heads on staves of the true number of lines: elsewhere steps count from another line."""
    lines = {staff.id: len(staff.lines) for staff in read.staves}
    return [
        (a, b)
        for a, b in matched_heads(read, truth)
        if lines[a.sign.glyph.staff] == len(truth.staves[b.staff].lines)
    ]


def count_steps(count: StepCount, before: Page, after: Page, truth: Page) -> None:
    """Steps of matched heads before and after the decision."""
    changed = {b.sign.glyph.id: b.sign.reading.step for b in _heads(after)}
    for ours, theirs in on_whole_staves(before, truth):
        was, now, true = ours.sign.reading.step, changed.get(ours.sign.glyph.id), theirs.sign.reading.step
        if was == now or true is None:
            continue
        count.fixed += now == true
        count.harmed += was == true
        count.moved += true not in (was, now)


def error_causes(read: Page, truth: Page) -> Counter[str]:
    """Wrong notes of a page by what went wrong.

    A note counts with its staff where most of the staff was missed, or where the staff's opening is
    out by as many degrees as the note.
    """
    causes: Counter[str] = Counter()
    pairs = matched_heads(read, truth)
    found = {b.sign.glyph.id for _, b in pairs}
    true = _heads(truth)
    per_staff = Counter(p.staff for p in true)
    for number, missed in Counter(p.staff for p in true if p.sign.glyph.id not in found).items():
        lost = missed > _LOST * per_staff[number]
        causes["staff not found" if lost else "note missed"] += missed
    causes["note spurious"] = len(_heads(read)) - len(pairs)
    shifts, hidden = staff_shifts(read, truth), hidden_staves(read, truth)
    witnessed = witnessed_staves(read)
    for ours, theirs in pairs:
        if ours.symbol == theirs.symbol or theirs.symbol is None:
            continue
        gap = None if ours.symbol is None else ours.symbol[0] - theirs.symbol[0]
        staff = ours.sign.glyph.staff
        if gap == 0:
            causes["flat"] += 1
        elif gap == shifts.get(staff, 0):
            unseen = "clef hidden, witnessed" if staff in witnessed else "clef hidden, only habit speaks"
            causes[unseen if staff in hidden else "clef misread or missed"] += 1
        else:
            sure = dict(ours.sign.reading.steps).get(ours.sign.reading.step or 0, 1.0) > _SURE_STEP_P
            step = "step, seen surely" if sure else "step, seen doubtfully"
            causes[step if gap in (-1, 1) else "clef in mid-staff, and others"] += 1
    return causes


def inferred_clefs(read: Page, truth: Page) -> list[tuple[float, bool]]:
    """Probability said of each inferred clef, and whether the staff's opening is right."""
    shifts = staff_shifts(read, truth)
    staff_of = {glyph.id: glyph.staff for glyph in read.glyphs}
    clefs = [r for r in read.current().values() if r.by == "inferred"]
    return [(r.confidence, shifts[staff_of[r.glyph]] == 0) for r in clefs if staff_of[r.glyph] in shifts]


def reliability(read: Page, truth: Page) -> list[tuple[float, bool]]:
    """Probability said of each matched head's step, and whether the step is right."""
    return [
        (
            dict(a.sign.reading.steps).get(a.sign.reading.step or 0, 1.0),
            a.sign.reading.step == b.sign.reading.step,
        )
        for a, b in on_whole_staves(read, truth)
        if a.sign.reading.steps and b.sign.reading.step is not None
    ]


def step_odds(read: Page, truth: Page) -> list[tuple[F64, int]]:
    """Log odds of each matched head's steps as read, and which of them is right, where one is."""
    found = []
    for ours, theirs in on_whole_staves(read, truth):
        steps = [s for s, _ in ours.sign.reading.steps]
        if theirs.sign.reading.step in steps:
            odds = np.log([max(p, 1e-6) for _, p in ours.sign.reading.steps])
            found.append((odds, steps.index(theirs.sign.reading.step)))
    return found


def fit_temperature(odds: Sequence[tuple[F64, int]]) -> float:
    """Factor on the temperature of the steps that makes them likeliest; above 1, they are too sure.

    Parameters
    ----------
    odds : sequence of (ndarray of float64, int)
        From `step_odds`.

    Notes
    -----
    Temperature scaling (Guo et al., "On calibration of modern neural networks", ICML 2017), by trial in steps
    of 0.05: steps less probable than 0.01 are not stored, so finer would be false.
    """

    def cost(factor: float) -> float:
        logs = [row / factor for row, _ in odds]
        return -sum(float(row[k] - np.log(np.exp(row).sum())) for row, (_, k) in zip(logs, odds, strict=True))

    return min((round(0.5 + 0.05 * k, 2) for k in range(51)), key=cost) if odds else 1.0


def clef_plants(raw: Page, before: Page, truth: Page, name: str, most: int = 1) -> Iterator[tuple[Page, str]]:
    """Pages with one clef misread, if there are custodes and clefs rightly read: (page, staff).

    The opening C clef of one staff after another, drawn by the page's name, is called F (or F called C) on
    the same line, just as surely as it was read, without a rival. `before` is the page with pitches but
    without a decision; `most` says how many such pages to make.
    """
    if not any(p.sign.label == "custos" for p in place_signs(truth)):
        return
    right = {staff for staff, shift in staff_shifts(before, truth).items() if shift == 0}
    found: dict[str, Placed] = {}
    for placed in place_signs(before):
        if placed.sign.is_clef and placed.sign.glyph.staff in right:
            found.setdefault(placed.sign.glyph.staff, placed)
    wanted = sorted(staff for staff, p in found.items() if p.sign.label in OTHER_LETTER)
    if len(right) < 2:
        return
    for staff in np.random.default_rng(list(name.encode())).permutation(wanted)[:most]:
        sign = found[str(staff)].sign
        slipped = msgspec.structs.replace(sign.reading, label=OTHER_LETTER[sign.label], rivals=())
        readings = tuple(slipped if r.glyph == sign.glyph.id else r for r in raw.readings)
        yield msgspec.structs.replace(raw, readings=readings), str(staff)
