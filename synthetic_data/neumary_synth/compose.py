"""Ink on parchment: sheets laid over a leaf, with fading, flaking and show-through."""

from __future__ import annotations

from typing import Final

import cv2
import numpy as np

from neumary_synth.ageing import Ageing
from neumary_synth.parchment import draw_parchment, draw_surroundings, field, leaf_mask
from neumary_synth.pen import fill
from neumary_synth.sheets import F32, U8, FlatPage, Sheet, as_u8

_DARK_INK: Final = 0.75  # share of the light that a dark ink stops
_COARSE: Final = 6  # ink flow is computed at a sixth of the size
_FULL: Final = 150  # byte value of usual ink density
_COVERING: Final = 0.94  # body colour never hides the leaf quite
_THINNEST: Final = 0.4  # coverage from which on a stroke counts as whole, only thinner in ink
_WHOLE: Final = np.clip(np.arange(256) / _THINNEST, 0, 255).astype(np.uint8)
_LOAD: Final = np.maximum(np.arange(256), round(_THINNEST * 255)).astype(np.uint8)


def _ink_density(
    rng: np.random.Generator, page: FlatPage, sheet: Sheet, ageing: Ageing, box: tuple[int, int, int, int]
) -> U8:
    """Density of a sheet's ink inside a box of coarse cells, as bytes, `_FULL` = usual."""
    rows, cols = page.height // _COARSE + 1, page.width // _COARSE + 1
    density = np.ones((rows, cols), np.float32)
    for top, left, bottom, right, value in sheet.flow:
        r0, r1 = max(int(top / _COARSE), 0), int(bottom / _COARSE) + 1
        c0, c1 = max(int(left / _COARSE), 0), int(right / _COARSE) + 1
        density[r0:r1, c0:c1] = value
    s = page.space_px / _COARSE
    if ageing.flow:
        density *= 1 + 0.35 * ageing.flow * field(rng, (rows, cols), 6 * s)
        density += 0.3 * ageing.flow * field(rng, (rows, cols), max(0.35 * s, 1.0))
    if ageing.fade:
        density *= 1 - ageing.fade * np.clip(0.8 + 0.4 * field(rng, (rows, cols), 12 * s), 0, 1.2)
    top, left, bottom, right = box
    small = np.clip(density[top:bottom, left:right] * _FULL, 14, 255).astype(np.uint8)
    size = ((right - left) * _COARSE, (bottom - top) * _COARSE)
    return np.asarray(cv2.resize(small, size, interpolation=cv2.INTER_LINEAR))


def _flake(rng: np.random.Generator, page: FlatPage, ageing: Ageing) -> U8 | None:
    """What flaking leaves of the ink, 255 = all; None where nothing flakes."""
    if not ageing.flaking:
        return None
    half = (page.height // 2 + 1, page.width // 2 + 1)
    s = page.space_px / 2
    fine = field(rng, half, max(0.09 * s, 1.0)) + 0.6 * field(rng, half, max(0.3 * s, 1.5))
    bad = field(rng, (half[0] // 4 + 1, half[1] // 4 + 1), 9 * s / 4)
    spread = cv2.resize(bad, (half[1], half[0]), interpolation=cv2.INTER_LINEAR)
    kept = 255 * np.clip(
        0.15 + (fine - (spread - 0.9) * 1.6 * ageing.flaking + 2.4 - 1.3 * ageing.flaking) * 1.4, 0, 1
    )
    return np.asarray(
        cv2.resize(kept.astype(np.uint8), (page.width, page.height), interpolation=cv2.INTER_LINEAR)
    )


def _lay_ink(rgb: U8, sheet: Sheet, mask: U8, density: U8, paper: tuple[int, int, int]) -> None:
    """Lay a translucent ink over a page or a part of it, in place; all of the same size.

    Light passes a layer of ink as its transmittance to the power of the layer's
    thickness (Beer-Lambert), so thin ink is paler and warmer, not greyer.
    """
    through = np.clip(np.array(sheet.ink, np.float64) / np.maximum(np.array(paper), 1), 0.02, 0.98)
    table = through[None, :] ** (np.arange(256)[:, None] / _FULL)
    blocked = np.round(255 * (1 - table)).astype(np.uint8).reshape(256, 1, 3)
    here = cv2.multiply(density, cv2.LUT(mask, _LOAD), scale=1 / 255)
    stop = cv2.LUT(cv2.merge([here, here, here]), blocked)
    cover = cv2.LUT(mask, _WHOLE)
    stop = cv2.multiply(stop, cv2.merge([cover, cover, cover]), scale=1 / 255)
    rgb[:] = cv2.multiply(rgb, cv2.bitwise_not(stop), scale=1 / 255)


def _lay_paint(rgb: U8, sheet: Sheet, mask: U8, density: U8) -> None:
    """Lay body colour over a page or a part of it, in place; all of the same size."""
    shade = np.clip(density.astype(np.float32) / _FULL, 0.5, 1.3)[..., None]
    colour = np.clip(np.array(sheet.ink, np.float32) * (1.12 - 0.18 * shade), 0, 255)
    alpha = (mask.astype(np.float32) * (_COVERING / 255))[..., None]
    rgb[:] = (rgb * (1 - alpha) + colour * alpha).astype(np.uint8)


def _verso_masks(rng: np.random.Generator, page: FlatPage, verso: FlatPage, ageing: Ageing) -> tuple[U8, U8]:
    """Mirrored, blurred coverage of the verso: dark inks, and coloured inks.

    Both sides of a leaf were written with the same ink and have aged alike, so pale or faded ink shines
    through as much less as it is paler itself.
    """
    size = (page.width // 2 + 1, page.height // 2 + 1)
    dark, coloured = (np.zeros((size[1], size[0]), np.uint8) for _ in range(2))
    for sheet in verso.sheets:
        small = cv2.resize(sheet.mask, size, interpolation=cv2.INTER_AREA)
        target = coloured if (sheet.layer == "line" or max(sheet.ink) - min(sheet.ink) > 60) else dark
        strength = (1 - 0.8 * ageing.fade) * (0.5 if sheet.layer == "line" else 1.0)
        if target is dark:
            strength *= min(1.0, (1 - sum(sheet.ink) / sum(ageing.parchment)) / _DARK_INK)
        np.maximum(target, cv2.convertScaleAbs(small, alpha=strength), out=target)
    patch = np.clip(0.75 + 0.45 * field(rng, (size[1], size[0]), 3 * page.space_px), 0, 1.3)
    sigma = max(ageing.bleed_blur_spaces * page.space_px / 2, 0.4)
    out = []
    for mask in (dark, coloured):
        mirrored = cv2.GaussianBlur(np.ascontiguousarray(mask[:, ::-1]), (0, 0), sigma)
        patched = np.clip(mirrored * patch, 0, 255).astype(np.uint8)
        out.append(cv2.resize(patched, (page.width, page.height), interpolation=cv2.INTER_LINEAR))
    return out[0], out[1]


def _bleed(rng: np.random.Generator, rgb: U8, page: FlatPage, verso: FlatPage, ageing: Ageing) -> U8:
    """Let the verso show through, in place; give its coverage."""
    dark, coloured = _verso_masks(rng, page, verso, ageing)
    tint = np.array([0.64, 0.6, 0.7]) + rng.normal(0, 0.08, 3)
    if rng.random() < 0.4:  # grey-green rather than brown
        tint = np.array([0.68, 0.61, 0.66]) + rng.normal(0, 0.04, 3)
    for mask, stop in ((dark, tint), (coloured, np.array([0.2, 0.42, 0.42]))):
        weights = np.clip(255 * stop * ageing.bleed, 0, 255)
        blocked = cv2.merge([cv2.multiply(mask, np.full_like(mask, int(w)), scale=1 / 255) for w in weights])
        rgb[:] = cv2.multiply(rgb, cv2.bitwise_not(blocked), scale=1 / 255)
    return np.asarray(np.maximum(dark, coloured // 2))


def _rub(rng: np.random.Generator, rgb: U8, bare: U8, page: FlatPage, masks: dict[str, U8]) -> None:
    """Rub out a patch where no sign stands, leaving ghosts of earlier writing, in place."""
    s = page.space_px
    top, left, bottom, right = page.leaf
    row, col = rng.uniform(top, bottom), rng.uniform(left, right)
    high, wide = rng.uniform(0.8, 2.0) * s, rng.uniform(1, 7) * s
    taken = masks["music"][
        max(int(row - high), 0) : int(row + high), max(int(col - wide), 0) : int(col + wide)
    ]
    if taken.size == 0 or taken.any():
        return
    r0, c0 = max(int(row - 1.6 * high - s), 0), max(int(col - 1.6 * wide - s), 0)
    near = np.s_[r0 : int(row + 1.6 * high + s), c0 : int(col + 1.6 * wide + s)]
    patch = np.zeros_like(masks["music"][near])
    t = np.linspace(0, 2 * np.pi, 24, endpoint=False)
    radius = 1 + rng.normal(0, 0.12, 24)
    fill(patch, np.stack([row - r0 + high * radius * np.sin(t), col - c0 + wide * radius * np.cos(t)], 1))
    patch = as_u8(cv2.GaussianBlur(patch, (0, 0), 0.3 * s))
    for _ in range(int(rng.integers(0, 5))):  # ghosts of heads
        r, c = row + rng.uniform(-0.5, 0.5) * high, col + rng.uniform(-0.8, 0.8) * wide
        size = rng.uniform(0.2, 0.4) * s
        box = np.array(
            [[r - size, c - size], [r - size, c + size], [r + size, c + size], [r + size, c - size]]
        )
        fill(masks["bleed"], box, 120)
        strength = int(rng.uniform(15, 60))
        part = np.s_[
            max(int(r - size) - 2, 0) : int(r + size) + 3, max(int(c - size) - 2, 0) : int(c + size) + 3
        ]
        ghost = np.zeros_like(rgb[part][..., 0])
        if ghost.size:
            fill(ghost, box - (part[0].start, part[1].start), strength)
            _lay_ink(
                rgb[part], Sheet("bleed", (90, 70, 50), ghost), ghost, np.full_like(ghost, _FULL),
                (220, 205, 180),
            )  # fmt: skip
    alpha = (patch.astype(np.float32) * (rng.uniform(0.35, 0.8) / 255))[..., None]
    lighter = np.clip(bare[near].astype(np.float32) * rng.uniform(0.97, 1.06), 0, 255)
    rgb[near] = (rgb[near] * (1 - alpha) + lighter * alpha).astype(np.uint8)
    weak = np.where(patch < 191, 255, 0).astype(np.uint8)
    for name in ("text", "line", "decoration"):
        masks[name][near] &= weak


def compose(
    rng: np.random.Generator, page: FlatPage, verso: FlatPage | None, ageing: Ageing
) -> tuple[U8, dict[str, U8], U8]:
    """Lay all inks on an aged leaf: steps 1 to 5 of the order given in `ageing`.

    Parameters
    ----------
    rng : numpy Generator
    page : FlatPage
    verso : FlatPage or None
        The other side of the leaf; None where nothing shows through.
    ageing : Ageing

    Returns
    -------
    rgb : ndarray of uint8, shape (H, W, 3)
    masks : dict of str to ndarray of uint8, shape (H, W)
        Coverage of each layer where it is not hidden, rubbed out or holed; ink that faded or
        flaked counts whole.
    hidden : ndarray of uint8, shape (H, W)
        Where paint lies over the ink, or no leaf is left.
    """
    shape = (page.height, page.width)
    rgb = draw_parchment(rng, shape, page.leaf, page.space_px, ageing)
    bare = rgb.copy() if ageing.erasures else rgb
    masks = {name: np.zeros(shape, np.uint8) for name in ("line", "music", "text", "decoration", "bleed")}
    if verso is not None and ageing.bleed:
        masks["bleed"] = _bleed(rng, rgb, page, verso, ageing)
    flake = _flake(rng, page, ageing)
    hidden = np.zeros(shape, np.uint8)
    for sheet in sorted(page.sheets, key=lambda s: s.opaque):
        col, row, wide, high = cv2.boundingRect(sheet.mask)
        if not wide:
            continue
        cells = (row // _COARSE, col // _COARSE, -(-(row + high) // _COARSE), -(-(col + wide) // _COARSE))
        part = np.s_[cells[0] * _COARSE : cells[2] * _COARSE, cells[1] * _COARSE : cells[3] * _COARSE]
        drawn = sheet.mask[part]
        density = _ink_density(rng, page, sheet, ageing, cells)[: drawn.shape[0], : drawn.shape[1]]
        mask = drawn if flake is None else as_u8(cv2.multiply(drawn, flake[part], scale=1 / 255))
        whole = cv2.LUT(drawn, _WHOLE)
        if sheet.opaque:
            _lay_paint(rgb[part], sheet, mask, density)
            rest = cv2.bitwise_not(whole)
            np.maximum(hidden[part], whole, out=hidden[part])
            for name in ("line", "music", "text"):
                masks[name][part] = cv2.multiply(masks[name][part], rest, scale=1 / 255)
        else:
            _lay_ink(rgb[part], sheet, mask, density, ageing.parchment)
        np.maximum(masks[sheet.layer][part], whole, out=masks[sheet.layer][part])
    for _ in range(ageing.erasures):
        _rub(rng, rgb, bare, page, masks)
    gone = _holes(rng, page, masks["music"], ageing)
    leaf = as_u8(leaf_mask(rng, shape, page.leaf, page.space_px) & ~gone)
    rgb = _blend(rgb, draw_surroundings(rng, shape, page.leaf, page.space_px, ageing), leaf)
    there = as_u8(cv2.threshold(leaf, 127, 255, cv2.THRESH_BINARY)[1])
    for name in masks:
        masks[name] = as_u8(masks[name] & there)
    return rgb, masks, as_u8(hidden | ~there)


def _blend(over: U8, under: U8, mask: U8) -> U8:
    cover = cv2.merge([mask, mask, mask])
    first = cv2.multiply(over, cover, scale=1 / 255)
    second = cv2.multiply(under, cv2.bitwise_not(cover), scale=1 / 255)
    return np.asarray(cv2.add(first, second))


def _holes(rng: np.random.Generator, page: FlatPage, music: U8, ageing: Ageing) -> U8:
    """Holes in the leaf, placed where no sign stands."""
    gone = np.zeros((page.height, page.width), np.uint8)
    s = page.space_px
    top, left, bottom, right = page.leaf
    for _ in range(ageing.holes):
        row, col = rng.uniform(top, bottom), rng.uniform(left, right)
        radius = float(rng.choice([rng.uniform(0.08, 0.3), rng.uniform(0.4, 1.8)])) * s
        t = np.linspace(0, 2 * np.pi, 20, endpoint=False)
        edge = radius * (1 + rng.normal(0, 0.1, 20))
        reach = int(radius * 1.5) + 2
        if music[
            max(int(row) - reach, 0) : int(row) + reach, max(int(col) - reach, 0) : int(col) + reach
        ].any():
            continue
        fill(gone, np.stack([row + edge * np.sin(t) * rng.uniform(0.6, 1), col + edge * np.cos(t)], 1))
    return gone


def lens_noise(rng: np.random.Generator, rgb: U8, size: float) -> U8:
    """Sensor noise: brightness at full, colour at half resolution."""
    height, width = rgb.shape[:2]
    luma = rng.standard_normal((height, width), dtype=np.float32) * size
    half = (height // 2 + 1, width // 2 + 1)
    channels = []
    for _ in range(3):
        chroma: F32 = rng.standard_normal(half, dtype=np.float32) * (0.6 * size)
        up = cv2.resize(chroma, (width, height), interpolation=cv2.INTER_LINEAR)
        channels.append(cv2.add(luma, up))
    return np.asarray(cv2.add(rgb, cv2.merge(channels), dtype=cv2.CV_8U))
