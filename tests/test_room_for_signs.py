"""Custodes keep clear of the next column and of words; pen trials and drops keep clear of signs."""

from __future__ import annotations

import numpy as np
import pytest

from neumary_synth.layout import Scribe
from neumary_synth.marring import _mar
from neumary_synth.plan import Plan, StaffSlot, plan_page
from neumary_synth.sheets import FlatPage
from neumary_synth.writing import write_page


def test_what_stands_beside_a_staff_is_words_or_the_next_column() -> None:
    plan, left, right = next(both for both in map(staff_of_each_column, range(20)) if both is not None)
    scribe = Scribe(plan, np.random.default_rng(4), FlatPage(40, 40, 12.0, (0, 0, 40, 40)))
    assert scribe.taken_from(left, None) == pytest.approx(plan.columns[1][0] - 0.6 * 12)
    assert scribe.taken_from(left, 50.0) == 50.0
    assert scribe.taken_from(right, None) is None


def staff_of_each_column(seed: int) -> tuple[Plan, StaffSlot, StaffSlot] | None:
    plan = plan_page(np.random.default_rng(seed), "songbook", 12.0)
    columns = [[s for s in plan.staves if s.column == n] for n in range(2)]
    return (plan, columns[0][0], columns[1][0]) if len(plan.columns) == 2 and all(columns) else None


def test_a_custos_never_reaches_into_the_next_column() -> None:
    seen = 0
    for seed in range(4):
        plan = plan_page(np.random.default_rng(seed), "songbook", 12.0)
        page = write_page(plan, np.random.default_rng(seed))
        for sign in page.signs:
            column = page.staves[sign.staff].column
            if sign.drawn.label == "custos" and column == 0 and len(plan.columns) == 2:
                seen += 1
                assert sign.drawn.left < plan.columns[1][0] - 0.6 * 12.0
    assert seen > 5


@pytest.mark.parametrize("form", ["jab", "splash"])
def test_marks_are_laid_on_bare_parchment(form: str) -> None:
    laid = {}
    for inked in (False, True):
        page = FlatPage(120, 120, 20.0, (0, 0, 120, 120))
        page.sheet("music", (40, 30, 20)).mask[:] = 255 if inked else 0
        for seed in range(12):
            _mar(page, np.random.default_rng(seed), form, 60, 60, 20.0, (40, 30, 20))
        laid[inked] = sum(bool(s.mask.any()) for s in page.sheets if s.layer == "decoration")
    assert laid[False] == 1
    assert laid[True] == (0 if form == "jab" else 1)  # a few drops may fall on signs
