"""How large staffless signs are on a page: from the ink alone, then from the signs found.

Without staff lines nothing on the page has a known size. The heights of connected pieces
of ink cluster at the height of small letters; signs stand in a rough ratio to these. The
network bears a scale that is off by a half, and its own first findings tell the size
better: the reader looks a second time where the first scale was far off.
"""

from __future__ import annotations

from collections.abc import Sequence
from typing import Final

import numpy as np

from neumary.piece_heights import piece_height_of_page_px
from neumary.staffless import FreeCandidate
from neumary.types import U8
from neumary_models.staffless_outputs import SIGN_PX

_SIGN_PER_PIECE: Final = 1.04  # virga against the commonest height of a piece; own count on rendered pages
_SURE: Final = 0.5  # presence from which a found sign tells the scale
_FEWEST: Final = 6  # signs that must be found for that
HEIGHTS: Final[dict[str, float]] = {
    "virga": 1.03,
    "clivis": 1.21,
    "pes": 1.07,
    "torculus": 1.06,
    "porrectus": 1.13,
    "porrectus flexus": 1.15,
    "torculus resupinus": 1.11,
    "climacus": 1.14,
    "scandicus": 1.23,
    "bivirga": 1.02,
    "trivirga": 1.05,
    "cephalicus": 1.17,
    "epiphonus": 0.89,
}
"""Height of signs against a virga's stroke; own count on rendered pages."""


def typical_sign_px(rgb: U8) -> float:
    """Rough height of a virga on a page, in px of the page.

    Parameters
    ----------
    rgb : ndarray of uint8, shape (H, W, 3)

    Returns
    -------
    float
        0 where the page has too little ink to tell.
    """
    return piece_height_of_page_px(rgb) * _SIGN_PER_PIECE


def scale_error(found: Sequence[FreeCandidate]) -> float:
    """How much larger than meant the signs found are; 1.0 where too few tell.

    Parameters
    ----------
    found : sequence of FreeCandidate
        Of one look at a page.
    """
    sizes = []
    for sign in found:
        share = HEIGHTS.get(sign.name, 0.0)
        if share and sign.p_sign >= _SURE:
            sizes.append((sign.box[2] - sign.box[0]) / share)
    return float(np.median(sizes)) / SIGN_PX if len(sizes) >= _FEWEST else 1.0
