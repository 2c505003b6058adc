"""Which clef is in force, weighed along a run of staves.

A run is cut into *stretches*: the notes under one clef. The state of a stretch is the degree
of its bottom line (`base`). Clef signs, flats and naturals, custodes, the habit of keeping a clef
while it serves and the usual range speak for or against each base; the probability of each base is
found by the forward-backward algorithm [1]_. The same algorithm with a stretch's own clef covered
up tells what the rest of the page says about it.

What notes say (range, intervals) is easily too sure of itself: they are weighed so that a clef nobody sees
is right as often as it is given (800 rendered pages kept out of training, each half of them better for it).

Design figures here and in `neumary.priors` were tried on 240 rendered pages kept out of training
(`neumary_training.decision_eval --split held-out`); figures are reported on others (``--split test``).

References
----------
.. [1] L. R. Rabiner, "A tutorial on hidden Markov models and selected applications in speech
   recognition", Proceedings of the IEEE 77(2), 1989.
.. [2] M. Saerens, P. Latinne, C. Decaestecker, "Adjusting the outputs of a classifier to new a priori
   probabilities: a simple procedure", Neural Computation 14(1), 2002.
"""

from __future__ import annotations

import itertools
import math
from collections import Counter, defaultdict
from collections.abc import Callable, Mapping, Sequence
from dataclasses import dataclass, field
from typing import Final

import numpy as np
import numpy.typing as npt

from neumary.accidentals import B_CLASS
from neumary.custos_belief import custos_odds, custos_p
from neumary.gamut import base_degree, line_clef, line_step
from neumary.measures import F64
from neumary.priors import (
    CLEF_STAYS,
    CLEF_STAYS_AWAY,
    CLEF_STAYS_NEW,
    CLEF_STAYS_UNSEEN,
    FLAT_ON_B,
    log_in_modes,
    log_interval,
    log_lost,
    log_move,
)
from neumary.stretches import Stretch, clef_belief, clef_hypotheses, distribution, letter_clefs, usual_clefs
from neumary.types import Reading, Staff
from neumary_models.labels import CLEFS

CERTAIN_P: Final = 0.9
"""A reading surer than this is not overruled by habits alone."""

_CLEF_SLIP: Final = 0.0005  # a clef sign read as a wholly different one (design figure)
_HIDES: Final = 0.3  # odds of a staff without any clef, against those the reader of signs reckons with
_COLOUR_SLIP: Final = 0.02  # a coloured line that is no clef (design figure)
_GUIDE_SLIP: Final = (0.2, 2.0)
"""A red or yellow line of a full staff that is none for F or C: so many of so many, before the clefs that are
seen surely on the page's staves are counted (design figure)."""
_NO_CLEF: Final = 0.01  # even a sure clef in mid-staff may be some other sign (design figure)
_OTHER_LETTER: Final = 0.0005  # C read as F, or F as C, at least (none of 5,209 read with .998 or more)
_OTHER_LETTER_RISE: Final = 6.0  # times doubt to the power of 1.5 (see `_other_letter`)
_OTHER_LETTER_LEVEL: Final = 0.08  # no more than this, or than the doubt times the next figure
_OTHER_LETTER_DOUBT: Final = 0.3
_OTHER_LETTER_MID: Final = 0.015  # the same in mid-staff, where it hardly happens (1 of 25 doubtful ones)
_SAME_IN_MID_STAFF: Final = 0.25  # a clef in mid-staff mostly changes something (design figure)
_NOTE_WEIGHT: Final = 0.2  # notes of one melody are no independent witnesses: each counts as so much
_MOST_NOTES: Final = 5.5  # and all notes of one stretch together as no more than so many
_LEAPS: Final = 0.7  # the same for tritone leaps
_INTERVAL_WEIGHT: Final = 0.7  # an interval from staff to staff says less than its odds: their power
_NEW_PHRASE: Final = 0.4  # chance that a staff break parts phrases or verses: any interval (design figure)
_NEW_CHANT: Final = 0.6  # the same where a custos is left out or an initial hides the clef
_ANY_INTERVAL: Final = 1 / 15  # an octave either way
_SERVES: Final = (1.0, 0.7, 0.4, 0.2)  # by steps beyond the spaces about the staff (design figures)
_OWN_USE: Final = 0.5  # weight of the page's own clefs against general use, the more of them the nearer
_OWN_USE_UNSEEN: Final = 0.35  # the same for a clef nobody sees
_OWN_USE_HALF: Final = 4.0  # with so many clefs half of that
_LETTERS: Final = 0.02  # share of letters beside C and F, where a page says nothing of it (design figure)
_CUSTODES_WRITTEN: Final = (
    3  # a run with so many, at the end of two stretches in five, is by a scribe who writes them
)

_DRAWN: Final = {
    "clef_c": 0.566,
    "clef_f": 0.355,
    "clef_a": 0.031,
    "clef_b": 0.018,
    "clef_d": 0.0175,
    "clef_e": 0.0104,
    "clef_g": 0.003,
}
"""Share of each letter among the clefs of the pages that the reader of signs was trained on."""
_LETTER_ODDS: Final = (0.2, 10.0)  # no share of use and no share drawn is known better than this

OTHER_LETTER: Final = {"clef_c": "clef_f", "clef_f": "clef_c"}
"""The two letters most often taken for each other (common practice, no source)."""


@dataclass(slots=True)
class ClefChain:
    """Odds of each base along a run of staves.

    Parameters
    ----------
    stretches : sequence of Stretch
        In reading order.
    chant : bool
        False leaves out everything that only holds for chant (range, B-flat, tritone).
    """

    stretches: Sequence[Stretch]
    chant: bool = True
    written: bool = field(init=False)  # whether the scribe writes custodes
    lettered: float = field(init=False)  # share of letters beside C and F among the run's clefs
    guide_slip: float = field(init=False)  # how often the paints of full staves say nothing
    bases: list[int] = field(init=False)
    use: F64 = field(init=False)  # share of each base by use, (stretches, bases)
    seen: F64 = field(init=False)  # what clefs at the head of a staff say, the same shape, log
    sung: F64 = field(init=False)  # what the notes say, the same
    moves: list[F64] = field(init=False)  # per neighbouring pair (bases, bases), log
    covered_moves: list[F64] = field(init=False)  # the same, a clef between the two covered up

    def __post_init__(self) -> None:
        custodes = sum(s.custos is not None and not s.custos.is_faint for s in self.stretches)
        self.written = custodes >= max(_CUSTODES_WRITTEN, 0.4 * len(self.stretches))
        self.guide_slip = _guide_slip(self.stretches)
        self.bases = sorted(_possible_bases(self.stretches))
        count = len(self.stretches)
        self.use = self._use()
        self.seen = np.array([self._signs(i) for i in range(count)], dtype=np.float64)
        self.sung = np.zeros((count, len(self.bases)))
        for i, stretch in enumerate(self.stretches):
            self.sung[i] = self._notes(stretch)
        joins = [self._join(i) for i in range(1, count)]
        self.moves = [join + self._clef_move(i) for i, join in enumerate(joins, 1)]
        self.covered_moves = [join + self._covered_move(i) for i, join in enumerate(joins, 1)]

    def marginals(self, pinned: dict[int, int]) -> F64:
        """Probability of each base for each stretch, shape (stretches, bases)."""
        return self._both_ways(pinned)[0]

    def without_its_clef(self) -> F64:
        """The same for each stretch with its own clef covered up: what the rest of the page says."""
        return self._both_ways({})[1]

    def _both_ways(self, pinned: dict[int, int]) -> tuple[F64, F64]:
        n = len(self.stretches)
        before = [np.log(self.use[0])]
        covered = [before[0]]
        for i, move in enumerate(self.moves):
            reached = (before[-1] + self._pinned(i, pinned))[:, None]
            before.append(_log_sum(reached + move, 0))
            covered.append(_log_sum(reached + self.covered_moves[i], 0))
        behind = [np.zeros(len(self.bases))]
        for i in range(n - 1, 0, -1):
            behind.append(_log_sum(self.moves[i - 1] + (behind[-1] + self._pinned(i, pinned))[None, :], 1))
        after = np.array(behind[::-1])
        own = np.array([self._pinned(i, pinned) for i in range(n)])
        both, rest = np.array(before) + own + after, np.array(covered) + self.sung + after
        return np.exp(both - _log_sum(both, 1)[:, None]), np.exp(rest - _log_sum(rest, 1)[:, None])

    def _pinned(self, i: int, pinned: dict[int, int]) -> F64:
        row: F64 = self.seen[i] + self.sung[i]
        return row if i not in pinned else np.where(np.array(self.bases) == pinned[i], row, -1e9)

    # What speaks for a base of one stretch

    def _use(self) -> F64:
        """Clefs by use: in general, and on this page, of the other staves' clefs.

        A clef that cannot be seen was mostly written with a new chant, whose range chose it: there the
        page's other clefs say less.
        """
        own = np.zeros((len(self.stretches), len(self.bases)))
        letters = 0.0
        for row, stretch in zip(own, self.stretches, strict=True):
            for sign in stretch.clefs:
                for key, p in clef_hypotheses(sign.reading).items():
                    row[self.bases.index(base_degree(*key))] += p * clef_belief(sign.reading)
                    letters += p * clef_belief(sign.reading) * (key[0] not in OTHER_LETTER)
        self.lettered = (letters + _LETTERS * _OWN_USE_HALF) / (own.sum() + _OWN_USE_HALF)
        use = np.array([self._in_general(s.staff) for s in self.stretches])
        for i, stretch in enumerate(self.stretches):
            others = own.sum(axis=0) - own[i]
            if others.sum() > 0:
                own_use = _OWN_USE if stretch.shows_clef or stretch.begins_beyond else _OWN_USE_UNSEEN
                weight = own_use * others.sum() / (others.sum() + _OWN_USE_HALF)
                use[i] = (1 - weight) * use[i] + weight * (others + 1e-3) / (others + 1e-3).sum()
        return use

    def _in_general(self, staff: Staff) -> F64:
        """Clefs by use in general, where a run has such a share of letters beside C and F."""
        letters = dict.fromkeys(letter_clefs(staff), 1.0)
        return (1 - self.lettered) * self._spread(usual_clefs(staff)) + self.lettered * self._spread(letters)

    def _signs(self, i: int) -> F64:
        stretch = self.stretches[i]
        if not stretch.opens_staff:
            return np.zeros(len(self.bases))  # a clef in mid-staff speaks in `_clef_move`
        log = self._clefs(i)
        coloured = line_clef(stretch.staff)
        if coloured is not None:
            log += np.log((1 - _COLOUR_SLIP) * self._spread({coloured: 1.0}) + _COLOUR_SLIP * self.use[i])
        if stretch.guide is not None:
            guide = np.array(self.bases) == stretch.guide
            log += np.log((1 - self.guide_slip) * guide + self.guide_slip * self.use[i])
        if stretch.hidden is not None:
            p = sum(p for x, p in stretch.hidden.reading.rivals if x in CLEFS)
            said = self._spread(clef_hypotheses(stretch.hidden.reading))
            log += np.log(p * said + (1 - p) * self.use[i])
        return log

    def _clefs(self, i: int) -> F64:
        """Log odds of each base by the clef signs; a doubtful sign may be none at all."""
        stretch = self.stretches[i]
        log = np.zeros(len(self.bases))
        for sign in stretch.clefs:
            p = min(clef_belief(sign.reading), 1 - _CLEF_SLIP)
            hidden = (1 - p) * (_HIDES if stretch.opens_staff else 1.0)
            said = self._said(sign.reading, stretch)
            log += np.log((p * said + hidden * self.use[i]) / (p + hidden))
        return log

    def _said(self, reading: Reading, stretch: Stretch) -> F64:
        """Odds of each base as a clef is read, C and F taken for each other with a certain chance.

        A reader's probabilities hold how often it met each letter while it learned. That share is divided
        out [2]_, and in its place comes how often the letter is the one that gives the base, by use.
        """
        slip = _other_letter(_sure_apart(reading), stretch.opens_staff)
        odds: dict[tuple[str, int], float] = defaultdict(float)
        for (label, step), p in clef_hypotheses(reading).items():
            odds[label, step] += (1 - slip) * p
            if label in OTHER_LETTER:
                odds[OTHER_LETTER[label], step] += slip * p
        by_use = self._letters_by_use(stretch.staff)
        least, most = _LETTER_ODDS
        for key in odds:
            odds[key] *= min(max(by_use.get(key, 1.0), least), most)
        return self._placed(odds)

    def _letters_by_use(self, staff: Staff) -> dict[tuple[str, int], float]:
        """How often each clef is the one that gives its base, by use, against its letter's share drawn."""
        letters = letter_clefs(staff)
        use = {key: (1 - self.lettered) * p for key, p in usual_clefs(staff).items()}
        use |= dict.fromkeys(letters, self.lettered / len(letters))
        of_base: dict[int, float] = defaultdict(float)
        for key, p in use.items():
            of_base[base_degree(*key)] += p
        return {key: p / of_base[base_degree(*key)] / _DRAWN[key[0]] for key, p in use.items()}

    def _spread(self, clefs: Mapping[tuple[str, int], float]) -> F64:
        weights = self._placed(clefs)
        shares: F64 = weights / weights.sum()
        return shares

    def _placed(self, clefs: Mapping[tuple[str, int], float]) -> F64:
        weights = np.full(len(self.bases), 1e-4)
        for (label, step), p in clefs.items():
            base = base_degree(label, step)
            if base in self.bases:
                weights[self.bases.index(base)] += p
        return weights

    def _notes(self, stretch: Stretch) -> F64:
        log = np.zeros(len(self.bases))
        if not self.chant:
            return log
        steps = stretch.steps
        counts = Counter(steps)
        weight = min(_NOTE_WEIGHT, _MOST_NOTES / max(1, len(steps)))
        for k, base in enumerate(self.bases):
            if steps:
                log[k] += log_in_modes({base + s: n for s, n in counts.items()}, weight)
                leaps = sum(
                    log_move(base + a, base + b) - log_move(0, b - a)
                    for a, b in itertools.pairwise(steps)
                    if abs(b - a) in (3, 4)
                )
                log[k] += max(leaps, _LEAPS * -1.2)
            log[k] += sum(flat_odds(s.reading, base) for s in stretch.signs if s.label in ("flat", "natural"))
        return log

    # What ties neighbouring stretches

    def _breaks(self, i: int) -> bool:
        """Whether a chant seems to end before a stretch: no custos, where the scribe writes them."""
        return self.stretches[i].opens_staff and self.stretches[i - 1].custos is None and self.written

    def _stay(self, i: int) -> F64:
        """Log odds of the next base by habit alone: a clef is kept while its staff holds the notes."""
        here = self.stretches[i]
        stays, change = self._habit(i)
        bases = np.array(self.bases)
        rise = bases[None, :] - bases[:, None]
        serves = _over(rise, lambda d: _serves(here, d))
        kept = change + (stays - change) * serves  # had the clef been kept, for each base it went to
        same = np.eye(len(bases))
        return np.asarray(np.log(same * stays + (1 - same) * (1 - kept) * self.use[i][None, :]))

    def _habit(self, i: int) -> tuple[float, float]:
        """How often a clef stays, as long as it serves, and where it does not."""
        custos, here = self.stretches[i - 1].custos, self.stretches[i]
        if not (here.shows_clef or here.begins_beyond) and (custos is None or custos.is_faint):
            return CLEF_STAYS_UNSEEN, CLEF_STAYS_UNSEEN
        return (CLEF_STAYS_NEW, CLEF_STAYS_NEW) if self._breaks(i) else (CLEF_STAYS, CLEF_STAYS_AWAY)

    def _keeps(self, i: int) -> bool:
        here = self.stretches[i]
        return (here.shows_clef or here.begins_beyond) and not self._breaks(i)

    def _clef_move(self, i: int) -> F64:
        """The habit of keeping a clef; in mid-staff a clef sign, or nothing changes after all."""
        here = self.stretches[i]
        if here.opens_staff:
            return self._stay(i)
        real = min(1 - _NO_CLEF, max(clef_belief(s.reading) for s in here.clefs))
        said = np.exp(self._clefs(i))
        said /= said.sum()
        same = np.eye(len(self.bases))
        changes = said[None, :] * (1 - (1 - _SAME_IN_MID_STAFF) * same)
        return np.asarray(np.log(real * changes + (1 - real) * same + 1e-9))

    def _covered_move(self, i: int) -> F64:
        """The same with the clef's own sign covered up; that one stands in mid-staff is still seen."""
        if self.stretches[i].opens_staff:
            return self._stay(i)
        changes = self.use[i][None, :] * (1 - (1 - _SAME_IN_MID_STAFF) * np.eye(len(self.bases)))
        return np.asarray(np.log(changes / changes.sum(axis=1, keepdims=True)))

    def _join(self, i: int) -> F64:
        """What the last note or custos and the next notes say of two bases."""
        a, b = self.stretches[i - 1], self.stretches[i]
        n = len(self.bases)
        log = np.zeros((n, n))
        heads = b.heads
        if not heads:
            return log
        rise = np.array(self.bases)[None, :] - np.array(self.bases)[:, None]
        if a.custos is not None:
            custos, p = a.custos, custos_p(self.stretches, i - 1)
            log += _over(rise, lambda d: custos_odds(custos, b, d, p))
        elif self.chant and a.heads:
            before, after = a.heads[-1].reading.step, heads[0].reading.step
            if before is not None and after is not None:
                gap = after - before
                if b.begins_beyond:
                    return log + _over(rise, lambda d: log_lost(d + gap))
                odds = _NEW_CHANT if not self._keeps(i) else _NEW_PHRASE if b.opens_staff else 0.0
                log += _over(rise, lambda d: _across(d + gap, odds))
        return log


def _other_letter(confidence: float, opens_staff: bool) -> float:
    """Probability that a C clef read with such confidence is an F clef, or the other way round.

    Of 10,243 clefs of 1,000 rendered pages kept out of training it was, by doubt (1 less confidence): none
    below .002, 1 in 600 at .007, 1 in 120 at .013, 1 in 30 at .03, 1 in 12 from .05 to .2, 1 in 8 at .4 and
    1 in 5 at .7.
    """
    doubt = 1 - confidence
    slips = min(
        _OTHER_LETTER_RISE * doubt * math.sqrt(doubt), max(_OTHER_LETTER_LEVEL, _OTHER_LETTER_DOUBT * doubt)
    )
    return max(slips if opens_staff else min(slips, _OTHER_LETTER_MID), _OTHER_LETTER)


def _sure_apart(reading: Reading) -> float:
    """How sure a reading is, letters beside C and F left out: where those are in doubt, C and F are not."""
    if reading.label not in OTHER_LETTER:
        return reading.confidence
    letters = sum(p for x, p in reading.rivals if x in CLEFS and x not in OTHER_LETTER)
    return reading.confidence / max(1.0 - letters, reading.confidence)


def _across(degrees: int, new: float) -> float:
    """Log odds of an interval between stretches, if something new begins with a certain chance."""
    return _INTERVAL_WEIGHT * float(np.log((1 - new) * np.exp(log_interval(degrees)) + new * _ANY_INTERVAL))


def _possible_bases(stretches: Sequence[Stretch]) -> set[int]:
    """Bases of the usual clefs, of those read, and of the letters they may be taken for."""
    found: set[int] = set()
    for stretch in stretches:
        found |= {base_degree(*key) for key in [*usual_clefs(stretch.staff), *letter_clefs(stretch.staff)]}
        for sign in [*stretch.clefs, *([stretch.hidden] if stretch.hidden else [])]:
            for label, step in clef_hypotheses(sign.reading):
                found |= {base_degree(x, step) for x in (label, OTHER_LETTER.get(label, label))}
        coloured = line_clef(stretch.staff)
        found |= {base_degree(*coloured)} if coloured else set()
        found |= {stretch.guide} if stretch.guide is not None else set()
    return found


def _guide_slip(stretches: Sequence[Stretch]) -> float:
    """How often the paints of full staves do not give the clef, by the clefs that are surely seen."""
    wrong, count = _GUIDE_SLIP
    for stretch in stretches:
        sure = [s for s in stretch.clefs if s.reading.confidence >= CERTAIN_P and not s.is_faint]
        if stretch.guide is None or not sure:
            continue
        step = line_step(sure[0].reading)
        count += 1
        wrong += step is None or base_degree(sure[0].label, step) != stretch.guide
    return max(wrong / count, _COLOUR_SLIP)


def _serves(stretch: Stretch, rise: int) -> float:
    """How well a clef kept from before would have served, its base so much lower than the one in force.

    1 where the notes stay within a step of the staff, less with each step beyond.
    """
    steps = stretch.steps
    if not steps:
        return 1.0
    top = 2 * stretch.staff.places[-1]
    beyond = max(-(min(steps) + rise) - 1, max(steps) + rise - top - 1, 0)
    return _SERVES[beyond] if beyond < len(_SERVES) else 0.0


def _over(rise: npt.NDArray[np.int_], odds: Callable[[int], float]) -> F64:
    """Apply a function of one whole number to a small table of them."""
    table = {int(d): odds(int(d)) for d in np.unique(rise)}
    return np.array([[table[int(d)] for d in row] for row in rise], dtype=np.float64)


def _log_sum(values: F64, axis: int) -> F64:
    peak = values.max(axis=axis, keepdims=True)
    result: F64 = np.log(np.exp(values - peak).sum(axis=axis)) + peak.squeeze(axis)
    return result


def flat_odds(reading: Reading, base: int) -> float:
    """Log probability of the steps of a flat or natural if the bottom line has this degree."""
    on_b = sum(p for s, p in distribution(reading) if (base + s) % 7 == B_CLASS)
    believed = FLAT_ON_B * min(reading.confidence, 1.0)
    return float(np.log(believed * on_b + (1 - believed) / 7))
