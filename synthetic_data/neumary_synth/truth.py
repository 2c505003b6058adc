"""The exact truth of a rendered page, as a `Page`."""

from __future__ import annotations

from collections import defaultdict
from collections.abc import Sequence
from itertools import pairwise
from typing import Final, cast

import msgspec
import numpy as np
import numpy.typing as npt

from neumary.types import (
    Box,
    Glyph,
    LineColour,
    Neume,
    NotationKind,
    Page,
    Pitch,
    Provenance,
    Reading,
    Staff,
    StaffLine,
    Syllable,
)
from neumary_models.labels import BY_NAME
from neumary_synth.sheets import U8, FlatPage, FlatSign, FlatStaff
from neumary_synth.traceable import sign_cols, traceable_part
from neumary_synth.warp import F64, Warp

_MIN_LINE_SPACES = 1.5  # what is left of a line at the picture's edge and counts as a line
_LEAST_INK: Final = 0.15  # of a head's box; with less the head has flaked away
_LOST_SHARE: Final = 0.6  # a sign of whose ink more is covered is not there to be read
_INKED: Final = 64  # coverage from which on a pixel counts as inked
_COVERING: Final = 140  # the same for what covers
_AS_DARK: Final = 40  # ink at most so much lighter than a sign's hides the sign under it


_AROUND: Final = np.array(
    [
        *((side, t) for side in (0.0, 1.0) for t in np.linspace(0, 1, 5)),
        *((t, side) for side in (0.0, 1.0) for t in np.linspace(0, 1, 5)),
    ]
)
"""Points round the edge of a unit box, (row, col)."""


def _boxes_of(warp: Warp, boxes: Sequence[tuple[float, float, float, float]]) -> list[Box]:
    """Smallest upright boxes round bent boxes, within the picture; all at once, for speed."""
    if not boxes:
        return []
    flat = np.array(boxes, dtype=np.float64)
    edges = flat[:, None, :2] + _AROUND * (flat[:, None, 2:] - flat[:, None, :2])
    bent = warp.forward(edges.reshape(-1, 2)).reshape(edges.shape)
    limit = np.array([warp.height, warp.width])
    low = np.clip(np.floor(bent.min(axis=1)), 0, limit).astype(int).tolist()
    high = np.clip(np.ceil(bent.max(axis=1)) + 1, 0, limit).astype(int).tolist()
    return [Box(t, le, b, r) for (t, le), (b, r) in zip(low, high, strict=True)]


def _line(
    warp: Warp, mask: U8, cols: F64, rows: F64, thickness_px: float, colour: str, scale: float, space: float
) -> StaffLine | None:
    bent = warp.forward(np.stack([rows, cols], axis=1))
    inside = _between(bent[:, 1], warp.width) & _between(bent[:, 0], warp.height)
    bent = bent[inside]
    if len(bent) < 2 or bent[-1, 1] - bent[0, 1] < _MIN_LINE_SPACES * space:
        return None
    bent = bent[np.concatenate([[True], np.diff(bent[:, 1]) > 0.01])]
    at = np.arange(bent[0, 1], bent[-1, 1], 1.0)
    on = np.interp(at, bent[:, 1], bent[:, 0])
    near = [
        mask[np.clip(np.round(on + d).astype(int), 0, warp.height - 1), np.round(at).astype(int)]
        for d in (-1, 0, 1)
    ]
    seen = float((np.max(near, axis=0) >= 64).mean()) if len(at) else 0.0
    return _polyline(bent, thickness_px * scale, colour, seen)


def _between(values: F64, size: int) -> npt.NDArray[np.bool_]:
    return (values >= 0) & (values <= size - 1)


def _polyline(bent: F64, thickness_px: float, colour: str, seen: float) -> StaffLine:
    return StaffLine(
        cols=tuple(round(float(c), 3) for c in bent[:, 1]),
        rows=tuple(round(float(r), 3) for r in bent[:, 0]),
        thickness_px=round(thickness_px, 3),
        colour=cast(LineColour, colour),
        seen=round(seen, 4),
    )


def ruled_staves(flat: FlatPage, warp: Warp, hidden: U8, scale: float) -> tuple[Staff, ...]:
    """Staves with their lines where these run beyond the picture's upper and lower edge, too.

    Parameters
    ----------
    flat, warp, hidden, scale
        As in `page_truth`.

    Returns
    -------
    tuple of Staff
        All staves with lines whose area reaches into the picture. Lines are cut at its left and right
        edge; a line all under paint is kept whole. `seen` is not known and stands at 1.
    """
    areas = _boxes_of(warp, [staff.area for staff in flat.staves])
    staves: list[Staff] = []
    signs = sign_cols(flat, hidden)
    for number, (staff, area) in enumerate(zip(flat.staves, areas, strict=True)):
        lines = []
        for line in staff.lines:
            whole = np.array(line.cols), np.array(line.rows)
            cols, rows = traceable_part(hidden, *whole, staff.space_px, signs.get(number))
            cols, rows = (cols, rows) if len(cols) > 1 else whole
            bent = warp.forward(np.stack([rows, cols], axis=1))
            bent = bent[_between(bent[:, 1], warp.width)]
            bent = bent[np.concatenate([[True], np.diff(bent[:, 1]) > 0.01])] if len(bent) else bent
            if len(bent) > 1:
                lines.append(_polyline(bent, line.thickness_px * scale, line.colour, 1.0))
        if len(lines) < len(staff.lines) or not lines or area.bottom == area.top or area.right == area.left:
            continue
        staves.append(
            Staff(
                id=f"r{len(staves) + 1:02d}", column=staff.column, lines=tuple(lines), area=area,
                space_px=round(_space_of(lines, staff.kind, staff.space_px * scale), 3),
                kind=cast(NotationKind, staff.kind),
            )
        )  # fmt: skip
    return tuple(staves)


def _space_of(lines: list[StaffLine], kind: str, usual: float) -> float:
    if len(lines) < 2:
        return usual
    middle = (max(x.cols[0] for x in lines) + min(x.cols[-1] for x in lines)) / 2
    gaps = np.diff([x.row_at(middle) for x in lines])
    return float(-gaps.mean()) / (2.0 if kind == "coloured-lines" else 1.0)


def page_truth(
    flat: FlatPage,
    warp: Warp,
    masks: dict[str, U8],
    hidden: U8,
    page_id: str,
    scale: float,
    settings: dict[str, str | int | float | bool],
) -> Page:
    """Carry the flat page's truth into the photograph.

    Parameters
    ----------
    flat : FlatPage
    warp : Warp
    masks : dict of str to ndarray of uint8, shape (H, W)
        Layers in the photograph; tell how much of a line can be seen.
    hidden : ndarray of uint8, shape (flat rows, flat cols)
        Where the flat page's ink is hidden by paint or gone with the leaf.
    page_id : str
    scale : float
        Photograph px per flat px.
    settings : dict
        Kept in the provenance.

    Returns
    -------
    Page
        Signs most of whose ink is hidden, or whose centre or staff lies outside the picture, are left
        out. Lines begin and end where they can be traced (`traceable_part`): paint that covers an end
        shortens them, paint in their middle does not. Where no letter of a page with letters can be seen,
        it is one of neumes without lines.
    """
    staves, kept, lowest = _staves(flat, warp, masks["line"], hidden, scale)
    signs = _visible(flat, warp, hidden, kept)
    glyphs, readings = [], []
    heads: dict[int, list[tuple[str, FlatSign]]] = defaultdict(list)
    boxes = _boxes_of(warp, [(x.drawn.top, x.drawn.left, x.drawn.bottom, x.drawn.right) for x, _ in signs])
    for number, ((sign, centre), box) in enumerate(zip(signs, boxes, strict=True), start=1):
        name, drawn = f"g{number:04d}", sign.drawn
        glyphs.append(
            Glyph(
                id=name,
                staff=kept[sign.staff],
                row=float(centre[0]),
                col=float(centre[1]),
                box=box,
                layer=sign.layer,
            )
        )
        group = BY_NAME[drawn.label].group
        box = Box(box.top, box.left, max(box.bottom, box.top + 1), max(box.right, box.left + 1))
        pitch = None
        if group in ("head", "custos"):
            known = sign.degree is not None
            pitch = Pitch(
                certainty="exact" if known else "contour",
                degree=sign.degree,
                alter=sign.alter,
                contour=cast("object", sign.contour if not known else ""),  # type: ignore[arg-type]
            )
        readings.append(
            Reading(
                glyph=name, label=drawn.label, confidence=1.0, step=_step(sign, lowest), pitch=pitch,
                starts_neume=float(drawn.starts_neume) if group == "head" else 0.0, by="truth",
            )
        )  # fmt: skip
        if group == "head" and sign.neume >= 0 and sign.layer == "melody":
            heads[sign.neume].append((name, sign))
    if not any(BY_NAME[reading.label].group == "clef" for reading in readings):
        staves = tuple(map(_unlettered, staves))
    syllables, names = _syllables(flat, warp, kept)
    neumes = tuple(
        Neume(
            id=f"n{i:04d}",
            staff=kept[group[0][1].staff],
            glyphs=tuple(name for name, _ in group),
            contour=_contour([sign for _, sign in group]),
            syllable=names.get(group[0][1].syllable, ""),
        )
        for i, (_, group) in enumerate(sorted(heads.items()), start=1)
    )
    return Page(
        page_id=page_id, source=f"{page_id}.jpg", sha256="", width=warp.width, height=warp.height,
        staves=staves, glyphs=tuple(glyphs), readings=tuple(readings), neumes=neumes, syllables=syllables,
        provenance=Provenance(program="neumary_synth", settings=settings),
    )  # fmt: skip


def _unlettered(staff: Staff) -> Staff:
    """A row whose page shows no letter: nothing in the picture gives heights."""
    return msgspec.structs.replace(staff, kind="staffless") if staff.kind == "letters" else staff


def _step(sign: FlatSign, lowest: dict[int, int]) -> int | None:
    return None if sign.step is None else sign.step - 2 * lowest[sign.staff]


def _staves(
    flat: FlatPage, warp: Warp, mask: U8, hidden: U8, scale: float
) -> tuple[tuple[Staff, ...], dict[int, str], dict[int, int]]:
    """Staves; their names by number on the flat page; how many of their lowest lines are cut off."""
    staves: list[Staff] = []
    kept: dict[int, str] = {}
    lowest: dict[int, int] = {}
    areas = _boxes_of(warp, [staff.area for staff in flat.staves])
    signs = sign_cols(flat, hidden)
    for number, (staff, area) in enumerate(zip(flat.staves, areas, strict=True)):
        space = staff.space_px * scale
        made: list[StaffLine | None] = []
        for line in staff.lines:
            whole = np.array(line.cols), np.array(line.rows)
            cols, rows = traceable_part(hidden, *whole, staff.space_px, signs.get(number))
            made.append(_line(warp, mask, cols, rows, line.thickness_px, line.colour, scale, space))
        lines = [line for line in made if line is not None]
        there = [i for i, line in enumerate(made) if line is not None]
        if area.bottom - area.top < space or area.right - area.left < space:
            continue
        if made and (not there or not _cut_only(warp, staff, there)):
            continue
        kept[number], lowest[number] = f"s{len(staves) + 1:02d}", there[0] if there else 0
        staves.append(
            Staff(
                id=kept[number], column=staff.column, lines=tuple(lines), area=area,
                space_px=round(_space_of(lines, staff.kind, space), 3), kind=cast(NotationKind, staff.kind),
            )
        )  # fmt: skip
    return tuple(staves), kept, lowest


def _cut_only(warp: Warp, staff: FlatStaff, there: list[int]) -> bool:
    """Whether lines are missing only where the picture's upper or lower edge cuts them off."""
    if len(there) == len(staff.lines):
        return True
    edge = 0 if there[0] == 0 else warp.height - 1
    gone = [i for i in range(len(staff.lines)) if i not in there]
    if there != list(range(there[0], there[-1] + 1)) or (edge and there[-1] != len(staff.lines) - 1):
        return False
    for line in (staff.lines[i] for i in gone):
        row = warp.forward([(line.rows[len(line.rows) // 2], line.cols[len(line.cols) // 2])])[0, 0]
        if (row > 0) if not edge else (row < edge):
            return False
    return True


def _is_hidden(flat: FlatPage, hidden: U8, sign: FlatSign) -> bool:
    """Whether paint, a loss or ink as dark as its own covers most of a sign's ink, or a head's middle.

    A head of the melody of which hardly any ink is left counts as hidden too.
    """
    d = sign.drawn
    if not (0 <= d.row < hidden.shape[0] and 0 <= d.col < hidden.shape[1]):
        return True
    row, col = min(max(round(d.row), 0), hidden.shape[0] - 1), min(max(round(d.col), 0), hidden.shape[1] - 1)
    if BY_NAME[d.label].group == "head" and hidden[row, col] > 127:
        return True
    part = np.s_[max(int(d.top), 0) : int(d.bottom) + 2, max(int(d.left), 0) : int(d.right) + 2]
    inked = np.zeros(hidden[part].shape, bool)
    darkness = 765
    for sheet in flat.sheets:
        if sheet.layer == "music":
            here = sheet.mask[part] >= _INKED
            if here.any():
                inked |= here
                darkness = min(darkness, sum(sheet.ink))
    if BY_NAME[d.label].group == "head" and sign.layer == "melody" and inked.mean() < _LEAST_INK:
        return True
    if not inked.any():
        return bool(hidden[part].size and hidden[part].mean() > _LOST_SHARE * 255)
    covered = hidden[part] > 127
    for sheet in flat.sheets:
        if (
            sheet.layer in ("decoration", "text")
            and not sheet.opaque
            and sum(sheet.ink) < darkness + _AS_DARK
        ):
            covered |= sheet.mask[part] > _COVERING
    return bool(covered[inked].mean() > _LOST_SHARE)


def _visible(flat: FlatPage, warp: Warp, hidden: U8, kept: dict[int, str]) -> list[tuple[FlatSign, F64]]:
    if not flat.signs:
        return []
    centres = warp.forward([(s.drawn.row, s.drawn.col) for s in flat.signs])
    found = []
    for sign, centre in zip(flat.signs, centres, strict=True):
        inside = 0 <= centre[0] <= warp.height - 1 and 0 <= centre[1] <= warp.width - 1
        if inside and sign.staff in kept and not _is_hidden(flat, hidden, sign):
            found.append((sign, centre))
    return found


def _syllables(
    flat: FlatPage, warp: Warp, kept: dict[int, str]
) -> tuple[tuple[Syllable, ...], dict[int, str]]:
    made: list[Syllable] = []
    names: dict[int, str] = {}
    boxes = _boxes_of(warp, [syllable.box for syllable in flat.syllables])
    for number, syllable in enumerate(flat.syllables):
        if (
            syllable.staff not in kept
            or boxes[number].bottom == boxes[number].top
            or (boxes[number].right == boxes[number].left)
        ):
            continue  # of another side of the picture's edge
        names[number] = f"y{len(made) + 1:04d}"
        made.append(
            Syllable(
                id=names[number], staff=kept[syllable.staff], text=syllable.text,
                box=boxes[number],
                wordpos=cast("object", syllable.wordpos),  # type: ignore[arg-type]
            )
        )  # fmt: skip
    return tuple(made), names


def _contour(signs: list[FlatSign]) -> str:
    """U, D, S for each move; from written degrees, else from the signs' own contour."""
    moves = []
    for before, after in pairwise(signs):
        if before.degree is None or after.degree is None:
            moves.append(after.contour.upper())
        else:
            moves.append(
                "U" if after.degree > before.degree else "D" if after.degree < before.degree else "S"
            )
    return "".join(moves)
