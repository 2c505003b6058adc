"""Which clef is in force, weighed along a run of staves.

A run is cut into *stretches*: the notes under one clef. The state of a stretch is the degree
of its bottom line (`base`). Clef signs, flats, custodes, the habit of keeping a clef and the
usual range speak for or against each base; the best sequence is found by the Viterbi algorithm,
the probability of each base by the forward-backward algorithm.

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
from neumary.gamut import Sign, base_degree, clef_groups, clef_step, leads, line_clef
from neumary.measures import F64
from neumary.priors import (
    CLEF_STAYS,
    CLEF_USE,
    CUSTOS_PLACES,
    CUSTOS_RIGHT,
    FLAT_ON_B,
    log_in_modes,
    log_interval,
    log_move,
)
from neumary.types import Reading, Staff
from neumary_models.labels import CLEFS

CERTAIN_P: Final = 0.9
"""A reading surer than this is not overruled by habits alone."""

_CLEF_SLIP: Final = 0.002  # a clef sign read as a wholly different one (design figure)
_COLOUR_SLIP: Final = 0.02  # a coloured line that is no clef (design figure)
_NOTE_WEIGHT: Final = 0.4  # notes of one melody are no independent witnesses: each counts as so much
_MOST_NOTES: Final = 12.0  # and all notes of one stretch together as no more than so many
_LEAPS: Final = 2.0  # the same for tritone leaps
_JOIN: Final = 0.5  # weight of the interval across a staff break: another chant may begin there


@dataclass(slots=True)
class Stretch:
    """Signs of one staff under one clef."""

    staff: Staff
    signs: list[Sign] = field(default_factory=list)
    clefs: list[Sign] = field(default_factory=list)
    hidden: Sign | None = None  # leftmost sign that may be an unrecognised clef
    opens_staff: bool = True

    @property
    def heads(self) -> list[Sign]:
        """Heads in the order sung."""
        return [s for s in self.signs if s.is_head and s is not self.hidden]

    @property
    def custos(self) -> Sign | None:
        """A custos after the last head."""
        last = None
        for sign in self.signs:
            last = sign if sign.label == "custos" else None if sign.is_head else last
        return last

    @property
    def observed(self) -> bool:
        """Whether the leaf itself names the clef."""
        return bool(self.clefs) or (self.opens_staff and line_clef(self.staff) is not None)


def cut_stretches(staff: Staff, signs: list[Sign], hidden: Sign | None = None) -> list[Stretch]:
    """Cut the signs of a staff where clefs stand."""
    groups = clef_groups(signs)
    if groups and leads(groups[0][0], signs, staff.space_px):
        stretches = [Stretch(staff, clefs=groups.pop(0))]
    else:
        stretches = [Stretch(staff, hidden=None if groups else hidden)]
    starts = {group[0].glyph.id: group for group in groups}
    for sign in signs:
        if sign.glyph.id in starts:
            stretches.append(Stretch(staff, clefs=starts[sign.glyph.id], opens_staff=False))
        elif not sign.is_clef:
            stretches[-1].signs.append(sign)
    return stretches


def distribution(reading: Reading) -> list[tuple[int, float]]:
    """Steps of a reading with their probabilities, summing to 1."""
    if not reading.steps and reading.step is not None:
        return [(reading.step, 1.0)]
    total = sum(p for _, p in reading.steps)
    return [(s, p / total) for s, p in reading.steps if p > 0]


def clef_hypotheses(reading: Reading) -> dict[tuple[str, int], float]:
    """Probability of each (clef label, step on a line) given that the sign is a clef."""
    labels = [(reading.label, reading.confidence), *reading.rivals]
    clefs = [(x, p) for x, p in labels if x in CLEFS and p > 0]
    steps = [(s, p) for s, p in distribution(reading) if s % 2 == 0]
    if not steps and reading.step is not None:
        steps = [(reading.step - 1, 0.5), (reading.step + 1, 0.5)]
    total = sum(p for _, p in clefs) * sum(p for _, p in steps)
    return {(x, s): p * q / total for x, p in clefs for s, q in steps} if total else {}


def usual_clefs(staff: Staff) -> dict[tuple[str, int], float]:
    """Clefs by use, on the lines this staff has; sums to 1."""
    lines = max(len(staff.lines), 1)
    use = {(x, clef_step(line)): p for (x, line), p in CLEF_USE.items() if line <= max(lines, 4)}
    total = sum(use.values())
    return {key: p / total for key, p in use.items()}


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
    bases: list[int] = field(init=False)
    seen: F64 = field(init=False)  # what clef signs say, (stretches, bases), log
    sung: F64 = field(init=False)  # what the notes say, the same
    moves: list[F64] = field(init=False)  # per neighbouring pair (bases, bases), log

    def __post_init__(self) -> None:
        found: set[int] = set()
        for stretch in self.stretches:
            found |= {base_degree(*key) for key in usual_clefs(stretch.staff)}
            for sign in [*stretch.clefs, *([stretch.hidden] if stretch.hidden else [])]:
                found |= {base_degree(*key) for key in clef_hypotheses(sign.reading)}
            coloured = line_clef(stretch.staff)
            found |= {base_degree(*coloured)} if coloured else set()
        self.bases = sorted(found)
        shape = (len(self.stretches), len(self.bases))
        self.seen = np.array([self._signs(s) for s in self.stretches], dtype=np.float64).reshape(shape)
        self.sung = np.zeros(shape)
        if self.chant:
            self.sung = np.array([self._notes(s) for s in self.stretches], dtype=np.float64).reshape(shape)
        self.moves = [self._move(a, b) for a, b in zip(self.stretches[:-1], self.stretches[1:], strict=True)]

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
        """The same for each stretch with its own clef signs covered up: what the rest of the page says."""
        return self._both_ways({})[1]

    def _both_ways(self, pinned: dict[int, int]) -> tuple[F64, F64]:
        n = len(self.stretches)
        ahead = [self._pinned(0, pinned)]
        for i, move in enumerate(self.moves):
            ahead.append(_log_sum(ahead[-1][:, None] + move, 0) + self._pinned(i + 1, pinned))
        behind = [np.zeros(len(self.bases))]
        for i in range(n - 1, 0, -1):
            behind.append(_log_sum(self.moves[i - 1] + (behind[-1] + self._pinned(i, pinned))[None, :], 1))
        both = np.array(ahead) + np.array(behind[::-1])
        usual = np.log(np.array([self.usual(s) for s in self.stretches]))
        covered = both - self.seen + usual
        return np.exp(both - _log_sum(both, 1)[:, None]), np.exp(covered - _log_sum(covered, 1)[:, None])

    def usual(self, stretch: Stretch) -> F64:
        """Probability of each base by use alone."""
        return self._spread(usual_clefs(stretch.staff))

    def _pinned(self, i: int, pinned: dict[int, int]) -> F64:
        row: F64 = self.seen[i] + self.sung[i]
        return row if i not in pinned else np.where(np.array(self.bases) == pinned[i], row, -1e9)

    # What speaks for a base of one stretch

    def _signs(self, stretch: Stretch) -> F64:
        usual = self._spread(usual_clefs(stretch.staff))
        log = np.zeros(len(self.bases))
        for sign in stretch.clefs:
            seen = self._spread(clef_hypotheses(sign.reading))
            log += np.log((1 - _CLEF_SLIP) * seen + _CLEF_SLIP * usual)
        coloured = line_clef(stretch.staff) if stretch.opens_staff else None
        if coloured is not None:
            log += np.log((1 - _COLOUR_SLIP) * self._spread({coloured: 1.0}) + _COLOUR_SLIP * usual)
        if stretch.hidden is not None:
            p = sum(p for x, p in stretch.hidden.reading.rivals if x in CLEFS)
            log += np.log(p * self._spread(clef_hypotheses(stretch.hidden.reading)) + (1 - p) * usual)
        elif not stretch.observed:
            log += np.log(usual)
        return log

    def _spread(self, clefs: dict[tuple[str, int], float]) -> F64:
        weights = np.full(len(self.bases), 1e-4)
        for (label, step), p in clefs.items():
            weights[self.bases.index(base_degree(label, step))] += p
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

    def _move(self, a: Stretch, b: Stretch) -> F64:
        n = len(self.bases)
        log = np.zeros((n, n))
        if b.opens_staff:
            usual = self._spread(usual_clefs(b.staff))
            log += np.log(CLEF_STAYS * np.eye(n) + (1 - CLEF_STAYS) * usual[None, :])
        heads = b.heads
        if not heads:
            return log
        rise = np.array(self.bases)[None, :] - np.array(self.bases)[:, None]
        if a.custos is not None:
            log += _over(rise, lambda d: custos_odds(a.custos, heads[0], d))
        elif self.chant and a.heads:
            before, after = a.heads[-1].reading.step, heads[0].reading.step
            if before is not None and after is not None:
                gap = after - before
                log += _JOIN * _over(rise, lambda d: log_interval(d + gap))
        return log


def _over(rise: npt.NDArray[np.int_], odds: Callable[[int], float]) -> F64:
    """Apply a function of one whole number to a small table of them."""
    table = {int(d): odds(int(d)) for d in np.unique(rise)}
    return np.array([[table[int(d)] for d in row] for row in rise], dtype=np.float64)


def _log_sum(values: F64, axis: int) -> F64:
    peak = values.max(axis=axis, keepdims=True)
    result: F64 = np.log(np.exp(values - peak).sum(axis=axis)) + peak.squeeze(axis)
    return result


def custos_odds(custos: Sign | None, head: Sign, base_rise: int) -> float:
    """Log probability of a custos step given the note it announces.

    Parameters
    ----------
    custos, head : Sign
        The custos, and the first head after it.
    base_rise : int
        Base over the head minus base over the custos, degrees.
    """
    if custos is None:
        return 0.0
    ours, theirs = distribution(custos.reading), dict(distribution(head.reading))
    same = sum(p * theirs.get(s - base_rise, 0.0) for s, p in ours)
    believed = CUSTOS_RIGHT * min(custos.reading.confidence, 1.0)
    return float(np.log(believed * same + (1 - believed) / CUSTOS_PLACES))


def custos_agrees(custos: Sign, head: Sign, base: int, base_after: int) -> bool:
    """Whether a custos and the note after it, as read, are one pitch."""
    if custos.reading.step is None or head.reading.step is None:
        return False
    return base + custos.reading.step == base_after + head.reading.step


def flat_odds(reading: Reading, base: int) -> float:
    """Log probability of a flat's steps if the bottom line has this degree."""
    on_b = sum(p for s, p in distribution(reading) if (base + s) % 7 == B_CLASS)
    return float(np.log(FLAT_ON_B * on_b + (1 - FLAT_ON_B) / 7))
