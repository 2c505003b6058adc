"""How a page looks, in numbers: colours, contrast, line thickness and the grain of its noise.

Meant for comparing rendered pages with photographs: every number is taken from the picture
and its staves alone, the same way for both.
"""

from __future__ import annotations

from dataclasses import dataclass, fields
from typing import Final

import numpy as np
import numpy.typing as npt

from neumary.types import U8, Page

F64 = npt.NDArray[np.float64]
_PATCH_PX: Final = 48
_N_PATCHES: Final = 24
_BAND: Final = (0.06, 0.4)  # cycles per px between which the noise spectrum is fitted


@dataclass(frozen=True, slots=True)
class Appearance:
    """Measures of one page; NaN where a page shows nothing to measure.

    Attributes
    ----------
    parchment_red, parchment_green, parchment_blue : float
        Median colour between the staff lines, 0..255.
    ink_red, ink_green, ink_blue : float
        Median colour of what is darker than 0.55 of the parchment there.
    ink_density : float
        10th percentile of that ink's brightness as a share of the parchment's.
    line_contrast : float
        Median depth of a staff line in green light as a share of the parchment.
    line_thickness : float
        Median equivalent width of a line (its darkness summed over rows, divided by its depth),
        as a share of the staff space.
    space_share : float
        Staff space as a share of the page's height.
    noise : float
        Standard deviation of the barest patches, grey levels.
    noise_slope : float
        Slope of their noise's power over frequency, both logarithmic (0 white, -2 brown).
    """

    parchment_red: float
    parchment_green: float
    parchment_blue: float
    ink_red: float
    ink_green: float
    ink_blue: float
    ink_density: float
    line_contrast: float
    line_thickness: float
    space_share: float
    noise: float
    noise_slope: float


def measure_appearance(rgb: U8, page: Page) -> Appearance | None:
    """Measure a page.

    Parameters
    ----------
    rgb : ndarray of uint8, shape (H, W, 3)
    page : Page
        Its staves say where to look.

    Returns
    -------
    Appearance or None
        None for a page without staff lines.
    """
    staves = [staff for staff in page.staves if len(staff.lines) > 1]
    if not staves:
        return None
    pixels, depths, widths = [], [], []
    for staff in staves:
        left, right = max(x.cols[0] for x in staff.lines), min(x.cols[-1] for x in staff.lines)
        top, bottom = staff.lines[-1].row_at((left + right) / 2), staff.lines[0].row_at((left + right) / 2)
        part = rgb[max(int(top), 0) : int(bottom) + 1, max(int(left), 0) : int(right) + 1]
        pixels.append(part.reshape(-1, 3)[::3])
        for line in staff.lines:
            at = np.arange(max(left, 0), min(right, rgb.shape[1] - 1), max(staff.space_px / 4, 2.0))
            rows = np.interp(at, line.cols, line.rows)
            depth, width = _profile(rgb, at, rows, staff.space_px)
            depths.append(depth)
            widths.append(width / staff.space_px)
    seen = np.concatenate(pixels).astype(np.float64)
    light = seen.mean(axis=1)
    bare = seen[light > np.percentile(light, 50)]
    paper = np.median(bare, axis=0)
    dark = seen[light < 0.55 * paper.mean()]
    ink = np.median(dark, axis=0) if len(dark) > 200 else np.full(3, np.nan)
    density = float(np.percentile(dark.mean(axis=1), 10) / paper.mean()) if len(dark) > 200 else np.nan
    depth, width = np.concatenate(depths), np.concatenate(widths)
    clear = depth > 0.04
    noise, slope = _noise(rgb, staves[0].space_px)
    space = float(np.median([staff.space_px for staff in staves]))
    red, green, blue = (float(v) for v in paper)
    dark_red, dark_green, dark_blue = (float(v) for v in ink)
    return Appearance(
        red, green, blue, dark_red, dark_green, dark_blue, density,
        float(np.median(depth[clear])) if clear.any() else np.nan,
        float(np.median(width[clear])) if clear.any() else np.nan,
        space / rgb.shape[0], noise, slope,
    )  # fmt: skip


def _profile(rgb: U8, cols: F64, rows: F64, space: float) -> tuple[F64, F64]:
    """Depth (share of the parchment) and equivalent width (px) of a line where no sign covers it."""
    reach = max(int(0.35 * space), 3)
    near = np.round(rows).astype(int)[:, None] + np.arange(-reach, reach + 1)[None, :]
    kept = (near.min(axis=1) >= 0) & (near.max(axis=1) < rgb.shape[0])
    near, at = near[kept], np.round(cols).astype(int)[kept]
    if not len(at):
        return np.zeros(0), np.zeros(0)
    cut = rgb[near, at[:, None], 1].astype(np.float64)
    paper = np.percentile(cut, 80, axis=1)
    middle = slice(reach - max(reach // 3, 1), reach + max(reach // 3, 1) + 1)
    depth = paper - cut[:, middle].min(axis=1)
    ends = np.minimum(cut[:, :2].mean(axis=1), cut[:, -2:].mean(axis=1))
    clear = (ends > 0.85 * paper) & (depth > 1)
    width = np.clip(paper[:, None] - cut, 0, None).sum(axis=1) / np.maximum(depth, 1)
    return (depth / np.maximum(paper, 1))[clear], width[clear]


def _noise(rgb: U8, space: float) -> tuple[float, float]:
    """Size and spectral slope of the noise in the barest patches of a picture."""
    grey = rgb.mean(axis=2)
    size = _PATCH_PX
    patches = [
        grey[r : r + size, c : c + size]
        for r in range(0, grey.shape[0] - size, size)
        for c in range(0, grey.shape[1] - size, size)
    ]
    bare = [p for p in patches if 90 < p.mean() < 250]
    if len(bare) < 4:
        return np.nan, np.nan
    bare = sorted(bare, key=lambda p: float(p.std()))[len(bare) // 50 :][:_N_PATCHES]
    window = np.hanning(size)[:, None] * np.hanning(size)[None, :]
    t = np.linspace(-1, 1, size)
    plane = np.stack([np.ones(size * size), np.repeat(t, size), np.tile(t, size)], axis=1)
    power, deviation = np.zeros((size, size)), []
    for patch in bare:
        fit = plane @ np.linalg.lstsq(plane, patch.ravel(), rcond=None)[0]
        rest = patch - fit.reshape(size, size)
        deviation.append(rest.std())
        power += np.abs(np.fft.fft2(rest * window)) ** 2
    f = np.hypot(*np.meshgrid(np.fft.fftfreq(size), np.fft.fftfreq(size), indexing="ij"))
    inside = (f >= _BAND[0]) & (f <= _BAND[1])
    slope = np.polyfit(np.log(f[inside]), np.log(power[inside] + 1e-9), 1)[0]
    return float(np.median(deviation)), float(slope)


def spread(pages: list[Appearance]) -> dict[str, tuple[float, float, float, float, float]]:
    """Least value, 10th percentile, median, 90th percentile and greatest value of each measure."""
    out = {}
    for name in (f.name for f in fields(Appearance)):
        values = np.array([getattr(p, name) for p in pages])
        values = values[np.isfinite(values)]
        low, p10, middle, p90, high = np.percentile(values, [0, 10, 50, 90, 100])
        out[name] = (float(low), float(p10), float(middle), float(p90), float(high))
    return out
