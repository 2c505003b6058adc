"""Where to write beside a sign: on free parchment, near it, never on ink or other words."""

from __future__ import annotations

from dataclasses import dataclass
from functools import lru_cache
from typing import Final

import cv2
import numpy as np
import numpy.typing as npt
from PIL import ImageFont

Edges = tuple[float, float, float, float]

_CLASH: Final = 4.0  # cost of lying wholly on another word or sign
_INK: Final = 1.5  # cost of lying wholly on ink
_FAR: Final = 0.5  # cost of lying one letter height away
_DISTANCES: Final = (0.0, 0.4, 0.8, 1.3, 2.0)  # letter heights tried, nearer ones first
_CELL_PX: Final = 4  # what is taken is remembered in squares of this side


@lru_cache(maxsize=4096)
def typeface(size_px: float) -> ImageFont.FreeTypeFont | ImageFont.ImageFont:
    """Give Pillow's own scalable type in a size; loading it takes longer than writing."""
    return ImageFont.load_default(size_px)


@lru_cache(maxsize=4096)
def _extent(text: str, size_px: int) -> tuple[float, float]:
    """Height and width (px) of a word with its rim."""
    left, top, right, bottom = typeface(size_px).getbbox(text, anchor="lt")
    return bottom - top + 2.0, right - left + 2.0


@dataclass(frozen=True, slots=True)
class Label:
    """A word to be written beside something.

    Attributes
    ----------
    text : str
    colour : tuple of int
        Red, green, blue, 0..255.
    size_px : int
        Size of the type.
    beside : tuple of float
        Edges (top, left, bottom, right; px) of what it belongs to.
    """

    text: str
    colour: tuple[int, int, int]
    size_px: int
    beside: Edges


class LabelPlacer:
    """Finds places for words, one after the other, on one sheet.

    Parameters
    ----------
    ink : ndarray of float32, shape (H, W)
        0 bare .. 1 full ink.
    top : int
        First row (px) that may be written on.
    step_px : int
        Sheet pixels per pixel of `ink`, 1, 2 or 4; `top`, boxes and places are in sheet pixels.
    """

    def __init__(self, ink: npt.NDArray[np.float32], top: int = 0, step_px: int = 1) -> None:
        self._size = ink.shape[0] * step_px, ink.shape[1] * step_px
        self._top = top
        cell = _CELL_PX // step_px
        rows, cols = -(-ink.shape[0] // cell), -(-ink.shape[1] // cell)
        padded = np.zeros((rows * cell, cols * cell), np.float32)
        padded[: ink.shape[0], : ink.shape[1]] = ink
        self._cost = _INK * cv2.resize(padded, (cols, rows), interpolation=cv2.INTER_AREA)  # whole cells

    def forbid(self, edges: Edges) -> None:
        """Keep words off a box (top, left, bottom, right; px)."""
        self._cost[self._cells(edges)] = _CLASH

    def place(self, labels: list[Label]) -> list[tuple[Label, float, float]]:
        """Find the best place for each word.

        Parameters
        ----------
        labels : list of Label
            The first has the first choice.

        Returns
        -------
        list of (Label, row, col)
            The upper left corner (px) of each word, whole on the sheet where it fits.
        """
        return [(label, *self._best(label)) for label in labels]

    def _best(self, label: Label) -> tuple[float, float]:
        tall, wide = _extent(label.text, label.size_px)
        best, best_cost = (0.0, 0.0), np.inf
        lowest, rightmost = max(self._size[0] - tall, 0.0), max(self._size[1] - wide, 0.0)
        for away in _DISTANCES:
            if _FAR * away >= best_cost:
                break  # too far away to be better
            for row, col, cost in _choices(label.beside, tall, wide, away):
                if cost >= best_cost:
                    continue
                row, col = min(max(row, float(self._top)), lowest), min(max(col, 0.0), rightmost)
                block = self._cost[self._cells((row, col, row + tall, col + wide))]
                cost += cv2.mean(block)[0]
                if cost < best_cost:
                    best, best_cost = (row, col), cost
        self.forbid((best[0], best[1], best[0] + tall, best[1] + wide))
        return best

    def _cells(self, edges: Edges) -> tuple[slice, slice]:
        """Cells a box touches, at least one."""
        top, left, bottom, right = edges
        rows, cols = self._cost.shape
        return _cells_between(top, bottom, rows), _cells_between(left, right, cols)


def _cells_between(low: float, high: float, count: int) -> slice:
    first = min(max(int(low // _CELL_PX), 0), count - 1)
    return slice(first, min(max(-int(-high // _CELL_PX), first + 1), count))


def _choices(beside: Edges, tall: float, wide: float, away: float) -> list[tuple[float, float, float]]:
    """List places (row, col, cost of the place) around a box, so many letter heights away."""
    top, left, bottom, right = beside
    middle_row, middle_col = (top + bottom - tall) / 2, (left + right - wide) / 2
    gap = 2.0 + away * tall
    cost = _FAR * away
    return [
        (top - tall - gap, middle_col, cost),
        (bottom + gap, middle_col, cost + 0.08),
        (middle_row, right + gap, cost + 0.04),
        (middle_row, left - wide - gap, cost + 0.10),
        (top - tall - gap, right, cost + 0.06),
        (top - tall - gap, left - wide, cost + 0.06),
        (bottom + gap, right, cost + 0.12),
        (bottom + gap, left - wide, cost + 0.12),
    ]
