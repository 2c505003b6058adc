"""Crops and their target maps, built on the training device."""

from __future__ import annotations

import copy
from dataclasses import dataclass
from typing import Final

import numpy as np
import torch
from torch import Tensor

from neumary.read import line_profile
from neumary.strips import STRIP_HEIGHT, line_rows
from neumary_models.labels import HEADS, NAMES
from neumary_models.outputs import STEP_SHIFTS, STRIDE
from neumary_training.bends import Bends
from neumary_training.data import Strips

_REACH: Final = 4  # cells around a sign in which its bump is drawn
_HEAD_INDEX: Final = tuple(NAMES.index(name) for name in NAMES if name in HEADS)


@dataclass(frozen=True, slots=True, eq=False)
class Batch:
    """One step's crops.

    Attributes
    ----------
    strips : Tensor float32 (B, 5, H, W)
    heat : Tensor float32 (B, h, w)
        1 on the cell of a sign, falling off around it.
    weight : Tensor float32 (B, h, w)
        Weight of the per-sign losses; 0 away from signs.
    label, shift : Tensor int64 (B, h, w)
        -1 where nothing is asked.
    offset : Tensor float32 (B, 2, h, w)
    begins : Tensor float32 (B, h, w)
        -1 where nothing is asked.
    layer : Tensor int64 (B, h, w)
    """

    strips: Tensor
    heat: Tensor
    weight: Tensor
    label: Tensor
    shift: Tensor
    offset: Tensor
    begins: Tensor
    layer: Tensor


BLIND: Final[dict[str, list[int]]] = {"both": [], "colour": [3], "line-free": [0, 1, 2]}
"""Input channels kept empty, by what the network is to see."""


class Cropper:
    """Cuts random crops out of strips and draws their targets."""

    def __init__(
        self,
        strips: Strips,
        crop_cols: int,
        sigma_cells: float,
        device: torch.device,
        channels: str = "both",
    ) -> None:
        self.device = device
        self.blind = BLIND[channels]
        self.crop_cols = crop_cols
        self.sigma = sigma_cells
        self.pixels = torch.from_numpy(strips.pixels).to(device)
        self.layers = torch.from_numpy(strips.layers).to(device)
        self.starts = strips.starts
        self.lines = strips.lines
        profiles = [
            line_profile(STRIP_HEIGHT, line_rows(k for k in range(8) if bits >> k & 1)) for bits in range(256)
        ]
        self.profiles = torch.from_numpy(np.stack(profiles)).to(device)
        self.signs = strips.signs
        order = np.searchsorted(strips.signs[:, 0], np.arange(len(strips.lines) + 1))
        self.sign_starts = order
        self.is_head = torch.zeros(len(NAMES), dtype=torch.bool, device=device)
        self.is_head[list(_HEAD_INDEX)] = True

    def variant(self, channels: str = "both", share: float = 1.0) -> Cropper:
        """The same strips seen through fewer channels, or only the first share of them."""
        other = copy.copy(self)
        other.blind = BLIND[channels]
        count = max(1, round(share * len(self.lines)))
        other.lines, other.starts = self.lines[:count], self.starts[: count + 1]
        return other

    def crops(
        self,
        rng: np.random.Generator,
        batch: int,
        ends: float = 0.0,
        stretch: float = 0.0,
        slant: float = 0.0,
    ) -> Batch:
        """A random batch; wide strips are drawn more often, in proportion to their width.

        Parameters
        ----------
        rng : numpy.random.Generator
        batch : int
        ends : float
            Share of crops that begin where their strip begins, and again of those that end where it
            ends: clefs and custodes stand there, and few crops laid anywhere would show them.
        stretch, slant : float
            See `Bends.sample`; 0 leaves the crops as they are.
        """
        width = self.crop_cols
        widths = np.diff(self.starts)
        share = np.maximum(widths, width * 0.7)
        picked = rng.choice(len(widths), size=batch, p=share / share.sum())
        room = np.maximum(widths[picked] - width, 0)
        lead = np.where(widths[picked] < width, 0, (rng.random(batch) * (room + 1)).astype(np.int64))
        if ends > 0:
            where = rng.random(batch)
            lead = np.where(where < ends, 0, np.where(where > 1 - ends, room, lead))
        lead -= lead % STRIDE
        return self.at(picked, lead, Bends.sample(rng, batch, width, stretch, slant))

    def at(self, picked: np.ndarray, lead: np.ndarray, bends: Bends | None = None) -> Batch:
        """The crops that begin `lead` columns into the strips `picked`, bent where asked."""
        device, width = self.device, self.crop_cols
        reach, before = (width, 0) if bends is None else (bends.reach(width), bends.lead)
        begin = torch.from_numpy(self.starts[picked]).to(device)
        first = torch.from_numpy(self.starts[picked] + lead - before).to(device)
        end = torch.from_numpy(self.starts[picked + 1]).to(device)
        cols = first[:, None] + torch.arange(reach, device=device)
        outside = (cols >= end[:, None]) | (cols < begin[:, None])
        cols = torch.minimum(torch.maximum(cols, begin[:, None]), end[:, None] - 1)
        raw = self.pixels[cols].float().div_(255.0)  # (B, W, H, 4)
        raw[..., :3] = 1.0 - raw[..., :3]
        raw = raw.masked_fill(outside[:, :, None, None], 0.0).permute(0, 3, 2, 1)
        cells = torch.div(cols[:, ::STRIDE], STRIDE, rounding_mode="floor")
        layer = self.layers[cells].long().masked_fill(outside[:, ::STRIDE, None], 0).permute(0, 2, 1)
        if bends is not None:
            raw, layer = bends.pixels(raw, width), bends.cells(layer, width)
        strips = torch.empty(len(picked), 5, STRIP_HEIGHT, width, device=device)
        strips[:, :4] = raw
        strips[:, self.blind] = 0.0
        profile = self.profiles[torch.from_numpy(self.lines[picked]).to(device)]
        strips[:, 4] = profile[:, :, None]
        return self._targets(strips, layer.contiguous(), picked, lead, bends)

    def _targets(
        self, strips: Tensor, layer: Tensor, picked: np.ndarray, lead: np.ndarray, bends: Bends | None
    ) -> Batch:
        device, (count, h, w) = self.device, layer.shape
        table = []
        for b, (strip, start) in enumerate(zip(picked, lead, strict=True)):
            own = self.signs[self.sign_starts[strip] : self.sign_starts[strip + 1]].copy()
            own[:, 2] -= start
            if bends is not None:
                own[:, 1], own[:, 2] = bends.place(b, own[:, 1], own[:, 2], w * STRIDE)
                own = own[(own[:, 1] >= 0) & (own[:, 1] < h * STRIDE)]
            own = own[(own[:, 2] >= 0) & (own[:, 2] < w * STRIDE)]
            own[:, 0] = b
            table.append(own)
        signs = torch.from_numpy(np.concatenate(table)).to(device)
        return self._draw(strips, layer, signs, (count, h, w))

    def _draw(self, strips: Tensor, layer: Tensor, signs: Tensor, shape: tuple[int, int, int]) -> Batch:
        device, (count, h, w) = self.device, shape
        b = signs[:, 0].long()
        cell_row = (signs[:, 1] - 0.5) / STRIDE
        cell_col = (signs[:, 2] - 0.5) / STRIDE
        span = torch.arange(-_REACH, _REACH + 1, device=device)
        rows = cell_row.round().long()[:, None, None] + span[None, :, None]
        cols = cell_col.round().long()[:, None, None] + span[None, None, :]
        rows, cols = rows.expand(-1, -1, len(span)), cols.expand(-1, len(span), -1)
        dist2 = (rows - cell_row[:, None, None]) ** 2 + (cols - cell_col[:, None, None]) ** 2
        inside = (rows >= 0) & (rows < h) & (cols >= 0) & (cols < w)
        flat = (b[:, None, None] * h + rows.clamp(0, h - 1)) * w + cols.clamp(0, w - 1)
        which = torch.arange(len(signs), device=device)[:, None, None].expand_as(flat)[inside]
        flat, dist2 = flat[inside], dist2[inside]
        nearest = torch.full((count * h * w,), 1e9, device=device)
        nearest.scatter_reduce_(0, flat, dist2, reduce="amin")
        owner = torch.full((count * h * w,), -1, dtype=torch.long, device=device)
        mine = dist2 <= nearest[flat]
        owner.scatter_reduce_(0, flat[mine], which[mine], reduce="amax", include_self=True)
        heat = torch.exp(-nearest / (2 * self.sigma**2)).masked_fill(nearest > 1e8, 0.0)
        centre = (cell_row.round().clamp(0, h - 1) * w + cell_col.round().clamp(0, w - 1)).long() + b * h * w
        heat[centre] = 1.0
        asked = (owner >= 0) & (nearest <= 2.0**2)
        weight = torch.where(asked, torch.exp(-nearest / (2 * 1.0**2)), torch.zeros_like(nearest))
        at = owner.clamp(min=0)
        none = torch.full_like(owner, -1)
        grid_row = torch.arange(h, device=device).view(1, h, 1).expand(count, h, w).reshape(-1)
        grid_col = torch.arange(w, device=device).view(1, 1, w).expand(count, h, w).reshape(-1)
        if len(signs) == 0:
            signs = torch.zeros(1, 6, device=device)
            cell_row = cell_col = torch.zeros(1, device=device)
        label = torch.where(asked, signs[at, 3].long(), none)
        step = signs[at, 4].long()
        shift = step - _cell_steps(h, device)[grid_row]
        limit = STEP_SHIFTS[-1]
        shift = torch.where(asked & (step > -90) & (shift.abs() <= limit), shift + limit, none)
        begins = signs[at, 5]
        begins = torch.where(asked & self.is_head[label.clamp(min=0)], begins, torch.full_like(begins, -1.0))
        offset = torch.stack([cell_row[at] - grid_row, cell_col[at] - grid_col]).view(2, count, h, w)
        view = (count, h, w)
        return Batch(
            strips=strips,
            heat=heat.view(view),
            weight=weight.view(view),
            label=label.view(view),
            shift=shift.view(view),
            offset=offset.permute(1, 0, 2, 3),
            begins=begins.view(view),
            layer=layer,
        )


def _cell_steps(h: int, device: torch.device) -> Tensor:
    from neumary.glyphs import cell_step

    return torch.tensor([cell_step(row) for row in range(h)], device=device)
