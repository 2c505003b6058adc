"""Lines of text on a page, as curves: where neumes without staff lines have their words.

Traced on the leaf network's map of text. All lines of a page bend alike, so the page's bend is
fitted to all of them together, and each may depart from it a little.
"""

from __future__ import annotations

from dataclasses import dataclass, field
from typing import Final

import cv2
import numpy as np
import numpy.typing as npt

from neumary.types import F32

F64 = npt.NDArray[np.float64]

_ON: Final = 0.5  # probability from which a cell belongs to text
_ALONG_SPACES: Final = 2.2  # words are smeared so far into lines of text
_ACROSS_SPACES: Final = 0.3
_RIDGE: Final = 0.1  # smeared text from which there is a line of text
_ALONE_SPACES: Final = 0.7  # a line of text is the darkest place so far up and down
_SAME_SPACES: Final = 0.8  # pieces of one line of text lie level within this
_JOINED_SPACES: Final = 40.0  # and at most so far apart
_SHORT_SPACES: Final = 10.0  # shorter lines of text run as the page's others do
_BETWEEN_SPACES: Final = 3.4  # words so near over longer ones stand among the signs
_BETWEEN_SHARE: Final = 0.5
_LEAST_TEXT_SPACES: Final = 1.2
_LEAST_LINES: Final = 3  # for the page's bend to be fitted
_LEAST_COLUMNS_SPACES: Final = 40.0
_PULL: Final = 0.002
_ROUNDS: Final = 8
_STRAY_SPACES: Final = 0.12
_OWN_SPACES: Final = 6.0  # columns of text that weigh as much as the page's bend


@dataclass(frozen=True, slots=True, eq=False)
class _Bend:
    """How lines of text run on a page: skewed, curved, fanned out, all of them alike."""

    shape: F64
    height: float
    width: float

    def terms(self, cols: F64 | float, row: F64 | float) -> F64:
        """Columns of the design; shape (n, 6)."""
        x = 2 * np.asarray(cols, dtype=np.float64) / self.width - 1
        v = 2 * np.asarray(row, dtype=np.float64) / self.height - 1
        return np.stack([x, x**2, x**3, v * x, v * x**2, v**2 * x], axis=-1)

    def rise(self, cols: F64 | float, row: float) -> F64:
        """Rows against the page's middle column, for a line about a row."""
        return np.asarray(self.terms(cols, row) @ self.shape)


def _bent(lines: list[TextLine], space: float, size: tuple[int, ...]) -> None:
    """Fit the page's bend to all lines of text, strays weighing little, and give it to each.

    Least squares reweighted after Huber (1964), with a light pull towards straight lines.
    """
    bend = _Bend(np.zeros(6), float(size[0]), float(size[1]))
    long = [line for line in lines if line.length >= _LEAST_TEXT_SPACES * space]
    if len(long) < _LEAST_LINES or sum(line.length for line in long) < _LEAST_COLUMNS_SPACES * space:
        return
    which = np.concatenate([np.full(len(line.cols), k) for k, line in enumerate(long)])
    rows = np.concatenate([line.rows for line in long])
    terms = np.concatenate([bend.terms(line.cols, line.rows.mean()) for line in long])
    levels = np.array([line.rows.mean() for line in long])
    weights: F64 = np.ones(len(rows))
    shape = bend.shape
    pull = _PULL * np.diag([0.1, 1.0, 4.0, 1.0, 4.0, 4.0]) * len(rows) / space**2
    for _ in range(_ROUNDS):
        whole = np.maximum(np.bincount(which, weights, len(long)), 1e-9)
        middle = np.stack([np.bincount(which, weights * column, len(long)) / whole for column in terms.T], 1)
        mean = np.bincount(which, weights * rows, len(long)) / whole
        centred, off = terms - middle[which], rows - mean[which]
        shape = np.linalg.solve(centred.T @ (weights[:, None] * centred) + pull, centred.T @ (weights * off))
        levels = mean - middle @ shape
        away = np.abs(rows - levels[which] - terms @ shape) / (_STRAY_SPACES * space)
        weights = np.asarray(1 / np.maximum(away, 1.0) ** 2)
    fitted = _Bend(shape, bend.height, bend.width)
    for k, (line, level) in enumerate(zip(long, levels, strict=True)):
        line.bend, line.level = fitted, float(level)
        line.own = _own_waves(line, weights[which == k], space)


def _own_waves(line: TextLine, weights: F64, space: float) -> F64:
    """How a line departs from the page's bend: level, slope, bow; the shorter the line, the less."""
    assert line.bend is not None
    off = line.rows - line.level - line.bend.rise(line.cols, line.rows.mean())
    waves = _waves(line.cols, line.cols[0], line.cols[-1])
    pull = np.diag([0.0, 1.0, 1.0]) * _OWN_SPACES * space
    own: F64 = np.zeros(3)
    for _ in range(_ROUNDS):
        own = np.asarray(
            np.linalg.solve((waves * weights) @ waves.T + pull + 1e-9 * np.eye(3), waves @ (weights * off))
        )
        away = np.abs(off - own @ waves) / (_STRAY_SPACES * space)
        weights = np.asarray(1 / np.maximum(away, 1.0) ** 2)
    return np.asarray(own)


def _waves(cols: F64 | float, first: float, last: float) -> F64:
    """Level, slope, bow over a line's length, level beyond its ends; shape (3, n)."""
    x = np.clip(2 * (np.asarray(cols, dtype=np.float64) - first) / max(last - first, 1.0) - 1, -1, 1)
    return np.stack([np.ones_like(x), x, x**2 - 1 / 3])


@dataclass(slots=True, eq=False)
class TextLine:
    """A line of text; lengths in cells.

    Attributes
    ----------
    cols, rows : ndarray of float64, shape (n,)
        Middle of its letters, in the columns that have some.
    """

    cols: F64
    rows: F64
    slope: float | None = None  # of a line too short to tell its own
    bend: _Bend | None = None  # of the whole page, once it is known
    level: float = 0.0  # row at the page's middle column, under that bend
    own: F64 = field(default_factory=lambda: np.zeros(3))  # how it departs from that bend

    @property
    def length(self) -> float:
        """Columns with text."""
        return float(len(np.unique(self.cols)))

    def row_at(self, cols: F64 | float) -> F64:
        """Straight on beyond the ends, or as the page bends."""
        if self.bend is not None:
            rise = self.bend.rise(cols, self.rows.mean())
            return self.level + rise + self.own @ _waves(cols, self.cols[0], self.cols[-1])
        if self.slope is not None:
            away = np.asarray(cols, dtype=np.float64) - self.cols.mean()
            return np.asarray(self.rows.mean() + self.slope * away)
        order = 2 if len(self.cols) > 60 else 1
        inside = np.clip(cols, self.cols[0], self.cols[-1])
        centre, half = (self.cols[0] + self.cols[-1]) / 2, max(1.0, (self.cols[-1] - self.cols[0]) / 2)
        fitted = np.polyfit((self.cols - centre) / half, self.rows, order)
        slope = np.polyder(np.poly1d(fitted))
        at = (inside - centre) / half
        return np.asarray(np.polyval(fitted, at) + slope(at) * (np.asarray(cols) - inside) / half)


def text_lines(text: F32, space: float) -> list[TextLine]:
    """Lines of text, in no particular order.

    Parameters
    ----------
    text : ndarray of float32, shape (h, w)
        Probability of text.
    space : float
        Staff space in cells, right within a half.
    """
    smeared = cv2.GaussianBlur(
        (text > _ON).astype(np.float32), (0, 0), sigmaX=_ALONG_SPACES * space, sigmaY=_ACROSS_SPACES * space
    )
    reach = 2 * max(1, round(_ALONE_SPACES * space)) + 1
    ridge = (smeared >= cv2.dilate(smeared, np.ones((reach, 1), np.uint8))) & (smeared > _RIDGE)
    thick = cv2.dilate(ridge.astype(np.uint8), np.ones((3, 3), np.uint8))
    count, labels = cv2.connectedComponents(thick, connectivity=8)
    pieces = []
    for k in range(1, count):
        rows, cols = np.nonzero(labels == k)
        at = np.unique(cols)
        mean = np.bincount(cols, rows)[at] / np.bincount(cols)[at]
        if at[-1] - at[0] >= _LEAST_TEXT_SPACES * space:
            pieces.append(TextLine(at.astype(np.float64), mean))
    _lean(pieces, space)
    lines = _upper_dropped(_joined(pieces, space), space)
    _bent(lines, space, text.shape)
    return lines


def _lean(lines: list[TextLine], space: float) -> None:
    """Give short lines the slope of the long ones."""
    slopes = [np.polyfit(x.cols, x.rows, 1)[0] for x in lines if x.length >= _SHORT_SPACES * space]
    common = float(np.median(slopes)) if slopes else 0.0
    for line in lines:
        line.slope = common if line.length < _SHORT_SPACES * space else None


def _upper_dropped(lines: list[TextLine], space: float) -> list[TextLine]:
    """Without words that stand among the signs, close over a longer line of text."""

    def among_signs(line: TextLine) -> bool:
        middle = float(line.cols.mean())
        for other in lines:
            rise = float(other.row_at(middle)) - float(line.row_at(middle))
            over = other.cols[0] <= middle <= other.cols[-1]
            if over and 0 < rise < _BETWEEN_SPACES * space and line.length < _BETWEEN_SHARE * other.length:
                return line.length < _SHORT_SPACES * space
        return False

    return [line for line in lines if not among_signs(line)]


def _joined(pieces: list[TextLine], space: float) -> list[TextLine]:
    """Pieces of one line of text as one, left to right."""
    lines: list[TextLine] = []
    for piece in sorted(pieces, key=lambda p: (p.cols[0], p.rows[0])):
        best: tuple[float, TextLine] | None = None
        for line in lines:
            gap = piece.cols[0] - line.cols[-1]
            if not -space <= gap <= _JOINED_SPACES * space:
                continue
            middle = (piece.cols[0] + line.cols[-1]) / 2
            off = abs(float(line.row_at(middle)) - float(piece.row_at(middle)))
            off = min(off, abs(float(line.rows[-8:].mean()) - float(piece.rows[:8].mean())))
            if off <= _SAME_SPACES * space and (best is None or off < best[0]):
                best = (off, line)
        if best is None:
            lines.append(piece)
        else:
            best[1].cols = np.concatenate([best[1].cols, piece.cols])
            best[1].rows = np.concatenate([best[1].rows, piece.rows])
            order = np.argsort(best[1].cols, kind="stable")
            best[1].cols, best[1].rows = best[1].cols[order], best[1].rows[order]
            best[1].slope = None if best[1].length >= _SHORT_SPACES * space else best[1].slope
    return lines
