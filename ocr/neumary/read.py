"""Signs to names: the network, run by ONNX Runtime over every strip of a page."""

from __future__ import annotations

import numpy as np

from neumary.erase import erase_lines
from neumary.types import F32, U8, Strip
from neumary_models import outputs
from neumary_models.zoo import LoadedModel


def network_input(rgb: U8, line_free: U8, line_rows: tuple[float, ...]) -> F32:
    """The network's view of a strip.

    Parameters
    ----------
    rgb : ndarray of uint8, shape (h, w, 3)
        Flattened colours, 255 = bare parchment.
    line_free : ndarray of uint8, shape (h, w)
        Ink strength without staff lines.
    line_rows : tuple of float
        Strip rows of the staff lines.

    Returns
    -------
    ndarray of float32, shape (5, h, w)
        Ink strength of red, green, blue; line-free ink; line positions. All 0..1.
    """
    height, width = line_free.shape
    out = np.empty((outputs.CHANNELS_IN, height, width), dtype=np.float32)
    out[:3] = np.moveaxis(255 - rgb, 2, 0)
    out[3] = line_free
    out[:4] /= 255.0
    out[4] = line_profile(height, line_rows)[:, None]
    return out


def line_profile(height: int, line_rows: tuple[float, ...]) -> F32:
    """Where the lines lie, as a bump of 1 on each line's row; shape (height,)."""
    rows = np.arange(height, dtype=np.float32)[:, None]
    lines = np.asarray(line_rows, dtype=np.float32)[None, :]
    if not lines.size:
        return np.zeros(height, dtype=np.float32)
    return np.asarray(np.exp(-(((rows - lines) / 1.5) ** 2)).max(axis=1), dtype=np.float32)


def read_strip(strip: Strip, model: LoadedModel) -> tuple[F32, U8]:
    """Score one strip.

    Parameters
    ----------
    strip : Strip
    model : LoadedModel

    Returns
    -------
    scores : ndarray of float32, shape (C, h / 2, w / 2)
        Raw scores, laid out as in `neumary_models.outputs`.
    line_free : ndarray of uint8, shape (h, w)
        Ink strength without staff lines.
    """
    line_free = erase_lines(strip)
    view = network_input(strip.rgb, line_free, strip.line_rows)
    return model.run(view[None])[0], line_free
