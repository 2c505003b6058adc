"""The flat page: inks on level parchment, and what was written, before any ageing.

Everything is drawn flat, one ink after the other, each on its own *sheet* (a
coverage mask with a colour). Ageing composes the sheets and bends the result;
the truth is bent with the very same map. Coordinates are (row, col) px of the
flat canvas, origin top left.
"""

from __future__ import annotations

from dataclasses import dataclass, field

import numpy as np
import numpy.typing as npt

from neumary_synth.signs import Drawn
from neumary_synth.staffless_truth import FreeSign

U8 = npt.NDArray[np.uint8]
F32 = npt.NDArray[np.float32]
Rgb = tuple[int, int, int]


def as_u8(image: object) -> U8:
    """What OpenCV hands back, as the uint8 array it is (its stubs promise less)."""
    return np.asarray(image, dtype=np.uint8)


@dataclass(slots=True, eq=False)
class Sheet:
    """One ink.

    Attributes
    ----------
    layer : str
        A name of `neumary_models.labels.LAYERS`.
    ink : tuple of int
        Its colour at full strength on parchment, RGB 0..255.
    mask : ndarray of uint8, shape (H, W)
        Coverage, 0 none .. 255 full.
    opaque : bool
        Body colour hides what is under it; ink lets it through.
    flow : list of (top, left, bottom, right, density)
        Where the pen was fuller or drier than usual; density 1.0 = usual.
    """

    layer: str
    ink: Rgb
    mask: U8
    opaque: bool = False
    flow: list[tuple[float, float, float, float, float]] = field(default_factory=list)


@dataclass(frozen=True, slots=True)
class FlatLine:
    """A staff line through the middle of its ink; cols strictly increasing."""

    cols: tuple[float, ...]
    rows: tuple[float, ...]
    thickness_px: float
    colour: str


@dataclass(slots=True)
class FlatStaff:
    """A staff as ruled; `grid_lines` are all lines its steps count by, inked or not."""

    lines: tuple[FlatLine, ...]
    space_px: float
    column: int
    kind: str
    area: tuple[float, float, float, float]


@dataclass(frozen=True, slots=True)
class FlatSign:
    """A sign as drawn, and what it means.

    `step` is None where the inked lines do not count it; `degree` None where the
    source gives no pitch.
    """

    drawn: Drawn
    staff: int
    step: int | None
    degree: int | None = None
    alter: int = 0
    neume: int = -1
    syllable: int = -1
    layer: str = "melody"
    contour: str = ""


@dataclass(frozen=True, slots=True)
class FlatSyllable:
    """A syllable of lyrics and the box of its ink (top, left, bottom, right)."""

    staff: int
    text: str
    wordpos: str
    box: tuple[float, float, float, float]


@dataclass(slots=True, eq=False)
class FlatPage:
    """All inks of a page and the truth about them.

    Attributes
    ----------
    height, width : int
        Of the canvas: the leaf and what is photographed around it.
    space_px : float
        Mean staff space the page was drawn at.
    leaf : tuple of float
        Edges of the leaf on the canvas: top, left, bottom, right.
    """

    height: int
    width: int
    space_px: float
    leaf: tuple[float, float, float, float]
    sheets: list[Sheet] = field(default_factory=list)
    staves: list[FlatStaff] = field(default_factory=list)
    signs: list[FlatSign] = field(default_factory=list)
    syllables: list[FlatSyllable] = field(default_factory=list)
    free: list[FreeSign] = field(default_factory=list)

    def sheet(self, layer: str, ink: Rgb, opaque: bool = False) -> Sheet:
        """The sheet of an ink, made when first asked for; sheets compose in order of making."""
        for sheet in self.sheets:
            if sheet.layer == layer and sheet.ink == ink and sheet.opaque == opaque:
                return sheet
        made = Sheet(layer, ink, np.zeros((self.height, self.width), np.uint8), opaque)
        self.sheets.append(made)
        return made
