"""Real leaves through the whole chain. The floors lie clearly below the figures measured.

Leaves, truth and licences: see the README beside the scans. They are for testing only.
"""

from __future__ import annotations

from pathlib import Path

import pytest

from neumary.metrics import score_page
from neumary.pipeline import read_page
from neumary.scan import read_scans
from neumary.settings import ReadSettings
from neumary.truth import load_truth
from neumary.types import Page
from neumary_models.labels import HEADS
from neumary_models.zoo import load

pytestmark = pytest.mark.leaves


def read(scans: Path, name: str) -> Page:
    (scan,) = read_scans(scans / f"{name}.jpg")
    return read_page(scan, ReadSettings(), load(threads=2))


def notes(page: Page) -> list[str]:
    return [reading.glyph for reading in page.current().values() if reading.label in HEADS]


def test_a_whole_leaf_against_its_truth(scans: Path) -> None:
    """Ten staves, forty lines and 336 notes written down by hand."""
    page = read(scans, "antiphoner_f001r")
    truth = load_truth(scans / "antiphoner_f001r.truth.json")
    score = score_page(page, truth)
    assert len(page.staves) == 10 and all(len(staff.lines) == 4 for staff in page.staves)
    assert score.lines.f1 == 1.0 and score.staves.f1 == 1.0
    assert score.notes.f1 >= 0.96
    assert score.step.rate >= 0.98
    assert score.melody_error_rate <= 0.06
    assert {"clef-inferred"} <= {remark.code for remark in page.warnings if remark.staff == "s01"}


def test_ruled_staves_without_notes_stay_empty(scans: Path) -> None:
    """Nine staves were ruled and never notated: every note found is an error; three are let pass."""
    page = read(scans, "songbook_f032_no_notes")
    assert len(page.staves) == 9
    assert len(notes(page)) <= 3
    assert sum(remark.code == "no-notes" for remark in page.warnings) >= 6


def test_staffless_signs_get_no_pitch(scans: Path) -> None:
    """Rows of signs are staves without lines; nowhere on the page may a degree be stated or guessed."""
    page = read(scans, "staffless_p030")
    assert page.readings
    assert not any(staff.lines for staff in page.staves)
    pitches = [reading.pitch for reading in page.readings if reading.pitch is not None]
    assert all(pitch.degree is None and not pitch.alternatives for pitch in pitches)
    assert any(remark.code == "no-pitch" for remark in page.warnings)


def test_the_same_leaf_gives_the_same_bytes(scans: Path) -> None:
    from neumary.store import encode_page

    assert encode_page(read(scans, "antiphoner_f043r")) == encode_page(read(scans, "antiphoner_f043r"))
