"""Figures of the staves: what is counted wrong, and which pages are named."""

from __future__ import annotations

import pytest

from neumary.measures import Tally
from neumary_training.staff_eval import PageStaves, figures, wrong

SOUND = PageStaves(10, "square", Tally(40, 0, 0), Tally(10, 0, 0))
LOST = PageStaves(11, "songbook", Tally(32, 0, 8), Tally(8, 0, 2))
WORDS = PageStaves(18, "text-only", Tally(0, 12, 0), Tally(0, 3, 0))
LINE = PageStaves(20, "square", Tally(39, 1, 1), Tally(10, 0, 0))


def test_pages_with_anything_wrong_are_named_the_worst_first() -> None:
    found = wrong([SOUND, LOST, WORDS, LINE])
    assert [page["page"] for page in found] == [18, 11, 20]
    assert found[0] == {
        "page": 18, "kind": "text-only", "false staves": 3, "missed staves": 0, "false lines": 12,
        "missed lines": 0,
    }  # fmt: skip
    assert wrong([SOUND]) == []


def test_false_staves_are_counted_for_each_hundred_pages() -> None:
    rows = figures([SOUND, LOST, WORDS, LINE])
    assert rows["without staves"]["false staves per 100 pages"] == 300
    assert rows["all"]["staves F1"] == pytest.approx(2 * 28 / (2 * 28 + 3 + 2), abs=1e-4)
    assert rows["songbook"]["lines F1"] == pytest.approx(64 / 72, abs=1e-4)
    assert rows["square"]["staves F1"] == 1
