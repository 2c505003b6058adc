"""What the joint decision hands on, and what it collects on its way."""

from __future__ import annotations

from dataclasses import dataclass, field
from typing import Final, NamedTuple

import msgspec

from neumary.gamut import Sign
from neumary.types import Glyph, Reading, Remark

OVERRULED: Final = "overruled"
"""Begins the note on a reading that was overruled; what it was stands behind it."""

BORNE_OUT: Final = "faint, borne out"
"""Note on a sign below the level of belief that others bear witness for."""


def is_concluded(reading: Reading) -> bool:
    """Whether a reading was concluded from others rather than seen: inferred, overruled or taken up."""
    return reading.by == "inferred" or (
        reading.by == "decided" and reading.note.startswith((OVERRULED, BORNE_OUT))
    )


class Decision(NamedTuple):
    """What the joint decision hands on.

    Attributes
    ----------
    glyphs : list of Glyph
        Those that came in, and one for each inferred clef (id: staff id + "-clef"), less those
        dropped: faint signs nothing speaks for, and clefs in mid-staff the melody contradicts.
    readings : list of Reading
        Those that came in, and behind them the new ones; the last one of a glyph holds.
    remarks : list of Remark
        Codes: ``clef-inferred``, ``clef-unknown``, ``clef-overruled``, ``clef-doubtful``, ``clef-faint``,
        ``clefs-disagree``,
        ``clef-ignored``, ``custos-ignored``, ``custos-overruled``, ``step-overruled``, ``flat-moved``.
    """

    glyphs: list[Glyph]
    readings: list[Reading]
    remarks: list[Remark]


@dataclass(slots=True)
class Record:
    """What the decision collects: everything that came in, what is put behind it, and what is dropped."""

    glyphs: list[Glyph]
    readings: list[Reading]
    remarks: list[Remark] = field(default_factory=list)
    dropped: set[str] = field(default_factory=set)  # glyph ids

    def say(self, code: str, text: str, staff: str, glyph: str = "") -> None:
        """Add a remark."""
        self.remarks.append(Remark(code=code, text=text, staff=staff, glyph=glyph))

    def put(self, sign: Sign, **changes: object) -> None:
        """Put a changed reading of a sign behind its old one; it holds from now on."""
        self.readings.append(msgspec.structs.replace(sign.reading, by="decided", **changes))

    def take_up(self, sign: Sign, p: float, **changes: object) -> None:
        """Keep a faint sign that others bear witness for."""
        self.put(sign, confidence=round(p, 4), note=BORNE_OUT, **changes)

    def decision(self) -> Decision:
        """The outcome."""
        return Decision(
            [g for g in self.glyphs if g.id not in self.dropped],
            [r for r in self.readings if r.glyph not in self.dropped],
            self.remarks,
        )
