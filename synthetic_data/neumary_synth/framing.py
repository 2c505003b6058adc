"""What the photograph cuts off: pictures whose edge runs through a staff or a column."""

from __future__ import annotations

from typing import Final

import numpy as np

from neumary_synth.sheets import FlatPage, FlatStaff
from neumary_synth.warp import Warp, cropped

_CUT_SHARE: Final = 0.04  # of the pages
_SIDES: Final = ("foot", "top", "right", "left")
_SIDE_SHARES: Final = (0.45, 0.25, 0.15, 0.15)
_SECOND_SIDE: Final = 0.25  # chance that another side is cut too
_LEAST_LEFT: Final = 0.45  # of the canvas, in height and in width
_LEAST_SPACES: Final = 9.0  # left in height and in width


def framed(rng: np.random.Generator, warp: Warp, flat: FlatPage, scale: float) -> Warp:
    """Let the picture's edge run through a staff, on a few pages of a hundred.

    Parameters
    ----------
    rng : numpy Generator
    warp : Warp
        Of the whole canvas.
    flat : FlatPage
        Says where staves are.
    scale : float
        Photograph px per flat px.

    Returns
    -------
    Warp
        The same map, of a part of the picture.
    """
    if rng.random() >= _CUT_SHARE:
        return warp
    n_sides = 2 if rng.random() < _SECOND_SIDE else 1
    edges = [0.0, 0.0, float(flat.height), float(flat.width)]
    for side in rng.choice(_SIDES, size=n_sides, replace=False, p=_SIDE_SHARES).tolist():
        _cut(rng, flat, side, edges)
    top, left, bottom, right = (round(edge * scale) for edge in edges)
    return cropped(warp, (top, left, min(bottom, warp.height), min(right, warp.width)))


def _cut(rng: np.random.Generator, flat: FlatPage, side: str, edges: list[float]) -> None:
    """Move one edge of the picture inwards, to where it runs through staves."""
    s, across = flat.space_px, side in ("foot", "top")
    limit, lined = (flat.height if across else flat.width), [x for x in flat.staves if x.lines]
    least = max(_LEAST_LEFT * limit, _LEAST_SPACES * s)
    far = [x for x in lined if _place(x, side)[0] > least] if side in ("foot", "right") else [
        x for x in lined if _place(x, side)[1] < limit - least]  # fmt: skip
    if far:
        low, high = _place(far[int(rng.integers(len(far)))], side)
        at = rng.uniform(low - 0.3 * s, high + 0.6 * s)
    else:
        at = rng.uniform(0.75, 1.0) * limit if side in ("foot", "right") else rng.uniform(0, 0.25) * limit
    number = {"top": 0, "left": 1, "foot": 2, "right": 3}[side]
    at = max(at, least) if number >= 2 else min(at, limit - least)
    edges[number] = float(np.clip(at, 0, limit))


def _place(staff: FlatStaff, side: str) -> tuple[float, float]:
    """Between which rows, or columns, a picture's edge runs through a staff."""
    if side in ("foot", "top"):
        return min(map(min, (x.rows for x in staff.lines))), max(map(max, (x.rows for x in staff.lines)))
    left, right = min(x.cols[0] for x in staff.lines), max(x.cols[-1] for x in staff.lines)
    near = min(8 * staff.space_px, 0.4 * (right - left))  # a little of it is cut more often than most of it
    return (left, left + near) if side == "left" else (right - near, right)
