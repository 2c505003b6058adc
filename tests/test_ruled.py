"""The scribe keeps a clef while its staff holds the notes, and writes it after an initial."""

from __future__ import annotations

from dataclasses import replace

import numpy as np
import pytest

from neumary_synth.layout import Scribe
from neumary_synth.plan import Plan, plan_page
from neumary_synth.sheets import FlatPage
from neumary_synth.writing import write_page

C4 = ("clef_c", 4)  # bottom line d3 = 22, top line c4 = 28


@pytest.fixture
def scribe() -> Scribe:
    plan = plan_page(np.random.default_rng(3), "square", 12.0)
    return Scribe(plan, np.random.default_rng(4), FlatPage(40, 40, 12.0, (0, 0, 40, 40)))


def _kept(scribe: Scribe, degrees: list[int], keep: bool = True) -> float:
    """How often C on line 4 is left in force."""
    kept = 0
    for _ in range(200):
        scribe.clef = C4
        scribe.choose_clef(degrees, keep=keep)
        kept += scribe.clef == C4
    return kept / 200


def test_a_clef_is_kept_while_the_staff_holds_the_notes(scribe: Scribe) -> None:
    on_staff, a_step_off, two_off, three_off = ([24, top] for top in (28, 29, 30, 31))
    assert _kept(scribe, on_staff) > 0.93
    assert 0.6 < _kept(scribe, a_step_off) < 0.93
    assert 0.4 < _kept(scribe, two_off) < 0.75
    assert _kept(scribe, three_off) < 0.2
    assert _kept(scribe, on_staff, keep=False) < 0.8


def _with_hidden(plan: Plan, chance: float) -> Plan:
    habits = replace(plan.style.habits, hidden_clefs=chance)
    return replace(plan, style=replace(plan.style, habits=habits))


@pytest.mark.parametrize(("chance", "shown"), [(0.0, True), (1.0, False)])
def test_the_clef_follows_an_initial_unless_the_hand_lets_it_hide(chance: float, shown: bool) -> None:
    plan = plan_page(np.random.default_rng(6), "square", 12.0)
    number = next(n for n, slot in enumerate(plan.staves) if slot.initial is not None)
    slot = plan.staves[number]
    assert slot.initial is not None and slot.initial[3] > slot.left + 6.0
    page = write_page(_with_hidden(plan, chance), np.random.default_rng(1))
    signs = [sign.drawn for sign in page.signs if sign.staff == number and sign.layer == "melody"]
    first = min(signs, key=lambda drawn: drawn.col)
    assert first.label.startswith("clef") == shown


def _crossed(page: FlatPage) -> list[bool]:
    """Of each clef, whether pen work or paint covers a quarter of its ink."""
    crossed = []
    for sign in page.signs:
        drawn = sign.drawn
        if drawn.label.startswith("clef"):
            part = np.s_[int(drawn.top) : int(drawn.bottom) + 2, int(drawn.left) : int(drawn.right) + 2]
            inks = {
                layer: np.max([x.mask[part] for x in page.sheets if x.layer == layer], axis=0, initial=0)
                for layer in ("music", "decoration")
            }
            crossed.append(bool((inks["decoration"] > 100)[inks["music"] >= 64].mean() > 0.25))
    return crossed


def test_pen_work_keeps_off_the_clefs() -> None:
    """As on five photographed leaves, where none of 50 clefs is crossed."""
    crossed: list[bool] = []
    for seed in range(12):
        plan = plan_page(np.random.default_rng(seed), "square", 12.0)
        habits = replace(plan.style.habits, flourishes=1.0)
        page = write_page(
            replace(plan, style=replace(plan.style, habits=habits)), np.random.default_rng(seed)
        )
        crossed += _crossed(page)
    assert len(crossed) > 60 and np.mean(crossed) < 0.12
