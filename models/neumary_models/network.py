"""The networks: small, fully convolutional, over straightened staves or whole leaves.

The sign reader looks at a whole strip at once, so a head is judged with its neighbours, its
staff and the text below it in view, and touching heads need no cutting apart.
The shape follows the encoder-decoder with skip connections [1]_ of residual
blocks [2]_; sign centres are peaks of a heat map with offsets [3]_.

References
----------
.. [1] O. Ronneberger, P. Fischer and T. Brox, "U-Net", MICCAI 2015.
.. [2] K. He et al., "Deep residual learning for image recognition", CVPR 2016.
.. [3] X. Zhou, D. Wang and P. Kraehenbuehl, "Objects as points", arXiv:1904.07850, 2019.
"""

from __future__ import annotations

from typing import Final

import torch
from torch import Tensor, nn

from neumary_models.outputs import CHANNELS_IN, CHANNELS_OUT, HEAT


class _ConvNorm(nn.Sequential):
    def __init__(self, before: int, after: int, stride: int = 1, dilation: int = 1) -> None:
        super().__init__(
            nn.Conv2d(before, after, 3, stride, dilation, dilation, bias=False),
            nn.BatchNorm2d(after),
        )


class _Residual(nn.Module):
    """Two 3x3 convolutions around which the input is carried."""

    def __init__(self, width: int, dilation: int = 1) -> None:
        super().__init__()
        self.one = _ConvNorm(width, width, dilation=dilation)
        self.two = _ConvNorm(width, width, dilation=dilation)

    def forward(self, x: Tensor) -> Tensor:
        """Same shape in and out."""
        y = torch.relu(self.one(x))
        return torch.relu(x + self.two(y))


class _Merge(nn.Module):
    """Double the resolution and add the features of the same size from the way down.

    Normalised before adding, so that both norms vanish into their convolutions on export.
    """

    def __init__(self, deep: int, skip: int, after: int) -> None:
        super().__init__()
        self.deep = nn.Sequential(nn.Conv2d(deep, after, 1, bias=False), nn.BatchNorm2d(after))
        self.skip = nn.Sequential(nn.Conv2d(skip, after, 1, bias=False), nn.BatchNorm2d(after))

    def forward(self, deep: Tensor, skip: Tensor) -> Tensor:
        """(N, deep, h, w) and (N, skip, 2h, 2w) to (N, after, 2h, 2w)."""
        up = nn.functional.interpolate(self.deep(deep), scale_factor=2.0, mode="nearest")
        return torch.relu(up + self.skip(skip))


_DILATIONS: Final = (1, 2, 1, 2)
"""Of the residual blocks at one resolution, in turn."""


class MapNet(nn.Module):
    """Picture in, maps of scores out, at half the resolution.

    Input: float32 (N, `channels_in`, H, W), H and W multiples of 16.
    Output: float32 (N, `channels_out`, H / 2, W / 2), raw scores.

    Parameters
    ----------
    channels_in, channels_out : int
    widths : tuple of int
        Channels at 1/2, 1/4, 1/8 and 1/16 of the input's resolution. ONNX Runtime works in
        blocks of 16 channels, so other numbers cost what the next multiple costs.
    rare : slice
        Output channels of things that are rare: they start from "nothing here"
        (Lin et al., "Focal loss for dense object detection", ICCV 2017).
    blocks : tuple of int
        Residual blocks at 1/4, 1/8 and 1/16 on the way down.
    tail : tuple of int
        Channels at 1/2 on the way up: merged, and before the scores.
    """

    def __init__(
        self,
        channels_in: int,
        channels_out: int,
        widths: tuple[int, int, int, int],
        rare: slice,
        blocks: tuple[int, int, int] = (2, 3, 2),
        tail: tuple[int, int] = (16, 32),
    ) -> None:
        super().__init__()
        a, b, c, d = widths
        quarter, eighth, sixteenth = blocks
        merged, last = tail
        self.stem = nn.Sequential(_ConvNorm(channels_in, a, stride=2), nn.ReLU())
        self.at_half = nn.Sequential(_ConvNorm(a, a), nn.ReLU())
        self.at_quarter = nn.Sequential(
            _ConvNorm(a, b, stride=2), nn.ReLU(), *(_Residual(b) for _ in range(quarter))
        )
        self.at_eighth = nn.Sequential(
            _ConvNorm(b, c, stride=2), nn.ReLU(), *(_Residual(c, k) for k in _DILATIONS[:eighth])
        )
        self.at_sixteenth = nn.Sequential(
            _ConvNorm(c, d, stride=2), nn.ReLU(), *(_Residual(d, k) for k in _DILATIONS[:sixteenth])
        )
        self.up_eighth = _Merge(d, c, c)
        self.eighth_out = _Residual(c)
        self.up_quarter = _Merge(c, b, b)
        self.quarter_out = _Residual(b)
        self.up_half = _Merge(b, a, merged)
        self.half_out = nn.Sequential(_ConvNorm(merged, last), nn.ReLU())
        self.head = nn.Conv2d(last, channels_out, 1)
        with torch.no_grad():
            bias = self.head.bias
            assert bias is not None
            bias[rare] = -4.0

    def forward(self, picture: Tensor) -> Tensor:
        """Scores of all maps at half the input's resolution."""
        half = self.at_half(self.stem(picture))
        quarter = self.at_quarter(half)
        eighth = self.at_eighth(quarter)
        sixteenth = self.at_sixteenth(eighth)
        x = self.eighth_out(self.up_eighth(sixteenth, eighth))
        x = self.quarter_out(self.up_quarter(x, quarter))
        x = self.half_out(self.up_half(x, half))
        scores: Tensor = self.head(x)
        return scores


class StripNet(MapNet):
    """Strip in, sign maps out, laid out as in `neumary_models.outputs`.

    Parameters
    ----------
    widths, blocks, tail : tuple of int
        See `MapNet`.
    """

    def __init__(
        self,
        widths: tuple[int, int, int, int] = (16, 32, 64, 128),
        blocks: tuple[int, int, int] = (2, 3, 3),
        tail: tuple[int, int] = (16, 32),
    ) -> None:
        super().__init__(CHANNELS_IN, CHANNELS_OUT, widths, HEAT, blocks, tail)
