"""Ranges of pitch: widths fitted by likelihood hold what they promise, on heights drawn by hand."""

from __future__ import annotations

import numpy as np
import pytest

from neumary.gamut import Sign
from neumary.range_table import AWAY_KNOTS, MODELS, WITHOUT_NETWORK, RangeModel, degrees_at
from neumary.ranges import F_DEGREE, letter_bases
from neumary.types import Box, Glyph, Reading
from neumary_training.early_eval import Tally, confusion
from neumary_training.range_cases import HIGHEST, LOWEST, Cases
from neumary_training.range_fit import fit, held, held_in_part, held_nearest, report


def scattered(seed: int, width0: float, width1: float, count: int = 4000) -> Cases:
    """Heads on one line's staff whose heights scatter by width0 + width1 a degree away; a blind network."""
    rng = np.random.default_rng(seed)
    truth = rng.integers(-4, 9, count)
    height = truth + rng.normal(0, 1, count) * (width0 + width1 * np.abs(truth))
    page = np.arange(count) // 8  # too few heads a page for a spacing to be fitted
    return Cases("one-line", page, height, np.zeros((count, HIGHEST - LOWEST + 1)), truth)


def test_fitted_widths_are_those_the_heights_were_drawn_with() -> None:
    model = fit(scattered(1, 0.3, 0.08), doubt=0.001)
    for away, width in zip(AWAY_KNOTS, model.widths, strict=True):
        assert width == pytest.approx(0.3 + 0.08 * away, rel=0.3)


def test_a_ninety_percent_range_holds_on_unseen_heads() -> None:
    model = fit(scattered(1, 0.45, 0.1), doubt=0.005)
    unseen = scattered(2, 0.45, 0.1)
    rows = [
        held(degrees_at(model, float(h), abs(float(h))), int(d))
        for h, d in zip(unseen.height, unseen.truth, strict=True)
    ]
    best, inside, stated = np.mean(np.array(rows, dtype=np.float64), axis=0)
    assert 0.88 <= inside <= 0.97 and inside == pytest.approx(stated, abs=0.03)
    assert best < inside
    assert "90 %" in report("one-line", unseen, model)


def test_a_range_is_the_smallest_set_that_reaches_its_share() -> None:
    odds = {3: 0.5, 4: 0.3, 2: 0.15, 5: 0.05}
    assert held(odds, 3) == (True, True, pytest.approx(0.95))
    assert held(odds, 2)[:2] == (False, True)
    assert held(odds, 5)[:2] == (False, False)


def test_a_range_of_exactly_its_share_takes_the_last_degree_in_part() -> None:
    assert held_in_part({3: 0.95, 4: 0.05}, 3) == pytest.approx(0.9 / 0.95)
    odds = {3: 0.5, 4: 0.3, 2: 0.15, 5: 0.05}
    assert [held_in_part(odds, d) for d in (3, 4, 2, 5)] == pytest.approx([1, 1, 0.1 / 0.15, 0])
    assert sum(p * held_in_part(odds, d) for d, p in odds.items()) == pytest.approx(0.9)


@pytest.mark.parametrize("table", [MODELS, WITHOUT_NETWORK])
def test_letters_alone_are_wider_than_a_line(table: dict[str, RangeModel]) -> None:
    best = {name: max(degrees_at(table[name], 0.0, 0.0).values()) for name in table}
    assert best["letters"] < best["one-line"]


def test_the_network_counts_for_something_but_not_for_all() -> None:
    model = RangeModel((0.5,) * len(AWAY_KNOTS), 0.4, 0.01)
    alone, said = degrees_at(model, 2.4, 2.4), degrees_at(model, 2.4, 2.4, {3: 0.95, 2: 0.05})
    assert max(alone, key=alone.__getitem__) == 2 and max(said, key=said.__getitem__) == 3
    assert said[2] > 0.05


def letters(*signs: tuple[str, float, tuple[tuple[str, float], ...]]) -> list[Sign]:
    out = []
    for number, (label, p, rivals) in enumerate(signs):
        glyph = Glyph(id=f"g{number}", staff="s01", row=10.0, col=5.0, box=Box(0, 0, 1, 1))
        out.append(Sign(glyph, Reading(glyph=glyph.id, label=label, confidence=p, rivals=rivals)))
    return out


def test_a_letter_that_may_be_another_widens_the_whole_row() -> None:
    sure = letter_bases(letters(("clef_f", 0.98, ())))
    torn = letter_bases(letters(("clef_f", 0.55, (("clef_c", 0.4),))))
    both = letter_bases(letters(("clef_f", 0.55, (("clef_c", 0.4),)), ("clef_c", 0.9, ())))
    assert sure[0][0] == torn[0][0] == both[0][0] == F_DEGREE
    assert sure[0][1] > 0.9 > torn[0][1] and both[0][1] > torn[0][1]
    assert F_DEGREE + 4 in dict(torn)  # were the F a C, its height would be c4
    assert letter_bases([]) == ()


def test_the_nearest_range_leaves_out_what_leads_further_beyond() -> None:
    odds = {3: 0.6, 4: 0.25, 2: 0.15}
    assert [held_nearest(odds, d) for d in (3, 4, 2, 5)] == [True, True, False, False]  # 0.85, not 1
    assert held_nearest({3: 0.95, 4: 0.05}, 3)  # never empty
    assert not held_nearest({3: 0.88, 4: 0.12}, 4)
    assert held_nearest({3: 0.7, 4: 0.15, 5: 0.1, 6: 0.05}, 5)


def test_a_table_says_which_notation_pages_were_taken_for() -> None:
    one = Tally(pages=3, told=2)
    one.kinds.update({"letters": 2, "none": 1})
    other = Tally(pages=1, told=1)
    other.kinds.update({"square": 1})
    assert confusion({"letters": one, "square": other}).splitlines() == [
        "| drawn | pages | right | letters | none | square |",
        "| --- | --- | --- | --- | --- | --- |",
        "| letters | 3 | 0.667 | 2 | 1 | - |",
        "| square | 1 | 1.000 | - | - | 1 |",
    ]
