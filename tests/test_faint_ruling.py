"""Ruling that is no staff: how dark it may be beside staff lines."""

from __future__ import annotations

import pytest

from neumary_synth.faint_ruling import _Beside, _beside_strength
from neumary_synth.sheets import FlatLine, FlatStaff

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
