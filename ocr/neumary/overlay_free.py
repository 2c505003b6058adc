"""Marks of staffless signs on the overlay: what to draw, not how.

A sign is one thing, however many notes it stands for: a path runs through its notes in the
order sung, with a dot at its beginning, and its name stands beside it. A significative letter
has a broken frame.
"""

from __future__ import annotations

from collections.abc import Iterator, Sequence
from dataclasses import dataclass
from itertools import pairwise
from typing import Final, Protocol

import numpy as np

from neumary.doubt import DOUBT_BELOW
from neumary.order import Event
from neumary.types import Box, Mark, Page

Point = tuple[float, float]
Edges = tuple[float, float, float, float]

# M. Okabe and K. Ito, "Color Universal Design", 2008, https://jfly.uni-koeln.de/color/
ORANGE: Final = (230, 159, 0)
_DOT_PX: Final = 2.2
_DASHES: Final = 3  # per side of a broken frame
_GROW_PX: Final = 3.0


class View(Protocol):
    """Where original pixels fall on the overlay."""

    def point(self, row: float, col: float) -> Point:
        """Overlay (row, col) of an original point."""

    def box(self, box: Box, grow_px: float = 0.0) -> Edges:
        """Overlay edges (top, left, bottom, right) of a half-open box."""


@dataclass(frozen=True, slots=True)
class Strokes:
    """What is drawn for one sign: lines through (row, col) points, closed or not.

    Attributes
    ----------
    lines : tuple of (tuple of points, bool)
        Overlay px, and whether the line closes.
    diamond : bool
        Whether the sign is doubtful and wants the mark of that.
    edges : tuple of float
        Of the whole sign, overlay px.
    """

    lines: tuple[tuple[tuple[Point, ...], bool], ...]
    diamond: bool
    edges: Edges


def is_free(event: Event) -> bool:
    """Whether a neume was read as a whole sign, without lines."""
    return event.neume is not None and event.neume.confidence is not None


def sign_strokes(event: Event, view: View) -> Strokes:
    """The path through a sign's notes.

    Parameters
    ----------
    event : Event
        For which `is_free` holds.
    view : View
    """
    assert event.neume is not None and event.neume.confidence is not None
    points = tuple(view.point(glyph.row, glyph.col) for glyph, _ in event.signs)
    row, col = points[0]
    angles = np.linspace(0, 2 * np.pi, 8, endpoint=False)
    dot = tuple((row + _DOT_PX * float(np.sin(a)), col + _DOT_PX * float(np.cos(a))) for a in angles)
    lines = [(dot, True)] + ([(points, False)] if len(points) > 1 else [])
    return Strokes(tuple(lines), event.neume.confidence < DOUBT_BELOW, around(event, view))


def around(event: Event, view: View) -> Edges:
    """Edges of all notes of a sign, overlay px."""
    edges = [view.box(glyph.box) for glyph, _ in event.signs]
    tops, lefts, bottoms, rights = zip(*edges, strict=True)
    return min(tops), min(lefts), max(bottoms), max(rights)


def sign_name(page: Page, event: Event) -> str:
    """What stands beside a sign: its name, and an episema if it has one."""
    assert event.neume is not None
    name = event.neume.name or "sign"
    stroke = any(mark.kind == "episema" and mark.neume == event.neume.id for mark in page.marks)
    return f"{name}, episema" if stroke else name


def letter_frames(marks: Sequence[Mark], view: View) -> Iterator[tuple[Point, Point]]:
    """The dashes of the frames round significative letters, overlay px."""
    for mark in marks:
        if mark.box is None:
            continue
        top, left, bottom, right = view.box(mark.box, _GROW_PX)
        corners = [(top, left), (top, right), (bottom, right), (bottom, left), (top, left)]
        for (row, col), (next_row, next_col) in pairwise(corners):
            step = 2 * _DASHES - 1
            for k in range(0, step, 2):
                a, b = k / step, (k + 1) / step
                yield (
                    (row + a * (next_row - row), col + a * (next_col - col)),
                    (row + b * (next_row - row), col + b * (next_col - col)),
                )
