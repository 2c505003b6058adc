"""A staff in original pixels: its lines as polylines, their colour and thickness, its area."""

from __future__ import annotations

from typing import Final

import numpy as np

from neumary.lines import Floats
from neumary.staff_lines import Course, ends
from neumary.types import Box, InkMap, LineColour, Staff, StaffLine

_SAMPLES: Final = 60  # places at which a line's colour and thickness are taken


def build(ink: InkMap, course: Course, column: int, i: int) -> Staff:
    """The staff in original pixels; its area is set later."""
    spans = ends(course, height=ink.flat.shape[0])
    return Staff(
        id=f"s{i + 1:02d}",
        column=column,
        lines=tuple(_build_line(ink, course, k, *span) for k, span in enumerate(spans)),
        space_px=course.space / ink.scale,
        area=Box(0, 0, 0, 0),
    )


def _build_line(ink: InkMap, course: Course, k: int, low: int, high: int) -> StaffLine:
    high = max(high, low + 2)
    low = min(low, len(course.cols) - 2)
    cols, rows = course.cols[low:high], course.rows[k, low:high]
    grid = np.arange(0, len(cols), max(1, round(course.per_space)))
    grid = np.unique(np.append(grid, len(cols) - 1))
    colour, thickness = line_look(ink, cols, rows, course.space)
    return StaffLine(
        cols=tuple(round(float(c), 2) for c in (cols[grid] + 0.5) / ink.scale - 0.5),
        rows=tuple(round(float(r), 2) for r in (rows[grid] + 0.5) / ink.scale - 0.5),
        thickness_px=round(thickness / ink.scale, 2),
        colour=colour,
        seen=round(float(course.seen[k, low:high].mean()), 4),
    )


def line_look(ink: InkMap, cols: Floats, rows: Floats, space: float) -> tuple[LineColour, float]:
    """Colour and thickness (working pixels) of a line, from where it is clearest."""
    height, width = ink.dark.shape
    every = max(1, len(cols) // _SAMPLES)
    cols, rows = cols[::every], rows[::every]
    half = max(2, round(0.4 * space))
    at = np.clip(np.rint(rows).astype(int)[:, None] + np.arange(-half, half + 1), 0, height - 1)
    on = np.clip(np.rint(cols).astype(int), 0, width - 1)[:, None]
    profile = 255.0 - ink.flat[at, on].min(axis=2)
    base = np.percentile(profile, 20, axis=1)
    core = profile[:, half - 1 : half + 2].max(axis=1)
    contrast = core - base
    good = contrast >= max(8.0, float(np.median(contrast)) * 0.7)
    good &= base < 0.5 * core
    if not good.any():
        good = np.ones(len(contrast), dtype=bool)
    share = np.clip((profile - base[:, None]) / np.maximum(contrast, 1.0)[:, None], 0.0, 1.0)
    thickness = float(np.median((share[good] >= 0.5).sum(axis=1)))
    darkest = half - 1 + profile[:, half - 1 : half + 2].argmax(axis=1)
    pixels = ink.flat[at[np.arange(len(at)), darkest], on[:, 0]][good].astype(float)
    return _colour(np.median(pixels, axis=0)), max(1.0, thickness)


def _colour(rgb: Floats) -> LineColour:
    """Name of an ink colour on white ground; bounds from common practice, no source."""
    ink = 255.0 - rgb
    strength = float(ink.max())
    if strength <= 0:
        return "grey"
    chroma = (float(rgb.max()) - float(rgb.min())) / strength
    red, _, blue = rgb
    if chroma < 0.25:
        return "black" if strength > 130 else "grey"
    if blue >= red:
        return "blue"
    if ink[1] < 0.55 * ink[2]:
        return "yellow"
    if ink[0] < 0.45 * ink[1] and ink[1] > 0.7 * ink[2]:
        return "red"
    return "brown"


def with_area(staff: Staff, staves: list[Staff], height: float, width: float) -> Staff:
    """Set the area: 3 spaces up and down or half way to the neighbour, 2.5 to the sides."""
    space = staff.space_px
    left = min(line.cols[0] for line in staff.lines)
    right = max(line.cols[-1] for line in staff.lines)
    top = min(min(line.rows) for line in staff.lines)
    bottom = max(max(line.rows) for line in staff.lines)
    above, below, before, after = 3.0 * space, 3.0 * space, 2.5 * space, 2.5 * space
    for other in staves:
        if other is staff:
            continue
        l2 = min(line.cols[0] for line in other.lines)
        r2 = max(line.cols[-1] for line in other.lines)
        t2 = min(min(line.rows) for line in other.lines)
        b2 = max(max(line.rows) for line in other.lines)
        if min(right, r2) - max(left, l2) > 0:
            if b2 <= top:
                above = min(above, (top - b2) / 2)
            if t2 >= bottom:
                below = min(below, (t2 - bottom) / 2)
        elif min(bottom, b2) - max(top, t2) > 0:
            if r2 <= left:
                before = min(before, (left - r2) / 2)
            if l2 >= right:
                after = min(after, (l2 - right) / 2)
    area = Box(
        max(0, int(top - above)),
        max(0, int(left - before)),
        min(int(height), int(np.ceil(bottom + below)) + 1),
        min(int(width), int(np.ceil(right + after)) + 1),
    )
    return Staff(id=staff.id, column=staff.column, lines=staff.lines, space_px=staff.space_px, area=area)
