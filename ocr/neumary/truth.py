"""Note-by-note truth written by hand beside a scan, as a `Page`.

The form is one JSON object: ``image``, ``width``, ``height`` and ``staves``; each staff has
``lines`` (polylines of [column, row], bottom line first), ``space_px`` and ``symbols``. A symbol
has ``kind`` ("nc", "clef", "custos", "flat", "natural" or "divline"), ``x`` (column, px) and ``y`` (row,
px), for pitched signs ``step``, ``pname`` and ``oct``, for heads ``shape`` (a label of
`neumary_models.labels`) and ``neume`` (a number that counts neumes within the staff),
for clefs ``shape`` (a letter), ``line`` and ``bbox`` ([left, top, right, bottom], px).
``uncertain`` marks what should count neither for nor against a reader, and ``note``
says why.
"""

from __future__ import annotations

import itertools
from pathlib import Path
from typing import Final

import msgspec

from neumary.errors import StoreError
from neumary.types import (
    PNAMES,
    Box,
    Glyph,
    Neume,
    Page,
    Pitch,
    Reading,
    Remark,
    Staff,
    StaffLine,
)
from neumary_models.labels import HEADS

UNCERTAIN: Final = "uncertain"
"""First word in the note of a truth reading that should not be counted."""

_LABELS: Final = {"custos": "custos", "flat": "flat", "natural": "natural", "divline": "division"}
_HEAD_SPACES: Final = 0.8  # side of the box drawn where the truth gives only a point
_AREA_SPACES: Final = 3.0  # room for ledger notes above and below the outer lines


class _Symbol(msgspec.Struct):
    kind: str
    x: float
    y: float
    step: int | None = None
    pname: str = ""
    oct: int = 0
    shape: str = ""
    neume: int | None = None
    line: int = 0
    bbox: tuple[int, int, int, int] | None = None
    uncertain: bool = False
    note: str = ""


class _TruthStaff(msgspec.Struct):
    lines: list[list[tuple[float, float]]]
    space_px: float
    symbols: list[_Symbol]
    clef_assumed: dict[str, str | int] | None = None


class _Truth(msgspec.Struct):
    image: str
    width: int
    height: int
    staves: list[_TruthStaff]


def load_truth(path: Path) -> Page:
    """Read a truth file as a page whose readings are all by "truth".

    Parameters
    ----------
    path : Path
        A file in the form described above.

    Returns
    -------
    Page
        Its page id is the image's stem, its sha256 is empty. Boxes of heads are squares
        of 0.8 spaces around their point. Readings of symbols marked uncertain have
        confidence 0 and a note that begins with `UNCERTAIN`; all others have confidence
        1. A clef that the truth assumes becomes a warning, not a sign. Empty neume
        names: the truth gives groups, not names.

    Raises
    ------
    StoreError
        If the file is missing or not in this form.
    """
    try:
        truth = msgspec.json.decode(path.read_bytes(), type=_Truth)
        return _page(truth)
    except OSError as error:
        raise StoreError(f"{path} cannot be opened: {error.strerror}.", "Check its name.") from error
    except (msgspec.DecodeError, ValueError, KeyError) as error:
        raise StoreError(
            f"{path} is no truth file: {error}.", "Compare it with the form described in neumary.truth."
        ) from error


def _page(truth: _Truth) -> Page:
    staves, glyphs, readings, neumes, warnings = [], [], [], [], []
    glyph_ids = (f"g{number:04d}" for number in itertools.count(1))
    for number, given in enumerate(truth.staves, 1):
        staff = _staff(f"s{number:02d}", given)
        staves.append(staff)
        groups: dict[int, list[str]] = {}
        for symbol in given.symbols:
            glyph = _glyph(next(glyph_ids), staff, symbol)
            reading = _reading(glyph.id, symbol)
            glyphs.append(glyph)
            readings.append(reading)
            if reading.label in HEADS and symbol.neume is not None:
                groups.setdefault(symbol.neume, []).append(glyph.id)
        neumes += [(staff.id, tuple(heads)) for _, heads in sorted(groups.items())]
        if given.clef_assumed:
            clef = f"{given.clef_assumed['shape']} on line {given.clef_assumed['line']}"
            warnings.append(
                Remark(code="clef-assumed", text=f"The clef is hidden; {clef} assumed.", staff=staff.id)
            )
    return Page(
        page_id=Path(truth.image).stem,
        source=truth.image,
        sha256="",
        width=truth.width,
        height=truth.height,
        staves=tuple(staves),
        glyphs=tuple(glyphs),
        readings=tuple(readings),
        neumes=tuple(
            Neume(id=f"n{number:04d}", staff=staff, glyphs=heads, contour=_contour(heads, readings))
            for number, (staff, heads) in enumerate(neumes, 1)
        ),
        warnings=tuple(warnings),
    )


def _staff(staff_id: str, given: _TruthStaff) -> Staff:
    lines = tuple(
        StaffLine(
            cols=tuple(col for col, _ in line),
            rows=tuple(row for _, row in line),
            thickness_px=0.064 * given.space_px,  # the truth gives none; SMuFL's printed ratio
            colour="red",
            seen=1.0,
        )
        for line in given.lines
    )
    room = _AREA_SPACES * given.space_px
    rows = [row for line in lines for row in line.rows]
    cols = [col for line in lines for col in line.cols]
    area = Box(max(0, int(min(rows) - room)), int(min(cols)), int(max(rows) + room), int(max(cols)) + 1)
    return Staff(id=staff_id, column=0, lines=lines, space_px=given.space_px, area=area)


def _glyph(glyph_id: str, staff: Staff, symbol: _Symbol) -> Glyph:
    if symbol.bbox is not None:
        left, top, right, bottom = symbol.bbox
        box = Box(top, left, bottom, right)
    else:
        half = _HEAD_SPACES * staff.space_px / 2
        box = Box(
            max(0, round(symbol.y - half)),
            max(0, round(symbol.x - half)),
            round(symbol.y + half),
            round(symbol.x + half),
        )
    return Glyph(id=glyph_id, staff=staff.id, row=symbol.y, col=symbol.x, box=box)


def _reading(glyph_id: str, symbol: _Symbol) -> Reading:
    label = {"nc": symbol.shape, "clef": f"clef_{symbol.shape.lower()}"}.get(symbol.kind) or _LABELS[
        symbol.kind
    ]
    pitch = None
    if symbol.pname and (label in HEADS or label == "custos"):
        pitch = Pitch(certainty="exact", degree=7 * symbol.oct + PNAMES.index(symbol.pname))
    note = f"{UNCERTAIN}: {symbol.note}".rstrip(": ") if symbol.uncertain else symbol.note
    return Reading(
        glyph=glyph_id,
        label=label,
        confidence=0.0 if symbol.uncertain else 1.0,
        step=symbol.step,
        pitch=pitch,
        by="truth",
        note=note,
    )


def _contour(heads: tuple[str, ...], readings: list[Reading]) -> str:
    """Letters U, D, S for the moves between the heads of a neume."""
    by_glyph = {reading.glyph: reading.pitch for reading in readings}
    degrees = [
        pitch.degree for pitch in (by_glyph[head] for head in heads) if pitch and pitch.degree is not None
    ]
    moves = (after - before for before, after in itertools.pairwise(degrees))
    return "".join("S" if move == 0 else "U" if move > 0 else "D" for move in moves)
