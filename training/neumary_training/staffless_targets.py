"""Crops of whole pages and their target maps, built on the training device."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from typing import Final

import numpy as np
import torch
from torch import Tensor
from torch.nn import functional

from neumary_models.staffless_outputs import STRIDE
from neumary_training.staffless_data import FreePage

_REACH: Final = 7  # cells around a sign's middle in which its bump is drawn
_CORE: Final = 0.35  # height of the bump from which the per-sign losses ask
_ZOOM: Final = (0.85, 1.18)  # on top of the size the page was stored at
_TURN_DEG: Final = 3.0
_SIGMA: Final = (1.1, 2.6)  # least and greatest width of a bump, cells
_SIGMA_SHARE: Final = 0.14  # of the box's side
_NEAR_SIGN: Final = 0.85  # share of crops placed at a sign


@dataclass(frozen=True, slots=True, eq=False)
class FreeBatch:
    """One step's crops.

    Attributes
    ----------
    picture : Tensor float32 (B, 3, H, W)
        Ink strength.
    heat : Tensor float32 (B, h, w)
        1 on the cell of a sign's middle, falling off around it.
    weight : Tensor float32 (B, h, w)
        Weight of the per-sign losses; 0 away from signs' middles.
    name : Tensor int64 (B, h, w)
        -1 where nothing is asked.
    flags : Tensor float32 (B, 2, h, w)
        Episema, liquescent.
    extent : Tensor float32 (B, 4, h, w)
        Cells from the cell's centre to the box's top, left, bottom, right.
    region : Tensor int64 (B, h, w)
    """

    picture: Tensor
    heat: Tensor
    weight: Tensor
    name: Tensor
    flags: Tensor
    extent: Tensor
    region: Tensor


class FreeCropper:
    """Cuts random crops, slightly turned and zoomed, out of pages and draws their targets."""

    def __init__(self, pages: Sequence[FreePage], crop: tuple[int, int], device: torch.device) -> None:
        self.device, self.crop = device, crop
        self.sizes = np.array([page.picture.shape[:2] for page in pages], dtype=np.int64)
        self.starts = np.concatenate([[0], np.cumsum(self.sizes.prod(axis=1))])
        self.cells = np.concatenate([[0], np.cumsum((self.sizes // 2).prod(axis=1))])
        self.signs = [page.signs for page in pages]
        pixels = np.concatenate([page.picture.reshape(-1, 3) for page in pages])
        regions = np.concatenate([page.region.reshape(-1) for page in pages])
        self.pixels = torch.from_numpy(pixels).to(device)
        self.regions = torch.from_numpy(regions).to(device)
        counts = np.array([len(signs) for signs in self.signs], dtype=np.float64)
        share = np.sqrt(counts) + 3.0  # pages without signs are looked at too
        self.share = share / share.sum()

    def crops(self, rng: np.random.Generator, batch: int) -> FreeBatch:
        """A random batch."""
        picked = rng.choice(len(self.share), size=batch, p=self.share)
        centres = np.stack([self._centre(rng, int(page)) for page in picked])
        zoom = np.exp(rng.uniform(np.log(_ZOOM[0]), np.log(_ZOOM[1]), size=batch))
        turn = np.deg2rad(rng.uniform(-_TURN_DEG, _TURN_DEG, size=batch))
        return self.at(picked, centres, zoom, turn)

    def _centre(self, rng: np.random.Generator, page: int) -> np.ndarray:
        signs = self.signs[page]
        if len(signs) and rng.random() < _NEAR_SIGN:
            top, left, bottom, right = signs[int(rng.integers(len(signs))), :4]
            near = np.array([(top + bottom) / 2, (left + right) / 2])
            return np.asarray(near + rng.uniform(-0.4, 0.4, 2) * np.array(self.crop))
        return np.asarray(rng.uniform(0, 1, 2) * self.sizes[page])

    def at(self, picked: np.ndarray, centres: np.ndarray, zoom: np.ndarray, turn: np.ndarray) -> FreeBatch:
        """The crops round `centres` (B, 2) of the pages `picked`, enlarged and turned."""
        height, width = self.crop
        cos, sin = np.cos(turn) / zoom, np.sin(turn) / zoom
        to_page = np.stack(
            [np.stack([cos, sin], 1), np.stack([-sin, cos], 1)], 1
        )  # crop offset -> page offset
        picture = self._sample(picked, centres, to_page)
        region = self._sample_regions(picked, centres, to_page)
        table = []
        middle = np.array([(height - 1) / 2, (width - 1) / 2])
        for b, page in enumerate(picked):
            own = self.signs[page]
            at = np.stack([own[:, 0] + own[:, 2], own[:, 1] + own[:, 3]], 1) / 2 - centres[b]
            at = at @ np.linalg.inv(to_page[b]).T + middle
            half = np.stack([own[:, 2] - own[:, 0], own[:, 3] - own[:, 1]], 1) / 2 * zoom[b]
            rows = np.concatenate([np.full((len(own), 1), b), at, half, own[:, 4:]], axis=1)
            inside = (at >= 0).all(axis=1) & (at[:, 0] < height) & (at[:, 1] < width)
            table.append(rows[inside])
        signs = torch.from_numpy(np.concatenate(table).astype(np.float32)).to(self.device)
        return self._draw(picture, region, signs)

    def _places(self, centres: np.ndarray, to_page: np.ndarray, stride: int) -> Tensor:
        """Page (row, col) of each crop pixel, or of each cell's centre: (B, h, w, 2)."""
        height, width = self.crop
        lead = 0.5 * (stride - 1)
        rows = torch.arange(0, height, stride, device=self.device) + lead - (height - 1) / 2
        cols = torch.arange(0, width, stride, device=self.device) + lead - (width - 1) / 2
        grid = torch.stack(torch.meshgrid(rows, cols, indexing="ij"), -1).float()
        turn = torch.from_numpy(to_page.astype(np.float32)).to(self.device)
        lead_in = torch.from_numpy(centres.astype(np.float32)).to(self.device)
        return torch.einsum("hwk,bik->bhwi", grid, turn) + lead_in[:, None, None]

    def _sample(self, picked: np.ndarray, centres: np.ndarray, to_page: np.ndarray) -> Tensor:
        """Ink strengths, interpolated between the page's pixels; bare outside the page."""
        at = self._places(centres, to_page, 1)
        size = torch.from_numpy(self.sizes[picked]).to(self.device)[:, None, None]
        start = torch.from_numpy(self.starts[picked]).to(self.device)[:, None, None]
        low = torch.floor(at)
        part = at - low
        low = low.long()
        out = torch.zeros(*at.shape[:3], 3, device=self.device)
        for d_row in (0, 1):
            for d_col in (0, 1):
                row, col = low[..., 0] + d_row, low[..., 1] + d_col
                there = (row >= 0) & (row < size[..., 0]) & (col >= 0) & (col < size[..., 1])
                weight = (part[..., 0] if d_row else 1 - part[..., 0]) * (
                    part[..., 1] if d_col else 1 - part[..., 1]
                )
                index = start + row * size[..., 1] + col
                value = self.pixels[torch.where(there, index, start)].float()
                out += ((255.0 - value) / 255.0) * (weight * there)[..., None]
        return out.permute(0, 3, 1, 2).contiguous()

    def _sample_regions(self, picked: np.ndarray, centres: np.ndarray, to_page: np.ndarray) -> Tensor:
        at = torch.div((self._places(centres, to_page, STRIDE) + 0.5).floor(), STRIDE, rounding_mode="floor")
        at = at.long()
        size = torch.from_numpy(self.sizes[picked] // 2).to(self.device)[:, None, None]
        start = torch.from_numpy(self.cells[picked]).to(self.device)[:, None, None]
        there = (
            (at[..., 0] >= 0) & (at[..., 0] < size[..., 0]) & (at[..., 1] >= 0) & (at[..., 1] < size[..., 1])
        )
        index = start + at[..., 0] * size[..., 1] + at[..., 1]
        return self.regions[torch.where(there, index, start)].long() * there

    def _draw(self, picture: Tensor, region: Tensor, signs: Tensor) -> FreeBatch:
        """Target maps; `signs` (n, 8): crop, row, col, half height, half width px, name, flags."""
        count, h, w = region.shape
        device = self.device
        if len(signs) == 0:
            empty = torch.zeros(count, h, w, device=device)
            return FreeBatch(
                picture, empty, empty, torch.full_like(region, -1), empty[:, None].expand(-1, 2, -1, -1),
                empty[:, None].expand(-1, 4, -1, -1), region,
            )  # fmt: skip
        b = signs[:, 0].long()
        row, col = (signs[:, 1] - 0.5) / STRIDE, (signs[:, 2] - 0.5) / STRIDE
        half = signs[:, 3:5] / STRIDE
        sigma = (2 * half * _SIGMA_SHARE).clamp(*_SIGMA)
        span = torch.arange(-_REACH, _REACH + 1, device=device)
        rows = (row.round().long()[:, None, None] + span[None, :, None]).expand(-1, -1, len(span))
        cols = (col.round().long()[:, None, None] + span[None, None, :]).expand(-1, len(span), -1)
        near = ((rows - row[:, None, None]) / sigma[:, 0, None, None]) ** 2
        near = near + ((cols - col[:, None, None]) / sigma[:, 1, None, None]) ** 2
        inside = (rows >= 0) & (rows < h) & (cols >= 0) & (cols < w)
        flat = (b[:, None, None] * h + rows.clamp(0, h - 1)) * w + cols.clamp(0, w - 1)
        which = torch.arange(len(signs), device=device)[:, None, None].expand_as(flat)[inside]
        flat, near = flat[inside], near[inside]
        nearest = torch.full((count * h * w,), 1e9, device=device)
        nearest.scatter_reduce_(0, flat, near, reduce="amin")
        owner = torch.full((count * h * w,), -1, dtype=torch.long, device=device)
        mine = near <= nearest[flat]
        owner.scatter_reduce_(0, flat[mine], which[mine], reduce="amax", include_self=True)
        heat = torch.exp(-nearest / 2).masked_fill(nearest > 1e8, 0.0)
        centre = (b * h + row.round().clamp(0, h - 1).long()) * w + col.round().clamp(0, w - 1).long()
        heat[centre] = 1.0
        owner[centre] = torch.arange(len(signs), device=device)
        weight = torch.where((owner >= 0) & (heat >= _CORE), heat, torch.zeros_like(heat))
        return self._finish(picture, region, signs, (row, col, half), heat, weight, owner)

    def _finish(
        self, picture: Tensor, region: Tensor, signs: Tensor, places: tuple[Tensor, Tensor, Tensor],
        heat: Tensor, weight: Tensor, owner: Tensor,
    ) -> FreeBatch:  # fmt: skip
        count, h, w = region.shape
        row, col, half = places
        at = owner.clamp(min=0)
        asked = weight > 0
        index = torch.arange(count * h * w, device=self.device)
        down, across = row[at] - (index // w) % h, col[at] - index % w
        extent = torch.stack(
            [half[at, 0] - down, half[at, 1] - across, half[at, 0] + down, half[at, 1] + across]
        )
        name = torch.where(asked, signs[at, 5].long(), torch.full_like(at, -1))
        maps = (count, h, w)
        return FreeBatch(
            picture=picture,
            heat=heat.view(maps),
            weight=weight.view(maps),
            name=name.view(maps),
            flags=(signs[at, 6:8] * asked[:, None]).T.reshape(2, *maps).permute(1, 0, 2, 3),
            extent=extent.clamp(min=0.4).view(4, *maps).permute(1, 0, 2, 3),
            region=region,
        )


def shake_pictures(picture: Tensor, generator: torch.Generator) -> Tensor:
    """Colour, contrast, blur, resampling and noise as other cameras, inks and parchments would give.

    Parameters
    ----------
    picture : Tensor float32 (B, 3, H, W)
        Ink strengths.
    generator : torch.Generator

    Returns
    -------
    Tensor float32 (B, 3, H, W)
    """
    device, count = picture.device, picture.shape[0]

    def uniform(low: float, high: float, *shape: int) -> Tensor:
        return low + (high - low) * torch.rand(*shape, device=device, generator=generator)

    mix = torch.eye(3, device=device) + uniform(-0.15, 0.15, count, 3, 3)
    rgb = torch.einsum("bij,bjhw->bihw", mix, picture)
    weights = uniform(0.1, 1.0, count, 3, 1, 1)
    grey = (rgb * weights / weights.sum(1, keepdim=True)).sum(1, keepdim=True)
    bleach = (uniform(0, 1, count, 1, 1, 1) < 0.15).float()
    rgb = (rgb * (1 - bleach) + grey * bleach).clamp(0, 1)
    rgb = rgb ** torch.exp(uniform(-0.45, 0.45, count, 1, 1, 1)) * uniform(0.5, 1.3, count, 1, 1, 1)
    coarse = uniform(-0.1, 0.1, count, 1, 8, 10)
    rgb = rgb + functional.interpolate(coarse, size=picture.shape[2:], mode="bicubic")
    blurred = functional.avg_pool2d(rgb, 3, 1, 1)
    soft = uniform(0, 1, count, 1, 1, 1) * (uniform(0, 1, count, 1, 1, 1) < 0.5).float()
    rgb = rgb * (1 - soft) + blurred * soft
    noise = torch.randn(rgb.shape, device=device, generator=generator)
    grain = torch.randn(count, 1, rgb.shape[2] // 2, rgb.shape[3] // 2, device=device, generator=generator)
    grain = functional.interpolate(grain, size=picture.shape[2:], mode="bilinear")
    rgb = rgb + noise * uniform(0, 0.04, count, 1, 1, 1) + grain * uniform(0, 0.05, count, 1, 1, 1)
    return rgb.clamp(0, 1)
