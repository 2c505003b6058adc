"""What staff tracing looks at: the measured page, a staff being traced, and its measures."""

from __future__ import annotations

from dataclasses import dataclass
from typing import Final

import cv2
import numpy as np
import numpy.typing as npt

from neumary import lines
from neumary.lines import Floats
from neumary.types import F32, Bool, InkMap

Ints = npt.NDArray[np.intp]

SEEN: Final = 0.35  # share of a staff's usual line strength from which a line counts as seen
COLOURED: Final = 0.2  # coloured against all ink from which a line counts as coloured
STEADY: Final = 0.3  # how like pen lines the lines of a staff must be
_STEADY_WIDE: Final = 0.55  # the same where the staff is very wide
_UNBROKEN: Final = 0.72  # coherence that text does not reach
_WIDE: Final = 4.5  # staff space against the height of heads and letters, usually 1.2 to 2.4
_THICK: Final = 0.2  # width in staff spaces from which a line must be the steadier
_SHARPEST_PX: Final = 3.0  # no line is photographed thinner than about this, blur included
_STRIPS_PER_SPACE: Final = 4.0
_RAGGED_SPACES: Final = 1.5  # a line may so end before its neighbours
_BLOCK_SPACES: Final = 1.5  # wider and higher than any head
_PAINTED: Final = 70.0  # grey level of the palest paint
_REACH_SPACES: Final = 3.0  # how far evidence is carried along a line


@dataclass(frozen=True, slots=True, eq=False)
class Field:
    """What tracing looks at; arrays of shape (n_strips, H) at working scale.

    Attributes
    ----------
    every, colour : ndarray of float32
        Ridges of all ink and of coloured ink, grey levels.
    evidence, likeness : ndarray of float32
        For either, 0..1; and that gathered along paths.
    total, tint : ndarray of float32
        All ink, and coloured ink alone, grey levels.
    sums : ndarray of float64, shape (n_strips + 1, H + 1)
        The same summed up from the top left.
    strip_px : int
        Width of a strip.
    space, line : float
        The page's commonest staff space and line thickness, working pixels.
    stroke : float
        Height of heads and small letters, working pixels; 0 unknown.
    dry : float
        Grey level under which a line was scratched with a dry point, not inked.
    """

    every: F32
    colour: F32
    evidence: F32
    likeness: F32
    total: F32
    tint: F32
    sums: Floats
    strip_px: int
    space: float
    line: float
    stroke: float
    dry: float

    @property
    def per_space(self) -> float:
        """Strips in a staff space."""
        return self.space / self.strip_px

    @property
    def height(self) -> int:
        """Rows of the working picture."""
        return int(self.every.shape[1])

    def ink_at(self, strips: Ints, low: Ints, high: Ints) -> Floats:
        """Mean ink of strips between rows `low` and one past `high`."""
        sums = self.sums
        total = sums[strips + 1, high] - sums[strips, high] - sums[strips + 1, low] + sums[strips, low]
        return np.asarray(total / np.maximum(high - low, 1), dtype=np.float64)


@dataclass(slots=True, eq=False)
class Trace:
    """A staff being traced; rows at working scale, lines from bottom to top.

    Attributes
    ----------
    first : int
        First strip.
    rows : ndarray of float64, shape (n_lines, n_strips)
    seen : ndarray of bool, shape (n_lines, n_strips)
    clear : ndarray of float32, shape (n_strips of the page, H)
        Evidence 0..1 on this staff's own scale.
    space : float
        Staff space, working pixels.
    worth : float
        Length of pen line it explained when it was traced, in strips.
    """

    first: int
    rows: Floats
    seen: Bool
    clear: F32
    space: float
    worth: float = 0.0

    @property
    def last(self) -> int:
        """One past the last strip."""
        return int(self.first + self.rows.shape[1])

    def ends(self, per_space: float) -> list[tuple[int, int]]:
        """First and one past last strip of each line: where it is mostly seen over a space.

        A line that fades out long before most of its staff's others is taken as far as those.
        """
        width = 2 * round(0.5 * per_space) + 1
        ends = []
        for seen in self.seen:
            mostly = cv2.blur(seen[None].astype(np.float32), (width, 1), borderType=cv2.BORDER_REPLICATE)[0]
            on = np.flatnonzero((mostly >= 0.5) & seen)
            ends.append((int(on[0]), int(on[-1]) + 1) if len(on) else (0, len(seen)))
        middle = (len(ends) - 1) // 2
        left, right = sorted(a for a, _ in ends)[middle], sorted((b for _, b in ends), reverse=True)[middle]
        far = _RAGGED_SPACES * per_space
        return [
            (self.first + (left if a > left + far else a), self.first + (right if b < right - far else b))
            for a, b in ends
        ]


def measure(ink: InkMap) -> Field | None:
    """Measure a page for tracing; None where it shows no ruling or is too small for any."""
    if ink.spacing is None:
        return None
    space = ink.spacing.space_px * ink.scale
    line = max(1.0, ink.spacing.line_px * ink.scale)
    strip_px = max(2, round(space / _STRIPS_PER_SPACE))
    if ink.dark.shape[1] < strip_px * 12 or ink.dark.shape[0] < space * 2:
        return None
    every, colour = lines.both_ridges(ink.dark, ink.coloured, strip_px, line)
    total = lines.strip_means(np.asarray(cv2.add(ink.dark, ink.coloured), np.uint8), strip_px)
    painted = _painted(total, space, strip_px)
    every[painted] = 0.0
    colour[painted] = 0.0
    evidence = lines.evidence(every, colour)
    likeness = lines.coherence(evidence, _REACH_SPACES * space / strip_px)
    tint = lines.strip_means(lines.pure_colour(ink.dark, ink.coloured), strip_px)
    # Inked lines on photographed leaves reach a fifth of the strongest ink, scratched ones a twentieth.
    dry = float(np.clip(0.08 * np.percentile(total[::2], 99.5), 6.0, 14.0))
    sums = np.asarray(cv2.integral(total), dtype=np.float64)
    stroke = lines.stroke_height(ink.dark, strip_px, 2.0 * space)
    return Field(every, colour, evidence, likeness, total, tint, sums, strip_px, space, line, stroke, dry)


def _painted(total: F32, space: float, strip_px: int) -> Bool:
    """Places within or at the rim of painted blocks (initials, pictures, the ground beyond the leaf).

    Blocks are filled over more than a head's height and width; what looks like a line in them
    is a stroke of the painting.
    """
    side = (round(_BLOCK_SPACES * space) | 1, round(_BLOCK_SPACES * space / strip_px) | 1)
    filled = np.asarray(total > _PAINTED, dtype=np.uint8)
    core = cv2.erode(filled, np.ones(side[::-1], np.uint8), borderType=cv2.BORDER_CONSTANT, borderValue=1)
    rim = (side[1] + 2, side[0] + 2 * max(1, round(0.15 * space)))
    return np.asarray(cv2.dilate(core, np.ones(rim, np.uint8)) > 0)


def steadiness(field: Field, first: int, rows: Floats) -> Floats:
    """Weak against strong stretches of each line, 0..1: pen lines are even, text is not.

    The ratio of the lower to the upper quartile of the ridge along the line, stretches
    covered by notes or letters left out.
    """
    strips = np.arange(first, first + rows.shape[1])[None, :]
    height = field.every.shape[1]
    middle = np.clip(np.rint(rows).astype(int), 1, height - 2)
    at = middle[..., None] + np.arange(-1, 2)
    ridge = np.maximum(field.every, field.colour)[strips[..., None], at].max(axis=2)
    peak = field.ink_at(strips[0], middle - 1, middle + 2)
    half = max(2, round(0.3 * field.space))
    around = field.ink_at(strips[0], np.maximum(middle - half, 0), np.minimum(middle + half + 1, height))
    free = around < 0.7 * peak
    steady = np.zeros(len(rows))
    for k in range(len(rows)):
        if free[k].mean() >= 0.3:
            values = np.sort(ridge[k, free[k]])  # quartiles by rank; np.percentile is slow on few values
            steady[k] = values[len(values) // 4] / max(float(values[(3 * len(values)) // 4]), 1e-3)
    return steady


def levels(field: Field, first: int, rows: Floats) -> tuple[Floats, Floats]:
    """Middling strength of each line in all ink and in coloured ink, grey levels."""
    strips = np.arange(first, first + rows.shape[1])
    at = np.rint(rows).astype(int)[..., None] + np.arange(-1, 2)
    at = np.clip(at, 0, field.height - 1)
    every = field.every[strips[None, :, None], at].max(axis=2)
    colour = field.colour[strips[None, :, None], at].max(axis=2)
    return np.median(every, axis=1).astype(np.float64), np.median(colour, axis=1).astype(np.float64)


def pen_like(field: Field, first: int, rows: Floats, space: float, *, alone: bool = False) -> Floats:
    """How thin and even each line is; text is broad and patchy.

    Its steadiness, less a deduction for width beyond 0.2 staff spaces; may be negative.
    """
    width = widths(field, first, rows, space, alone=alone) / space
    thin = max(_THICK, _SHARPEST_PX / space)
    return steadiness(field, first, rows) - 3.0 * np.maximum(0.0, width - thin)


def is_drawn(field: Field, first: int, rows: Floats, space: float) -> bool:
    """Whether all lines, but for an outer one, are pen lines; very wide staves need surer proof.

    Lines much further apart than heads and letters are high are likelier lines of text. Lines
    hardly ever broken are believed even where dense notes blur their width.
    """
    wide = space > _WIDE * field.stroke > 0
    pen = pen_like(field, first, rows, space)
    inner = float(pen[1:-1].min()) if len(pen) > 2 else float(pen.mean())
    worst = float(np.sort(pen)[1]) if len(pen) > 2 else inner
    if not wide and len(pen) > 2 and float(np.median(pen)) >= 0.5 * STEADY:
        strips = np.arange(first, first + rows.shape[1])[None, :]
        at = np.clip(np.rint(rows).astype(int), 0, field.height - 1)
        if float(np.sort(field.likeness[strips, at].mean(axis=1))[1]) >= _UNBROKEN:
            return True
    return worst >= (_STEADY_WIDE if wide else STEADY) and inner >= 0.5 * STEADY


def widths(field: Field, first: int, rows: Floats, space: float, *, alone: bool = False) -> Floats:
    """Width in pixels of each line's ink, from the middling profile half a space either way.

    Of a coloured line only coloured ink counts. With `alone`, ink that rises again away
    from the line is left out: it is a neighbour's.
    """
    half = max(3, round(0.5 * space))
    strips = np.arange(first, first + rows.shape[1])
    at = np.rint(rows).astype(int)[..., None] + np.arange(-half, half + 1)
    beyond = (np.median(at, axis=1) < 0) | (np.median(at, axis=1) > field.height - 1)
    at = np.clip(at, 0, field.height - 1)
    every, colour = levels(field, first, rows)
    profile = np.empty((len(rows), 2 * half + 1))
    for k in range(len(rows)):
        channel = field.tint if colour[k] >= COLOURED * every[k] else field.total
        profile[k] = np.median(channel[strips[:, None], at[k]], axis=0)
    if alone:
        profile[:, half:] = np.minimum.accumulate(profile[:, half:], axis=1)
        profile[:, half::-1] = np.minimum.accumulate(profile[:, half::-1], axis=1)
    above = np.where(beyond, 0.0, profile - profile.min(axis=1, keepdims=True))
    summit = above[:, half - 1 : half + 2].max(axis=1)
    return np.asarray(above.sum(axis=1) / np.maximum(summit, 1e-3), dtype=np.float64)


def lit(clear: F32, rows: Floats, slack: float, first: int = 0) -> F32:
    """Best evidence within `slack` pixels of lines; rows are (n_lines, n_strips)."""
    half = max(1, round(slack))
    near = cv2.dilate(clear[first : first + rows.shape[1]], np.ones((1, 2 * half + 1), np.uint8))
    height = near.shape[1]
    at = np.rint(rows).astype(int)
    strips = np.arange(rows.shape[1])
    values = near[strips[None, :], np.clip(at, 0, height - 1)]
    return np.where((at >= 0) & (at < height), values, 0.0).astype(np.float32)


def hidden(field: Field, rows: Floats, first: int = 0) -> Bool:
    """Strips where enough ink stands in the staff to hide its lines."""
    height = field.every.shape[1]
    low = np.clip(np.rint(rows.min(axis=0)), 0, height - 1).astype(int)
    high = np.clip(np.rint(rows.max(axis=0)) + 1, 1, height).astype(int)
    return np.asarray(field.ink_at(np.arange(first, first + rows.shape[1]), low, high) > 0.12 * 255)


def contrast(clear: F32, rows: Floats, space: float, first: int = 0) -> Floats:
    """Share of lines seen less the share of places half way between seen, per strip.

    Near 1 on a bare staff, near 0 on parchment, in text and in pictures. Beside a lone line
    the places half a space above and below it count.
    """
    middles = (rows[1:] + rows[:-1]) / 2 if len(rows) > 1 else np.vstack([rows + space / 2, rows - space / 2])
    near = lit(clear, rows, 0.1 * space, first) > SEEN
    between = lit(clear, middles, 0.1 * space, first) > SEEN
    return np.asarray(near.mean(axis=0) - between.mean(axis=0), dtype=np.float64)


def taken(traces: list[Trace], first: int, rows: Floats, space: float) -> bool:
    """Whether lines would run within a staff already traced."""
    last = first + rows.shape[1]
    for trace in traces:
        low, high = max(first, trace.first), min(last, trace.last)
        if low >= high:
            continue
        ours = rows[:, low - first : high - first]
        theirs = trace.rows[:, low - trace.first : high - trace.first]
        shared = np.minimum(ours[0], theirs[0]) - np.maximum(ours[-1], theirs[-1])
        if (shared > -0.3 * space).mean() > 0.25:
            return True
    return False
