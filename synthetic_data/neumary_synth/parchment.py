"""The leaf under the ink and what lies around it."""

from __future__ import annotations

import cv2
import numpy as np

from neumary_synth.ageing import Ageing
from neumary_synth.pen import fill
from neumary_synth.sheets import F32, U8, as_u8

_SMALL = 4  # slow patterns are computed at a quarter of the size
_CHANNEL_SPREAD = np.array([0.8, 0.92, 1.3], np.float32)  # blue varies most (measured on leaves)


def field(rng: np.random.Generator, shape: tuple[int, int], cell_px: float) -> F32:
    """Smooth noise of mean 0 and standard deviation about 1 at a given grain.

    Parameters
    ----------
    rng : numpy Generator
    shape : tuple of int
        Rows and columns wanted.
    cell_px : float
        Distance of its independent knots.

    Returns
    -------
    ndarray of float32, shape `shape`
    """
    rows, cols = max(int(shape[0] / cell_px), 1) + 3, max(int(shape[1] / cell_px), 1) + 3
    rough = rng.standard_normal((rows, cols), dtype=np.float32)
    smooth = cv2.resize(rough, (shape[1], shape[0]), interpolation=cv2.INTER_CUBIC)
    return np.asarray(smooth * 1.25, dtype=np.float32)


def draw_parchment(
    rng: np.random.Generator,
    shape: tuple[int, int],
    leaf: tuple[float, float, float, float],
    space_px: float,
    ageing: Ageing,
) -> U8:
    """Draw a bare leaf with its patches, grain, follicles, dark edges and stains.

    Parameters
    ----------
    rng : numpy Generator
    shape : tuple of int
        Rows and columns of the canvas.
    leaf : tuple of float
        Edges of the leaf: top, left, bottom, right px.
    space_px : float
        Staff space, the unit of all sizes.
    ageing : Ageing

    Returns
    -------
    ndarray of uint8, shape (rows, cols, 3)
        RGB.
    """
    height, width = shape
    small = (max(height // _SMALL, 2), max(width // _SMALL, 2))
    s = space_px / _SMALL
    slow = np.zeros((*small, 3), np.float32)
    if ageing.mottle:
        for cell, share in ((1.6, 0.35), (5.0, 0.6), (17.0, 0.8)):
            slow += (share * ageing.mottle * field(rng, small, cell * s))[..., None] * _CHANNEL_SPREAD
        slow += (0.4 * ageing.mottle * field(rng, small, 9 * s))[..., None] * np.array(
            [0.6, 0, -0.8], np.float32
        )
    tone = np.array(ageing.parchment, np.float32) + slow
    if ageing.edge_dark:
        tone *= _edge_shade(rng, small, leaf, s, ageing.edge_dark)
    for _ in range(ageing.stains):
        _stain(rng, tone, s)
    small_page = np.clip(tone, 0, 255).astype(np.uint8)
    page = as_u8(cv2.resize(small_page, (width, height), interpolation=cv2.INTER_LINEAR))
    if ageing.follicles:
        _follicles(rng, page, space_px, ageing.follicles)
    if ageing.grain:
        page = add_grain(rng, page, ageing.grain)
    return page


def add_grain(rng: np.random.Generator, page: U8, size: float) -> U8:
    """Add fine texture: noise of two pixels' grain, the same in all channels."""
    half = (page.shape[0] // 2 + 1, page.shape[1] // 2 + 1)
    rough = rng.standard_normal(half, dtype=np.float32) * (size * 1.5)
    fine = cv2.resize(rough, (page.shape[1], page.shape[0]), interpolation=cv2.INTER_LINEAR)
    grain = np.round(fine).astype(np.int16)
    return np.asarray(cv2.add(page, cv2.merge([grain, grain, grain]), dtype=cv2.CV_8U))


def _edge_shade(
    rng: np.random.Generator,
    small: tuple[int, int],
    leaf: tuple[float, float, float, float],
    s: float,
    dark: float,
) -> F32:
    rows, cols = np.arange(small[0], dtype=np.float32), np.arange(small[1], dtype=np.float32)
    top, left, bottom, right = (edge / _SMALL for edge in leaf)
    near_row = np.minimum(rows - top, bottom - rows)[:, None]
    near_col = np.minimum(cols - left, right - cols)[None, :]
    near = (
        np.minimum(near_row, near_col)
        + field(rng, small, 5 * s) * 0.6 * s
        + field(rng, small, 1.5 * s) * 0.3 * s
    )
    shade = dark * (
        np.exp(-np.clip(near, 0, None) / (0.7 * s)) + 0.5 * np.exp(-np.clip(near, 0, None) / (4 * s))
    )
    return np.asarray(1 - shade[..., None] * np.array([0.4, 0.5, 0.65], np.float32), dtype=np.float32)


def _stain(rng: np.random.Generator, tone: F32, s: float) -> None:
    """Damp rings, brown drops, greasy patches, in place."""
    rows, cols = tone.shape[:2]
    row, col = rng.uniform(0, rows), rng.uniform(0, cols)
    sizes = (rng.uniform(0.2, 0.8), rng.uniform(0.5, 3.0), rng.uniform(2, 6), rng.uniform(5, 16))
    radius = float(rng.choice(sizes, p=[0.25, 0.4, 0.2, 0.15])) * s
    reach = int(radius * 1.8) + 2
    r0, r1, c0, c1 = max(int(row) - reach, 0), int(row) + reach, max(int(col) - reach, 0), int(col) + reach
    part = tone[r0:r1, c0:c1]
    if part.size == 0:
        return
    rr, cc = np.mgrid[r0 : r0 + part.shape[0], c0 : c0 + part.shape[1]].astype(np.float32)
    away = np.hypot((rr - row) * rng.uniform(0.7, 1.4), cc - col) / radius
    away += 0.18 * field(rng, part.shape[:2], max(radius * 0.5, 2))
    soft = rng.uniform(0.05, 0.4)
    body = 1 / (1 + np.exp(np.clip((away - 1) / soft * 4, -30, 30)))
    ring = np.exp(-(((away - 0.95) / 0.09) ** 2)) * rng.choice([0.0, rng.uniform(0.3, 1.0)])
    strength = rng.uniform(0.03, 0.55 if radius < s else 0.4 if radius < 3 * s else 0.22)
    colour = np.array([rng.uniform(0.2, 0.6), rng.uniform(0.5, 0.9), 1.1], np.float32)
    if rng.random() < 0.3:  # grime: grey, and cloudy rather than round
        colour = np.array([0.95, 0.97, 1.0], np.float32) * rng.uniform(0.7, 1.0)
        body *= np.clip(0.5 + 0.6 * field(rng, part.shape[:2], max(0.45 * s, 1.0)), 0, 1.3)
    part *= 1 - strength * np.clip(0.7 * body + ring, 0, 1)[..., None] * colour


def _follicles(rng: np.random.Generator, page: U8, space_px: float, share: float) -> None:
    """Groups of small dots left by the hair, in place."""
    height, width = page.shape[:2]
    n = int(share * height * width / (space_px**2) * 1.2)
    where = field(rng, (height // 8 + 1, width // 8 + 1), space_px)
    rows, cols = rng.uniform(0, height, n), rng.uniform(0, width, n)
    for row, col in zip(rows, cols, strict=True):
        if where[int(row) // 8, int(col) // 8] < 0.7:
            continue
        r, c = int(row), int(col)
        patch = page[r : r + max(int(space_px * 0.07), 1), c : c + max(int(space_px * 0.07), 1)]
        patch[:] = (patch * 0.86).astype(np.uint8)


def leaf_mask(
    rng: np.random.Generator, shape: tuple[int, int], leaf: tuple[float, float, float, float], space_px: float
) -> U8:
    """Coverage of the leaf on the canvas, with edges not quite straight."""
    mask = np.zeros(shape, np.uint8)
    top, left, bottom, right = leaf
    n = 16
    wob = rng.normal(0, 0.06, (4, n)).cumsum(axis=1) * space_px
    wob -= np.linspace(0, 1, n) * wob[:, -1:]
    t = np.linspace(0, 1, n)
    sides = [
        np.stack([top + wob[0], left + t * (right - left)], 1),
        np.stack([top + t * (bottom - top), right + wob[1]], 1),
        np.stack([bottom + wob[2], right - t * (right - left)], 1),
        np.stack([bottom - t * (bottom - top), left + wob[3]], 1),
    ]
    fill(mask, np.concatenate(sides))
    return mask


def draw_surroundings(
    rng: np.random.Generator,
    shape: tuple[int, int],
    leaf: tuple[float, float, float, float],
    space_px: float,
    ageing: Ageing,
) -> U8:
    """Draw what is photographed around the leaf: background, opposite page, block, chart."""
    height, width = shape
    s = space_px
    around = np.empty((height, width, 3), np.uint8)
    around[:] = ageing.background
    top, left, bottom, right = (int(edge) for edge in leaf)
    tone = np.array(ageing.parchment, np.float32)
    outer = -ageing.gutter
    if ageing.opposite and ageing.gutter:
        start, stop = (0, left) if ageing.gutter < 0 else (right, width)
        if stop - start > 2:
            away = np.linspace(0, 1, stop - start, dtype=np.float32)
            away = away[::-1] if ageing.gutter < 0 else away
            fall = 0.45 + 0.5 * np.clip(away * 3, 0, 1)
            strip = np.repeat((tone * fall[:, None])[None], bottom - top, axis=0)
            around[top:bottom, start:stop] = np.clip(strip + rng.normal(0, 3), 0, 255)
            for row in np.arange(top + 3 * s, bottom - s, s * rng.uniform(1.0, 1.5)):
                if rng.random() < 0.7:
                    cv2.line(
                        around,
                        (start, int(row)),
                        (stop, int(row)),
                        (150, 90, 70),
                        max(int(0.06 * s), 1),
                        cv2.LINE_AA,
                    )
    if outer and rng.random() < 0.6:  # edges of the leaves below
        edge = left if outer < 0 else right
        for k in range(int(rng.integers(2, 7))):
            col = int(edge + outer * (k + 1) * rng.uniform(0.08, 0.2) * s)
            shade = tuple(int(x) for x in np.clip(tone * rng.uniform(0.45, 0.95), 0, 255))
            cv2.rectangle(around, (min(edge, col), top + k), (max(edge, col), bottom + k), shade, 1)
    if ageing.chart and height - bottom > 1.5 * s:
        side = int(min(height - bottom - 4, 2.2 * s))
        for k in range(10):
            colour = tuple(int(x) for x in rng.integers(20, 240, 3))
            corner = (left + k * side, bottom + 3)
            cv2.rectangle(around, corner, (corner[0] + side - 2, corner[1] + side - 2), colour, -1)
    return around
