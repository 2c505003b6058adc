"""Crops of strips drawn wider, narrower, leaning and a little off, as other hands and finders would.

A page is written by one hand: seen again and again, its proportions are learned by heart.
Bent anew at every step, few crops are ever the same twice.
"""

from __future__ import annotations

from dataclasses import dataclass
from typing import Final

import numpy as np
import numpy.typing as npt
import torch
from torch import Tensor
from torch.nn.functional import grid_sample

from neumary.strips import STRIP_HEIGHT
from neumary_models.outputs import STRIDE

F64 = npt.NDArray[np.float64]
Floats = npt.NDArray[np.floating]

_STRAIGHT: Final = 0.25  # share of crops left as they are: resampling always blurs a little
_LIFT_PX, _TILT_PX = 0.4, 0.5  # standard deviations, of the whole crop's height and of its ends'
_MIDDLE: Final = (STRIP_HEIGHT - 1) / 2


@dataclass(frozen=True, slots=True, eq=False)
class Bends:
    """How each crop of a batch is bent; all arrays of shape (B,).

    A crop's pixel (row, col) shows the strip's row ``row + lift + tilt * (col - width / 2)`` and the
    column ``stretch * (col + slant * (row - middle))`` columns behind the crop's first.

    Attributes
    ----------
    stretch : ndarray of float64
        Strip columns for one column of the crop.
    slant : ndarray of float64
        Columns for one row.
    lift : ndarray of float64
        Rows.
    tilt : ndarray of float64
        Rows for one column.
    """

    stretch: F64
    slant: F64
    lift: F64
    tilt: F64

    @classmethod
    def sample(
        cls, rng: np.random.Generator, count: int, width: int, stretch: float, slant: float
    ) -> Bends | None:
        """Draw a batch's bends; None where nothing is to be bent.

        Parameters
        ----------
        rng : numpy.random.Generator
        count : int
        width : int
            Columns of a crop.
        stretch, slant : float
            The strongest: 0.14 draws signs wide up to exp(0.14) times wider or narrower.
        """
        if stretch <= 0 and slant <= 0:
            return None
        bent = rng.random(count) >= _STRAIGHT
        return cls(
            stretch=np.exp(rng.uniform(-stretch, stretch, count) * bent),
            slant=rng.uniform(-slant, slant, count) * bent,
            lift=np.clip(rng.normal(0, _LIFT_PX, count), -1, 1) * bent,
            tilt=np.clip(rng.normal(0, _TILT_PX, count), -1, 1) * bent * (2 / width),
        )

    @property
    def lead(self) -> int:
        """Columns needed before the first; even, so that cells stay whole."""
        return STRIDE * (2 + int(np.max(np.abs(self.slant) * self.stretch) * _MIDDLE / STRIDE))

    def reach(self, width: int) -> int:
        """Columns needed for crops of some width, with those before the first."""
        return STRIDE * int(np.ceil((width * np.max(self.stretch) + 2 * self.lead + 2) / STRIDE))

    def place(self, index: int, rows: Floats, cols: Floats, width: int) -> tuple[Floats, Floats]:
        """Where points of the strip, columns counted from the crop's first, lie in crop `index`."""
        across = cols / self.stretch[index]
        high = rows - self.lift[index] - self.tilt[index] * (across - width / 2)
        across = across - self.slant[index] * (high - _MIDDLE)
        return rows - self.lift[index] - self.tilt[index] * (across - width / 2), across

    def pixels(self, wide: Tensor, width: int) -> Tensor:
        """(B, C, H, `reach`) to (B, C, H, `width`)."""
        rows, cols = self._sources(wide.device, width, 1)
        return _sampled(wide, rows, cols, "bilinear")

    def cells(self, wide: Tensor, width: int) -> Tensor:
        """(B, H / 2, `reach` / 2) of whole numbers to (B, H / 2, `width` / 2)."""
        rows, cols = self._sources(wide.device, width, STRIDE)
        half = (STRIDE - 1) / 2
        found = _sampled(wide[:, None].float(), (rows - half) / STRIDE, (cols - half) / STRIDE, "nearest")
        return found[:, 0].round().to(wide.dtype)

    def _sources(self, device: torch.device, width: int, stride: int) -> tuple[Tensor, Tensor]:
        """Row and column, in the wide crop, of every pixel or cell centre: (B, h, w) each."""
        half = (stride - 1) / 2
        rows = torch.arange(0, STRIP_HEIGHT, stride, device=device)[None, :, None] + half
        cols = torch.arange(0, width, stride, device=device)[None, None, :] + half
        stretch, slant, lift, tilt = (
            torch.from_numpy(x.astype(np.float32)).to(device)[:, None, None]
            for x in (self.stretch, self.slant, self.lift, self.tilt)
        )
        down = rows + lift + tilt * (cols - width / 2)
        return down, self.lead + stretch * (cols + slant * (rows - _MIDDLE))


def _sampled(picture: Tensor, rows: Tensor, cols: Tensor, mode: str) -> Tensor:
    high, wide = picture.shape[-2:]
    grid = torch.stack([(2 * cols + 1) / wide - 1, (2 * rows + 1) / high - 1], dim=-1)
    return grid_sample(picture, grid, mode=mode, padding_mode="border", align_corners=False)
