"""Real leaves: what can be measured on each with the truth that lies beside it.

Looked for in a folder of scans; nothing is measured where it is absent. Four sorts of truth are
known: ``<stem>.truth.json`` (every sign), ``<stem>.openings.json`` (how each chant begins),
``<stem>.alto.xml`` (boxes of the staves), and a name that says that there are no notes or no staff
on it.
"""

from __future__ import annotations

import json
from collections.abc import Sequence
from dataclasses import dataclass
from pathlib import Path
from typing import Final

from lxml import etree

from neumary.gamut import degree_of
from neumary.metrics import PageScore, score_page
from neumary.order import staff_events
from neumary.truth import load_truth
from neumary.types import Page
from neumary_models.labels import HEADS
from neumary_training.evaluation_pages import read_both

_ALTO: Final = "{http://www.loc.gov/standards/alto/ns-v4#}"

# The text encoding's letters, read as a treble staff, begin at g3; the clef-literal octave is one lower.
_LETTERS: Final = "9abcdefghjklmnopqrs"
_LOWEST: Final = degree_of("g", 2)


@dataclass(frozen=True, slots=True)
class LeafResult:
    """One real leaf.

    Attributes
    ----------
    name : str
        Stem of the picture.
    facts : tuple of str
        What was measured, in words.
    score, undecided : PageScore or None
        Where every sign is known: as read, and without the joint decision.
    """

    name: str
    facts: tuple[str, ...]
    score: PageScore | None = None
    undecided: PageScore | None = None


def measure_leaves(scans: Path, model: str = "", threads: int = 1) -> list[LeafResult]:
    """Read every leaf of a folder and measure what its truth allows; none for a missing folder."""
    if not scans.is_dir():
        return []
    return [_measure(picture, model, threads) for picture in sorted(scans.glob("*.jpg"))]


def _measure(picture: Path, model: str, threads: int) -> LeafResult:
    read, undecided = read_both(picture, model, threads)
    facts = []
    stem = picture.with_suffix("")
    score = other = None
    if (hand := picture.with_suffix(".truth.json")).is_file():
        truth = load_truth(hand)
        score, other = score_page(read, truth), score_page(undecided, truth)
        facts.append(f"every sign known: {score.notes.hit + score.notes.missed} notes")
    if (openings := picture.with_suffix(".openings.json")).is_file():
        facts.append(_openings(read, json.loads(openings.read_text(encoding="utf-8"))))
    if (alto := stem.with_suffix(".alto.xml")).is_file():
        facts.append(_staves(read, music_zones(alto)))
    if "no_notes" in picture.stem:
        facts.append(f"{_heads(read)} false notes on {len(read.staves)} staves without a note")
    if "staffless" in picture.stem:
        exact = sum(r.pitch is not None and r.pitch.certainty == "exact" for r in read.current().values())
        facts.append(f"{len(read.staves)} staves and {exact} exact pitches given; right are 0 and 0")
    return LeafResult(picture.stem, tuple(facts), score, other)


def _heads(page: Page) -> int:
    return sum(reading.label in HEADS for reading in page.current().values())


def _openings(page: Page, openings: Sequence[dict[str, str]]) -> str:
    melody = [
        reading.pitch.degree if reading.pitch is not None else None
        for staff in page.staves
        for event in staff_events(page).get(staff.id, [])
        if event.is_neume and event.layer == "melody"
        for _, reading in event.signs
    ]
    edits = notes = 0
    for opening in openings:
        true = [_LOWEST + _LETTERS.index(char) for char in opening["volpiano"][1:] if char in _LETTERS]
        edits += nearest_stretch(melody, true)
        notes += len(true)
    return f"{len(openings)} known beginnings: {edits} edits on {notes} notes (each where it fits best)"


def nearest_stretch(melody: Sequence[int | None], opening: Sequence[int]) -> int:
    """Least edit distance of an opening to any stretch of a melody (Sellers 1980)."""
    row = [0] * (len(melody) + 1)
    for i, true in enumerate(opening, 1):
        new = [i]
        for j, read in enumerate(melody, 1):
            new.append(min(row[j - 1] + (read != true), row[j] + 1, new[j - 1] + 1))
        row = new
    return min(row)


def music_zones(alto: Path) -> list[tuple[float, float, float, float]]:
    """Boxes (top, left, bottom, right) of the staves an ALTO file marks as MusicZone."""
    root = etree.parse(str(alto)).getroot()
    tags = {tag.get("ID") for tag in root.iter(f"{_ALTO}OtherTag") if tag.get("LABEL") == "MusicZone"}
    boxes = []
    for block in root.iter(f"{_ALTO}TextBlock"):
        if tags & set((block.get("TAGREFS") or "").split()):
            left, top, width, height = (
                float(block.get(name)) for name in ("HPOS", "VPOS", "WIDTH", "HEIGHT")
            )
            boxes.append((top, left, top + height, left + width))
    return boxes


def _staves(page: Page, zones: Sequence[tuple[float, float, float, float]]) -> str:
    """Staves against boxes: a staff is right if its middle lies in a box no other staff has taken."""
    taken: set[int] = set()
    for staff in page.staves:
        lines = staff.lines
        col = (min(x.cols[0] for x in lines) + max(x.cols[-1] for x in lines)) / 2 if lines else 0.0
        row = sum(x.row_at(col) for x in lines) / len(lines) if lines else 0.0
        for i, (top, left, bottom, right) in enumerate(zones):
            if i not in taken and top <= row <= bottom and left <= col <= right:
                taken.add(i)
                break
    false = len(page.staves) - len(taken)
    return f"{len(taken)} of {len(zones)} marked staves found, {false} elsewhere"
