"""How sure a note is as a whole: each doubt counts once."""

from __future__ import annotations

import pytest
from small_pages import SPACE, Writer

from neumary.note_confidence import note_confidences
from neumary.pitch import resolve_pitches
from neumary.types import Page, Reading


def page(leaf: Writer, flat_scope: str = "auto") -> Page:
    readings, _ = resolve_pitches(*leaf.parts, flat_scope=flat_scope)
    parts = {"staves": tuple(leaf.staves), "glyphs": tuple(leaf.glyphs), "readings": tuple(readings)}
    return Page(page_id="p", source="", sha256="", width=2000, height=900, **parts)


def sure(leaf: Writer, flat_scope: str = "auto") -> list[float]:
    return list(note_confidences(page(leaf, flat_scope)).values())


def test_label_step_and_clef_multiply() -> None:
    leaf = Writer().staff().sign("clef_c", 6, confidence=0.9)
    leaf.sign("punctum", 2, confidence=0.8, steps=((2, 0.5), (3, 0.5)))
    assert sure(leaf) == [pytest.approx(0.9 * 0.8 * 0.5)]


def test_an_inferred_clef_counts_once() -> None:
    """Its odds are in the note's own alternatives already."""
    leaf = Writer().staff().sign("clef_c", 6, confidence=0.7, steps=((6, 0.7), (4, 0.3)))
    clef = leaf.readings[0]
    leaf.readings[0] = Reading(
        glyph=clef.glyph, label="clef_c", confidence=0.7, step=6, steps=clef.steps, by="inferred"
    )
    leaf.sign("punctum", 2, confidence=1.0)
    assert sure(leaf) == [pytest.approx(0.7)]


def test_the_other_letters_of_an_inferred_clef_are_alternatives() -> None:
    # a B clef on line 3 puts every note a step beside what a C clef on line 3 would
    leaf = Writer().staff().sign("clef_b", 4, confidence=0.6, steps=((4, 0.6), (3, 0.4)))
    leaf.readings[0] = Reading(
        glyph="g0001", label="clef_b", confidence=0.6, step=4, steps=((4, 0.6), (3, 0.4)), by="inferred"
    )
    leaf.sign("punctum", 2, confidence=1.0)
    assert sure(leaf) == [pytest.approx(0.6)]


def test_a_b_far_from_its_flat_is_less_sure() -> None:
    leaf = Writer().staff().clef("c", 4, confidence=1.0).notes(4, 4, 4).sign("flat", 5)
    leaf.sign("punctum", 5, confidence=1.0)
    near = leaf.glyphs[-1].col
    leaf.sign("punctum", 5, col=near + 10 * SPACE, confidence=1.0)
    leaf.sign("punctum", 4, col=near + 11 * SPACE, confidence=1.0)
    beside, far, other = sure(leaf, "word")[-3:]
    assert far < 0.8 < beside < other == 1.0


def test_a_note_under_no_clef_is_never_taken() -> None:
    assert sure(Writer().staff().notes(2)) == [0.0]
