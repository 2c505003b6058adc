"""How the camera bends a flat page: one smooth map, exact in both directions.

The map runs backwards, from a pixel of the photograph to a point of the flat canvas.
It is computed on a coarse grid and interpolated linearly; points of the truth are
carried forward by inverting the very same interpolated map, so image and truth agree.
"""

from __future__ import annotations

from dataclasses import dataclass
from typing import Final

import cv2
import numpy as np
import numpy.typing as npt

from neumary_synth.sheets import F32, U8

_CELL_PX: Final = 24
_ROUNDS: Final = 25
_NEAR_PX: Final = 1e-5  # an inversion that moves less has arrived

F64 = npt.NDArray[np.float64]


@dataclass(frozen=True, slots=True, eq=False)
class Warp:
    """A backward map on a coarse grid.

    Attributes
    ----------
    height, width : int
        Of the photograph, px.
    grid : ndarray of float32, shape (gh, gw, 2)
        Flat (row, col) at photograph rows and columns 24 * (k - 0.5) - 0.5.
    affine : ndarray of float64, shape (2, 3)
        The affine map nearest to the grid: flat = A @ (row, col, 1).
    """

    height: int
    width: int
    grid: F32
    affine: F64

    def maps(self) -> tuple[F32, F32]:
        """Full maps for `cv2.remap`: flat columns and flat rows, shape (height, width)."""
        big = cv2.resize(
            self.grid, None, fx=_CELL_PX, fy=_CELL_PX, interpolation=cv2.INTER_LINEAR
        )  # pixel centres of both grids line up: see the class's rows and columns
        part = big[_CELL_PX : _CELL_PX + self.height, _CELL_PX : _CELL_PX + self.width]
        return np.ascontiguousarray(part[..., 1]), np.ascontiguousarray(part[..., 0])

    def backward(self, points: F64) -> F64:
        """Flat points of photograph points; both of shape (n, 2), (row, col) px."""
        at = (points + 0.5) / _CELL_PX + 0.5
        limit = np.array(self.grid.shape[:2]) - 2
        low = np.clip(np.floor(at).astype(int), 0, limit)
        part = at - low
        r, c = low[:, 0], low[:, 1]
        pr, pc = part[:, :1], part[:, 1:]
        g = self.grid
        above = g[r, c] * (1 - pc) + g[r, c + 1] * pc  # weights are float64, and so is the sum
        below = g[r + 1, c] * (1 - pc) + g[r + 1, c + 1] * pc
        return np.asarray(above * (1 - pr) + below * pr)

    def forward(self, points: npt.ArrayLike) -> F64:
        """Photograph points of flat points, by fixed-point iteration on `backward`."""
        flat = np.asarray(points, dtype=np.float64).reshape(-1, 2)
        inverse = np.linalg.inv(self.affine[:, :2])
        found = (flat - self.affine[:, 2]) @ inverse.T
        for _ in range(_ROUNDS):
            move = (flat - self.backward(found)) @ inverse.T
            found = found + move
            if np.abs(move).max(initial=0.0) < _NEAR_PX:
                break
        return found


def make_warp(
    rng: np.random.Generator,
    canvas: tuple[int, int],
    scale: float,
    *,
    rotation_deg: float = 0.0,
    perspective: float = 0.0,
    waves_px: float = 0.0,
    wave_length_px: float = 300.0,
    curl_px: float = 0.0,
    gutter: int = 0,
) -> Warp:
    """Make the map of one photograph.

    Parameters
    ----------
    rng : numpy Generator
    canvas : tuple of int
        Height and width of the flat canvas.
    scale : float
        Photograph px per flat px.
    rotation_deg : float
        Skew, clockwise on the photograph.
    perspective : float
        How much the far side shrinks, as a share of the page.
    waves_px : float
        Size of the parchment's waves in flat px (standard deviation).
    wave_length_px : float
        Length of those waves in flat px.
    curl_px : float
        How far rows bend at the gutter, flat px.
    gutter : int
        -1 left, 1 right, 0 none.

    Returns
    -------
    Warp
    """
    height, width = max(round(canvas[0] * scale), 8), max(round(canvas[1] * scale), 8)
    gh, gw = height // _CELL_PX + 3, width // _CELL_PX + 3
    rows = (_CELL_PX * (np.arange(gh) - 0.5) - 0.5 - (height - 1) / 2) / scale
    cols = (_CELL_PX * (np.arange(gw) - 0.5) - 0.5 - (width - 1) / 2) / scale
    row, col = np.meshgrid(rows, cols, indexing="ij")
    angle = np.deg2rad(rotation_deg)
    turned_row = np.cos(angle) * row - np.sin(angle) * col
    turned_col = np.sin(angle) * row + np.cos(angle) * col
    tilt_r, tilt_c = rng.normal(0, perspective, 2)
    depth = 1 + tilt_r * turned_row / canvas[0] + tilt_c * turned_col / canvas[1]
    flat_row = turned_row / depth + (canvas[0] - 1) / 2
    flat_col = turned_col / depth + (canvas[1] - 1) / 2
    if waves_px > 0:
        n = max(int(canvas[0] / wave_length_px), 1) + 3, max(int(canvas[1] / wave_length_px), 1) + 3
        for target, share in ((flat_row, 1.0), (flat_col, 0.6)):
            rough = rng.normal(0, waves_px * share, n).astype(np.float32)
            target += cv2.resize(rough, (gw, gh), interpolation=cv2.INTER_CUBIC)
    if curl_px and gutter:
        away = flat_col if gutter < 0 else canvas[1] - 1 - flat_col
        near = np.exp(-np.clip(away, 0, None) / (0.09 * canvas[1]))
        middle = (flat_row - canvas[0] / 2) / canvas[0]
        flat_row = flat_row + curl_px * near * (1 + 0.5 * middle)
        flat_col = flat_col - gutter * 1.2 * abs(curl_px) * near
    grid = np.stack([flat_row, flat_col], axis=-1).astype(np.float32)
    places = np.stack(
        [np.ones(gh * gw), (row.ravel() * scale + (height - 1) / 2), (col.ravel() * scale + (width - 1) / 2)],
        axis=1,
    )
    fit = np.linalg.lstsq(places, grid.reshape(-1, 2).astype(np.float64), rcond=None)[0]
    affine = np.concatenate([fit[1:].T, fit[:1].T], axis=1)
    return Warp(height, width, grid, affine)


def cropped(warp: Warp, box: tuple[int, int, int, int]) -> Warp:
    """The map of a part of a photograph.

    Parameters
    ----------
    warp : Warp
    box : tuple of int
        Top, left, bottom, right in px of the photograph; top and left are moved up to whole cells
        of the grid, so that the map stays exactly the same.

    Returns
    -------
    Warp
    """
    first_row, first_col = box[0] // _CELL_PX, box[1] // _CELL_PX
    affine = warp.affine.copy()
    affine[:, 2] += warp.affine[:, :2] @ (_CELL_PX * np.array([first_row, first_col], dtype=np.float64))
    height, width = box[2] - _CELL_PX * first_row, box[3] - _CELL_PX * first_col
    return Warp(height, width, warp.grid[first_row:, first_col:], affine)


def apply_warp(image: U8, maps: tuple[F32, F32], outside: tuple[int, ...] | int = 0) -> U8:
    """Resample an image or a mask through full maps; `outside` fills what lies off the canvas."""
    value = (outside,) * 4 if isinstance(outside, int) else tuple(outside)
    bent = cv2.remap(
        image, maps[0], maps[1], cv2.INTER_LINEAR, borderMode=cv2.BORDER_CONSTANT, borderValue=value
    )
    return np.asarray(bent, dtype=np.uint8)
