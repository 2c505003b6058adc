"""Colour, contrast, blur, loss and show-through: what befalls crops anew at every step."""

from __future__ import annotations

from collections.abc import Callable, Sequence
from typing import Final

import torch
from torch import Tensor
from torch.nn.functional import avg_pool2d, interpolate

from neumary_models.labels import LAYERS

_PARCHMENT, _BLEED = LAYERS.index("parchment"), LAYERS.index("bleed")
_INKS: Final = tuple(LAYERS.index(name) for name in ("music", "text", "decoration"))
_SHOWN_SHARE: Final = 0.15  # of crops with another crop showing through
_SEEN: Final = 0.12  # strength from which on show-through counts as such in the map of layers


def _uniform(strips: Tensor, generator: torch.Generator) -> Callable[..., Tensor]:
    def uniform(low: float, high: float, *shape: int) -> Tensor:
        return low + (high - low) * torch.rand(*shape, device=strips.device, generator=generator)

    return uniform


def show_through(strips: Tensor, layer: Tensor, generator: torch.Generator) -> None:
    """Let the next crop of the batch show through some crops, mirrored, blurred and pale, in place.

    Parameters
    ----------
    strips : Tensor float32 (B, 5, H, W)
        Channels 0..3 are changed.
    layer : Tensor int64 (B, h, w)
        Parchment through which ink shows well becomes "bleed".
    generator : torch.Generator
    """
    count = strips.shape[0]
    uniform = _uniform(strips, generator)
    strength = uniform(0.05, 0.32, count, 1, 1, 1) * (uniform(0, 1, count, 1, 1, 1) < _SHOWN_SHARE).float()
    tint = 1 + uniform(-0.25, 0.25, count, 4, 1, 1)
    behind = avg_pool2d(strips[:, :4].flip(3).roll(1, 0), 3, 1, 1)
    darkest = strips[:, 3].amax((1, 2)).clamp(min=0.1)
    tint = tint * (darkest / darkest.roll(1)).clamp(max=1.0)[:, None, None, None]  # never darker than here
    strips[:, :4] = torch.maximum(strips[:, :4], (behind * strength * tint).clamp(0, 1))
    back = layer.flip(2).roll(1, 0)
    inked = torch.isin(back, torch.tensor(_INKS, device=layer.device))
    shown = inked & (layer == _PARCHMENT) & (strength[:, 0] >= _SEEN)
    layer.masked_fill_(shown, _BLEED)


def _lost(uniform: Callable[..., Tensor], count: int, size: Sequence[int]) -> Tensor:
    """Share of the ink gone: specks flaked off some crops, wide patches faded on others."""
    # cell px, share of crops, level, steepness, most that is lost
    grids = ((4, 0.25, 0.9, 8.0, 0.9), (40, 0.2, 0.6, 2.5, 0.55))
    gone: list[Tensor] = []
    for cell, share, level, steep, most in grids:
        field = uniform(0, 1, count, 1, max(2, size[0] // cell), max(2, size[1] // cell))
        field = interpolate(field, size=list(size), mode="bilinear")
        strength = uniform(0.3 * most, most, count, 1, 1, 1) * (uniform(0, 1, count, 1, 1, 1) < share).float()
        gone.append(((field - level) * steep).clamp(0, 1) * strength)
    return torch.maximum(*gone)


def shake_colours(strips: Tensor, generator: torch.Generator, blind: Sequence[int] = ()) -> Tensor:
    """Colour, contrast, blur and noise as other cameras, inks and parchments would give.

    Parameters
    ----------
    strips : Tensor float32 (B, 5, H, W)
        Changed in place: channels 0..3; the line positions stay.
    generator : torch.Generator
    blind : sequence of int
        Channels kept empty (ablations).
    """
    device, count = strips.device, strips.shape[0]
    uniform = _uniform(strips, generator)
    rgb = strips[:, :3]
    mix = torch.eye(3, device=device) + uniform(-0.12, 0.12, count, 3, 3)
    rgb = torch.einsum("bij,bjhw->bihw", mix, rgb)
    weights = uniform(0.1, 1.0, count, 3, 1, 1)
    grey = (rgb * weights / weights.sum(1, keepdim=True)).sum(1, keepdim=True)
    bleach = (uniform(0, 1, count, 1, 1, 1) < 0.14).float()
    rgb = rgb * (1 - bleach) + grey * bleach
    all4 = torch.cat([rgb, strips[:, 3:4]], 1).clamp(0, 1)
    all4 = all4 ** torch.exp(uniform(-0.4, 0.4, count, 1, 1, 1)) * uniform(0.6, 1.25, count, 1, 1, 1)
    coarse = uniform(-0.10, 0.10, count, 1, 6, 12)
    all4 = all4 + interpolate(coarse, size=strips.shape[2:], mode="bicubic")
    blurred = avg_pool2d(all4, 3, 1, 1)
    soft = uniform(0, 1, count, 1, 1, 1) * (uniform(0, 1, count, 1, 1, 1) < 0.4).float()
    all4 = all4 * (1 - soft) + blurred * soft
    small = avg_pool2d(all4, 2)
    small = interpolate(small, size=strips.shape[2:], mode="bilinear")
    poor = (uniform(0, 1, count, 1, 1, 1) < 0.12).float()  # as from a picture of half the resolution
    all4 = all4 * (1 - poor) + small * poor
    all4 = all4 * (1 - _lost(uniform, count, strips.shape[2:]))
    noise = torch.randn(all4.shape, device=device, generator=generator)
    all4 = all4 + noise * uniform(0, 0.05, count, 1, 1, 1)
    strips[:, :4] = all4.clamp(0, 1)
    strips[:, list(blind)] = 0.0
    return strips
