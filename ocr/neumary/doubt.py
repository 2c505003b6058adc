"""Which places a specialist should look at, and why: one rule for every output."""

from __future__ import annotations

from dataclasses import dataclass
from typing import Final

from neumary.types import Page, Pitch, Reading
from neumary_models.labels import HEADS

DOUBT_BELOW: Final = 0.8
"""A sign read with less confidence than this is called doubtful everywhere."""

_NAMED_BY_HAND: Final = frozenset({"human", "truth"})


def reasons_to_doubt(reading: Reading) -> tuple[str, ...]:
    """Say why a reading should be checked first; nothing if it need not be.

    Parameters
    ----------
    reading : Reading

    Returns
    -------
    tuple of str
        Any of "confidence" (below `DOUBT_BELOW`), "pitch" (a head or custos whose
        pitch is a range or unknown), "inferred" (not seen, but concluded). A person's
        own reading is never doubted for its confidence.
    """
    reasons = []
    if reading.confidence < DOUBT_BELOW and reading.by not in _NAMED_BY_HAND:
        reasons.append("confidence")
    pitched = reading.label in HEADS or reading.label == "custos"
    if pitched and (reading.pitch is None or reading.pitch.certainty != "exact"):
        reasons.append("pitch")
    if reading.by == "inferred":
        reasons.append("inferred")
    return tuple(reasons)


def doubtful_signs(page: Page) -> dict[str, tuple[str, ...]]:
    """Give the doubtful signs of a page, in reading order.

    Parameters
    ----------
    page : Page

    Returns
    -------
    dict of str to tuple of str
        Sign id to its reasons (see `reasons_to_doubt`).
    """
    current = page.current()
    found = {glyph.id: reasons_to_doubt(current[glyph.id]) for glyph in page.glyphs if glyph.id in current}
    return {glyph: reasons for glyph, reasons in found.items() if reasons}


def certain_pitch(reading: Reading) -> Pitch | None:
    """Give a reading's pitch where it is exact, and only there.

    Parameters
    ----------
    reading : Reading

    Returns
    -------
    Pitch or None
        None for a range, a contour, a sign without pitch: what no export may give out as
        an exact note.
    """
    pitch = reading.pitch
    if pitch is None or pitch.certainty != "exact" or pitch.degree is None:
        return None
    return pitch


@dataclass(frozen=True, slots=True)
class NoteCounts:
    """How much of a page's notes is known.

    Attributes
    ----------
    exact, ranged, unread : int
        Heads of the melody by what is known of their pitch; "unread" has no degree at all.
    other_layers : int
        Heads of the layers above and below the staff.
    """

    exact: int = 0
    ranged: int = 0
    unread: int = 0
    other_layers: int = 0

    def __add__(self, other: NoteCounts) -> NoteCounts:
        return NoteCounts(
            self.exact + other.exact,
            self.ranged + other.ranged,
            self.unread + other.unread,
            self.other_layers + other.other_layers,
        )


def count_notes(page: Page) -> NoteCounts:
    """Count the notes of a page by what is known of their pitch.

    Parameters
    ----------
    page : Page

    Returns
    -------
    NoteCounts
    """
    current = page.current()
    exact = ranged = unread = other = 0
    for glyph in page.glyphs:
        reading = current.get(glyph.id)
        if reading is None or reading.label not in HEADS:
            continue
        if glyph.layer != "melody":
            other += 1
        elif certain_pitch(reading):
            exact += 1
        elif reading.pitch and reading.pitch.certainty == "ranged" and reading.pitch.degree is not None:
            ranged += 1
        else:
            unread += 1
    return NoteCounts(exact, ranged, unread, other)
