"""Staff lines: where they run, and how they are drawn."""

from __future__ import annotations

from typing import Final

import numpy as np
import numpy.typing as npt

from neumary.types import Box, Staff, StaffLine
from neumary_synth.pen import fill
from neumary_synth.plan import StaffSlot, Style
from neumary_synth.sheets import FlatLine, FlatPage, Rgb, Sheet

_RIM_PX: Final = 0.65
"""What OpenCV's smoothed edge adds on either side of a filled outline (measured)."""
_FAINT: Final = 80  # coverage of 255

F64 = npt.NDArray[np.float64]


def wave(rng: np.random.Generator, n: int, size: float) -> F64:
    """A smooth random curve of n knots with about the given standard deviation."""
    rough = rng.normal(0, 1, max(n // 4, 3) + 1)
    curve = np.interp(np.linspace(0, len(rough) - 1, n), np.arange(len(rough)), rough)
    smooth = np.convolve(np.pad(curve, 2, mode="edge"), np.ones(5) / 5, mode="valid")
    return np.asarray(smooth[:n] * size)


def run_lines(
    rng: np.random.Generator, style: Style, slot: StaffSlot, right: float, space_px: float
) -> tuple[FlatLine, ...]:
    """Lay the lines of a staff, bottom first: unequal spaces, waves, ragged ends."""
    s = space_px
    n = max(int((right - slot.left) / s), 4)
    shared = wave(rng, n + 5, style.line_wave * s)
    tilt = rng.normal(0, 0.0012)
    rows = [slot.row]
    for _ in range(style.n_lines - 1):
        rows.append(rows[-1] - s * float(np.clip(rng.normal(1, style.gap_spread), 0.84, 1.16)))
    lines = []
    for row, colour in zip(rows, style.line_colours, strict=True):
        start = slot.left - rng.uniform(-0.1, 0.4) * style.ragged * s
        end = max(right + rng.uniform(-0.7, 0.8) * style.ragged * s, start + 3 * s)
        cols = np.linspace(start, end, max(int((end - start) / s), 3) + 1)
        bent = np.interp(cols, np.linspace(slot.left - 2 * s, right + 2 * s, len(shared)), shared)
        at = row + bent + wave(rng, len(cols), style.line_wobble * s) + tilt * (cols - slot.left)
        thick = max(style.line_thickness * s * rng.uniform(0.85, 1.15), 0.9)
        lines.append(FlatLine(tuple(map(float, cols)), tuple(map(float, at)), thick, colour))
    return tuple(lines)


def grid_of(lines: tuple[FlatLine, ...], space_px: float) -> Staff:
    """The lines as a `Staff` on the flat page, for its `row_of`."""
    bent = tuple(
        StaffLine(cols=x.cols, rows=x.rows, thickness_px=x.thickness_px, colour="red", seen=1.0)
        for x in lines
    )
    return Staff(id="flat", column=0, lines=bent, space_px=space_px, area=Box(0, 0, 1, 1))


def draw_line(
    sheet: Sheet,
    line: FlatLine,
    rng: np.random.Generator,
    space_px: float,
    style: Style,
    strength: float = 1.0,
) -> None:
    """Draw a ruled line: uneven thickness, breaks, ink running dry and taken up again.

    `strength` makes it paler (below 1) than the style's other lines.
    """
    cols = np.arange(line.cols[0], line.cols[-1] + 1, max(space_px / 3, 3.0))
    cols[-1] = line.cols[-1]
    rows = np.interp(cols, line.cols, line.rows)
    half = line.thickness_px / 2 * (1 + wave(rng, len(cols), 0.2) + rng.normal(0, 0.1, len(cols)))
    half = np.clip(half, 0.32 * line.thickness_px, line.thickness_px)
    half[:2] *= rng.uniform(0.9, 1.6)  # the pen is set down full
    inner = np.clip(half - _RIM_PX, 0, None)
    coverage = round(255 * min(1.0, line.thickness_px / (2 * _RIM_PX)))
    start, last = 0, len(cols)
    if rng.random() < style.habits.vanishing:  # rubbed or trimmed away towards an end
        lost = int(rng.uniform(0.02, 0.2) * len(cols))
        start, last = (lost, last) if rng.random() < 0.3 else (0, last - lost)
    while start < last - 2:
        stop = last
        if rng.random() < style.line_gaps:
            stop = int(rng.integers(start + 2, last + 1))
        part = slice(start, stop)
        upper, lower = (np.stack([rows + d * inner, cols], 1)[part] for d in (-1, 1))
        fill(sheet.mask, np.concatenate([upper, lower[::-1]]), coverage)
        start = stop + int(rng.integers(1, 6))
    density = np.clip(1 + wave(rng, len(cols), 0.16), 0.45, 1.15) * style.line_strength * strength
    if rng.random() < 0.1:  # the ink runs out towards the end
        density *= np.linspace(1, rng.uniform(0.35, 0.8), len(cols))
    if rng.random() < style.habits.vanishing and len(cols) > 12:  # a stretch gone pale
        a = int(rng.integers(0, len(cols) - 8))
        density[a : a + int(rng.integers(5, len(cols)))] *= rng.uniform(0.2, 0.6)
    for i in range(0, len(cols) - 3, 3):
        sheet.flow.append((rows[i] - 4, cols[i], rows[i] + 4, cols[i + 3], float(density[i])))


def draw_dry_line(page: FlatPage, line: FlatLine, ink: Rgb, strength: int) -> None:
    """Draw a line scratched with a dry point: nearly invisible, and no staff line to count by."""
    cols, rows = np.array(line.cols), np.array(line.rows)
    half = 0.35 * line.thickness_px
    outline = np.concatenate([np.stack([rows - half, cols], 1), np.stack([rows + half, cols], 1)[::-1]])
    fill(page.sheet("decoration", ink).mask, outline, strength)


def draw_lead_lines(
    page: FlatPage, lines: tuple[FlatLine, ...], rng: np.random.Generator, space_px: float
) -> None:
    """Draw brown or lead ruling that runs along a staff but is no line of it, in place."""
    ink: Rgb = (150, 126, 96) if rng.random() < 0.6 else (150, 146, 142)
    sheet = page.sheet("decoration", ink)
    offsets = [rng.uniform(0.25, 0.75), rng.uniform(0.7, 2.0), -rng.uniform(0.6, 1.2)]
    for off in offsets[: int(rng.integers(1, 4))]:
        line = lines[0] if off > 0 else lines[-1]
        if rng.random() < 0.4:
            line = lines[int(rng.integers(len(lines)))]
        cols, rows = np.array(line.cols), np.array(line.rows) + off * space_px
        half = max(rng.uniform(0.012, 0.03) * space_px, 0.4)
        cols[0], cols[-1] = cols[0] - rng.uniform(0, 3) * space_px, cols[-1] + rng.uniform(0, 3) * space_px
        outline = np.concatenate([np.stack([rows - half, cols], 1), np.stack([rows + half, cols], 1)[::-1]])
        strength = int(rng.uniform(50, 190))
        # Beside lines of a like colour only a much fainter one can be told from a staff line.
        fill(sheet.mask, outline, min(strength, _FAINT) if line.colour in ("brown", "grey") else strength)
