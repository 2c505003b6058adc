"""A broad-nib pen: strokes become ink coverage on a mask.

A nib is a straight edge of some width held at some angle. Moved along a path it
covers the area swept by that edge; pressure scales its width, and a thin second
dimension keeps hairlines from vanishing. Everything is drawn with sub-pixel
positions and antialiasing.

`fill` and `stroke` write straight into a mask. `Ink` collects all shapes of one
sign, draws them on a small finer grid and lays them on the mask in one go: the
darker ink wins where shapes meet, and the ink may flow unevenly.
"""

from __future__ import annotations

from dataclasses import dataclass
from functools import cache

import cv2
import numpy as np
import numpy.typing as npt

U8 = npt.NDArray[np.uint8]
F64 = npt.NDArray[np.float64]

_SHIFT = 4  # fractional bits handed to OpenCV: 1/16 px
_TILE = 512  # side of the noise tile behind uneven ink
_TILE_CELL = 8.0  # tile pixels per patch of even ink


@dataclass(frozen=True, slots=True)
class Nib:
    """A broad nib.

    Attributes
    ----------
    width_px : float
        Length of the writing edge.
    angle_deg : float
        Angle of the edge against the writing line; 0 = flat, 45 = rising to the right.
    edge_px : float
        Thickness of the edge itself: the width of its thinnest hairline.
    """

    width_px: float
    angle_deg: float
    edge_px: float = 1.0


@dataclass(frozen=True, slots=True)
class Flow:
    """How evenly ink lies within one sign; all shares 0..1.

    Attributes
    ----------
    pale : float
        How much paler the middle of a broad stroke is than its rim.
    grain : float
        How much the ink clouds.
    dry : float
        How much of the ink has flaked or never reached the skin.
    cell_px : float
        Size of one cloud.
    """

    pale: float = 0.0
    grain: float = 0.0
    dry: float = 0.0
    cell_px: float = 6.0


def fill(mask: U8, outline: npt.NDArray[np.floating], strength: int = 255) -> None:
    """Fill a closed outline into a coverage mask, in place.

    Parameters
    ----------
    mask : ndarray of uint8, shape (H, W)
        Ink coverage, 0 none .. 255 full.
    outline : ndarray of float, shape (n, 2)
        (row, col) in mask pixels.
    strength : int
        Coverage to write, 0..255.
    """
    points = np.round(np.asarray(outline)[:, ::-1] * (1 << _SHIFT)).astype(np.int32)
    cv2.fillPoly(mask, [points], int(strength), cv2.LINE_AA, _SHIFT)


def stroke(
    mask: U8,
    path: npt.NDArray[np.floating],
    nib: Nib,
    pressure: npt.NDArray[np.floating] | float = 1.0,
    strength: int = 255,
) -> None:
    """Sweep a nib along a path, in place.

    Parameters
    ----------
    mask : ndarray of uint8, shape (H, W)
        Ink coverage, 0 none .. 255 full.
    path : ndarray of float, shape (n, 2)
        (row, col) of the nib's middle, n >= 2.
    nib : Nib
    pressure : float or ndarray of shape (n,)
        Scales the nib's width along the path.
    strength : int
        Coverage to write, 0..255.
    """
    path = np.asarray(path, dtype=np.float64)
    angle = np.deg2rad(nib.angle_deg)
    along = np.array([-np.sin(angle), np.cos(angle)]) * nib.width_px / 2
    across = np.array([np.cos(angle), np.sin(angle)]) * nib.edge_px / 2
    corners = np.stack([along + across, along - across, -along - across, -along + across])
    width = np.broadcast_to(np.asarray(pressure, dtype=np.float64), (len(path),))
    for i in range(len(path) - 1):
        here = path[i] + corners * width[i]
        there = path[i + 1] + corners * width[i + 1]
        hull = cv2.convexHull(np.concatenate([here, there]).astype(np.float32))
        fill(mask, hull[:, 0, :].astype(np.float64), strength)


def ribbon(path: F64, width: npt.NDArray[np.floating] | float) -> F64:
    """Outline of a line of varying width along a gently curved path.

    Parameters
    ----------
    path : ndarray of float64, shape (n, 2)
        (row, col), n >= 2.
    width : float or ndarray of shape (n,)
        Full width, same unit as the path.

    Returns
    -------
    ndarray of float64, shape (2n, 2)
    """
    run = np.gradient(path, axis=0)
    run /= np.maximum(np.hypot(run[:, 0], run[:, 1]), 1e-9)[:, None]
    side = np.stack([-run[:, 1], run[:, 0]], axis=1) * (np.broadcast_to(width, (len(path),))[:, None] / 2)
    return np.concatenate([path + side, (path - side)[::-1]])


def swept(path: F64, width: float, angle_deg: float, pressure: npt.NDArray[np.floating] | float = 1.0) -> F64:
    """Outline swept by a nib's edge moved along a path without turning.

    Where the path runs along the edge the outline crosses itself; filled by the
    even-odd rule that still gives the swept area, as long as the path does not double back.

    Parameters
    ----------
    path : ndarray of float64, shape (n, 2)
        (row, col) of the nib's middle, n >= 2.
    width, angle_deg : float
        The nib, see `Nib`; width in the unit of the path.
    pressure : float or ndarray of shape (n,)
        Scales the nib's width along the path.

    Returns
    -------
    ndarray of float64, shape (2n, 2)
    """
    angle = np.deg2rad(angle_deg)
    edge = np.array([-np.sin(angle), np.cos(angle)]) * width / 2
    reach = np.broadcast_to(pressure, (len(path),))[:, None] * edge
    return np.concatenate([path + reach, (path - reach)[::-1]])


def bend(points: npt.ArrayLike, n: int = 10) -> F64:
    """Smooth path through a few points (Catmull-Rom), n samples per span.

    Parameters
    ----------
    points : array_like of float, shape (k, 2)
        (row, col), k >= 2.
    n : int
        Samples per span.

    Returns
    -------
    ndarray of float64, shape ((k - 1) * n + 1, 2)
    """
    p = np.asarray(points, dtype=np.float64)
    p = np.concatenate([[2 * p[0] - p[1]], p, [2 * p[-1] - p[-2]]])
    t = (np.arange(n) / n)[None, :, None]
    a, b, c, d = (p[i : len(p) - 3 + i, None, :] for i in range(4))
    spans = 0.5 * (2 * b + (c - a) * t + (2 * a - 5 * b + 4 * c - d) * t**2 + (3 * b - a - 3 * c + d) * t**3)
    return np.concatenate([spans.reshape(-1, 2), p[-2:-1]])


class Ink:
    """Shapes of one sign, waiting to be laid on a mask together."""

    __slots__ = ("_lines", "_shapes")

    def __init__(self) -> None:
        self._shapes: list[tuple[float, F64]] = []
        self._lines: list[tuple[float, F64, float]] = []

    def fill(self, outline: F64, strength: float = 1.0) -> None:
        """Add a filled outline, (n, 2) float (row, col) px; strength 0..1."""
        self._shapes.append((strength, outline))

    def line(self, path: F64, width_px: float, strength: float = 1.0) -> None:
        """Add a line of even width, path (n, 2) float (row, col) px; strength 0..1."""
        self._lines.append((strength, path, width_px))

    def nib(
        self, path: F64, nib: Nib, strength: float = 1.0, pressure: npt.NDArray[np.floating] | float = 1.0
    ) -> None:
        """Add a nib stroke along a path, (n, 2) float (row, col) px; strength 0..1."""
        self.fill(swept(path, nib.width_px, nib.angle_deg, pressure), strength)
        self.line(path, nib.edge_px, strength)

    def box(self) -> tuple[float, float, float, float]:
        """Top, left, bottom, right of everything added so far, px."""
        lows, highs = [], []
        for _, outline in self._shapes:
            lows.append(outline.min(axis=0))
            highs.append(outline.max(axis=0))
        for _, path, width in self._lines:
            lows.append(path.min(axis=0) - width / 2)
            highs.append(path.max(axis=0) + width / 2)
        low, high = np.min(lows, axis=0), np.max(highs, axis=0)
        return float(low[0]), float(low[1]), float(high[0]), float(high[1])

    def lay(
        self,
        mask: U8,
        rng: np.random.Generator | None = None,
        flow: Flow | None = None,
        shift: tuple[int, int] = (0, 0),
    ) -> None:
        """Draw everything into a mask, in place; the darker ink wins, outside is clipped.

        Parameters
        ----------
        mask : ndarray of uint8, shape (H, W)
            Ink coverage, 0 none .. 255 full.
        rng : numpy.random.Generator, optional
            Chooses where the clouds of the ink fall; needed with `flow`.
        flow : Flow, optional
            Even ink if left out.
        shift : pair of int
            Rows and columns to move everything by.
        """
        top, left, bottom, right = self.box()
        top, left, bottom, right = top + shift[0], left + shift[1], bottom + shift[0], right + shift[1]
        t, le = max(0, int(np.floor(top)) - 1), max(0, int(np.floor(left)) - 1)
        b, r = min(mask.shape[0], int(np.ceil(bottom)) + 2), min(mask.shape[1], int(np.ceil(right)) + 2)
        if t >= b or le >= r:
            return
        patch = self._patch(t - shift[0], le - shift[1], b - t, r - le)
        if flow is not None and rng is not None:
            patch = _uneven(patch, flow, rng)
        under = mask[t:b, le:r]
        np.maximum(under, patch, out=under)

    def _patch(self, top: int, left: int, height: int, width: int) -> U8:
        scale = 4 if height * width < 40_000 else 2
        canvas = np.zeros((height * scale, width * scale), np.uint8)
        origin = np.array([left, top], np.float64) - 0.5
        whole = scale * (1 << _SHIFT)
        jobs = [(s, 0.0, o) for s, o in self._shapes] + [(s, w, p) for s, p, w in self._lines]
        for strength, line_px, points in sorted(jobs, key=lambda job: job[0]):
            # a fine pixel's centre is at +0.5 of it; OpenCV counts centres from 0
            fine = ((points[:, ::-1] - origin) * whole - (1 << (_SHIFT - 1))).round().astype(np.int32)
            ink = round(255 * min(1.0, strength))
            if line_px:
                thick = max(1, round(line_px * scale))
                cv2.polylines(canvas, [fine], False, ink, thick, cv2.LINE_8, _SHIFT)
            else:
                cv2.fillPoly(canvas, [fine], ink, cv2.LINE_8, _SHIFT)
        return np.asarray(cv2.resize(canvas, (width, height), interpolation=cv2.INTER_AREA), np.uint8)


@cache
def _noise_tile() -> npt.NDArray[np.float32]:
    """Clouds 0..1, shape (512, 512), evenly distributed values; the same in every run."""
    rng = np.random.default_rng(20)
    clouds = np.zeros((_TILE, _TILE), np.float32)
    for sigma, weight in ((_TILE_CELL, 1.0), (_TILE_CELL / 3, 0.7), (1.0, 0.35)):
        field = rng.normal(size=(_TILE, _TILE)).astype(np.float32)
        field = np.asarray(cv2.GaussianBlur(field, (0, 0), sigma), np.float32)
        clouds += weight * field / field.std()
    rank = np.empty(clouds.size, np.float32)
    rank[np.argsort(clouds, axis=None, kind="stable")] = np.linspace(0, 1, clouds.size, dtype=np.float32)
    return rank.reshape(clouds.shape)


def _uneven(patch: U8, flow: Flow, rng: np.random.Generator) -> U8:
    height, width = patch.shape
    ink = patch.astype(np.float32)
    if flow.pale > 0:
        size = max(3, round(flow.cell_px * 1.2) | 1)
        deep = cv2.blur(ink, (size, size)) * np.float32(1 / 255)
        ink *= 1 - np.float32(flow.pale) * deep**2
    if flow.grain > 0:
        ink *= 1 - np.float32(flow.grain) * _clouds(height, width, flow.cell_px, rng)
    if flow.dry > 0:
        flakes = _clouds(height, width, max(1.2, 0.4 * flow.cell_px), rng)
        ink *= np.clip((1 - np.float32(0.3 * flow.dry) - flakes) * 9, 0, 1)
    return ink.astype(np.uint8)


def _clouds(height: int, width: int, cell_px: float, rng: np.random.Generator) -> npt.NDArray[np.float32]:
    """Noise 0..1, evenly distributed, shape (height, width), cut from the tile."""
    zoom = _TILE_CELL / cell_px
    h, w = min(_TILE, max(2, round(height * zoom))), min(_TILE, max(2, round(width * zoom)))
    top, left = int(rng.integers(0, _TILE - h + 1)), int(rng.integers(0, _TILE - w + 1))
    tile = _noise_tile()[top : top + h, left : left + w]
    return np.asarray(cv2.resize(tile, (width, height), interpolation=cv2.INTER_LINEAR), np.float32)
