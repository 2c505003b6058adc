"""Small invented pages of every kind, for the tests of the writers."""

from __future__ import annotations

import msgspec

from neumary.types import (
    Box,
    Glyph,
    Neume,
    NotationKind,
    Page,
    Pitch,
    Provenance,
    Reading,
    Remark,
    Staff,
    StaffLine,
    Syllable,
)
from neumary_models.labels import HEADS

SPACE = 24
Token = tuple[str, int | None] | list[tuple[str, int | None]]


def staff(number: int, lines: int, kind: NotationKind = "square") -> Staff:
    """A slightly rising staff; its bottom line starts at row 200 * number."""
    bottom = 200 * number
    drawn = tuple(
        StaffLine(
            cols=(40.0, 400.25, 780.5),
            rows=tuple(bottom - SPACE * line - lift for lift in (0.0, 1.5, 2.25)),
            thickness_px=2.0,
            colour="red" if line % 2 == 0 else "brown",
            seen=0.3 if line == 1 else 0.95,
        )
        for line in range(lines)
    )
    top = bottom - SPACE * max(lines - 1, 3)
    return Staff(
        id=f"s{number:02d}",
        column=0,
        lines=drawn,
        space_px=float(SPACE),
        area=Box(top - 50, 30, bottom + 50, 790),
        kind=kind,
    )


class Builder:
    """Lays signs out from left to right and numbers them."""

    def __init__(self) -> None:
        self.staves: list[Staff] = []
        self.glyphs: list[Glyph] = []
        self.readings: list[Reading] = []
        self.neumes: list[Neume] = []
        self.syllables: list[Syllable] = []

    def add(
        self,
        lines: int,
        base: int | None,
        tokens: list[Token],
        *,
        kind: NotationKind = "square",
        certainty: str = "exact",
        layer: str = "melody",
        same_staff: bool = False,
    ) -> None:
        """Add a staff; `base` is the degree of its bottom line, a list of signs is a neume."""
        if not same_staff:
            self.staves.append(staff(len(self.staves) + 1, lines, kind))
        here = self.staves[-1]
        col = 60.0
        for token in tokens:
            signs = token if isinstance(token, list) else [token]
            first = len(self.glyphs)
            for label, step in signs:
                self._sign(here, label, step, col, base, certainty, layer)
                col += 22.0
            heads = tuple(glyph.id for glyph in self.glyphs[first:])
            if isinstance(token, list):
                name = f"n{len(self.neumes) + 1:04d}"
                self.neumes.append(Neume(id=name, staff=here.id, glyphs=heads, name="clivis"))
            col += 20.0

    def _sign(
        self,
        here: Staff,
        label: str,
        step: int | None,
        col: float,
        base: int | None,
        certainty: str,
        layer: str,
    ) -> None:
        name = f"g{len(self.glyphs) + 1:04d}"
        row = here.row_of(step, col) if here.lines and step is not None else here.area.top + 60.0
        half = 9 if label in HEADS else 16
        tall = 34 if label == "division" else half
        box = Box(int(row) - tall, int(col) - half, int(row) + tall, int(col) + half)
        if label == "division":
            box = Box(int(row) - tall, int(col) - 1, int(row) + tall, int(col) + 2)
        self.glyphs.append(Glyph(id=name, staff=here.id, row=round(row, 2), col=col, box=box, layer=layer))
        pitch = None
        if label in HEADS or label == "custos":
            pitch = _pitch(certainty, base, step, len(self.glyphs))
        confidence = 0.55 if len(self.glyphs) % 5 == 0 else 0.97
        rivals = (("virga", 0.3), ("oriscus", 0.05)) if confidence < 0.8 else ()
        self.readings.append(
            Reading(
                glyph=name,
                label=label,
                confidence=confidence,
                rivals=rivals,
                step=step if here.lines else None,
                pitch=pitch,
            )
        )

    def page(self, name: str, warnings: tuple[Remark, ...] = ()) -> Page:
        return Page(
            page_id=name,
            source=f"{name}.jpg",
            sha256="ab" * 32,
            width=800,
            height=200 * len(self.staves) + 100,
            staves=tuple(self.staves),
            glyphs=tuple(self.glyphs),
            readings=tuple(self.readings),
            neumes=tuple(self.neumes),
            syllables=tuple(self.syllables),
            warnings=warnings,
            provenance=Provenance(
                version="0.1.0", model="glyphs", model_sha256="cd" * 32, settings={"lines": "auto", "jobs": 2}
            ),
        )


def _pitch(certainty: str, base: int | None, step: int | None, number: int) -> Pitch:
    if certainty == "contour" or base is None or step is None:
        return Pitch(certainty="contour", contour="uds"[number % 3])  # type: ignore[arg-type]
    degree = base + step
    if certainty == "ranged":
        around = ((degree, 0, 0.6), (degree + 1, 0, 0.3), (degree - 1, 0, 0.1))
        return Pitch(certainty="ranged", degree=degree, alternatives=around)
    return Pitch(certainty="exact", degree=degree)


PES: list[tuple[str, int | None]] = [("punctum", 2), ("virga", 3)]
CLIMACUS: list[tuple[str, int | None]] = [("virga", 6), ("inclinatum", 5), ("inclinatum", 4)]
PORRECTUS: list[tuple[str, int | None]] = [("oblique", 5), ("oblique", 3), ("punctum", 4)]
RARE: list[tuple[str, int | None]] = [("quilisma", 1), ("oriscus", 2), ("stropha", 2), ("liquescent", 1)]


def _exact() -> Page:
    """C clef on line 4: the bottom line is d3 = 22; then a change to an F clef on line 3: b2 = 20."""
    make = Builder()
    make.add(4, 22, [("clef_c", 6), PES, CLIMACUS, PORRECTUS, ("division", 3), RARE, ("custos", 0)])
    make.add(4, 20, [("clef_f", 4), PES, [("punctum", -1)], ("division", 5), CLIMACUS])
    return make.page("exact")


def _ranged() -> Page:
    make = Builder()
    make.add(1, 24, [("clef_f", 0), PES, CLIMACUS], kind="coloured-lines", certainty="ranged")
    make.add(2, 24, [PES, [("punctum", -2)]], kind="coloured-lines", certainty="ranged")
    return make.page("ranged")


def _contour() -> Page:
    make = Builder()
    for _ in range(2):
        make.add(
            0,
            None,
            [[("punctum", None), ("virga", None)], [("quilisma", None)]],
            kind="staffless",
            certainty="contour",
        )
    return make.page("contour", (Remark(code="no-pitch", text="There are no lines: contour only."),))


def _letters() -> Page:
    """Letter clefs; the bottom line follows from the letter in the octave of the C clef."""
    make = Builder()
    make.add(4, 26 - 2, [("clef_a", 2), PES, CLIMACUS])  # a on line 2: bottom line f3
    make.add(5, 29 - 3, [("clef_d", 3), PES, CLIMACUS])  # d between lines: bottom line a3
    make.add(4, 25 - 2, [("clef_g", 2), PES])  # the gamut's g3 on line 2: bottom line e3
    make.add(4, 27 - 4, [("clef_b", 4), PES])  # b on line 3: bottom line e3, no C, F or g4 on a line
    return make.page("letters")


def _flats() -> Page:
    make = Builder()
    make.add(4, 22, [("clef_c", 6), ("flat", 5), [("punctum", 4), ("punctum", 5)], ("natural", 5), PES])
    page = make.page("flats")
    readings = list(page.readings)
    pitch = readings[3].pitch
    assert pitch is not None
    readings[3] = msgspec.structs.replace(readings[3], pitch=msgspec.structs.replace(pitch, alter=-1))
    return msgspec.structs.replace(page, readings=tuple(readings))


def _mixed() -> Page:
    make = Builder()
    make.add(4, 22, [("clef_c", 6), PES, ("custos", 2)])
    make.add(5, 20, [("clef_c", 8), PES, ("custos", 4)])
    make.add(4, 22, [PES, CLIMACUS])  # no clef written: it goes on
    return make.page("mixed", (Remark(code="clef-missing", text="No clef was found.", staff="s03"),))


def _syllables() -> Page:
    make = Builder()
    make.add(4, 22, [("clef_c", 6), PES, [("punctum", 4)], ("division", 3), [("virga", 5)], ("custos", 4)])
    make.add(4, 22, [("clef_c", 6), [("virga", 4)], PES])
    words = [("Sal", "i"), ("ve", "t"), ("Re", "i"), ("gi", "m")]
    make.syllables = [
        Syllable(
            id=f"y{n:04d}",
            staff="s01" if n < 4 else "s02",
            text=text,
            wordpos=pos,
            box=Box(230, 50 * n, 250, 50 * n + 30),
        )  # type: ignore[arg-type]
        for n, (text, pos) in enumerate(words, 1)
    ]
    # "Sal" has two neumes, "ve" none that was found, "Re" goes on over the staff's end
    owners = ["y0001", "y0001", "y0003", "y0003", "y0004"]
    make.neumes = [
        msgspec.structs.replace(neume, syllable=owner)
        for neume, owner in zip(make.neumes, owners, strict=True)
    ]
    return make.page("syllables")


def _layered() -> Page:
    make = Builder()
    make.add(4, 22, [("clef_c", 6), PES, CLIMACUS], kind="layered")
    make.add(
        4, None, [[("punctum", None), ("virga", None)]], certainty="contour", layer="upper", same_staff=True
    )
    return make.page("layered")


def _odd_names() -> Page:
    """Ids and texts that XML cannot hold as they are."""
    page = _exact()
    names = {glyph.id: f"9 {glyph.id}\u00e9" for glyph in page.glyphs}
    return msgspec.structs.replace(
        page,
        page_id="leaf 12 \u2013 \x07verso",
        source="leaf 12 & <verso>.jpg",
        glyphs=tuple(msgspec.structs.replace(glyph, id=names[glyph.id]) for glyph in page.glyphs),
        readings=tuple(
            msgspec.structs.replace(reading, glyph=names[reading.glyph], by="human", note="\x00")
            for reading in page.readings
        ),
        neumes=tuple(
            msgspec.structs.replace(neume, glyphs=tuple(names[glyph] for glyph in neume.glyphs))
            for neume in page.neumes
        ),
        warnings=(
            Remark(code="glyph", text="about one sign", glyph=names["g0002"]),
            Remark(code="page", text="about the page & more"),
        ),
    )


def _outside() -> Page:
    """Boxes that reach over the edge of the leaf."""
    page = _exact()
    glyphs = [msgspec.structs.replace(glyph, box=Box(-20, -9, 5000, 4000)) for glyph in page.glyphs[:3]]
    glyphs[1] = msgspec.structs.replace(glyphs[1], box=Box(900, 1000, 900, 1000))
    return msgspec.structs.replace(page, glyphs=(*glyphs, *page.glyphs[3:]))


SAMPLES: dict[str, Page] = {
    "exact": _exact(),
    "ranged": _ranged(),
    "contour": _contour(),
    "letters": _letters(),
    "flats": _flats(),
    "mixed": _mixed(),
    "syllables": _syllables(),
    "layered": _layered(),
    "odd names": _odd_names(),
    "outside": _outside(),
    "empty": Page(page_id="empty", source="empty.jpg", sha256="00", width=300, height=200),
    "ruled": msgspec.structs.replace(_exact(), glyphs=(), readings=(), neumes=()),
}
