"""How far a custos is believed: by the reader, by the scribe's habit, by the note it announces."""

from __future__ import annotations

from collections.abc import Sequence

import numpy as np

from neumary.gamut import Sign
from neumary.measures import with_odds
from neumary.priors import CUSTOS_PLACES, CUSTOS_RIGHT, CUSTOS_STEP_OFF, log_lost
from neumary.stretches import Stretch, distribution
from neumary.types import Reading
from neumary_models.labels import HEADS


def custos_p(run: Sequence[Stretch], i: int) -> float:
    """Probability that the custos of a stretch is one, its note not yet asked.

    Scribes write custodes at the ends of most staves or not at all (common practice): where the other
    staves of the run show fewer than one in two, the sign's odds fall by theirs.

    Parameters
    ----------
    run : sequence of Stretch
    i : int
        A stretch with a custos.
    """
    sign = run[i].custos
    if sign is None:
        raise ValueError("a stretch without a custos has nothing to weigh")
    ends = [run[j] for j in range(len(run) - 1) if j != i and run[j + 1].opens_staff]
    shown = sum(s.custos.reading.confidence for s in ends if s.custos is not None and not s.custos.is_faint)
    odds = min(1.0, (shown + 1) / (len(ends) - shown + 1))
    p = min(sign.reading.confidence, 1.0)
    return 1.0 if sign.reading.by == "human" else with_odds(p, odds)


def custos_odds(custos: Sign, after: Stretch, base_rise: int, p: float) -> float:
    """Log probability of a custos step given the note it announces.

    Parameters
    ----------
    custos : Sign
    after : Stretch
        With at least one head; where the first is doubtful the second may be the one announced, and where
        the staff begins beyond the picture's edge all are some moves away from it.
    base_rise : int
        Base over the heads minus base over the custos, degrees.
    p : float
        That the sign is a custos, from `custos_p`.
    """
    believed = CUSTOS_RIGHT * p
    return float(np.log(believed * _announced(custos, after, base_rise) + (1 - believed) / CUSTOS_PLACES))


def custos_posterior(custos: Sign, after: Stretch, base_rise: int, p: float) -> float:
    """Probability that a sign is a custos, given that it does or does not announce the next note.

    Parameters as for `custos_odds`.
    """
    as_custos = CUSTOS_RIGHT * _announced(custos, after, base_rise) + (1 - CUSTOS_RIGHT) / CUSTOS_PLACES
    return p * as_custos / (p * as_custos + (1 - p) / CUSTOS_PLACES)


def _announced(custos: Sign, after: Stretch, base_rise: int) -> float:
    heads = after.heads
    if after.begins_beyond:
        return _some_moves_away(custos, heads[0], base_rise)
    first = _first_belief(heads) if len(heads) > 1 else 1.0
    same = first * _same_pitch(custos, heads[0], base_rise)
    return same + (1 - first) * _same_pitch(custos, heads[1], base_rise) if first < 1 else same


def _first_belief(heads: Sequence[Sign]) -> float:
    """Probability that the first of some heads is one; of an oblique's ends one vouches for the other."""
    first, second = heads[0], heads[1]
    both = {first.label, second.label} == {"oblique"}
    return max(head_belief(s.reading) for s in (heads[:2] if both else heads[:1]))


def head_belief(reading: Reading) -> float:
    """Probability that a sign is a head, of whatever shape."""
    labels = [(reading.label, reading.confidence), *reading.rivals]
    return min(1.0, sum(p for x, p in labels if x in HEADS))


def _same_pitch(custos: Sign, head: Sign, base_rise: int) -> float:
    theirs = dict(distribution(head.reading))
    meant = ((0, 1 - CUSTOS_STEP_OFF), (1, CUSTOS_STEP_OFF / 2), (-1, CUSTOS_STEP_OFF / 2))
    return sum(
        p * q * theirs.get(s + off - base_rise, 0.0)
        for s, p in distribution(custos.reading)
        for off, q in meant
    )


def _some_moves_away(custos: Sign, head: Sign, base_rise: int) -> float:
    return sum(
        p * q * float(np.exp(log_lost(t + base_rise - s)))
        for s, p in distribution(custos.reading)
        for t, q in distribution(head.reading)
    )


def custos_agrees(custos: Sign, head: Sign, base: int, base_after: int) -> bool:
    """Whether a custos and the note after it, as read, are one pitch."""
    if custos.reading.step is None or head.reading.step is None:
        return False
    return base + custos.reading.step == base_after + head.reading.step
