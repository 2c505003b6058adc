"""Signs without lines -> rows in reading order, and the notes inside each sign.

Signs over one line of words form a row. A row need not be level: signs climb within long
melismas, so each sign joins the row whose nearest signs it stands beside, not a straight
line. Inside a sign the notes follow from its name: no pitch, only up, down or same.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from typing import Final

import numpy as np
import numpy.typing as npt

from neumary.staffless import FreeCandidate
from neumary.types import Bool
from neumary_models.staffless_outputs import CONTOURS, STRIDE

F64 = npt.NDArray[np.float64]

_NEAR_SIZES: Final = 6.0  # signs further apart along the row do not tell each other's row
_SAME_ROW: Final = 1.0  # of rows' distances, in sizes: nearer signs stand in one row
_HALF: Final = 0.2  # of a sign's height, in sizes: words between two signs lie beyond that
_SLOPES: Final = np.linspace(-0.12, 0.12, 49)  # of rows on a crooked page
_KERNEL: Final = 0.3  # in sizes: how sharply rows stand out at the right slope
_AROUND: Final = 2.0  # beside two signs, in sizes, words between them are looked for
_WORDS_SHARE: Final = 0.3  # of that stretch; letters fill about half of their line
_BREAK: Final = 1.15  # drift from the nearest signs of a row, in sizes, that begins a new row

LABELS: Final[dict[str, tuple[str, ...]]] = {
    "virga": ("virga",),
    "punctum": ("punctum",),
    "tractulus": ("punctum",),
    "pes": ("punctum", "virga"),
    "clivis": ("virga", "punctum"),
    "torculus": ("punctum", "virga", "punctum"),
    "porrectus": ("virga", "punctum", "virga"),
    "scandicus": ("punctum", "punctum", "virga"),
    "climacus": ("virga", "punctum", "punctum"),
    "quilisma": ("quilisma", "quilisma", "virga"),
    "oriscus": ("oriscus",),
    "pressus": ("virga", "oriscus", "punctum"),
    "stropha": ("stropha",),
    "distropha": ("stropha", "stropha"),
    "tristropha": ("stropha", "stropha", "stropha"),
    "trigon": ("punctum", "punctum", "punctum"),
    "cephalicus": ("virga", "liquescent"),
    "epiphonus": ("punctum", "liquescent"),
    "porrectus flexus": ("virga", "punctum", "virga", "punctum"),
    "torculus resupinus": ("punctum", "virga", "punctum", "virga"),
    "pes subbipunctis": ("punctum", "virga", "punctum", "punctum"),
    "scandicus flexus": ("punctum", "punctum", "virga", "punctum"),
    "salicus": ("punctum", "oriscus", "virga"),
    "bivirga": ("virga", "virga"),
    "trivirga": ("virga", "virga", "virga"),
    "compound": ("virga",),
}
"""Labels of the notes inside a sign, in the order sung (common practice, no source).
A compound's notes are not known: it counts as one. Letters have none."""


@dataclass(frozen=True, slots=True)
class SignNote:
    """One note inside a sign.

    Attributes
    ----------
    label : str
        A name of `neumary_models.labels`.
    move : str
        Against the note before it in the sign: "" for the first, else "u", "d" or "s".
    row, col : float
        Where it stands, px.
    """

    label: str
    move: str
    row: float
    col: float


def notes_of(name: str, box: tuple[float, float, float, float]) -> tuple[SignNote, ...]:
    """The notes inside a sign, spread over its box by its contour.

    Parameters
    ----------
    name : str
        One of `neumary_models.staffless_outputs.STAFFLESS_NAMES`.
    box : tuple of float
        Top, left, bottom, right, px.

    Returns
    -------
    tuple of SignNote
        Empty for a letter.
    """
    labels, contour = LABELS.get(name, ()), CONTOURS.get(name, "")
    if len(labels) != len(contour) + 1:
        return ()
    top, left, bottom, right = box
    heights = np.cumsum([0, *({"u": 1, "d": -1, "s": 0}[move] for move in contour)]).astype(float)
    span = heights.max() - heights.min()
    share = (heights - heights.min()) / span if span else np.full(len(heights), 0.5)
    notes = []
    for k, (label, height) in enumerate(zip(labels, share, strict=True)):
        row = bottom - (0.1 + 0.8 * float(height)) * (bottom - top)
        col = left + (k + 0.5) / len(labels) * (right - left)
        notes.append(SignNote(label, contour[k - 1] if k else "", row, col))
    return tuple(notes)


def rows_of(signs: Sequence[FreeCandidate], size_px: float, text: Bool | None = None) -> list[list[int]]:
    """Group signs into rows.

    Parameters
    ----------
    signs : sequence of FreeCandidate
    size_px : float
        Height of a virga, in the px of the signs.
    text : ndarray of bool, shape (h, w), optional
        Cells of `STRIDE` px that hold words: signs with a line of words between them stand in
        different rows.

    Returns
    -------
    list of list of int
        Indices into `signs`: rows from top to bottom, each from left to right.
    """
    if not signs:
        return []
    seen = np.array([(sign.row, sign.col) for sign in signs]) / size_px
    at = seen.copy()
    at[:, 0] -= _slope(seen) * seen[:, 1]
    parent = list(range(len(signs)))
    between = _Words(text, size_px)

    def root(i: int) -> int:
        while parent[i] != i:
            parent[i] = parent[parent[i]]
            i = parent[i]
        return i

    for i in range(len(signs)):
        apart = np.abs(at - at[i])
        beside = np.flatnonzero((apart[:, 1] < _NEAR_SIZES) & (apart[:, 0] < _slack(apart[:, 1])))
        for j in beside:
            if root(int(j)) != root(i) and not between.parts(seen[i], seen[j]):
                parent[root(int(j))] = root(i)
    groups: dict[int, list[int]] = {}
    for i in range(len(signs)):
        groups.setdefault(root(i), []).append(i)
    rows = _joined(list(groups.values()), at)
    rows.sort(key=lambda row: float(np.median(at[row, 0])))
    return [sorted(row, key=lambda i: at[i, 1]) for row in rows]


def _slope(at: F64) -> float:
    """Slope at which signs, seen along it, stand in the sharpest rows."""
    rows = at[:, 0] - _SLOPES[:, None] * at[:, 1]
    low, cell = rows.min(), _KERNEL / 2
    reach = int((rows.max() - low) / cell) + 1
    kernel = np.exp(-0.5 * (np.arange(-6, 7) * cell / _KERNEL) ** 2)
    sharp = []
    for along in rows:
        counts = np.bincount(((along - low) / cell).astype(int), minlength=reach).astype(float)
        sharp.append(float((np.convolve(counts, kernel, mode="same") ** 2).sum()))
    return float(_SLOPES[int(np.argmax(sharp))])


class _Words:
    """Tells whether a line of words runs between two signs; places in virgae."""

    def __init__(self, text: Bool | None, size_px: float) -> None:
        self.cells = size_px / STRIDE  # a virga's height
        self.sums = None if text is None else np.pad(text.cumsum(axis=1, dtype=np.int64), ((0, 0), (1, 0)))

    def parts(self, one: F64, other: F64) -> bool:
        """Whether more than a share of a stretch around both is words, in some row between them."""
        if self.sums is None or abs(one[0] - other[0]) < 2 * _HALF:
            return False
        top, bottom = sorted((one[0], other[0]))
        left, right = sorted((one[1], other[1]))
        foot, head = (top + _HALF) * self.cells, (bottom - _HALF) * self.cells
        rows = slice(max(0, round(foot)), max(0, round(head)) + 1)
        last = self.sums.shape[1] - 1
        first = min(max(0, round((left - _AROUND) * self.cells)), last)
        end = min(max(first + 1, round((right + _AROUND) * self.cells)), last)
        words = self.sums[rows, end] - self.sums[rows, first]
        return bool(words.size) and float(words.max()) > _WORDS_SHARE * (end - first)


def _slack(across: F64) -> F64:
    """How far up or down a neighbour may stand: signs close by climb, far ones tell little."""
    return np.where(across < 1.5, _BREAK, np.maximum(_SAME_ROW - 0.12 * (across - 1.5), 0.35))


def _joined(rows: list[list[int]], at: F64) -> list[list[int]]:
    """Pieces of rows that go on at the same height, joined over wide gaps."""
    rows = sorted(rows, key=len, reverse=True)
    out: list[list[int]] = []
    for row in rows:
        for other in out:
            left, right = at[other, 1].min(), at[other, 1].max()
            beside = at[row, 1].min() > right - 0.5 or at[row, 1].max() < left + 0.5
            nearest = other[int(np.abs(at[other, 1] - np.median(at[row, 1])).argmin())]
            level = abs(float(np.median(at[row, 0])) - float(at[nearest, 0])) < 0.8
            level = level or abs(float(np.median(at[row, 0]) - np.median(at[other, 0]))) < 0.8
            if beside and level:
                other.extend(row)
                break
        else:
            out.append(list(row))
    return out
