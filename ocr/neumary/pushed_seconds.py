"""Stacked seconds that the scribe pushes apart, told from thirds by the habit of the whole page.

Where two heads stand one above the other a step apart they would run into each other, so scribes set the
upper one too high: as much as the heads are tall, and each hand by its own measure. A reader who sees one
neume at a time cannot know by how much; on a page where many such pairs are in doubt, or stand about a third
apart, most of them are seconds. Each pair is weighed by all others of its page.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from itertools import pairwise
from typing import Final

import msgspec
import numpy as np

from neumary.clef_chain import CERTAIN_P
from neumary.gamut import Sign
from neumary.measures import F64
from neumary.record import OVERRULED, Record
from neumary.stretches import distribution
from neumary.types import Staff

WEIGHED_STEP: Final = "weighed with the page's other seconds"
"""Note on a head whose step stays as read, with the probabilities that the habit of its hand leaves it."""

_BESIDE_SPACES: Final = 0.45  # heads farther apart sideways do not stand one above the other
_EITHER_P: Final = 0.7  # a pair is looked at if it is a second or a third with this probability
_LEAST_P: Final = 5e-4
_DOUBTFUL: Final = 3.0  # log odds below which a pair counts as in doubt
_ABOUT_A_THIRD: Final = (1.6, 2.2)  # steps measured

WEIGHTS: Final = (-0.27, 0.31, -1.08, -0.95)
"""What is added to the log odds of a third: for itself, for each step apart beyond 1.8, for the share of
pairs about a third apart beyond 0.4, for the share of pairs in doubt beyond 0.2. Logistic regression on 240
rendered pages kept out of training (`neumary_training.seconds_fit`)."""


@dataclass(frozen=True, slots=True)
class Stack:
    """A head above another of its neume.

    Attributes
    ----------
    lower, upper : Sign
    apart : float
        Measured height of one above the other, in steps.
    odds : float
        Log odds of a third against a second, as read.
    """

    lower: Sign
    upper: Sign
    apart: float
    odds: float


def find_stacks(staff: Staff, signs: Sequence[Sign]) -> list[Stack]:
    """Pairs of heads of one staff that stand one above the other, a second or a third apart.

    Parameters
    ----------
    staff : Staff
    signs : sequence of Sign
        In the order sung.
    """
    heads = [s for s in signs if s.is_head and s.reading.step is not None]
    if len(staff.lines) < 2:
        return []
    found = [_stack(staff, a, b) for a, b in pairwise(heads)]
    return [stack for stack in found if stack is not None]


def _stack(staff: Staff, a: Sign, b: Sign) -> Stack | None:
    beside = abs(b.glyph.col - a.glyph.col) / staff.space_px >= _BESIDE_SPACES
    if beside or b.reading.starts_neume >= 0.5 or (b.reading.step or 0) <= (a.reading.step or 0):
        return None
    below = distribution(a.reading)
    second, third = (
        sum(p * q for s, p in below for t, q in distribution(b.reading) if t - s == rise) for rise in (1, 2)
    )
    if second + third < _EITHER_P:
        return None
    odds = float(np.log(max(third, _LEAST_P) / max(second, _LEAST_P)))
    return Stack(a, b, _height(staff, b) - _height(staff, a), odds)


def _height(staff: Staff, sign: Sign) -> float:
    """Where a head stands on its staff, in steps, measured."""
    top = staff.places[-1] * 2
    low, high = (staff.row_of(step, sign.glyph.col) for step in (0, top))
    return (low - sign.glyph.row) / (low - high) * top


def features(stacks: Sequence[Stack]) -> F64:
    """What speaks for thirds, besides the reader: one row for each pair, columns as in `WEIGHTS`.

    Parameters
    ----------
    stacks : sequence of Stack
        All of one page.
    """
    apart = np.array([s.apart for s in stacks])
    doubtful = np.abs([s.odds for s in stacks]) < _DOUBTFUL
    wide = (apart > _ABOUT_A_THIRD[0]) & (apart < _ABOUT_A_THIRD[1])
    others = len(stacks) - 1
    share_wide = (wide.sum() - wide + 0.3) / (others + 1)
    share_doubtful = (doubtful.sum() - doubtful) / (others + 4)
    ones = np.ones(len(stacks))
    return np.stack([ones, apart - 1.8, share_wide - 0.4, share_doubtful - 0.2], axis=1)


def weigh_seconds(staves: Sequence[Staff], by_staff: dict[str, list[Sign]], record: Record) -> None:
    """Weigh the doubtful stacked pairs of a page by each other; surer ones stay as they are read.

    Parameters
    ----------
    staves : sequence of Staff
        Those that give exact pitch.
    by_staff : dict of str to list of Sign
        In the order sung; signs are put anew in their places.
    record : Record
        Takes the new readings, and a remark ``step-overruled`` for each step that changes.
    """
    stacks = {staff.id: find_stacks(staff, by_staff[staff.id]) for staff in staves}
    every = [stack for found in stacks.values() for stack in found]
    if not every:
        return
    shifts = features(every) @ np.array(WEIGHTS)
    for stack, shift in zip(every, shifts, strict=True):
        signs = by_staff[stack.upper.glyph.staff]
        at = next(i for i, s in enumerate(signs) if s.glyph is stack.upper.glyph)
        below = next(s for s in signs if s.glyph is stack.lower.glyph)
        signs[at] = _weigh(stack.upper, (below.reading.step or 0) + 2, float(shift), record)


def _weigh(sign: Sign, third: int, shift: float, record: Record) -> Sign:
    """A head with the odds of one of its steps shifted."""
    odds = dict(distribution(sign.reading))
    was = sign.reading.step
    sure = odds.get(was or 0, 0.0) > CERTAIN_P or sign.reading.by == "human"
    if sure or third not in odds or len(odds) < 2:
        return sign
    odds[third] *= float(np.exp(shift))
    total = sum(odds.values())
    ranked = sorted(((s, round(p / total, 4)) for s, p in odds.items()), key=lambda pair: (-pair[1], pair[0]))
    step = ranked[0][0]
    note = WEIGHED_STEP if step == was else f"{OVERRULED}: step {was}"
    if step != was:
        before, after = ("third" if x == third else "second" for x in (was, step))
        text = (
            f"A {sign.label} read a {before} above the head below it is taken a {after} above it "
            f"(p {ranked[0][1]:.2f}): so this hand sets them."
        )
        record.say("step-overruled", text, sign.glyph.staff, sign.glyph.id)
    record.put(sign, step=step, steps=tuple(ranked), note=note)
    return Sign(
        sign.glyph,
        msgspec.structs.replace(sign.reading, step=step, steps=tuple(ranked), by="decided", note=note),
    )
