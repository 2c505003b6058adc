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

from neumary.staffless import FreeCandidate
from neumary_models.staffless_outputs import CONTOURS

_NEAR_SIZES: Final = 6.0  # signs further apart along the row do not tell each other's row
_SAME_ROW: Final = 1.1  # of rows' distances, in sizes: nearer signs stand in one row
_BREAK: Final = 1.3  # drift from the nearest signs of a row, in sizes, that begins a new row

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


def rows_of(signs: Sequence[FreeCandidate], size_px: float) -> list[list[int]]:
    """Group signs into rows.

    Parameters
    ----------
    signs : sequence of FreeCandidate
    size_px : float
        Height of a virga, in the px of the signs.

    Returns
    -------
    list of list of int
        Indices into `signs`: rows from top to bottom, each from left to right.
    """
    if not signs:
        return []
    at = np.array([(sign.row, sign.col) for sign in signs]) / size_px
    parent = list(range(len(signs)))

    def root(i: int) -> int:
        while parent[i] != i:
            parent[i] = parent[parent[i]]
            i = parent[i]
        return i

    for i in range(len(signs)):
        apart = np.abs(at - at[i])
        beside = np.flatnonzero((apart[:, 1] < _NEAR_SIZES) & (apart[:, 0] < _slack(apart[:, 1])))
        for j in beside:
            parent[root(int(j))] = root(i)
    groups: dict[int, list[int]] = {}
    for i in range(len(signs)):
        groups.setdefault(root(i), []).append(i)
    rows = _joined(list(groups.values()), at)
    rows.sort(key=lambda row: float(np.median(at[row, 0])))
    return [sorted(row, key=lambda i: at[i, 1]) for row in rows]


def _slack(across: np.ndarray) -> np.ndarray:
    """How far up or down a neighbour may stand: signs close by climb, far ones tell little."""
    return np.where(across < 1.5, _BREAK, np.maximum(_SAME_ROW - 0.12 * (across - 1.5), 0.35))


def _joined(rows: list[list[int]], at: np.ndarray) -> list[list[int]]:
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
