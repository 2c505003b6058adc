"""Counts, odds, matching and distances: the measures that know nothing of pages.

Counts add up before any ratio is taken (micro-average). Where both sides are empty a ratio is
1, where one side is empty it is 0.
"""

from __future__ import annotations

from collections.abc import Sequence

import msgspec
import numpy as np
import numpy.typing as npt

F64 = npt.NDArray[np.float64]
Symbol = tuple[int, int] | None
"""What a melody is compared by: degree and alteration; None for a note without a degree."""


def with_odds(p: float, factor: float) -> float:
    """A probability whose odds are multiplied by a factor."""
    return p * factor / (p * factor + 1 - p)


class Tally(msgspec.Struct, frozen=True):
    """Found, spurious and missed things of one sort."""

    hit: int = 0
    spurious: int = 0
    missed: int = 0

    def __add__(self, other: Tally) -> Tally:
        return Tally(self.hit + other.hit, self.spurious + other.spurious, self.missed + other.missed)

    @property
    def precision(self) -> float:
        """Share of the found that is right."""
        return _ratio(self.hit, self.hit + self.spurious, self.missed == 0)

    @property
    def recall(self) -> float:
        """Share of the true that was found."""
        return _ratio(self.hit, self.hit + self.missed, self.spurious == 0)

    @property
    def f1(self) -> float:
        """Harmonic mean of precision and recall."""
        return _ratio(2 * self.hit, 2 * self.hit + self.spurious + self.missed, True)


class Share(msgspec.Struct, frozen=True):
    """So many of so many."""

    count: int = 0
    total: int = 0

    def __add__(self, other: Share) -> Share:
        return Share(self.count + other.count, self.total + other.total)

    @property
    def accuracy(self) -> float:
        """Count / total; 1 for none of none."""
        return _ratio(self.count, self.total, self.count == 0)

    @property
    def rate(self) -> float:
        """Count / total as an error rate: 0 for none of none, 1 for errors where nothing is true."""
        return _ratio(self.count, self.total, self.count > 0)


def _ratio(part: float, whole: float, empty_is_right: bool) -> float:
    return part / whole if whole else float(empty_is_right)


def match(cost: F64, limit: float) -> list[tuple[int, int]]:
    """One-to-one matching: as many pairs as possible within the limit, then least total cost.

    Parameters
    ----------
    cost : ndarray of float64, shape (read, true)
        Distance of each pair, >= 0.
    limit : float
        Pairs farther apart than this are no match.

    Returns
    -------
    list of (int, int)
        Row and column of each pair.

    References
    ----------
    .. [1] D. F. Crouse, "On implementing 2D rectangular assignment algorithms", IEEE
       Transactions on Aerospace and Electronic Systems 52(4), 2016 (SciPy's solver).
    """
    if not cost.size or not (cost <= limit).any():
        return []
    from scipy.optimize import linear_sum_assignment

    far = limit * (min(cost.shape) + 1) + 1.0  # dearer than any set of true pairs
    rows, cols = linear_sum_assignment(np.where(cost <= limit, cost, far))
    return [(int(r), int(c)) for r, c in zip(rows, cols, strict=True) if cost[r, c] <= limit]


def edit_distance(read: Sequence[Symbol], true: Sequence[Symbol]) -> int:
    """Levenshtein distance; a None in `read` equals nothing.

    References
    ----------
    .. [1] V. I. Levenshtein, "Binary codes capable of correcting deletions, insertions, and
       reversals", Soviet Physics Doklady 10, 1966.
    """
    row = list(range(len(true) + 1))
    for i, a in enumerate(read, 1):
        diagonal, row[0] = row[0], i
        for j, b in enumerate(true, 1):
            cost = diagonal + (a is None or a != b)
            diagonal = row[j]
            row[j] = min(cost, row[j] + 1, row[j - 1] + 1)
    return row[-1]


def calibration_error(outcomes: Sequence[tuple[float, bool]], bins: int = 10) -> float:
    """Expected calibration error: mean gap between confidence and accuracy over equal bins.

    Parameters
    ----------
    outcomes : sequence of (float, bool)
        Confidence in 0..1, and whether it was right.
    bins : int
        Equal bins of confidence; the last one includes 1.

    References
    ----------
    .. [1] M. P. Naeini et al., "Obtaining well calibrated probabilities using Bayesian
       binning", AAAI 2015.
    """
    if not outcomes:
        return 0.0
    p, right = _columns(outcomes)
    place = np.minimum((p * bins).astype(int), bins - 1)
    gaps = np.abs(np.bincount(place, weights=right - p, minlength=bins))
    return float(gaps.sum()) / len(outcomes)


def _columns(outcomes: Sequence[tuple[float, bool]]) -> tuple[F64, F64]:
    """Confidences, and 1.0 or 0.0 for right or wrong."""
    p = np.fromiter((o[0] for o in outcomes), dtype=np.float64, count=len(outcomes))
    right = np.fromiter((o[1] for o in outcomes), dtype=np.float64, count=len(outcomes))
    return p, right


def hands_off_share(
    outcomes: Sequence[tuple[float, bool]], *, error: float = 0.005, missed: int = 0
) -> float:
    """Largest share of notes, surest first, that can be accepted unseen.

    Parameters
    ----------
    outcomes : sequence of (float, bool)
        Confidence of each note as read, and whether it was right.
    error : float
        Share of the accepted that may be wrong.
    missed : int
        True notes that were not read; they can never be accepted.

    Returns
    -------
    float
        Accepted / (read + missed). Notes of equal confidence are accepted together. 1 for no
        notes at all.
    """
    total = len(outcomes) + missed
    if not total:
        return 1.0
    if not outcomes:
        return 0.0
    p, right = _columns(outcomes)
    order = np.argsort(-p, kind="stable")
    p, wrong = p[order], np.cumsum(1 - right[order])
    rank = np.arange(1, len(p) + 1)
    last_of_equals = np.append(p[1:] < p[:-1], True)
    allowed = rank[last_of_equals & (wrong <= error * rank)]
    return float(allowed.max(initial=0)) / total
