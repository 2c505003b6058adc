"""Which witnesses take a surely read clef for another one."""

from __future__ import annotations

import pytest
from small_pages import Writer

from neumary.clef_witness import may_differ
from neumary.decide import decide
from neumary.gamut import base_degree, signs_by_staff
from neumary.stretches import Stretch, cut_stretches

UNDER_C = base_degree("clef_c", 6)


def leaf_with(label: str, last_clef: float = 0.98) -> Writer:
    """Three staves under C clefs on line 4, the middle one's read as something else; one custos speaks."""
    leaf = Writer().staff().clef("c", 4).notes(2, 3, 4, 3, 2)
    leaf.staff().sign(label, 6, confidence=0.97).notes(3, 4, 5, 4, 3, 2).sign("custos", 2)
    return leaf.staff().clef("c", 4, confidence=last_clef).notes(2, 3, 2, 1, 2)


def stretches(leaf: Writer) -> list[Stretch]:
    by_staff = signs_by_staff(*leaf.parts)
    return [s for staff in leaf.staves for s in cut_stretches(staff, by_staff[staff.id])]


@pytest.mark.parametrize("label", ["clef_f", "clef_a", "clef_e"])
def test_one_custos_takes_a_rare_letter_for_c_on_its_line(label: str) -> None:
    leaf = leaf_with(label)
    assert may_differ(stretches(leaf), [UNDER_C] * 3, 1)
    assert "clef-overruled" in [r.code for r in decide(*leaf.parts).remarks]


@pytest.mark.parametrize(("last_clef", "witness"), [(0.95, True), (0.5, False)])
def test_a_custos_between_a_sure_and_a_doubtful_clef_speaks_against_the_doubtful_one(
    last_clef: float, witness: bool
) -> None:
    assert may_differ(stretches(leaf_with("clef_f", last_clef)), [UNDER_C] * 3, 1) == witness


def test_one_custos_does_not_move_a_sure_clef_to_another_line() -> None:
    bases = [UNDER_C, UNDER_C + 2, UNDER_C]  # a C clef on line 3
    assert not may_differ(stretches(leaf_with("clef_c")), bases, 1)
    leaf = Writer().staff().clef("c", 4).notes(2, 3).staff().sign("clef_c", 4, confidence=0.97)
    leaf.notes(3, 4, 3).sign("custos", 2).staff().clef("c", 4).notes(2, 3)
    assert not may_differ(stretches(leaf), [UNDER_C] * 3, 1)


def test_one_natural_takes_a_sure_clef_for_a_letter_the_reader_named() -> None:
    # C on line 4 with e among its rivals: under E the bottom line is f3 and the natural stands on b3
    leaf = Writer().staff().sign("clef_c", 6, confidence=0.96, rivals=(("clef_e", 0.03),))
    leaf.notes(2, 3, 2).sign("natural", 3).notes(3, 2, 4)
    under_e = base_degree("clef_e", 6)
    assert may_differ(stretches(leaf), [under_e], 0)
    alone = Writer().staff().sign("clef_c", 6, confidence=0.96).notes(2, 3, 2).sign("natural", 3).notes(3, 2)
    assert not may_differ(stretches(alone), [under_e], 0)
