"""Full staves that keep a red F line and a yellow C line: how they are drawn and named, what they say.

That red stands for F and yellow for c is common practice, after medieval theory; see `neumary.line_rule`.
"""

from __future__ import annotations

from dataclasses import replace

import numpy as np
import pytest
from small_pages import Writer, sung

from neumary import coloured
from neumary.coloured import name_line
from neumary.decide import decide
from neumary.gamut import base_degree, guide_clefs
from neumary.models import load_model
from neumary.pipeline import find_staves_of
from neumary.pitch import resolve_pitches
from neumary.settings import make_settings
from neumary.types import Scan, Staff
from neumary_models.labels import CLEFS
from neumary_synth import render
from neumary_synth.ageing import Ageing
from neumary_synth.plan import Plan, plan_page
from neumary_synth.render import Rendered, render_page


def _staff(*colours: str) -> Staff:
    return Writer().staff(colours=colours).staves[0]


@pytest.fixture(scope="module")
def guided() -> Rendered:
    """A clean page of four lines, F red and c yellow."""

    def planned(rng: np.random.Generator, kind: str, space_px: float) -> Plan:
        plan = plan_page(rng, kind, space_px)
        habits = replace(plan.style.habits, pale_edges=0.0)
        guides = {"red": (190, 60, 50), "yellow": (205, 165, 60)}
        plain = {"line_colours": ("black",) * 4, "line_inks": ((60, 50, 45),) * 4}
        style = replace(plan.style, guides=guides, habits=habits, line_strength=1.0, line_gaps=0.0, **plain)
        return replace(plan, style=style)

    with pytest.MonkeyPatch.context() as patch:
        patch.setattr(render, "plan_page", planned)
        return render_page(2, "square", ageing=Ageing(), space_px=18)


def test_painted_lines_go_with_the_clef_that_is_written(guided: Rendered) -> None:
    page, current = guided.page, guided.page.current()
    told = 0
    for staff in page.staves:
        guides = guide_clefs(staff)
        clefs = [r for g in page.glyphs if g.staff == staff.id and (r := current[g.id]).label in CLEFS]
        for clef in clefs[:1]:
            assert clef.step is not None and guides
            assert {base_degree(*x) for x in guides} == {base_degree(clef.label, clef.step)}
            told += 1
    assert told >= 4


def test_paints_of_full_staves_are_found(guided: Rendered) -> None:
    scan = Scan(page_id="p", rgb=guided.rgb, source="p.png", sha256="0")
    leaf, seen = find_staves_of(scan, make_settings(), load_model("", threads=1))
    found = coloured.recognise(leaf, seen.staves)
    drawn = {len(guide_clefs(x)) for x in guided.page.staves}
    assert drawn and len(found) == len(guided.page.staves)
    for a, b in zip(found, guided.page.staves, strict=True):
        assert guide_clefs(a) == guide_clefs(b)


def test_names_of_line_inks() -> None:
    """Light swallowed, as measured on rendered lines: black all colours alike, brown less of the red."""
    assert name_line(np.array([130.0, 138.0, 145.0])) == "black"
    assert name_line(np.array([75.0, 88.0, 104.0])) == "brown"
    assert name_line(np.array([42.0, 86.0, 92.0])) == "red"
    assert name_line(np.array([46.0, 50.0, 55.0])) == "grey"


def test_only_a_single_red_or_yellow_line_among_plain_ones_speaks() -> None:
    assert guide_clefs(_staff("black", "red", "black", "yellow")) == (("clef_f", 2), ("clef_c", 6))
    assert guide_clefs(_staff("brown", "brown", "red", "brown")) == (("clef_f", 4),)
    assert guide_clefs(_staff("black", "black", "yellow", "black")) == (("clef_c", 4),)
    for silent in (
        "red red red red",
        "black red black red",
        "red yellow black black",
        "black brown grey black",
    ):
        assert guide_clefs(_staff(*silent.split())) == ()


def _leaf(*colours: str, shown: bool = False) -> Writer:
    """Four staves of such lines under F clefs on line 3, the first one's hidden unless asked for."""
    leaf = Writer()
    for i in range(4):
        leaf.staff(colours=colours)
        if i or shown:
            leaf.clef("f", 3)
        leaf.notes(3, 4, 5, 4, 3, 2, 3)
    return leaf


def _heads(leaf: Writer) -> list[str]:
    done = decide(*leaf.parts)
    readings, _ = resolve_pitches(leaf.staves, done.glyphs, done.readings)
    return sung(readings)


def test_a_red_line_names_a_hidden_clef_as_far_as_the_clefs_of_the_page_bear_it_out() -> None:
    right = ("black", "black", "red", "black")
    assert _heads(_leaf(*right)) == _heads(_leaf(*right, shown=True))
    sure = next(r for r in decide(*_leaf(*right).parts).readings if r.by == "inferred")
    assert base_degree(sure.label, sure.step or 0) == base_degree("clef_f", 4) and sure.confidence > 0.9
    # Red lines that every clef of the page contradicts say nothing: the page's own clef is taken.
    assert _heads(_leaf("red", "black", "black", "black")) == _heads(_leaf(*["black"] * 4))
