"""A page in a few lines of text: melody of the first staff, counts, doubts, files."""

from __future__ import annotations

from collections import Counter
from pathlib import Path
from typing import Final

from neumary.doubt import doubtful_signs
from neumary.melody_text import melody_text
from neumary.types import Page
from neumary_models.labels import BY_NAME

WARNINGS_SHOWN: Final = 5
DRAFT: Final = "a draft for a specialist to check, never a final reading."


def summarise(page: Page, folder: Path) -> list[str]:
    """Sum a page up for the terminal.

    Parameters
    ----------
    page : Page
    folder : Path
        Where its files stand.

    Returns
    -------
    list of str
        Lines without ends.
    """
    return [
        f"{page.page_id}: {DRAFT}",
        _melody(page),
        _counts(page),
        *_doubts(page),
        f"Check against the image: {folder / 'overlay.jpg'}",
        f"Encoding: {folder / 'page.mei'}",
    ]


def _melody(page: Page) -> str:
    """Melody of the first staff that has any."""
    for staff in page.staves:
        melody = melody_text(page, staff.id)
        if melody:
            return f"Melody of staff {staff.id}: {melody}"
    return "Melody: no notes were found."


def _counts(page: Page) -> str:
    groups = Counter(BY_NAME[reading.label].group for reading in page.current().values())
    words = [("head", "notes"), ("clef", "clefs"), ("accidental", "accidentals")]
    words += [("custos", "custodes"), ("division", "divisions")]
    parts = [f"{len(page.staves)} staves"] + [f"{groups[group]} {word}" for group, word in words]
    return "Found: " + ", ".join([*parts, f"{len(page.neumes)} neumes"]) + "."


def _doubts(page: Page) -> list[str]:
    doubtful = doubtful_signs(page)
    reasons = Counter(reason for why in doubtful.values() for reason in why)
    why = ", ".join(f"{reason} {count}" for reason, count in sorted(reasons.items()))
    lines = [f"Doubtful: {len(doubtful)} of {len(page.glyphs)} signs" + (f" ({why})." if why else ".")]
    lines += [f"Warning: {remark.text}" for remark in page.warnings[:WARNINGS_SHOWN]]
    if len(page.warnings) > WARNINGS_SHOWN:
        lines.append(f"... and {len(page.warnings) - WARNINGS_SHOWN} more warnings, in page.json.")
    return lines
