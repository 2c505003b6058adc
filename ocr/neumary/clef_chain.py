"""Which clef is in force, weighed along a run of staves.

A run is cut into *stretches*: the notes under one clef. The state of a stretch is the degree
of its bottom line (`base`). Clef signs, flats, custodes, the habit of keeping a clef and the
usual range speak for or against each base; the best sequence is found by the Viterbi algorithm,
the probability of each base by the forward-backward algorithm. The same algorithm with a
stretch's own clef covered up tells what the rest of the page says about it.

References
----------
.. [1] L. R. Rabiner, "A tutorial on hidden Markov models and selected applications in speech
   recognition", Proceedings of the IEEE 77(2), 1989.
"""

from __future__ import annotations

import itertools
from collections import Counter
from collections.abc import Callable, Sequence
from dataclasses import dataclass, field
from typing import Final

import numpy as np
import numpy.typing as npt

from neumary.accidentals import B_CLASS
from neumary.gamut import Sign, base_degree, line_clef
from neumary.measures import F64
from neumary.priors import (
    CLEF_STAYS,
    CLEF_STAYS_UNSEEN,
    CUSTOS_PLACES,
    CUSTOS_RIGHT,
    FLAT_ON_B,
    log_in_modes,
    log_interval,
    log_move,
)
from neumary.stretches import Stretch, clef_belief, clef_hypotheses, distribution, usual_clefs
from neumary.types import Reading
from neumary_models.labels import CLEFS, HEADS

CERTAIN_P: Final = 0.9
"""A reading surer than this is not overruled by habits alone."""

_CLEF_SLIP: Final = 0.002  # a clef sign read as a wholly different one (design figure)
_COLOUR_SLIP: Final = 0.02  # a coloured line that is no clef (design figure)
_NO_CLEF: Final = 0.01  # even a sure clef in mid-staff may be some other sign (design figure)
_OTHER_LETTER: Final = 0.01  # a C clef read as F on the same line, or the other way round (design figure)
_OTHER_LETTER_FAINT: Final = 0.2  # the same of a faint sign
_NOTE_WEIGHT: Final = 0.3  # notes of one melody are no independent witnesses: each counts as so much
_MOST_NOTES: Final = 8.0  # and all notes of one stretch together as no more than so many
_LEAPS: Final = 1.0  # the same for tritone leaps
_JOIN: Final = 0.5  # weight of the interval across a staff break: another chant may begin there
_JOIN_AT_BREAK: Final = 0.1  # the same where a custos is left out or an initial hides the clef
_CUSTODES_WRITTEN: Final = (
    3  # a run with so many, at the end of two stretches in five, is by a scribe who writes them
)

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
    bases: list[int] = field(init=False)
    seen: F64 = field(init=False)  # what clefs at the head of a staff say, (stretches, bases), log
    sung: F64 = field(init=False)  # what the notes say, the same
    moves: list[F64] = field(init=False)  # per neighbouring pair (bases, bases), log
    covered_moves: list[F64] = field(init=False)  # the same, a clef between the two covered up

    def __post_init__(self) -> None:
        custodes = sum(s.custos is not None and not s.custos.is_faint for s in self.stretches)
        self.written = custodes >= max(_CUSTODES_WRITTEN, 0.4 * len(self.stretches))
        found: set[int] = set()
        for stretch in self.stretches:
            found |= {base_degree(*key) for key in usual_clefs(stretch.staff)}
            for sign in [*stretch.clefs, *([stretch.hidden] if stretch.hidden else [])]:
                for label, step in clef_hypotheses(sign.reading):
                    found |= {base_degree(x, step) for x in (label, OTHER_LETTER.get(label, label))}
            coloured = line_clef(stretch.staff)
            found |= {base_degree(*coloured)} if coloured else set()
        self.bases = sorted(found)
        shape = (len(self.stretches), len(self.bases))
        self.seen = np.array([self._signs(s) for s in self.stretches], dtype=np.float64).reshape(shape)
        self.sung = np.zeros(shape)
        if self.chant:
            self.sung = np.array([self._notes(s) for s in self.stretches], dtype=np.float64).reshape(shape)
        pairs = list(zip(self.stretches[:-1], self.stretches[1:], strict=True))
        joins = [self._join(a, b) for a, b in pairs]
        self.moves = [join + self._clef_move(a, b) for join, (a, b) in zip(joins, pairs, strict=True)]
        self.covered_moves = [
            join + (self._stay(a, b) if not b.opens_staff else self._clef_move(a, b))
            for join, (a, b) in zip(joins, pairs, strict=True)
        ]

    def best(self, pinned: dict[int, int]) -> list[int]:
        """Best base of each stretch; `pinned` holds stretches (by index) to a base."""
        score = self._pinned(0, pinned)
        back: list[npt.NDArray[np.intp]] = []
        for i, move in enumerate(self.moves):
            paths = score[:, None] + move
            back.append(paths.argmax(axis=0))
            score = paths.max(axis=0) + self._pinned(i + 1, pinned)
        path = [int(score.argmax())]
        for step in reversed(back):
            path.append(int(step[path[-1]]))
        return [self.bases[k] for k in reversed(path)]

    def marginals(self, pinned: dict[int, int]) -> F64:
        """Probability of each base for each stretch, shape (stretches, bases)."""
        return self._both_ways(pinned)[0]

    def without_its_clef(self) -> F64:
        """The same for each stretch with its own clef covered up: what the rest of the page says."""
        return self._both_ways({})[1]

    def _both_ways(self, pinned: dict[int, int]) -> tuple[F64, F64]:
        n = len(self.stretches)
        into = [np.zeros(len(self.bases))]
        covered = [np.log(self.usual(self.stretches[0]))]
        ahead = [self._pinned(0, pinned)]
        for i, move in enumerate(self.moves):
            into.append(_log_sum(ahead[-1][:, None] + move, 0))
            covered.append(_log_sum(ahead[-1][:, None] + self.covered_moves[i], 0))
            ahead.append(into[-1] + self._pinned(i + 1, pinned))
        behind = [np.zeros(len(self.bases))]
        for i in range(n - 1, 0, -1):
            behind.append(_log_sum(self.moves[i - 1] + (behind[-1] + self._pinned(i, pinned))[None, :], 1))
        after = np.array(behind[::-1])
        both, rest = np.array(ahead) + after, np.array(covered) + self.sung + after
        return np.exp(both - _log_sum(both, 1)[:, None]), np.exp(rest - _log_sum(rest, 1)[:, None])

    def usual(self, stretch: Stretch) -> F64:
        """Probability of each base by use alone."""
        return self._spread(usual_clefs(stretch.staff))

    def _pinned(self, i: int, pinned: dict[int, int]) -> F64:
        row: F64 = self.seen[i] + self.sung[i]
        return row if i not in pinned else np.where(np.array(self.bases) == pinned[i], row, -1e9)

    # What speaks for a base of one stretch

    def _signs(self, stretch: Stretch) -> F64:
        if not stretch.opens_staff:
            return np.zeros(len(self.bases))  # a clef in mid-staff speaks in `_clef_move`
        usual = self.usual(stretch)
        log = self._clefs(stretch) if stretch.clefs else np.zeros(len(self.bases))
        coloured = line_clef(stretch.staff)
        if coloured is not None:
            log += np.log((1 - _COLOUR_SLIP) * self._spread({coloured: 1.0}) + _COLOUR_SLIP * usual)
        if stretch.hidden is not None:
            p = sum(p for x, p in stretch.hidden.reading.rivals if x in CLEFS)
            log += np.log(p * self._spread(clef_hypotheses(stretch.hidden.reading)) + (1 - p) * usual)
        elif not stretch.observed:
            log += np.log(usual)
        return log

    def _clefs(self, stretch: Stretch) -> F64:
        """Log odds of each base by the clef signs; a doubtful sign may be none at all."""
        usual = self.usual(stretch)
        log = np.zeros(len(self.bases))
        for sign in stretch.clefs:
            p = min(clef_belief(sign.reading), 1 - _CLEF_SLIP)
            log += np.log(p * self._said(sign) + (1 - p) * usual)
        return log

    def _said(self, sign: Sign) -> F64:
        """Bases a clef sign stands for, C and F taken for each other now and then."""
        clefs = clef_hypotheses(sign.reading)
        slip = _OTHER_LETTER_FAINT if sign.is_faint else _OTHER_LETTER
        slipped = {(OTHER_LETTER[x], s): p for (x, s), p in clefs.items() if x in OTHER_LETTER}
        if not slipped:
            return self._spread(clefs)
        return (1 - slip) * self._spread(clefs) + slip * self._spread(slipped)

    def _spread(self, clefs: dict[tuple[str, int], float]) -> F64:
        weights = np.full(len(self.bases), 1e-4)
        for (label, step), p in clefs.items():
            base = base_degree(label, step)
            if base in self.bases:
                weights[self.bases.index(base)] += p
        shares: F64 = weights / weights.sum()
        return shares

    def _notes(self, stretch: Stretch) -> F64:
        log = np.zeros(len(self.bases))
        steps = [s.reading.step for s in stretch.heads if s.reading.step is not None]
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
            log[k] += sum(flat_odds(s.reading, base) for s in stretch.signs if s.label == "flat")
        return log

    # What ties neighbouring stretches

    def _breaks(self, a: Stretch, b: Stretch) -> bool:
        """Whether a chant seems to end between two staves: no custos, where the scribe writes them."""
        return b.opens_staff and a.custos is None and self.written

    def _stay(self, a: Stretch, b: Stretch) -> F64:
        """Log odds of the next base by habit alone."""
        stays = CLEF_STAYS_UNSEEN if self._breaks(a, b) or not b.observed else CLEF_STAYS
        n = len(self.bases)
        return np.asarray(np.log(stays * np.eye(n) + (1 - stays) * self.usual(b)[None, :]))

    def _clef_move(self, a: Stretch, b: Stretch) -> F64:
        """The habit of keeping a clef; in mid-staff a clef sign, or nothing changes after all."""
        if b.opens_staff:
            return self._stay(a, b)
        real = min(1 - _NO_CLEF, max(clef_belief(s.reading) for s in b.clefs))
        said = np.exp(self._clefs(b))
        said /= said.sum()
        return np.asarray(np.log(real * said[None, :] + (1 - real) * np.eye(len(self.bases)) + 1e-9))

    def _join(self, a: Stretch, b: Stretch) -> F64:
        """What the last note or custos and the next notes say of two bases."""
        n = len(self.bases)
        log = np.zeros((n, n))
        heads = b.heads
        if not heads:
            return log
        rise = np.array(self.bases)[None, :] - np.array(self.bases)[:, None]
        if a.custos is not None:
            log += _over(rise, lambda d: custos_odds(a.custos, heads, d))
        elif self.chant and a.heads:
            before, after = a.heads[-1].reading.step, heads[0].reading.step
            if before is not None and after is not None:
                gap = after - before
                breaks = self._breaks(a, b) or not b.observed
                weight = _JOIN_AT_BREAK if breaks else _JOIN if b.opens_staff else 1.0
                log += weight * _over(rise, lambda d: log_interval(d + gap))
        return log


def _over(rise: npt.NDArray[np.int_], odds: Callable[[int], float]) -> F64:
    """Apply a function of one whole number to a small table of them."""
    table = {int(d): odds(int(d)) for d in np.unique(rise)}
    return np.array([[table[int(d)] for d in row] for row in rise], dtype=np.float64)


def _log_sum(values: F64, axis: int) -> F64:
    peak = values.max(axis=axis, keepdims=True)
    result: F64 = np.log(np.exp(values - peak).sum(axis=axis)) + peak.squeeze(axis)
    return result


def custos_odds(custos: Sign | None, heads: Sequence[Sign], base_rise: int) -> float:
    """Log probability of a custos step given the note it announces.

    Parameters
    ----------
    custos : Sign or None
    heads : sequence of Sign, at least one
        Those after it; where the first is doubtful the second may be the one announced.
    base_rise : int
        Base over the heads minus base over the custos, degrees.
    """
    if custos is None:
        return 0.0
    believed = CUSTOS_RIGHT * min(custos.reading.confidence, 1.0)
    return float(np.log(believed * _announced(custos, heads, base_rise) + (1 - believed) / CUSTOS_PLACES))


def custos_posterior(custos: Sign, heads: Sequence[Sign], base_rise: int) -> float:
    """Probability that a sign is a custos, given that it does or does not announce the next note."""
    p = min(custos.reading.confidence, 1.0)
    as_custos = CUSTOS_RIGHT * _announced(custos, heads, base_rise) + (1 - CUSTOS_RIGHT) / CUSTOS_PLACES
    return p * as_custos / (p * as_custos + (1 - p) / CUSTOS_PLACES)


def _announced(custos: Sign, heads: Sequence[Sign], base_rise: int) -> float:
    first = head_belief(heads[0].reading) if len(heads) > 1 else 1.0
    same = first * _same_pitch(custos, heads[0], base_rise)
    return same + (1 - first) * _same_pitch(custos, heads[1], base_rise) if first < 1 else same


def head_belief(reading: Reading) -> float:
    """Probability that a sign is a head, of whatever shape."""
    labels = [(reading.label, reading.confidence), *reading.rivals]
    return min(1.0, sum(p for x, p in labels if x in HEADS))


def _same_pitch(custos: Sign, head: Sign, base_rise: int) -> float:
    theirs = dict(distribution(head.reading))
    return sum(p * theirs.get(s - base_rise, 0.0) for s, p in distribution(custos.reading))


def custos_agrees(custos: Sign, head: Sign, base: int, base_after: int) -> bool:
    """Whether a custos and the note after it, as read, are one pitch."""
    if custos.reading.step is None or head.reading.step is None:
        return False
    return base + custos.reading.step == base_after + head.reading.step


def flat_odds(reading: Reading, base: int) -> float:
    """Log probability of a flat's steps if the bottom line has this degree."""
    on_b = sum(p for s, p in distribution(reading) if (base + s) % 7 == B_CLASS)
    return float(np.log(FLAT_ON_B * on_b + (1 - FLAT_ON_B) / 7))
