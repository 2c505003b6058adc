"""Random crops out of pages for the finder of staves: scales, shears, edges, hidden patches.

What is done to a picture is done to its targets, exactly: pages are sheared rather than turned, since
a shear keeps every vertical distance, and over a few degrees does to a staff what turning does.
"""

from __future__ import annotations

from dataclasses import dataclass, fields, replace
from typing import Final

import numpy as np
import numpy.typing as npt
import torch
from torch import Tensor
from torch.nn import functional

from neumary_models.leaf_outputs import LEAF_SPACE, REGIONS, STRIDE
from neumary_training.leaf_data import STORED_SPACE, Leaf

OFF_PAGE: Final = 100.0
"""Stored pixels to the nearest line, where there is none."""

_GROUPS: Final = 4  # of a batch, each at one scale
_BARE_SHARE: Final = 0.22  # of the groups: pages without staves, or too small for any to be seen
_BARE_SCALES: Final = (0.15, 2.0)
_TOO_SMALL: Final = 0.27  # input pixels per stored pixel under which no staff can be seen
_USUAL_SHARE: Final = 0.45  # of the others: near the usual scale, as a page whose space is known
_NEAR_SHARE: Final = 0.33  # of the others: as after a guess that is not far off
_NEAR_SCALES: Final = (0.5, 1.12)  # 4 to 9 pixels a staff space
_FAR_SCALES: Final = (0.36, 1.9)  # as after a bad guess: 3 to 15 pixels a staff space
_FEW_SHARE: Final = 0.5  # of groups at far scales: pages of few lines only, which show no space
_LEAST_FEW: Final = 0.25  # share of the crops from pages of few lines, whatever the pages' own
_FULL_ZONE: Final = 1

_FREE_SHARE: Final = 0.35  # of the pages smaller than a crop: not in its corner
_BENT_SHARE: Final = 0.5  # of the groups: sheared and stretched
_SHEAR: Final = float(np.tan(np.deg2rad(2.5)))
_STRETCH: Final = 0.05  # standard deviation of the logarithm of width against height
_EDGE_SHARE: Final = 0.3  # of the crops: the page ends inside, whatever stands there
_EDGE_REACH: Final = 0.6  # at most so much of the crop is then off the page
_PATCH_SHARE: Final = 0.35  # of the crops: patches are hidden
_MOST_PATCHES: Final = 3
_PATCH_ROWS: Final = (4, 36)  # input pixels
_PATCH_COLS: Final = (4, 90)


@dataclass(frozen=True, slots=True, eq=False)
class Crops:
    """A batch: pictures (B, 3, H, W), and targets of (B, H / 2, W / 2) cells.

    `region` is (B, len(REGIONS), H / 2, W / 2); `up`, `down` and `line` are in cells, `space` is
    the logarithm of the staff space over `LEAF_SPACE`.
    """

    picture: Tensor
    zone: Tensor
    up: Tensor
    down: Tensor
    line: Tensor
    space: Tensor
    region: Tensor


@dataclass(frozen=True, slots=True)
class _Bend:
    """A shear of each crop (rows a column), and the columns' scale over the rows'."""

    shear: npt.NDArray[np.float32]
    stretch: float

    @property
    def margin(self) -> float:
        """Share of the crop's side that the shear asks for above and below."""
        return float(np.abs(self.shear).max()) / 2


class LeafCropper:
    """Cuts random crops out of pages; one scale for a group, so that the device does it at once.

    Parameters
    ----------
    leaves : list of Leaf
    crop : int
        Side of a crop in input pixels, an even number.
    device : torch.device
    vary : bool
        Shear, stretch, end and hide parts of crops: for training, not for measuring.
    """

    def __init__(self, leaves: list[Leaf], crop: int, device: torch.device, *, vary: bool = False) -> None:
        self.device, self.crop, self.vary = device, crop, vary
        self.pictures, self.maps = [], []
        for leaf in leaves:
            own = (leaf.zone, leaf.region, leaf.up, leaf.down, leaf.line, leaf.space)
            self.pictures.append(torch.from_numpy(leaf.picture).to(device))
            self.maps.append(torch.from_numpy(np.stack(own).astype(np.float16)).to(device))
        # Small pages take up a whole crop all the same.
        least = (crop * STORED_SPACE / LEAF_SPACE) ** 2
        area = np.array([max(p.shape[0] * p.shape[1], least) for p in self.pictures], dtype=np.float64)
        self.bare_share = _share(area, [not (leaf.zone > 0).any() for leaf in leaves])
        self.few_share = _share(area, [bool((leaf.zone > _FULL_ZONE).any()) for leaf in leaves])
        self.share = area / area.sum()
        if self.few_share is not None:  # however few pages there are of them
            lack = max(0.0, _LEAST_FEW - float(self.share[self.few_share > 0].sum()))
            self.share = (1 - lack) * self.share + lack * self.few_share

    def crops(self, rng: np.random.Generator, batch: int) -> Crops:
        """A random batch of a few groups, each at a scale of its own; large pages are drawn more often.

        A batch all of one scale, or all bare, would be normalised by figures of its own, unlike those
        that the network later works with.
        """
        sizes = [len(part) for part in np.array_split(np.arange(batch), min(_GROUPS, batch))]
        return joined([self._group(rng, size) for size in sizes])

    def _group(self, rng: np.random.Generator, batch: int) -> Crops:
        if self.bare_share is not None and rng.random() < _BARE_SHARE:
            return self._bare(rng, batch, self.bare_share)
        way, share = rng.random(), self.share
        if way < _USUAL_SHARE:
            scale = LEAF_SPACE / STORED_SPACE * float(np.exp(rng.normal(0, 0.06)))
        elif way < _USUAL_SHARE + _NEAR_SHARE:
            scale = _between(rng, _NEAR_SCALES)
        else:
            scale = _between(rng, _FAR_SCALES)
            if self.few_share is not None and rng.random() < _FEW_SHARE:
                share = self.few_share
        return self._cut(rng, rng.choice(len(share), size=batch, p=share), scale)

    def _bare(self, rng: np.random.Generator, batch: int, share: npt.NDArray[np.float64]) -> Crops:
        """A batch on which there is no staff to be seen, at any scale a wrong guess may lead to."""
        scale = _between(rng, _BARE_SCALES)
        small = scale < _TOO_SMALL and rng.random() < 0.5
        share = self.share if small else share
        crops = self._cut(rng, rng.choice(len(share), size=batch, p=share), scale)
        return replace(crops, zone=torch.zeros_like(crops.zone), line=torch.full_like(crops.line, OFF_PAGE))

    def _cut(self, rng: np.random.Generator, chosen: npt.NDArray[np.intp], scale: float) -> Crops:
        bend = self._bend(rng, len(chosen))
        margin = 2 * int(np.ceil(bend.margin * self.crop / 2))  # input pixels
        tall = self.crop + 2 * margin
        high, wide = 2 * round(tall / scale / 2), 2 * round(self.crop / (scale * bend.stretch) / 2)
        pictures, maps = [], []
        for index in chosen.tolist():
            part, cells = self._window(rng, self.pictures[index], self.maps[index], high, wide)
            pictures.append(part)
            maps.append(cells)
        ink = (255.0 - torch.stack(pictures).permute(0, 3, 1, 2).float()) / 255.0
        size = (tall, self.crop)
        seen = functional.interpolate(ink, size=size, mode="bilinear", antialias=True, align_corners=False)
        shear = torch.from_numpy(bend.shear).to(self.device)
        if margin:
            seen = sheared(seen, shear, margin)
        crops = self._targets(
            seen.clamp(0, 1), torch.stack(maps), (tall / high, self.crop / wide), shear, margin
        )
        return hidden(ended(crops, rng), rng) if self.vary else crops

    def _bend(self, rng: np.random.Generator, batch: int) -> _Bend:
        if not self.vary or rng.random() >= _BENT_SHARE:
            return _Bend(np.zeros(batch, np.float32), 1.0)
        shear = rng.uniform(-_SHEAR, _SHEAR, batch).astype(np.float32)
        return _Bend(shear, float(np.exp(np.clip(rng.normal(0, _STRETCH), -0.12, 0.12))))

    def _window(
        self, rng: np.random.Generator, picture: Tensor, own: Tensor, high: int, wide: int
    ) -> tuple[Tensor, Tensor]:
        """A random part of a page; a smaller page lies in a corner, or anywhere, on nothing."""
        top, above, below = _placed(rng, picture.shape[0], high)
        left, before, behind = _placed(rng, picture.shape[1], wide)
        part = picture[2 * top : 2 * top + high, 2 * left : 2 * left + wide]
        cells = own[:, top : top + high // 2, left : left + wide // 2]
        if above or below or before or behind:
            sides = (before, behind, above, below)
            part = functional.pad(part, (0, 0, *(2 * x for x in sides)), value=255)
            lines = functional.pad(cells[4:5], sides, value=OFF_PAGE)
            cells = functional.pad(cells, sides)
            cells[4:5] = lines
        return part, cells

    def _targets(
        self, seen: Tensor, maps: Tensor, scales: tuple[float, float], shear: Tensor, margin: int
    ) -> Crops:
        """Targets at the cells' centres, from the nearest stored ones; distances go on in between."""
        cells = torch.arange(self.crop // STRIDE, device=self.device) + 0.5
        shift = shear[:, None] * (cells - self.crop / STRIDE / 2) + margin / STRIDE
        at = (cells[None, :, None] + shift[:, None, :]) / scales[0] - 0.5
        near = at.round().long().clamp(0, maps.shape[2] - 1)
        near_col = (cells / scales[1] - 0.5).round().long().clamp(0, maps.shape[3] - 1)
        page = torch.arange(len(maps), device=self.device)[:, None, None]
        own = maps[page, :, near, near_col[None, None, :]].float()  # (B, rows, columns, maps)
        zone, bits = own[..., 0].long(), own[..., 1].long()
        off = (at - near) * STRIDE
        to_cells = scales[0] / STRIDE
        space = torch.log(own[..., 5].clamp(min=1e-3) * scales[0] / LEAF_SPACE)
        return Crops(
            picture=seen,
            zone=zone,
            up=(own[..., 2] + off) * to_cells,
            down=(own[..., 3] - off) * to_cells,
            line=own[..., 4] * to_cells,
            space=torch.where(own[..., 5] > 0, space, torch.zeros_like(space)),
            region=torch.stack([(bits >> k & 1).float() for k in range(len(REGIONS))], 1),
        )


def joined(parts: list[Crops]) -> Crops:
    """One batch of several."""
    slots = (f.name for f in fields(Crops))
    return Crops(**{name: torch.cat([getattr(part, name) for part in parts]) for name in slots})


def _share(area: npt.NDArray[np.float64], wanted: list[bool]) -> npt.NDArray[np.float64] | None:
    own = area * np.array(wanted)
    return own / own.sum() if own.any() else None


def _placed(rng: np.random.Generator, side: int, wanted: int) -> tuple[int, int, int]:
    """Where along one side a window begins, and how much nothing lies before and behind; in cells."""
    lack = max(0, wanted - side) // 2
    first = int(rng.integers(0, max(0, side - wanted) // 2 + 1))
    before = int(rng.integers(0, lack + 1)) if rng.random() < _FREE_SHARE else 0
    return first, before, lack - before


def _between(rng: np.random.Generator, ends: tuple[float, float]) -> float:
    return float(np.exp(rng.uniform(*np.log(ends))))


def sheared(pictures: Tensor, shear: Tensor, margin: int) -> Tensor:
    """Shift columns up and down, the middle one not at all.

    Parameters
    ----------
    pictures : Tensor float32 (B, C, H + 2 * margin, W)
    shear : Tensor float32 (B,)
        Rows a column; rises are positive where the picture moves up.
    margin : int
        Rows above and below that are not wanted.

    Returns
    -------
    Tensor float32 (B, C, H, W)
        Row r, column c holds what was at row r + margin + shear * (c - (W - 1) / 2).
    """
    count, channels, tall, width = pictures.shape
    cols = torch.arange(width, device=pictures.device) - (width - 1) / 2
    rows = torch.arange(tall - 2 * margin, device=pictures.device) + margin
    at = (rows[None, :, None] + shear[:, None, None] * cols).clamp(0, tall - 1.001)
    low = at.floor()
    part = (at - low)[:, None]
    index = low.long()[:, None].expand(count, channels, -1, -1)
    return pictures.gather(2, index) * (1 - part) + pictures.gather(2, index + 1) * part


def ended(crops: Crops, rng: np.random.Generator) -> Crops:
    """Let the page end inside some crops, through staves as it comes: beyond there is nothing."""
    count, side = crops.picture.shape[0], crops.picture.shape[2] // STRIDE
    box = np.tile(np.array([0, 0, side, side]), (count, 1))
    for one in np.flatnonzero(rng.random(count) < _EDGE_SHARE):
        edge = int(rng.choice(4, p=(0.2, 0.15, 0.4, 0.25)))
        gone = int(rng.uniform(0.02, _EDGE_REACH) * side)
        box[one, edge] += gone if edge < 2 else -gone
    there = _inside(torch.from_numpy(box).to(crops.zone.device), side)
    return replace(
        crops,
        picture=crops.picture * _doubled(there)[:, None],
        zone=crops.zone * there,
        line=torch.where(there, crops.line, OFF_PAGE),
        region=crops.region * there[:, None],
    )


def hidden(crops: Crops, rng: np.random.Generator) -> Crops:
    """Hide patches of some crops, under nothing or under a flat colour; staves go on beneath."""
    picture, region = crops.picture, crops.region
    count, side = picture.shape[0], picture.shape[2] // STRIDE
    for _ in range(_MOST_PATCHES):
        box = np.zeros((count, 4), np.int64)
        for one in np.flatnonzero(rng.random(count) < _PATCH_SHARE):
            high, wide = (int(rng.integers(*span)) // STRIDE for span in (_PATCH_ROWS, _PATCH_COLS))
            top, left = (int(at) for at in rng.integers(0, side, 2))
            box[one] = (top, left, top + high, left + wide)
        colour = (rng.random((count, 3)) * (rng.random((count, 1)) < 0.5)).astype(np.float32)
        patch = _inside(torch.from_numpy(box).to(picture.device), side)
        fill = torch.from_numpy(colour).to(picture.device)[:, :, None, None]
        picture = torch.where(_doubled(patch)[:, None], fill, picture)
        region = region * ~patch[:, None]
    return replace(crops, picture=picture, region=region)


def _inside(boxes: Tensor, side: int) -> Tensor:
    """Cells inside a box each, (B, side, side) bool; boxes are top, left, bottom, right."""
    at = torch.arange(side, device=boxes.device)
    rows = (at >= boxes[:, :1]) & (at < boxes[:, 2:3])
    cols = (at >= boxes[:, 1:2]) & (at < boxes[:, 3:])
    return rows[:, :, None] & cols[:, None, :]


def _doubled(cells: Tensor) -> Tensor:
    return cells.repeat_interleave(STRIDE, 1).repeat_interleave(STRIDE, 2)
