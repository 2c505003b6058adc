"""Letters of rubrics that were read as notes, told by their ink.

Notes of a page are of one ink, mostly black or brown; the rubricator came with another one, mostly red,
and wrote words and raised letters into the staves (common practice). A head that swallows much less of the
red light than the page's other heads do is a letter of his, unless the page has many such heads: then red
notes mean something.
"""

from __future__ import annotations

from collections.abc import Sequence
from typing import Final

import numpy as np
import numpy.typing as npt

from neumary.lines import Floats
from neumary.types import Box, Glyph, InkMap, Reading
from neumary_models.labels import HEADS

_OTHER_INK: Final = 0.5
"""By how much the share of red light against blue lies below that of the page's heads. Of 20,210 heads read
rightly on 120 rendered pages kept out of training 4 lie below (two read with less than .97), by .3 they
would be 62; letters raised above a photographed rubric, which were read as notes, lie .68 to .79 below."""
_SURE: Final = 0.97  # a head read with this probability stays
_DARKEST: Final = 75.0  # percentile from which on pixels are a sign's own ink, not a line's behind it
_LEAST_HEADS: Final = 10  # so many show what the notes' ink is
_MANY: Final = 0.1  # share of heads in another ink from which they stay

Signs = Sequence[tuple[Glyph, Reading]]


def without_rubrics(ink: InkMap, signs: Signs) -> list[tuple[Glyph, Reading]]:
    """Leave out what was read as heads but is in the ink of rubrics.

    Parameters
    ----------
    ink : InkMap
    signs : sequence of (Glyph, Reading)
        All signs of a page.

    Returns
    -------
    list of (Glyph, Reading)
        In the same order.
    """
    heads = [i for i, (_, reading) in enumerate(signs) if reading.label in HEADS]
    if len(heads) < _LEAST_HEADS:
        return list(signs)
    share = np.array([_red_share(ink, signs[i][0].box) for i in heads])
    other = share < np.median(share) - _OTHER_INK
    if other.mean() > _MANY:
        return list(signs)
    out = {i for i, far in zip(heads, other, strict=True) if far and signs[i][1].confidence < _SURE}
    return [sign for i, sign in enumerate(signs) if i not in out]


def _red_share(ink: InkMap, box: Box) -> float:
    """Red light that the darkest part of a sign swallows, as a share of the blue light."""
    swallowed = _darkest(ink, box)
    if not len(swallowed):
        return 1.0
    red, _, blue = np.median(swallowed, axis=0)
    return float(red / max(blue, 1.0))


def _darkest(ink: InkMap, box: Box) -> Floats | npt.NDArray[np.float32]:
    top, left, bottom, right = (round(x * ink.scale) for x in (box.top, box.left, box.bottom, box.right))
    swallowed = 255.0 - ink.flat[max(top, 0) : bottom + 1, max(left, 0) : right + 1].reshape(-1, 3)
    if not len(swallowed):
        return swallowed
    dark = swallowed.min(axis=1)
    return np.asarray(swallowed[dark >= np.percentile(dark, _DARKEST)])
