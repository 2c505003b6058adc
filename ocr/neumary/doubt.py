"""Which places a specialist should look at, and why: one rule for every output."""

from __future__ import annotations

from typing import Final

from neumary.types import Page, Reading
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
