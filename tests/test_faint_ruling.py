"""Ruling that is no staff: how dark it may be beside staff lines."""

from __future__ import annotations

from dataclasses import replace

import numpy as np
import pytest

from neumary_synth.faint_ruling import _Beside, _beside_strength, _blocks
from neumary_synth.plan import Plan, TextSlot, plan_page
from neumary_synth.ruling import draw_lead_lines
from neumary_synth.sheets import FlatLine, FlatPage, FlatStaff

_DARK = _Beside(offsets=(1.0,), chance=1.0, out=0.0, run_on=0.0, thickness=0.04, strength=164)


def _staff(n_lines: int, colour: str = "red") -> FlatStaff:
    lines = tuple(FlatLine((0.0, 100.0), (50.0 - 20 * k, 50.0 - 20 * k), 1.5, colour) for k in range(n_lines))
    return FlatStaff(lines, 20.0, 0, "square", (0.0, 0.0, 100.0, 100.0))


@pytest.mark.parametrize("offset", [2.0, -2.3])
def test_where_a_second_line_would_stand_ruling_is_faint(offset: float) -> None:
    one, two = _staff(1), _staff(2)
    assert _beside_strength(one, one.lines[0], offset, _DARK) < 100
    assert _beside_strength(two, two.lines[0], offset, _DARK) == 164


def test_nearer_to_a_lone_red_line_it_may_be_dark() -> None:
    one = _staff(1)
    assert _beside_strength(one, one.lines[0], 1.0, _DARK) == 164


def test_beside_a_grey_line_it_is_faint() -> None:
    full = _staff(4, "grey")
    assert _beside_strength(full, full.lines[-1], 1.0, _DARK) < 100


def _columns(*texts: TextSlot) -> Plan:
    plan = plan_page(np.random.default_rng(3), "text-only", 20.0)
    return replace(plan, columns=((100.0, 500.0), (540.0, 940.0)), texts=texts, staves=())


@pytest.mark.parametrize(("below", "widths"), [(0.0, {400.0, 840.0}), (17.0, {400.0})])
def test_a_page_is_ruled_from_side_to_side_where_all_its_words_stand_on_the_same_rows(
    below: float, widths: set[float]
) -> None:
    plan = _columns(
        TextSlot(200.0, 100.0, 500.0, 6, 44.0, False),
        TextSlot(200.0 + below, 540.0, 940.0, 9, 44.0, False),
    )
    ruled = [block for seed in range(12) for block in _blocks(np.random.default_rng(seed), plan, False)]
    assert {right - left for left, right, _ in ruled} == widths
    for *_, rows in ruled:
        assert np.diff(rows) == pytest.approx(44.0)


def test_nobody_rules_through_words() -> None:
    plan = _columns(
        TextSlot(200.0, 100.0, 500.0, 6, 44.0, False),
        TextSlot(640.0, 100.0, 500.0, 4, 50.0, False),
    )
    words = np.concatenate([200 + 44 * np.arange(6), 640 + 50 * np.arange(4)])
    numbers = set()
    for seed in range(12):
        ((_, _, rows),) = _blocks(np.random.default_rng(seed), plan, False)
        assert set(words) <= set(rows)
        numbers.add(len(rows))
        off = np.abs(rows[:, None] - words).min(axis=1)
        assert off[(off > 0) & (rows < 840)].min(initial=44.0) > 28.0
    assert max(numbers) > min(numbers) == len(words)  # lines left empty, too


def test_on_a_page_with_staves_words_are_ruled_in_their_own_column() -> None:
    plan = plan_page(np.random.default_rng(3), "text-only", 20.0)
    plan = replace(
        plan,
        columns=((100.0, 500.0), (540.0, 940.0)),
        texts=(TextSlot(200.0, 540.0, 940.0, 6, 44.0, False),),
        staves=(),
    )
    for seed in range(12):
        ((left, right, rows),) = _blocks(np.random.default_rng(seed), plan, True)
        assert (left, right, len(rows)) == (540.0, 940.0, 6)


@pytest.mark.parametrize(("colour", "most"), [("brown", 80), ("red", 190)])
def test_lead_lines_along_brown_staff_lines_are_faint(colour: str, most: int) -> None:
    darkest = 0
    for seed in range(20):
        page = FlatPage(120, 140, 20.0, (0.0, 0.0, 120.0, 140.0))
        draw_lead_lines(page, _staff(1, colour).lines, np.random.default_rng(seed), 20.0)
        darkest = max(darkest, *(int(sheet.mask.max()) for sheet in page.sheets))
    assert 0.7 * most < darkest <= most
