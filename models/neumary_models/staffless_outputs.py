"""Layout of the channels of the staffless-sign network, without torch.

The network looks at a whole page on which a virga is about `SIGN_PX` high and says for
each cell of half that resolution whether a sign has its middle there, what it is called,
how far its box reaches, and what the ink at the cell is. The cell (i, j) has its centre at
input row 2i + 0.5, column 2j + 0.5.
"""

from __future__ import annotations

from typing import Final

SIGN_PX: Final = 28.0
"""Input pixels per height of a virga the network is meant for; it is trained from 0.65 to 1.5 times it."""
STRIDE: Final = 2
CHANNELS_IN: Final = 3
"""Ink strength of red, green and blue (0 parchment .. 1 black)."""

STAFFLESS_NAMES: Final = (
    "virga",
    "punctum",
    "tractulus",
    "pes",
    "clivis",
    "torculus",
    "porrectus",
    "scandicus",
    "climacus",
    "quilisma",
    "oriscus",
    "pressus",
    "stropha",
    "distropha",
    "tristropha",
    "trigon",
    "cephalicus",
    "epiphonus",
    "porrectus flexus",
    "torculus resupinus",
    "pes subbipunctis",
    "scandicus flexus",
    "salicus",
    "bivirga",
    "trivirga",
    "compound",
    "letter",
)
"""The trade's names; "compound": a running sign none of them covers; "letter": a significative letter.
The list is stored with the weights, so it may grow but never be reordered."""

CONTOURS: Final[dict[str, str]] = {
    "pes": "u",
    "clivis": "d",
    "torculus": "ud",
    "porrectus": "du",
    "scandicus": "uu",
    "climacus": "dd",
    "quilisma": "uu",
    "pressus": "sd",
    "distropha": "s",
    "tristropha": "ss",
    "trigon": "sd",
    "cephalicus": "d",
    "epiphonus": "u",
    "porrectus flexus": "dud",
    "torculus resupinus": "udu",
    "pes subbipunctis": "udd",
    "scandicus flexus": "uud",
    "salicus": "uu",
    "bivirga": "s",
    "trivirga": "ss",
}
"""Moves inside a sign: u up, d down, s same (common practice, no source). Other names have one note
or, as compounds, no contour that the name tells."""

REGIONS: Final = ("bare", "text", "decoration", "sign", "other")
"""What the ink at a cell is; "sign": of a staffless sign; "other": staff lines and signs on staves."""

EXTENT_UNIT: Final = 6.0
"""Cells: a score of 0 means so far; a side's distance is ``EXTENT_UNIT * exp(score)``."""

HEAT: Final = slice(0, 1)
"""A sign's middle."""
NAME: Final = slice(1, 1 + len(STAFFLESS_NAMES))
EPISEMA: Final = slice(NAME.stop, NAME.stop + 1)
LIQUESCENT: Final = slice(EPISEMA.stop, EPISEMA.stop + 1)
EXTENT: Final = slice(LIQUESCENT.stop, LIQUESCENT.stop + 4)
"""From the cell's centre to the box's top, left, bottom and right."""
REGION: Final = slice(EXTENT.stop, EXTENT.stop + len(REGIONS))
CHANNELS_OUT: Final = REGION.stop
