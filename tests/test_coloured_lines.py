"""One and two coloured lines, end to end: kinds, staff space, pitches as ranges."""

from __future__ import annotations

from collections.abc import Mapping
from functools import cache

import numpy as np
import pytest
from lxml import etree

from neumary.coloured import name_paint
from neumary.errors import UsageError
from neumary.line_rule import DEFAULT_RULE, parse_rule
from neumary.mei import to_mei
from neumary.models import load_model
from neumary.pipeline import read_page
from neumary.range_table import MODELS, WITHOUT_NETWORK, RangeModel, degrees_at
from neumary.settings import make_settings
from neumary.types import Page, Scan
from neumary_models.labels import HEADS
from neumary_synth.ageing import Ageing
from neumary_synth.render import render_page


@cache
def _read(kind: str) -> tuple[Page, Page]:
    """A rendered page as drawn, and as read."""
    drawn = render_page(23, kind, ageing=Ageing(), space_px=14)
    scan = Scan(page_id="p", rgb=drawn.rgb, source="p.png", sha256="0")
    return drawn.page, read_page(scan, make_settings(), load_model("", threads=1))


@pytest.mark.parametrize(("kind", "lines"), [("two-line", 2), ("one-line", 1)])
def test_kind_and_staff_space(kind: str, lines: int) -> None:
    drawn, read = _read(kind)
    assert [len(s.lines) for s in read.staves] == [lines] * len(drawn.staves)
    assert {s.kind for s in read.staves} == {"coloured-lines"}
    assert min(s.kind_p for s in read.staves) > 0.5
    assert np.median([s.space_px for s in read.staves]) == pytest.approx(14, rel=0.1)


@pytest.mark.parametrize("kind", ["two-line", "one-line"])
def test_pitches_are_ranges_and_mostly_right(kind: str) -> None:
    drawn, read = _read(kind)
    truth, current = drawn.current(), read.current()
    right = []
    for glyph in read.glyphs:
        pitch = current[glyph.id].pitch
        if current[glyph.id].label not in HEADS:
            continue
        assert pitch is not None and pitch.certainty == "ranged"  # exact is never claimed here
        assert pitch.degree == pitch.alternatives[0][0]
        assert sum(p for _, _, p in pitch.alternatives) == pytest.approx(1, abs=0.01)
        near = min(drawn.glyphs, key=lambda g: np.hypot(g.row - glyph.row, g.col - glyph.col))
        meant = truth[near.id].pitch
        if np.hypot(near.row - glyph.row, near.col - glyph.col) < 7 and meant is not None:
            right.append(pitch.degree == meant.degree)
    assert len(right) > 50 and np.mean(right) >= 0.75


@pytest.mark.parametrize("kind", ["two-line", "one-line"])
def test_such_pages_make_valid_mei(kind: str, standards: object) -> None:
    schema = etree.RelaxNG(etree.parse(f"{standards}/mei/mei-Neumes-5.1.rng"))
    assert schema.validate(etree.fromstring(to_mei(_read(kind)[1])))


@pytest.mark.parametrize("models", [MODELS, WITHOUT_NETWORK])
@pytest.mark.parametrize("name", ["two-line", "one-line", "letters"])
def test_doubt_grows_with_distance(models: Mapping[str, RangeModel], name: str) -> None:
    odds = [degrees_at(models[name], float(away), away) for away in (0, 2, 4, 6)]
    best = [p[away] for p, away in zip(odds, (0, 2, 4, 6), strict=True)]
    assert best == sorted(best, reverse=True) and best[0] > best[-1]
    assert all(sum(p.values()) == pytest.approx(1) for p in odds)


def test_paints_have_names() -> None:
    assert name_paint(np.array([30.0, 90.0, 100.0])) == "red"
    assert name_paint(np.array([20.0, 30.0, 100.0])) == "yellow"
    assert name_paint(np.array([60.0, 63.0, 70.0])) == "grey"


def test_the_rule_can_be_set() -> None:
    assert parse_rule(DEFAULT_RULE) == {"red": 24, "yellow": 28, "grey": 28}
    assert parse_rule("red=C") == {"red": 28}
    with pytest.raises(UsageError):
        parse_rule("red=H")
