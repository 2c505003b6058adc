"""Where a hand pushes stacked seconds apart, doubtful thirds are seconds; elsewhere they stay."""

from __future__ import annotations

import numpy as np
import pytest
from small_pages import SPACE, Writer

from neumary.decide import decide
from neumary.gamut import signs_by_staff
from neumary.pushed_seconds import WEIGHTS, features, find_stacks
from neumary.record import OVERRULED
from neumary_training.seconds_fit import fit


def leaf_of(pairs: list[tuple[float, float]], **upper: object) -> Writer:
    """One staff of stacked pairs on steps 1 and 2 or 3: (steps apart as measured, probability of a third)."""
    leaf = Writer().staff().clef("c", 4)
    for number, (apart, p) in enumerate(pairs):
        col = 200.0 + 60 * number
        leaf.sign("punctum", 1, col=col)
        best, other = (3, 2) if p > 0.5 else (2, 3)
        steps = ((best, max(p, 1 - p)), (other, min(p, 1 - p)))
        row = 200.0 - SPACE / 2 * (1 + apart)
        leaf.sign("punctum", best, col=col, row=row, steps=steps, starts_neume=0.0, **upper)
    return leaf


def steps_of(leaf: Writer) -> list[int]:
    """Steps of the upper heads once decided."""
    done = decide(*leaf.parts)
    last = {r.glyph: r for r in done.readings}
    return [last[g.id].step for g in leaf.glyphs[2::2]]


PUSHED = [(1.9, 0.6)] + [(1.85, 0.4)] * 9
CLOSE = [(1.9, 0.6)] + [(1.1, 0.01)] * 9


def test_a_doubtful_third_among_pushed_seconds_is_one_of_them() -> None:
    leaf = leaf_of(PUSHED)
    assert steps_of(leaf) == [2] * 10
    done = decide(*leaf.parts)
    assert [r.code for r in done.remarks] == ["step-overruled"]
    assert "third" in done.remarks[0].text and "second" in done.remarks[0].text
    old, new = (r for r in done.readings if r.glyph == leaf.glyphs[2].id)
    assert (old.step, new.step, new.note) == (3, 2, f"{OVERRULED}: step 3")
    assert sum(p for _, p in new.steps) == pytest.approx(1, abs=1e-3)


def test_among_close_seconds_it_is_a_third() -> None:
    assert steps_of(leaf_of(CLOSE)) == [3] + [2] * 9


def test_sure_steps_and_a_persons_stay() -> None:
    assert steps_of(leaf_of([(1.9, 0.95), *PUSHED[1:]]))[0] == 3
    assert steps_of(leaf_of(PUSHED, by="human"))[0] == 3


def test_only_heads_that_stand_one_above_the_other_in_one_neume_are_looked_at() -> None:
    def found(leaf: Writer) -> int:
        return len(find_stacks(leaf.staves[0], signs_by_staff(*leaf.parts)["s01"]))

    assert found(leaf_of(PUSHED)) == 10
    beside = Writer().staff().notes(1).sign("punctum", 2, starts_neume=0.0)
    apart = Writer().staff().sign("punctum", 1, col=200.0).sign("punctum", 2, col=200.0)
    fourth = Writer().staff().sign("punctum", 1, col=200.0).sign("punctum", 4, col=200.0, starts_neume=0.0)
    assert [found(leaf) for leaf in (beside, apart, fourth)] == [0, 0, 0]


def test_heights_are_measured_on_the_staff() -> None:
    leaf = leaf_of([(1.9, 0.6), (1.1, 0.01)])
    stacks = find_stacks(leaf.staves[0], signs_by_staff(*leaf.parts)["s01"])
    assert [s.apart for s in stacks] == pytest.approx([1.9, 1.1])
    assert stacks[0].odds == pytest.approx(np.log(0.6 / 0.4))
    # of the one other pair of either: about a third apart or not, in doubt or not
    assert features(stacks)[:, 2:].tolist() == [
        pytest.approx([0.3 / 2 - 0.4, -0.2]),
        pytest.approx([1.3 / 2 - 0.4, 1 / 5 - 0.2]),
    ]


def test_a_fit_finds_the_weights_a_page_was_made_with() -> None:
    rng = np.random.default_rng(1)
    rows = np.column_stack([np.ones(20000), rng.normal(0, 1, (20000, 3))])
    odds = rng.normal(0, 2, 20000)
    third = rng.random(20000) < 1 / (1 + np.exp(-(odds + rows @ np.array(WEIGHTS))))
    assert fit(rows, odds, third.astype(float)) == pytest.approx(WEIGHTS, abs=0.1)
