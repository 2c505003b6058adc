"""How well a page was read, against a page known to be true.

Every measure is a pair of counts, so pages add up (micro-average) before any ratio is taken.
Matching is one to one by least total distance; tolerances are in staff spaces of the truth.
Where both sides are empty a ratio is 1, where one side is empty it is 0.

Truth readings whose `note` begins with "uncertain" count neither for nor against: neither they nor the
signs that stand where they do enter any count.
"""

from __future__ import annotations

from collections import Counter
from collections.abc import Callable, Mapping, Sequence
from typing import Final

import msgspec
import numpy as np

from neumary.gamut import Sign, line_step
from neumary.measures import (
    Share,
    Tally,
    calibration_error,
    edit_distance,
    hands_off_share,
    match,
)
from neumary.melody_measures import find_shifts, melody_edits
from neumary.note_confidence import Outcome, has_step, judge_notes, note_confidences, note_right
from neumary.page_matching import SOFT_PAIRS, Match, Placed, compare_signs, sign_costs
from neumary.staff_measures import score_lines
from neumary.types import Page

__all__ = [
    "Outcome",
    "PageScore",
    "Share",
    "Tally",
    "bootstrap_interval",
    "bootstrap_intervals",
    "calibration_error",
    "combine",
    "edit_distance",
    "hands_off_share",
    "match",
    "note_confidences",
    "score_page",
]

_GROUPS: Final = ("clef", "accidental", "custos", "division")


class PageScore(msgspec.Struct, frozen=True, kw_only=True):
    """Counts of one page, or of many added up."""

    pages: int = 0
    lines: Tally = Tally()
    staves: Tally = Tally()
    notes: Tally = Tally()
    signs: dict[str, Tally] = msgspec.field(default_factory=dict)  # by group: clef, custos, ...
    boundaries: Tally = Tally()  # beginnings of neumes, the first of each staff left out
    clef_changes: Share = Share()  # clefs amid a staff that were found, letter and line right
    label: Share = Share()  # matched notes with the very label
    label_soft: Share = Share()  # the same, `SOFT_PAIRS` counted as equal
    step: Share = Share()  # matched notes on the right step
    pitch: Share = Share()  # matched notes of the right pitch
    in_range: Share = Share()  # matched notes given as a range that holds the true degree
    syllable: Share = Share()  # notes under the right syllable
    melody_edits: Share = Share()  # edits of the pitch sequence / its true length
    melody_edits_once: Share = Share()  # the same, each shifted stretch counted as one error
    corrections: Share = Share()  # acts of correction / true notes
    confusion: dict[str, dict[str, int]] = msgspec.field(default_factory=dict)  # true > read; "" none
    outcomes: tuple[Outcome, ...] = ()

    def sign_f1(self, group: str) -> float:
        """F1 of the signs of a group: "clef", "accidental", "custos", "division"."""
        return self.signs.get(group, Tally()).f1

    @property
    def melody_error_rate(self) -> float:
        """Edits / true length, clef errors propagated to every note under them."""
        return self.melody_edits.rate

    @property
    def melody_error_rate_once(self) -> float:
        """The same with a stretch of notes shifted by one clef error counted once."""
        return self.melody_edits_once.rate

    @property
    def corrections_per_100(self) -> float:
        """Acts of correction per 100 true notes."""
        return 100 * self.corrections.rate

    @property
    def calibration_error(self) -> float:
        """Expected calibration error of note labels; 0 for no notes. See `calibration_error`."""
        return calibration_error([(o.label_p, o.label_right) for o in self.outcomes])

    @property
    def pitch_calibration_error(self) -> float:
        """The same of label and pitch together."""
        return calibration_error([(o.note_p, o.note_right) for o in self.outcomes])

    @property
    def hands_off(self) -> float:
        """Hands-off share at 0.5 % error, missed notes in the denominator. See `hands_off_share`."""
        return hands_off_share([(o.note_p, o.note_right) for o in self.outcomes], missed=self.notes.missed)


def score_page(
    read: Page,
    truth: Page,
    *,
    line_spaces: float = 0.25,
    line_overlap: float = 0.8,
    note_spaces: float = 0.5,
    sign_spaces: float = 1.0,
    soft_pairs: Sequence[tuple[str, str]] = SOFT_PAIRS,
) -> PageScore:
    """Score a page.

    Parameters
    ----------
    read, truth : Page
        The same image, in the same pixels. The last reading of a glyph holds; the melody layer
        only is scored.
    line_spaces : float
        Mean vertical distance up to which a line is found, staff spaces.
    line_overlap : float
        Share of the true line that must be covered.
    note_spaces : float
        Distance of centres up to which a note is found, staff spaces.
    sign_spaces : float
        The same for clefs, accidentals, custodes and divisions, whose centre is looser.
    soft_pairs : sequence of (str, str)
        Labels that count as equal where reading is scored leniently.

    Notes
    -----
    A staff is found if it has the true number of lines and their mean distance is within
    `line_spaces`. A clef is found if letter and line are right; inferred clefs stand on no ink
    and are left out. *Corrections* are one act per missed note, spurious note, note with a
    wrong label (leniently) or a wrong pitch once shifted stretches are put right, stretch put
    right, and wrong beginning of a neume.
    """
    lines, staves = score_lines(read.staves, truth.staves, line_spaces, line_overlap)
    signs = compare_signs(read, truth, note_spaces, sign_spaces, soft_pairs)
    ours, theirs = signs.read, signs.true
    found = signs.heads()
    pairs = found.pairs
    notes = Tally(len(pairs), len(found.read) - len(pairs), len(found.true) - len(pairs))
    shifts = find_shifts(found)
    boundaries, boundary_acts = _score_boundaries(found, read, truth)
    edits, edits_once = melody_edits(found, shifts)
    wrong = sum(not note_right(found, a, b, shifts) for a, b in pairs)
    acts = notes.missed + notes.spurious + wrong + len(set(shifts.values())) + boundary_acts
    return PageScore(
        pages=1,
        lines=lines,
        staves=staves,
        notes=notes,
        signs={group: _score_group(ours, theirs, group, sign_spaces) for group in _GROUPS},
        boundaries=boundaries,
        clef_changes=_score_changes(ours, theirs, sign_spaces),
        label=Share(sum(a.sign.label == b.sign.label for a, b in pairs), len(pairs)),
        label_soft=Share(sum(found.same(a.sign.label, b.sign.label) for a, b in pairs), len(pairs)),
        step=_share([a.sign.reading.step == b.sign.reading.step for a, b in pairs if has_step(b)]),
        pitch=_share([a.symbol == b.symbol for a, b in pairs if b.symbol is not None]),
        in_range=_share([_holds(a, b) for a, b in pairs if b.symbol is not None and _is_range(a)]),
        syllable=_score_syllables(found, read, truth),
        melody_edits=edits,
        melody_edits_once=edits_once,
        corrections=Share(acts, len(found.true)),
        confusion=_confusion(signs),
        outcomes=judge_notes(found),
    )


def _share(right: Sequence[bool]) -> Share:
    return Share(sum(right), len(right))


def _is_range(read: Placed) -> bool:
    pitch = read.sign.reading.pitch
    return pitch is not None and pitch.certainty == "ranged"


def _holds(read: Placed, true: Placed) -> bool:
    """Whether the true degree is among those a range leaves open."""
    pitch = read.sign.reading.pitch
    return pitch is not None and true.symbol in [(degree, alter) for degree, alter, _ in pitch.alternatives]


def _score_group(ours: list[Placed], theirs: list[Placed], group: str, limit: float) -> Tally:
    a, b = [p for p in ours if p.group == group], [p for p in theirs if p.group == group]
    hits = len(_same_signs(a, b, limit))
    return Tally(hits, len(a) - hits, len(b) - hits)


def _score_changes(ours: list[Placed], theirs: list[Placed], limit: float) -> Share:
    """Clefs after the first head of their staff; on the read side any clef will do."""
    sung = {p.staff: p.sign.glyph.col for p in reversed(theirs) if p.sign.is_head}
    late = [p for p in theirs if p.group == "clef" and p.sign.glyph.col > sung.get(p.staff, np.inf)]
    return Share(len(_same_signs([p for p in ours if p.group == "clef"], late, limit)), len(late))


def _same_signs(a: list[Placed], b: list[Placed], limit: float) -> list[tuple[int, int]]:
    """Pairs of signs other than heads that agree, clefs in letter and line."""
    cost = sign_costs(a, b)
    for i, read in enumerate(a):
        for j, true in enumerate(b):
            if not _same_sign(read.sign, true.sign):
                cost[i, j] = np.inf
    return match(cost, limit)


def _same_sign(read: Sign, true: Sign) -> bool:
    if read.label != true.label:
        return False
    return not true.is_clef or line_step(read.reading) == line_step(true.reading)


# Notes, neumes, syllables, confusion --------------------------------------------------------------


def _score_boundaries(found: Match, read: Page, truth: Page) -> tuple[Tally, int]:
    """Beginnings of neumes, and the acts that put them right at notes both sides have."""
    if not truth.neumes:
        return Tally(), 0
    begins_read = {n.glyphs[0] for n in read.neumes if n.glyphs}
    begins_true = {n.glyphs[0] for n in truth.neumes if n.glyphs}
    inner = [(a, b) for a, b in found.pairs if not (a.first and b.first)]
    flags = [(a.sign.glyph.id in begins_read, b.sign.glyph.id in begins_true) for a, b in inner]
    hits = sum(a and b for a, b in flags)
    outer = [(a, b) for a, b in found.pairs if a.first and b.first]
    ours = sum(p.sign.glyph.id in begins_read for p in found.read)
    theirs = sum(p.sign.glyph.id in begins_true for p in found.true)
    ours -= sum(a.sign.glyph.id in begins_read for a, _ in outer)
    theirs -= sum(b.sign.glyph.id in begins_true for _, b in outer)
    return Tally(hits, ours - hits, theirs - hits), sum(a != b for a, b in flags)


def _score_syllables(found: Match, read: Page, truth: Page) -> Share:
    """Notes under the right syllable, syllables of both sides paired for the best."""
    ours = {g: n.syllable for n in read.neumes for g in n.glyphs if n.syllable}
    theirs = {g: n.syllable for n in truth.neumes for g in n.glyphs if n.syllable}
    total = sum(p.sign.glyph.id in theirs for p in found.true)
    together: Counter[tuple[str, str]] = Counter()
    for a, b in found.pairs:
        if a.sign.glyph.id in ours and b.sign.glyph.id in theirs:
            together[ours[a.sign.glyph.id], theirs[b.sign.glyph.id]] += 1
    if not together:
        return Share(0, total)
    rows, cols = sorted({a for a, _ in together}), sorted({b for _, b in together})
    shared = np.array([[together[a, b] for b in cols] for a in rows], dtype=np.float64)
    pairs = match(shared.max() - shared, float(shared.max()))
    return Share(int(sum(shared[i, j] for i, j in pairs)), total)


def _confusion(signs: Match) -> dict[str, dict[str, int]]:
    cells = Counter((true.sign.label, read.sign.label) for read, true in signs.pairs)
    hit = {placed for pair in signs.pairs for placed in pair}
    cells.update(("", p.sign.label) for p in signs.read if p not in hit)
    cells.update((p.sign.label, "") for p in signs.true if p not in hit)
    table: dict[str, dict[str, int]] = {}
    for (true, read), count in sorted(cells.items()):
        table.setdefault(true, {})[read] = count
    return table


# Many pages -------------------------------------------------------------------------------------


def combine(scores: Sequence[PageScore]) -> PageScore:
    """Add up the counts of pages; no pages give the score of nothing."""
    total: dict[str, object] = {}
    for name in ("lines", "staves", "notes", "boundaries"):
        total[name] = sum((getattr(s, name) for s in scores), Tally())
    for name in (
        *("clef_changes", "label", "label_soft", "step", "pitch", "in_range", "syllable"),
        *("melody_edits", "melody_edits_once", "corrections"),
    ):
        total[name] = sum((getattr(s, name) for s in scores), Share())
    signs: dict[str, Tally] = {}
    confusion: dict[str, dict[str, int]] = {}
    for score in scores:
        for group, tally in score.signs.items():
            signs[group] = signs.get(group, Tally()) + tally
        for true, row in score.confusion.items():
            for read, count in row.items():
                cells = confusion.setdefault(true, {})
                cells[read] = cells.get(read, 0) + count
    outcomes = tuple(o for s in scores for o in s.outcomes)
    pages = sum(s.pages for s in scores)
    return msgspec.convert(
        total | {"pages": pages, "signs": signs, "confusion": confusion, "outcomes": outcomes}, PageScore
    )


def bootstrap_intervals(
    scores: Sequence[PageScore],
    measures: Mapping[str, Callable[[PageScore], float]],
    *,
    level: float = 0.95,
    draws: int = 1000,
    seed: int = 0,
) -> dict[str, tuple[float, float]]:
    """Percentile bootstrap intervals of measures, pages drawn with replacement.

    Parameters
    ----------
    scores : sequence of PageScore
        One per page.
    measures : mapping of str to callable
        From a combined score to a number, e.g. ``{"note F1": lambda s: s.notes.f1}``.
    level : float
        Coverage.
    draws, seed : int
        Number of resamples, and the seed of their generator.

    Returns
    -------
    dict of str to (float, float)
        Empty for fewer than two pages: an interval over pages needs pages.

    References
    ----------
    .. [1] B. Efron and R. J. Tibshirani, An Introduction to the Bootstrap, 1993, ch. 13.
    """
    if len(scores) < 2:
        return {}
    picks = np.random.default_rng(seed).integers(0, len(scores), size=(draws, len(scores)))
    drawn = [combine([scores[i] for i in pick]) for pick in picks]
    ends = [(1 - level) / 2, (1 + level) / 2]
    intervals = {}
    for name, measure in measures.items():
        low, high = np.quantile([measure(score) for score in drawn], ends)
        intervals[name] = (float(low), float(high))
    return intervals


def bootstrap_interval(
    scores: Sequence[PageScore],
    measure: Callable[[PageScore], float],
    *,
    level: float = 0.95,
    draws: int = 1000,
    seed: int = 0,
) -> tuple[float, float] | None:
    """Interval of one measure; see `bootstrap_intervals`. None for fewer than two pages."""
    found = bootstrap_intervals(scores, {"": measure}, level=level, draws=draws, seed=seed)
    return found.get("")
