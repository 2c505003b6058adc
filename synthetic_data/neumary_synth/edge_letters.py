"""Letters at the left edge of lines of neumes that have no staff lines: which, where, how."""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass, replace
from functools import partial
from typing import Final

import numpy as np

from neumary_synth.clefs import draw_clef
from neumary_synth.drawn import Drawn, Stand
from neumary_synth.hand import Hand
from neumary_synth.pen import U8

# One scribe's letters, and how often (F and c are the rule, other letters beside or between them
# common practice without a published count).
_SETS: Final[tuple[tuple[tuple[str, ...], float], ...]] = (
    (("f", "c"), 0.5),
    (("f", "a", "c"), 0.16),
    (("f", "c", "e"), 0.05),
    (("f", "c", "g"), 0.06),
    (("a", "c"), 0.05),
    (("f", "d"), 0.05),
    (("c",), 0.07),
    (("f",), 0.06),
)
_LOWEST: Final = -2  # steps under the grid's bottom line; letters further out would meet other lines' words
_CLOSE: Final = 0.85  # of the room between two letters: larger ones would lie across each other


@dataclass(frozen=True, slots=True)
class EdgeLetters:
    """How one scribe sets letters at the edge.

    Attributes
    ----------
    letters : tuple of str
        Lowest pitch first.
    out_spaces : float
        How far left of the first words they stand.
    spread_spaces : float
        How far a letter's height may be off, standard deviation.
    dropped : float
        Chance, at each line and letter, that it is left out.
    """

    letters: tuple[str, ...]
    out_spaces: float
    spread_spaces: float
    dropped: float

    @classmethod
    def sample(cls, rng: np.random.Generator) -> EdgeLetters:
        """Draw one scribe's way."""
        shares = np.array([share for _, share in _SETS])
        letters = _SETS[int(rng.choice(len(_SETS), p=shares / shares.sum()))][0]
        out, spread = rng.uniform(0.9, 2.2), rng.uniform(0.02, 0.12)
        return cls(letters, float(out), float(spread), 0.0 if rng.random() < 0.7 else rng.uniform(0.02, 0.15))

    def here(self, rng: np.random.Generator) -> tuple[str, ...]:
        """Letters of one line; never none."""
        kept = tuple(letter for letter in self.letters if rng.random() >= self.dropped)
        return kept or self.letters[-1:]


def with_letters(hand: Hand) -> Hand:
    """The same hand, its clefs drawn as letters."""
    return replace(hand, c_clef="letter", f_clef="letter")


def write_letters(
    mask: U8,
    hand: Hand,
    rng: np.random.Generator,
    stand: Stand,
    edge: EdgeLetters,
    col: float,
    step_of: Callable[[str], int],
) -> list[Drawn]:
    """Write one line's letters, in place.

    Parameters
    ----------
    mask : ndarray of uint8, shape (H, W)
        Ink coverage.
    col : float
        Where the line's words or its initial begin, px.
    step_of : callable
        Step of a letter in the grid the scribe thinks in.

    Returns
    -------
    list of Drawn
        Each at the height it was drawn at.
    """
    s = stand.space_px
    start = col - (edge.out_spaces + rng.normal(0, 0.08)) * s
    written = []
    letters = edge.here(rng)
    near = [x for x in letters if _LOWEST <= step_of(x) <= 2 * stand.n_lines - 1]
    hand = _fitted(hand, [step_of(x) for x in near])
    for letter in near or letters[:1]:
        off = float(rng.normal(0, edge.spread_spaces)) * s
        shifted = Stand(s, stand.n_lines, partial(_row_beside, stand, off))
        line = 1 + step_of(letter) / 2
        at = start + float(rng.normal(0, 0.1)) * s
        written.append(draw_clef(mask, hand, rng, shifted, at, f"clef_{letter}", line)[0])
    return written


def _fitted(hand: Hand, steps: list[int]) -> Hand:
    """Letters close above each other are written small enough to be told apart."""
    if len(steps) < 2:
        return hand
    room_spaces = float(np.diff(sorted(steps)).min()) / 2
    return replace(hand, letter_size=min(hand.letter_size, _CLOSE * room_spaces))


def _row_beside(stand: Stand, off: float, step: float, at: float) -> float:
    return stand.row_of(step, at) + off
