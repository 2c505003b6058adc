"""Whole staffless signs carried from the flat page into the photograph."""

from __future__ import annotations

from collections.abc import Sequence
from typing import Final

import numpy as np
import numpy.typing as npt

from neumary_synth.staffless_truth import FreeSign
from neumary_synth.warp import Warp

_EDGE: Final = np.linspace(0.0, 1.0, 4)
_HIDDEN_SHARE: Final = 0.5  # of a sign's box; more of it under paint or gone, and it counts as lost


def bent_signs(
    signs: Sequence[FreeSign], warp: Warp, hidden: npt.NDArray[np.uint8], scale: float
) -> tuple[FreeSign, ...]:
    """Carry signs of the flat page into the photograph.

    Parameters
    ----------
    signs : sequence of FreeSign
        In px of the flat page.
    warp : Warp
    hidden : ndarray of uint8, shape (flat rows, flat cols)
        Where ink is hidden by paint or gone with the leaf.
    scale : float
        Photograph px per flat px.

    Returns
    -------
    tuple of FreeSign
        In px of the photograph; signs mostly hidden or outside the picture are left out.
    """
    if not signs:
        return ()
    boxes = np.array([sign.box for sign in signs])
    sides = [(t, s) for t in _EDGE for s in (0.0, 1.0)] + [(s, t) for t in _EDGE for s in (0.0, 1.0)]
    edges = boxes[:, None, :2] + np.array(sides) * (boxes[:, None, 2:] - boxes[:, None, :2])
    bent = warp.forward(edges.reshape(-1, 2)).reshape(edges.shape)
    low, high = bent.min(axis=1), bent.max(axis=1)
    kept = []
    for sign, (top, left), (bottom, right) in zip(signs, low.tolist(), high.tolist(), strict=True):
        t, le, b, r = (int(max(v, 0)) for v in sign.box)
        part = hidden[t : b + 1, le : r + 1]
        inside = 0 <= (top + bottom) / 2 <= warp.height - 1 and 0 <= (left + right) / 2 <= warp.width - 1
        if not inside or not part.size or part.mean() > 255 * _HIDDEN_SHARE:
            continue
        kept.append(
            FreeSign(
                sign.name, (top, left, bottom, right), sign.size_px * scale, sign.layer, sign.row,
                sign.notes, sign.episema, sign.liquescent, sign.text,
            )
        )  # fmt: skip
    return tuple(kept)
