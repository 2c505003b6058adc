"""Pages built by hand: level staves, signs at the places their steps ask for."""

from __future__ import annotations

from collections.abc import Sequence

from neumary.types import Box, Glyph, Page, Reading, Staff, StaffLine
from neumary_models.labels import HEADS

SPACE = 20.0
LEFT, APART = 100.0, 30.0
PNAMES = "cdefgab"


def staff(number: int = 1, lines: int = 4, colours: Sequence[str] = (), kind: str = "square") -> Staff:
    """A level staff; staves stand 200 px below each other."""
    bottom = 200.0 * number
    colours = colours or ["red"] * lines
    return Staff(
        id=f"s{number:02d}",
        column=0,
        lines=tuple(
            StaffLine(
                cols=(50.0, 1500.0),
                rows=(bottom - SPACE * i,) * 2,
                thickness_px=1.5,
                colour=colours[i],
                seen=1.0,
            )
            for i in range(lines)
        ),
        space_px=SPACE,
        area=Box(int(bottom) - 130, 40, int(bottom) + 60, 1510),
        kind=kind,
    )


class Writer:
    """Writes signs onto staves, left to right."""

    def __init__(self) -> None:
        self.staves: list[Staff] = []
        self.glyphs: list[Glyph] = []
        self.readings: list[Reading] = []

    def staff(self, **how: object) -> Writer:
        self.staves.append(staff(len(self.staves) + 1, **how))
        self._col = LEFT
        return self

    def sign(self, label: str, step: int | None = None, **more: object) -> Writer:
        on = self.staves[-1]
        row = more.pop("row", None)
        if row is None:
            row = 200.0 * len(self.staves) - SPACE / 2 * (step or 0)
        col = float(more.pop("col", self._col))
        number = len(self.glyphs) + 1
        box = Box(int(row) - 8, int(col) - 8, int(row) + 8, int(col) + 8)
        self.glyphs.append(Glyph(id=f"g{number:04d}", staff=on.id, row=row, col=col, box=box))
        given = {"confidence": 0.98, "step": step, "starts_neume": 1.0} | more
        self.readings.append(Reading(glyph=f"g{number:04d}", label=label, **given))
        self._col = col + APART
        return self

    def clef(self, letter: str, line: int, **more: object) -> Writer:
        return self.sign(f"clef_{letter}", 2 * (line - 1), **more)

    def notes(self, *steps: int, **more: object) -> Writer:
        for step in steps:
            self.sign("punctum", step, **more)
        return self

    @property
    def parts(self) -> tuple[list[Staff], list[Glyph], list[Reading]]:
        return self.staves, self.glyphs, self.readings

    def page(self, readings: Sequence[Reading] = (), **more: object) -> Page:
        return Page(
            page_id="small",
            source="small.png",
            sha256="",
            width=1600,
            height=2000,
            staves=tuple(self.staves),
            glyphs=tuple(self.glyphs),
            readings=tuple(readings or self.readings),
            **more,
        )


def name(degree: int, alter: int = 0) -> str:
    """ "c4", "bb3": letter, b for flat, octave."""
    return f"{PNAMES[degree % 7]}{'b' if alter else ''}{degree // 7}"


def sung(readings: Sequence[Reading]) -> list[str]:
    """Pitch names of the heads that hold, in the order written."""
    last = {reading.glyph: reading for reading in readings}
    return [
        name(r.pitch.degree, r.pitch.alter) if r.pitch and r.pitch.degree is not None else "?"
        for r in last.values()
        if r.label in HEADS
    ]
