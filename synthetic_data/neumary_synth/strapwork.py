"""Strapwork capitals: toothed and bulging stems, doubled lines, red strokes between them."""

from __future__ import annotations

from itertools import pairwise
from typing import Final

import numpy as np
import numpy.typing as npt

from neumary_synth.paints import BoxPx, ink_sheet, page_inks, thin, vine
from neumary_synth.pen import fill
from neumary_synth.sheets import FlatPage, Rgb, Sheet
from neumary_synth.versals import Path, swell, versal_paths

_DIAGONAL: Final[dict[str, tuple[Path, ...]]] = {
    "A": (np.array([(1.0, 0.02), (0.0, 0.5)]), np.array([(0.0, 0.5), (1.0, 0.95)])),
    "V": (np.array([(0.0, 0.05), (0.12, 0.2), (1.0, 0.6)]), np.array([(0.15, 0.85), (1.0, 0.6)])),
    "N": (np.array([(0.0, 0.1), (1.0, 0.1)]), np.array([(0.0, 0.1), (0.95, 0.85)]),
          np.array([(0.0, 0.88), (1.0, 0.88)])),
    "M": (np.array([(0.0, 0.08), (1.0, 0.08)]), np.array([(0.02, 0.08), (0.6, 0.5)]),
          np.array([(0.6, 0.5), (0.0, 0.92)]), np.array([(0.0, 0.92), (1.0, 0.92)])),
    "X": (np.array([(0.0, 0.1), (1.0, 0.9)]), np.array([(0.0, 0.85), (1.0, 0.08)])),
    "R": (np.array([(0.0, 0.15), (1.0, 0.12)]), np.array([(0.0, 0.15), (0.1, 0.75), (0.45, 0.7), (0.5, 0.2)]),
          np.array([(0.45, 0.3), (1.0, 0.95)])),
    "K": (np.array([(0.0, 0.15), (1.0, 0.15)]), np.array([(0.05, 0.85), (0.5, 0.2)]),
          np.array([(0.45, 0.25), (1.0, 0.95)])),
    "I": (np.array([(0.0, 0.6), (0.85, 0.5), (1.0, 0.1)]),),
    "S": (np.array([(0.05, 0.9), (0.0, 0.4), (0.3, 0.1), (0.65, 0.85), (1.0, 0.6), (0.95, 0.05)]),),
    "C": (np.array([(0.12, 0.0), (0.0, 0.18), (0.05, 0.45), (0.35, 0.75), (1.0, 0.95)]),
          np.array([(0.6, 0.3), (1.0, 0.5)])),
    "J": (np.array([(0.0, 0.75), (0.1, 0.95), (0.45, 0.85), (0.8, 0.5), (1.0, 0.05)]),),
    "L": (np.array([(0.0, 0.35), (0.9, 0.2), (0.95, 0.9)]),),
    "P": (np.array([(0.0, 0.2), (1.15, 0.15)]), np.array([(0.05, 0.2), (0.0, 0.8), (0.4, 0.85), (0.5, 0.2)])),
}  # fmt: skip
"""Strokes in a unit box, the main one first; the box's letters are those with slanting strokes."""


def _dense(path: Path, n: int = 28) -> Path:
    reach = np.concatenate([[0.0], np.cumsum(np.hypot(*np.diff(path, axis=0).T))])
    at = np.linspace(0, reach[-1], n)
    made = np.stack([np.interp(at, reach, path[:, k]) for k in (0, 1)], axis=1)
    if len(path) > 2:  # round the bends
        for _ in range(2):
            made[1:-1] = (made[:-2] + 2 * made[1:-1] + made[2:]) / 4
    return np.asarray(made)


def _normal(path: Path) -> npt.NDArray[np.float64]:
    along = np.gradient(path, axis=0)
    along /= np.maximum(np.hypot(along[:, 0], along[:, 1]), 1e-6)[:, None]
    side = np.stack([-along[:, 1], along[:, 0]], axis=1)
    return side if side[:, 1].mean() < 0 else -side  # to the left


def draw_cadel(page: FlatPage, rng: np.random.Generator, box: BoxPx, space_px: float, ink: Rgb) -> None:
    """Draw a strapwork capital, in place.

    The main stem is thick, bulging, toothed down its left side, with a red line in or beside it;
    the other strokes are like it, doubled thin lines, or hairlines.

    Parameters
    ----------
    page : FlatPage
    rng : numpy Generator
    box : tuple of float
        top, left, bottom, right, px.
    space_px : float
        Staff space.
    ink : tuple of int
        RGB of its dark strokes.
    """
    top, left, bottom, right = box
    s, size = space_px, np.array([bottom - top, right - left])
    sheet = page.sheet("decoration", ink)
    red = ink_sheet(page, rng, "decoration", page_inks(page, rng)["red"])
    if rng.random() < 0.7:
        strokes = [_dense(p) for p in _DIAGONAL[str(rng.choice([*_DIAGONAL, *"CJ"]))]]
    else:
        letter = str(rng.choice(list("BCDEFGHOQTU")))
        strokes = [_dense(p) for form, p in versal_paths(letter) if form != "hair"]
    half = float(rng.uniform(0.07, 0.3)) * s
    hair = max(float(rng.uniform(0.03, 0.07)) * s, 0.6)
    toothed, touched = rng.random() < 0.7, rng.random() < 0.85
    for i, unit in enumerate(strokes):
        path = unit * size + (top, left)
        if i == 0 or rng.random() < 0.3:
            _stem(sheet, red if touched else None, rng, path, half, hair, s, toothed)
        elif rng.random() < 0.6:
            gap = float(rng.uniform(0.06, 0.2)) * s
            for side in (-gap, gap):
                swell(sheet.mask, path + side * _normal(path), hair * rng.uniform(0.6, 1.6))
            if touched and rng.random() < 0.5:
                swell(red.mask, path, hair * rng.uniform(0.5, 1.2))
        else:
            t = np.linspace(-1, 1, len(path))
            swell(sheet.mask, path, half * rng.uniform(0.3, 0.8) * (1 - 0.6 * t**2) + hair / 2)
    if rng.random() < 0.5:
        roof = np.array([[top, left], [top - 0.35 * s, left + 0.4 * size[1]], [top + 0.1 * s, right]])
        swell(sheet.mask, _dense(roof, 12), hair * 1.4)
    for _ in range(int(rng.integers(0, 3))):
        at = strokes[0][-1 if rng.random() < 0.6 else 0] * size + (top, left)
        thin(sheet, vine(rng, at[0], at[1], rng.uniform(0.6, 2.5) * s, rng.uniform(60, 200)), hair)


def _stem(
    sheet: Sheet,
    red: Sheet | None,
    rng: np.random.Generator,
    path: Path,
    half: float,
    hair: float,
    s: float,
    toothed: bool,
) -> None:
    t = np.linspace(0, 1, len(path))
    bulge = 0.75 + 0.35 * np.sin(np.pi * t * rng.uniform(0.8, 3.2) + rng.uniform(0, 3)) ** 2
    if rng.random() < 0.4:  # from a hairline on
        bulge *= np.clip(t / rng.uniform(0.2, 0.6), 0.12, 1.0)
    left = _normal(path)
    if half > 0.12 * s and rng.random() < 0.35:  # hollow, with two rims
        for side in (-1.0, 1.0):
            swell(sheet.mask, path + side * left * (half * bulge)[:, None], hair * 1.3)
        swell(sheet.mask, path, half * bulge, int(rng.uniform(30, 110)))
    else:
        swell(sheet.mask, path, half * bulge)
    if toothed:
        _teeth(sheet, rng, path + left * (0.8 * half * bulge)[:, None], left, s)
    if red is not None:
        beside = path - left * ((half + rng.uniform(-1.2 * half, 0.14 * s)) * np.ones_like(bulge))[:, None]
        if half > 0.12 * s and rng.random() < 0.5:  # a bare channel for the red line
            swell(sheet.mask, beside, 1.6 * hair, 0)
        swell(red.mask, beside, rng.uniform(0.025, 0.09) * s)


def _teeth(sheet: Sheet, rng: np.random.Generator, edge: Path, out: Path, s: float) -> None:
    """Saw teeth or bulges along the left of a stem."""
    length = float(np.hypot(*np.diff(edge, axis=0).T).sum())
    n = max(int(length / (rng.uniform(0.25, 0.55) * s)), 2)
    depth, lean, round_ones = rng.uniform(0.1, 0.3) * s, rng.uniform(0.2, 0.8), rng.random() < 0.3
    at = np.linspace(0.04, 0.96, n + 1) * (len(edge) - 1)
    steps = np.arange(len(edge))

    def point(k: float, away: float) -> list[float]:
        return [float(np.interp(k, steps, edge[:, i] + away * out[:, i])) for i in (0, 1)]

    for a, following in pairwise(at):
        b = a + 0.85 * (following - a)
        tips = [(0.25, 0.8), (0.5, 1.0), (0.75, 0.8)] if round_ones else [(lean, 1.0)]
        corners = [point(a, 0.0), *(point(a + k * (b - a), d * depth) for k, d in tips), point(b, 0.0)]
        fill(sheet.mask, np.array(corners))
