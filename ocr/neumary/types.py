"""The frozen types that flow between the stages.

Conventions, everywhere:

* Coordinates are (row, col) in pixels of the *original* upright image; the origin
  is the top left corner, the centre of the top left pixel is (0.0, 0.0), rows run
  downwards. Boxes are half-open integers (top, left, bottom, right).
* Distances between signs are given in *staff spaces*: the distance between the
  centres of two neighbouring lines of the staff. Names end in ``_px`` or ``_spaces``.
* A *step* counts lines and spaces upwards from the bottom line (step 0); the space
  above it is step 1, the line above that step 2. Steps may be negative.
* A *degree* is a diatonic pitch number, 7 * octave + (c=0 ... b=6), in the
  clef-literal octave: the C clef's line is c4 = 28, the F clef's line is f3 = 24.
* Probabilities lie in 0..1.

`Page` and what it holds are plain immutable values (msgspec structs) and are stored
as they are; `Scan` and `InkMap` carry arrays and live only while a page is read.
"""

from __future__ import annotations

from bisect import bisect_right
from dataclasses import dataclass, field
from typing import Final, Literal

import msgspec
import numpy as np
import numpy.typing as npt

U8 = npt.NDArray[np.uint8]
F32 = npt.NDArray[np.float32]
Bool = npt.NDArray[np.bool_]

NotationKind = Literal["square", "pointed", "coloured-lines", "letters", "staffless", "layered"]
LineColour = Literal["red", "black", "brown", "yellow", "blue", "grey"]
Certainty = Literal["exact", "ranged", "contour"]
Reader = Literal["machine", "decided", "inferred", "human", "truth"]

PNAMES: Final = "cdefgab"
"""Pitch letters in diatonic order, c = 0 (MEI data.PITCHNAME)."""


_SKIPS_A_PLACE: Final = 1.6  # lines this many spaces apart are not neighbours


def _freeze(array: npt.NDArray[np.generic]) -> npt.NDArray[np.generic]:
    array = np.ascontiguousarray(array)
    if array.flags.writeable:
        array = array.copy() if not array.flags.owndata else array
        array.flags.writeable = False
    return array


@dataclass(frozen=True, slots=True, eq=False)
class Scan:
    """One photographed page, upright.

    Attributes
    ----------
    page_id : str
        Source stem, plus ``-pNNNN`` for files of several pages.
    rgb : ndarray of uint8, shape (H, W, 3)
        Colours in the order red, green, blue; read-only.
    source : str
        Path or address the page came from, as the user gave it.
    sha256 : str
        Of the source file's bytes, in hex.
    dpi : float or None
        Dots per inch if the file states them; never used for distances.
    repairs : tuple of str
        What had to be mended to read the file; each becomes a warning.
    """

    page_id: str
    rgb: U8
    source: str
    sha256: str
    dpi: float | None = None
    repairs: tuple[str, ...] = ()

    def __post_init__(self) -> None:
        if self.rgb.ndim != 3 or self.rgb.shape[2] != 3 or self.rgb.dtype != np.uint8:
            raise ValueError(f"a scan holds uint8 (H, W, 3), not {self.rgb.dtype} {self.rgb.shape}")
        object.__setattr__(self, "rgb", _freeze(self.rgb))

    @property
    def height(self) -> int:
        """Rows of the original image."""
        return int(self.rgb.shape[0])

    @property
    def width(self) -> int:
        """Columns of the original image."""
        return int(self.rgb.shape[1])


class Spacing(msgspec.Struct, frozen=True, kw_only=True):
    """Vertical measures of the ruling, in original pixels."""

    space_px: float  # between the centres of neighbouring lines
    line_px: float  # thickness of a line
    strength: float  # 0..1, how clearly the page votes for it
    smallest_px: float = 0.0  # space of the smallest staves in good use; 0 where not told apart


@dataclass(frozen=True, slots=True, eq=False)
class InkMap:
    """The leaf with its light evened out, at working scale.

    Attributes
    ----------
    page_id : str
    flat : ndarray of uint8, shape (h, w, 3)
        RGB divided by the local parchment colour; 255 = bare parchment.
    dark : ndarray of uint8, shape (h, w)
        Strength of dark ink (black, brown), 0 none .. 255 full.
    coloured : ndarray of uint8, shape (h, w)
        Strength of coloured ink (red, yellow, blue), 0 none .. 255 full.
    scale : float
        Working pixels per original pixel, <= 1. original = (working + 0.5) / scale - 0.5.
    spacing : Spacing or None
        None where the page shows no ruling at all.
    """

    page_id: str
    flat: U8
    dark: U8
    coloured: U8
    scale: float
    spacing: Spacing | None = None

    def __post_init__(self) -> None:
        for name in ("flat", "dark", "coloured"):
            object.__setattr__(self, name, _freeze(getattr(self, name)))


class Box(msgspec.Struct, frozen=True, array_like=True):
    """Half-open box in original pixels: top, left, bottom, right."""

    top: int
    left: int
    bottom: int
    right: int

    def __post_init__(self) -> None:
        if self.bottom < self.top or self.right < self.left:
            raise ValueError(f"box edges cross: {self.top, self.left, self.bottom, self.right}")


class StaffLine(msgspec.Struct, frozen=True, kw_only=True):
    """One staff line as a polyline, left to right, through the middle of its ink."""

    cols: tuple[float, ...]  # px, strictly increasing, at least 2
    rows: tuple[float, ...]  # px, same length
    thickness_px: float
    colour: LineColour
    seen: float  # share of its length where ink was really seen, 0..1

    def row_at(self, col: float) -> float:
        """Row of the line at a column; beyond its ends the end row is kept."""
        cols, rows = self.cols, self.rows  # np.interp makes arrays of them at every call
        right = bisect_right(cols, col)
        if right == 0 or right == len(cols):
            return float(rows[0] if right == 0 else rows[-1])
        left = right - 1
        slope = (rows[right] - rows[left]) / (cols[right] - cols[left])
        return slope * (col - cols[left]) + rows[left]


class Staff(msgspec.Struct, frozen=True, kw_only=True):
    """A staff of 0 to 5 lines, and the area whose signs belong to it."""

    id: str  # "s01", "s02", ... in reading order
    column: int  # 0-based column on the page, left to right
    lines: tuple[StaffLine, ...]  # bottom line first
    space_px: float
    area: Box  # where its signs may stand, ledger regions included
    kind: NotationKind = "square"
    kind_p: float = 1.0

    @property
    def places(self) -> tuple[int, ...]:
        """Spaces from the bottom line up to each line: 0, 1, 2, ... on a whole staff.

        Coloured lines may skip places: a red F and a yellow C line lie two spaces apart.
        """
        if not self.lines:
            return ()
        places = [0]
        for low, high in zip(self.lines, self.lines[1:], strict=False):
            col = (max(low.cols[0], high.cols[0]) + min(low.cols[-1], high.cols[-1])) / 2
            gap = (low.row_at(col) - high.row_at(col)) / self.space_px
            places.append(places[-1] + (round(gap) if gap >= _SKIPS_A_PLACE else 1))
        return tuple(places)

    def _grid(self, col: float) -> tuple[list[float], list[float]]:
        """Places and rows of the lines at a column, with one line beyond each end."""
        if not self.lines:
            raise ValueError(f"staff {self.id} has no lines, so it has no steps")
        places = [float(place) for place in self.places]
        rows = [line.row_at(col) for line in self.lines]
        space = (rows[0] - rows[-1]) / places[-1] if len(rows) > 1 else self.space_px
        return [places[0] - 1, *places, places[-1] + 1], [rows[0] + space, *rows, rows[-1] - space]

    def row_of(self, step: float, col: float) -> float:
        """Row (px) of a step at a column, beyond the outer lines by extrapolation.

        Needs at least one line; with one line the staff's space is used.
        """
        places, rows = self._grid(col)
        k = min(max(bisect_right(places, step / 2) - 1, 0), len(places) - 2)
        share = (step / 2 - places[k]) / (places[k + 1] - places[k])
        return rows[k] + share * (rows[k + 1] - rows[k])

    def step_at(self, row: float, col: float) -> float:
        """Fractional step of a point; the inverse of `row_of`."""
        places, rows = self._grid(col)
        upwards = [-r for r in rows]
        k = min(max(bisect_right(upwards, -row) - 1, 0), len(rows) - 2)
        share = (row - rows[k]) / (rows[k + 1] - rows[k])
        return 2 * (places[k] + share * (places[k + 1] - places[k]))


class Glyph(msgspec.Struct, frozen=True, kw_only=True):
    """One sign on the leaf: where it is. What it is stands in its `Reading`."""

    id: str  # "g0001", ... in reading order
    staff: str  # id of its staff
    row: float  # centre of the head's ink; of a clef or flat: of the part that marks the pitch
    col: float
    box: Box
    layer: str = "melody"  # "melody", or "upper"/"lower" for staffless signs around a staff


class Pitch(msgspec.Struct, frozen=True, kw_only=True):
    """What is known of a note's pitch.

    ``exact``: degree and alter hold. ``ranged``: degree is only the best of
    `alternatives`, which carry probabilities. ``contour``: no degree at all; `contour`
    tells up, down or same against the note before.
    """

    certainty: Certainty
    degree: int | None = None  # 7 * octave + index in PNAMES
    alter: int = 0  # -1 for B-flat
    alternatives: tuple[tuple[int, int, float], ...] = ()  # (degree, alter, p), best first
    contour: Literal["", "u", "d", "s"] = ""

    @property
    def pname(self) -> str:
        """MEI pitch name; only where the degree is known."""
        if self.degree is None:
            raise ValueError("this pitch has no degree")
        return PNAMES[self.degree % 7]

    @property
    def octave(self) -> int:
        """MEI octave in the clef-literal reckoning; only where the degree is known."""
        if self.degree is None:
            raise ValueError("this pitch has no degree")
        return self.degree // 7


class Reading(msgspec.Struct, frozen=True, kw_only=True):
    """What a sign was read as, by whom, and how sure. The last one of a glyph holds."""

    glyph: str
    label: str  # a name of neumary_models.labels
    confidence: float
    rivals: tuple[tuple[str, float], ...] = ()  # other labels, best first
    step: int | None = None  # None for divisions and where there are no lines
    steps: tuple[tuple[int, float], ...] = ()  # probabilities over neighbouring steps, best first
    pitch: Pitch | None = None  # heads and custodes; None elsewhere
    starts_neume: float = 1.0  # probability that a neume begins here (heads)
    by: Reader = "machine"
    note: str = ""


class Neume(msgspec.Struct, frozen=True, kw_only=True):
    """Heads sung to one stroke of the melody; never spread over two syllables."""

    id: str  # "n0001", ...
    staff: str
    glyphs: tuple[str, ...]  # heads, in the order sung
    name: str = ""  # "" where the repertoire forbids chant names or the contour has none
    contour: str = ""  # U, D, S for each move
    syllable: str = ""  # id of its syllable, "" unknown
    confidence: float | None = None  # of the name, where the sign was read as a whole
    rivals: tuple[tuple[str, float], ...] = ()  # other names it may have, best first


class Mark(msgspec.Struct, frozen=True, kw_only=True):
    """What a scribe added to a neume: no note, no clef, and no pitch follows from it.

    A letter is a significative letter, which tells how to sing; an episema is a stroke on the sign.
    """

    id: str  # "m0001", ...
    kind: Literal["letter", "episema"]
    staff: str
    neume: str = ""  # id of the neume it stands at, "" none near
    layer: str = "melody"
    box: Box | None = None  # None for an episema, which is part of its sign
    text: str = ""  # the letter, "" not read
    confidence: float = 1.0


class Syllable(msgspec.Struct, frozen=True, kw_only=True):
    """A syllable of the lyrics and where it stands."""

    id: str  # "y0001", ...
    staff: str
    text: str = ""  # "" where a box was seen but nobody has read it
    box: Box | None = None
    wordpos: Literal["", "i", "m", "t", "s"] = ""  # MEI data.WORDPOS: initial, medial, terminal, single


class Remark(msgspec.Struct, frozen=True, kw_only=True):
    """A warning: a doubt, a guess, a repair, an overruled reading."""

    code: str  # short stable word, e.g. "clef-inferred"
    text: str  # one sentence for people
    staff: str = ""
    glyph: str = ""


class Provenance(msgspec.Struct, frozen=True, kw_only=True):
    """What made a page: same values, same scan, same bytes."""

    program: str = "neumary"
    version: str = ""
    model: str = ""  # name of the model that read the signs
    model_sha256: str = ""
    models: dict[str, str] = msgspec.field(default_factory=dict)  # hash of each model at work, by name
    settings: dict[str, str | int | float | bool] = msgspec.field(default_factory=dict)
    settings_sha256: str = ""


class Page(msgspec.Struct, frozen=True, kw_only=True):
    """A whole page as read, drawn or corrected: the one thing stored on disk."""

    schema: str = "1.0"
    page_id: str
    source: str  # file name of the image
    sha256: str
    width: int
    height: int
    dpi: float | None = None
    staves: tuple[Staff, ...] = ()
    glyphs: tuple[Glyph, ...] = ()
    readings: tuple[Reading, ...] = ()
    neumes: tuple[Neume, ...] = ()
    syllables: tuple[Syllable, ...] = ()
    marks: tuple[Mark, ...] = ()
    warnings: tuple[Remark, ...] = ()
    hints: tuple[Remark, ...] = ()  # suggestions, such as a mode: no doubt, and nothing rests on them
    provenance: Provenance = Provenance()

    def current(self) -> dict[str, Reading]:
        """The reading that holds for each glyph id: the last one given."""
        return {reading.glyph: reading for reading in self.readings}


@dataclass(frozen=True, slots=True, eq=False)
class Strip:
    """One staff pulled straight: lines level, evenly spaced, at the network's scale.

    Attributes
    ----------
    staff : Staff
    rgb : ndarray of uint8, shape (h, w, 3)
        Flattened colours, 255 = bare parchment.
    line_rows : tuple of float
        Strip row of each staff line, bottom first.
    space : float
        Strip pixels per staff space.
    page_rows, page_cols : ndarray of float32, shape (h, w)
        Original pixel of each strip pixel (what the strip was sampled from).
    """

    staff: Staff
    rgb: U8
    line_rows: tuple[float, ...]
    space: float
    page_rows: F32 = field(repr=False)
    page_cols: F32 = field(repr=False)
