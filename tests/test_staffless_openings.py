"""Tall capitals at the head of a page without staves; letters under signs, and under a change of hand."""

from __future__ import annotations

from dataclasses import replace

import numpy as np
import pytest

from neumary_synth.layout import Scribe
from neumary_synth.lineless import _clear_of_notes
from neumary_synth.openings import Opening
from neumary_synth.plan import Plan, plan_page
from neumary_synth.sheets import FlatPage
from neumary_synth.staffless_page import AccentScribe

PLAIN = Opening(0, (), (), None, 0.0, 0.0, False)


def blank(kind: str) -> tuple[Plan, np.random.Generator, FlatPage]:
    """An empty page of a kind with at least four lines, each in the first column."""
    for seed in range(50):
        rng = np.random.default_rng(seed)
        plan = plan_page(rng, kind, 16.0)
        staves = tuple(replace(slot, initial=None) for slot in plan.staves if not slot.column)
        if len(staves) >= 4 and not plan.texts and not plan.pictures:
            return replace(plan, staves=staves), rng, FlatPage(plan.height, plan.width, 16.0, plan.leaf)
    raise AssertionError("no such plan")


def write(opening: Opening) -> tuple[AccentScribe, list[int]]:
    """Write four lines under an opening; give how many syllables stood after each."""
    plan, rng, page = blank("staffless")
    scribe = AccentScribe(plan, rng, page)
    scribe.opening, scribe.silent, scribe.rubrics = opening, 0.0, 0.0
    counts = []
    for slot, following in zip(plan.staves[:3], plan.staves[1:4], strict=True):
        scribe.write_staff(slot, following)
        counts.append(len(page.syllables))
    return scribe, counts


def test_a_tall_line_takes_the_room_of_two() -> None:
    scribe, counts = write(replace(PLAIN, lines=1, grand=0.8, spread=1.0))
    assert 0 < counts[0] == counts[1] < counts[2]
    plain, usual = write(PLAIN)
    assert usual[0] < usual[1] < usual[2] and usual[0] > counts[0]  # few capitals to a line
    tall = [y.box[2] - y.box[0] for y in scribe.page.syllables[: counts[0]]]
    pitch = scribe.style.pitch * 16.0
    assert 0.55 * pitch < float(np.median(tall)) < 1.25 * pitch
    assert float(np.median(tall)) > 1.6 * max(y.box[2] - y.box[0] for y in plain.page.syllables[: usual[0]])


def test_signs_stand_over_tall_capitals() -> None:
    scribe, counts = write(replace(PLAIN, lines=1, grand=0.9))
    top = float(np.median([y.box[0] for y in scribe.page.syllables[: counts[0]]]))
    signs = [sign for sign in scribe.page.free if sign.row == 0 and sign.name != "letter"]
    assert signs and all((sign.box[0] + sign.box[2]) / 2 < top for sign in signs)


def test_letters_stand_under_signs_too() -> None:
    plan, rng, page = blank("staffless")
    scribe = AccentScribe(plan, rng, page)
    scribe.opening, scribe.silent, scribe.lettered, scribe.low = PLAIN, 0.0, 1.0, 1.0
    scribe.write_staff(plan.staves[0], plan.staves[1])
    middle = np.median([(s.box[0] + s.box[2]) / 2 for s in page.free if s.name != "letter"])
    below = [s for s in page.free if s.name == "letter" and s.box[0] > middle]
    assert below and all(s.notes == 0 for s in below)


@pytest.mark.parametrize(("kind", "letters"), [("letters", True), ("square", False)])
def test_a_later_hand_writes_letters_where_there_are_no_lines(kind: str, letters: bool) -> None:
    plan, rng, page = blank(kind)
    forms = set()
    for _ in range(12):
        scribe = Scribe(plan, rng, page)
        scribe._take_over()
        forms |= {scribe.hand.c_clef, scribe.hand.f_clef}
    assert (forms == {"letter"}) == letters


def test_pages_without_lines_show_no_scored_staff() -> None:
    plan, rng, page = blank("letters")
    assert max(Scribe(plan, rng, page).dry_strength for _ in range(30)) <= 40
    plan, rng, page = blank("two-line")
    assert 40 < max(Scribe(plan, rng, page).dry_strength for _ in range(30)) < 65


@pytest.mark.parametrize("way", [-1, 1])
def test_signs_round_a_staff_give_way_to_notes(way: int) -> None:
    page = FlatPage(200, 200, 16.0, (0, 0, 200, 200))
    page.sheet("music", (40, 40, 40)).mask[95:105, 50:60] = 255
    moved = _clear_of_notes(page, 100.0, 48.0, 20.0, way)
    assert 14 <= way * (moved - 100.0) <= 24
    assert _clear_of_notes(page, 100.0, 80.0, 20.0, way) == 100.0
