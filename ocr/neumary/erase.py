"""Line removal: the staff lines out, the signs whole.

Works on a strip, where every line's row is known. A line pixel is taken out where
the vertical run of ink through it is no longer than a line is thick; longer runs
are signs standing on the line and stay untouched.

References
----------
.. [1] N. P. Carter and R. A. Bacon, "Automatic recognition of printed music", in
   H. S. Baird et al. (eds.), Structured Document Image Analysis, Springer, 1992
   (runs through the line decide).
.. [2] C. Dalitz, M. Droettboom, B. Pranzas and I. Fujinaga, "A comparative study of
   staff removal algorithms", IEEE TPAMI 30(5), 2008 (the family "line height").
"""

from __future__ import annotations

from typing import Final

import cv2
import numpy as np
import numpy.typing as npt

from neumary.types import U8, Bool, Strip

Ints = npt.NDArray[np.intp]

_REACH: Final = 0.30  # spaces searched above and below a line's row for its ink
_GROW: Final = 1.7  # a run longer than this many line thicknesses is a sign


def darkness(rgb: U8) -> U8:
    """Ink strength of flattened colours: 0 bare parchment .. 255 black.

    The darkest channel decides, so red and blue ink count like black.
    """
    red, green, blue = cv2.split(rgb)
    return np.asarray(cv2.bitwise_not(cv2.min(cv2.min(red, green), blue)), dtype=np.uint8)


def erase_lines(strip: Strip) -> U8:
    """Ink of a strip without its staff lines.

    Parameters
    ----------
    strip : Strip

    Returns
    -------
    ndarray of uint8, shape (h, w)
        Ink strength, 0 none .. 255 full; line pixels replaced by what lies above and
        below them.
    """
    ink = darkness(strip.rgb)
    if not strip.line_rows:
        return ink
    out = ink.copy()
    for line_row in strip.line_rows:
        _erase_one(ink, out, line_row, strip.space)
    return out


def _erase_one(ink: U8, out: U8, line_row: float, space: float) -> None:
    reach = round(_REACH * space)
    pad = reach + round(0.35 * space)
    top = round(line_row) - pad
    if top < 0 or top + 2 * pad + 1 > ink.shape[0]:
        return
    band = ink[top : top + 2 * pad + 1].astype(np.float32)
    # Along the line the ink is averaged, so a head on the line cannot bend the path.
    smooth = cv2.GaussianBlur(band, (0, 0), sigmaX=space * 0.6, sigmaY=0.6)
    window = smooth[pad - reach : pad + reach + 1]
    centre = window.argmax(axis=0) + pad - reach
    cols = np.arange(band.shape[1])
    level = np.median(band[centre, cols])
    if level < 20:  # line fainter than parchment grain: nothing to erase
        return
    # Line and sign ink are told apart from parchment at half the line's own strength.
    inked = np.pad(band > np.maximum(16.0, 0.4 * smooth[centre, cols]), ((1, 1), (0, 0)))
    offsets = np.arange(1, pad + 1)[:, None]
    above = _unbroken(inked[np.maximum(centre + 1 - offsets, 0), cols])
    below = _unbroken(inked[np.minimum(centre + 1 + offsets, 2 * pad + 2), cols])
    run = above + below + 1
    short = run[run <= 0.35 * space]
    thickness = max(1.0, float(np.median(short))) if short.size else 1.0
    is_line = run <= max(_GROW * thickness, thickness + 1.5)
    first, last = centre - above - 1, centre + below + 1
    rows = np.arange(band.shape[0])[:, None]
    inside = (rows >= first) & (rows <= last) & is_line
    up, down = np.maximum(first - 1, 0), np.minimum(last + 1, 2 * pad)
    target = out[top : top + 2 * pad + 1]
    filler = np.minimum(ink[top + up, cols], ink[top + down, cols])
    np.copyto(target, np.minimum(target, filler), where=inside)


def _unbroken(inked: Bool) -> Ints:
    """How many places of each column are inked from the first row on without a gap."""
    ended = np.zeros((inked.shape[0] + 1, inked.shape[1]), dtype=np.bool_)
    ended[:-1] = inked
    return np.asarray(ended.argmin(axis=0), dtype=np.intp)
