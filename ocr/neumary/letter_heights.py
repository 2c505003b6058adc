"""Letters at the edge of a page: which they are, and the heights they give.

A letter names the pitch of its height. One page's letters are read together: the same scribe sets
the same few letters, and steps keep one distance all over the page, so a letter misread stands out
by its distance from the others of its row.
"""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass
from itertools import product
from typing import Final

import numpy as np

from neumary.gamut import CLEF_DEGREES

_STEP_SPREAD: Final = 0.5  # steps by which two letters' distance may be off (design figure)
_GUESS_SPREAD: Final = 0.12  # of the step's height before any letter, in logarithms
_SCALES: Final = np.exp(np.linspace(-0.3, 0.3, 61))
_MOST_NAMES: Final = 3  # readings of one letter that are weighed
_MOST_LETTERS: Final = 4  # letters of a row that are weighed
_UNREAD: Final = 1e-3  # probability of letters a reading does not name
_ALONE_P: Final = 0.4
_STRAY_COST: Final = 4.0  # log probability lost by leaving a letter out


@dataclass(frozen=True, slots=True)
class Letter:
    """A letter seen at the left of a row.

    Attributes
    ----------
    row, col : float
        px.
    names : tuple of (str, float)
        Clef labels with probabilities, best first.
    """

    row: float
    col: float
    names: tuple[tuple[str, float], ...]


@dataclass(frozen=True, slots=True)
class Heights:
    """What the letters of a page say.

    Attributes
    ----------
    step_px : float
        Height of a step.
    named : tuple of tuple of (Letter, str)
        For each row its letters with the names they were given, best first; () where none.
    pairs : int
        Distances between letters the step was measured on.
    """

    step_px: float
    named: tuple[tuple[tuple[Letter, str], ...], ...]
    pairs: int

    def f_row(self, row: int) -> float | None:
        """Height of F (px) at the left of a row; None without a letter."""
        f_degree = CLEF_DEGREES["clef_f"]
        rows = [x.row + (CLEF_DEGREES[name] - f_degree) * self.step_px for x, name in self.named[row]]
        return sum(rows) / len(rows) if rows else None


def name_letters(rows: Sequence[Sequence[Letter]], step_px: float) -> Heights:
    """Name the letters of a page and measure its step.

    Parameters
    ----------
    rows : sequence of sequence of Letter
    step_px : float
        Height of a step as far as it is known.
    """
    rows = [sorted(row, key=lambda x: (-x.names[0][1], x.row))[:_MOST_LETTERS] for row in rows]

    def worth(scale: float) -> float:
        usual = -0.5 * (math.log(scale) / _GUESS_SPREAD) ** 2
        return usual + sum(_best(row, step_px * scale)[0] for row in rows if len(row) > 1)

    scale = max((float(s) for s in _SCALES), key=lambda s: (worth(s), -abs(math.log(s))))
    step = step_px * scale
    named = tuple(_sure(_best(row, step)[1]) for row in rows)
    return Heights(step, named, sum(len(row) > 1 for row in named))


def _sure(named: tuple[tuple[Letter, str], ...]) -> tuple[tuple[Letter, str], ...]:
    """A letter alone must be read well; two that stand as they should bear each other out."""
    if len(named) == 1 and dict(named[0][0].names)[named[0][1]] < _ALONE_P:
        return ()
    return named


def _best(row: Sequence[Letter], step_px: float) -> tuple[float, tuple[tuple[Letter, str], ...]]:
    """The likeliest names of a row's letters, any of which may be no letter; with its log probability."""
    best: tuple[float, tuple[tuple[Letter, str], ...]] = (-math.inf, ())
    choices = [[*letter.names[:_MOST_NAMES], ("", math.exp(-_STRAY_COST))] for letter in row]
    for names in product(*choices):
        kept = [(letter, name) for letter, (name, _) in zip(row, names, strict=True) if name]
        value = sum(math.log(max(p, _UNREAD)) for _, p in names)
        if len(kept) > 1:
            at = np.array([letter.row / step_px + CLEF_DEGREES[name] for letter, name in kept])
            value -= 0.5 * float(((at - at.mean()) ** 2).sum()) / (_STEP_SPREAD**2 / 2)
        if len({name for _, name in kept}) == len(kept) and value > best[0]:
            best = (value, tuple(kept))
    return best
