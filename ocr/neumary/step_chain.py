"""Steps of doubtful heads, weighed by the melody around them.

The Viterbi algorithm along the heads of a run: the classifier's odds of each step against the
odds of the intervals it would make, and of the custos that announces it. Heads whose best step
is surer than `CERTAIN_P` keep it.

Only leaps wider than a fifth speak against a step, and custodes. What lies below the classifier has weighed
itself, with the melody it sees and the scribe's habit of pushing seconds apart: weighed again, more right
steps were spoilt than wrong ones mended (28 and 17 of 53,000 on rendered pages kept out of training, against
1 and 6 so).
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from typing import Final

import numpy as np

from neumary.clef_chain import CERTAIN_P
from neumary.gamut import Sign
from neumary.priors import CUSTOS_PLACES, CUSTOS_RIGHT, log_move
from neumary.stretches import distribution

_MELODY: Final = 0.7  # weight of the melodic odds (design figure)
_FIFTH: Final = 4  # degrees
_LEAST_P: Final = 0.03  # steps less probable than this are not considered


@dataclass(frozen=True, slots=True)
class Node:
    """A head or custos, and the degree of the bottom line under it."""

    sign: Sign
    base: int

    @property
    def choices(self) -> list[tuple[int, float]]:
        """Steps worth considering."""
        known = distribution(self.sign.reading)
        step = self.sign.reading.step
        if step is None:
            return []
        if not known or dict(known).get(step, 0.0) > CERTAIN_P or self.sign.reading.by == "human":
            return [(step, 1.0)]
        return [(s, p) for s, p in known if p >= _LEAST_P]


def best_steps(nodes: Sequence[Node], *, melody: bool = True) -> list[int]:
    """Best step of each node.

    Parameters
    ----------
    nodes : sequence of Node
        Heads and final custodes in the order sung; each with at least one choice.
    melody : bool
        False weighs custodes only (repertoire that is no chant).

    Returns
    -------
    list of int
        One per node.
    """
    if not nodes:
        return []
    choices = [node.choices for node in nodes]
    score = np.log([p for _, p in choices[0]])
    back = []
    for i in range(1, len(nodes)):
        paths = score[:, None] + np.array(
            [[_tie(nodes[i - 1], s, nodes[i], t, melody) for t, _ in choices[i]] for s, _ in choices[i - 1]]
        )
        back.append(paths.argmax(axis=0))
        score = paths.max(axis=0) + np.log([p for _, p in choices[i]])
    path = [int(score.argmax())]
    for step in reversed(back):
        path.append(int(step[path[-1]]))
    return [choices[i][k][0] for i, k in enumerate(reversed(path))]


def _tie(before: Node, step: int, node: Node, next_step: int, melody: bool) -> float:
    """Log odds of two neighbouring steps."""
    a, b = before.base + step, node.base + next_step
    if before.sign.label == "custos":
        believed = CUSTOS_RIGHT * min(before.sign.reading.confidence, 1.0)
        return float(np.log(believed * (a == b) + (1 - believed) / CUSTOS_PLACES))
    if not melody or node.sign.label == "custos":
        return 0.0
    apart = min(max(node.sign.reading.starts_neume, 0.0), 1.0)
    return _MELODY * min(0.0, log_move(a, b, apart) - log_move(0, _FIFTH, apart))
