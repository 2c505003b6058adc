"""The sign reader: a small fully convolutional network over straightened staves.

It looks at a whole strip at once, so a head is judged with its neighbours, its
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

import torch
from torch import Tensor, nn

from neumary_models.outputs import CHANNELS_IN, CHANNELS_OUT, HEAT, STRIDE


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
    """Double the resolution and add the features of the same size from the way down."""

    def __init__(self, deep: int, skip: int, after: int) -> None:
        super().__init__()
        self.deep = nn.Conv2d(deep, after, 1, bias=False)
        self.skip = nn.Conv2d(skip, after, 1, bias=False)
        self.norm = nn.BatchNorm2d(after)

    def forward(self, deep: Tensor, skip: Tensor) -> Tensor:
        """(N, deep, h, w) and (N, skip, 2h, 2w) to (N, after, 2h, 2w)."""
        up = nn.functional.interpolate(self.deep(deep), scale_factor=2.0, mode="nearest")
        return torch.relu(self.norm(up + self.skip(skip)))


class StripNet(nn.Module):
    """Strip in, sign maps out.

    Input: float32 (N, `CHANNELS_IN`, H, W), H and W multiples of 16.
    Output: float32 (N, `CHANNELS_OUT`, H / 2, W / 2), raw scores laid out as in
    `neumary_models.outputs`.

    Parameters
    ----------
    widths : tuple of int
        Channels at 1/2, 1/4, 1/8 and 1/16 of the strip's resolution. ONNX Runtime works in
        blocks of 16 channels, so other numbers cost what the next multiple costs.
    """

    def __init__(self, widths: tuple[int, int, int, int] = (16, 48, 72, 96)) -> None:
        super().__init__()
        a, b, c, d = widths
        self.stem = nn.Sequential(_ConvNorm(CHANNELS_IN, a, stride=STRIDE), nn.ReLU())
        self.at_half = nn.Sequential(_ConvNorm(a, a), nn.ReLU())
        self.at_quarter = nn.Sequential(_ConvNorm(a, b, stride=2), nn.ReLU(), _Residual(b), _Residual(b))
        self.at_eighth = nn.Sequential(
            _ConvNorm(b, c, stride=2), nn.ReLU(), _Residual(c), _Residual(c, 2), _Residual(c)
        )
        self.at_sixteenth = nn.Sequential(_ConvNorm(c, d, stride=2), nn.ReLU(), _Residual(d), _Residual(d, 2))
        self.up_eighth = _Merge(d, c, c)
        self.eighth_out = _Residual(c)
        self.up_quarter = _Merge(c, b, b)
        self.quarter_out = _Residual(b)
        self.up_half = _Merge(b, a, 32)
        self.half_out = nn.Sequential(_ConvNorm(32, 32), nn.ReLU())
        self.head = nn.Conv2d(32, CHANNELS_OUT, 1)
        with torch.no_grad():  # signs are rare: start from "no sign here" (Lin et al., ICCV 2017)
            bias = self.head.bias
            assert bias is not None
            bias[HEAT] = -4.0

    def forward(self, strip: Tensor) -> Tensor:
        """Scores of all maps at half the strip's resolution."""
        half = self.at_half(self.stem(strip))
        quarter = self.at_quarter(half)
        eighth = self.at_eighth(quarter)
        sixteenth = self.at_sixteenth(eighth)
        x = self.eighth_out(self.up_eighth(sixteenth, eighth))
        x = self.quarter_out(self.up_quarter(x, quarter))
        x = self.half_out(self.up_half(x, half))
        scores: Tensor = self.head(x)
        return scores
