"""Custodes in the joint decision: doubtful ones that announce nothing fall, all others stand."""

from __future__ import annotations

import pytest
from small_pages import Writer

from neumary.custos_belief import custos_p
from neumary.decide import decide
from neumary.gamut import signs_by_staff
from neumary.stretches import Stretch, cut_stretches

PHRASE = (2, 3, 4, 3, 2, 3)


def leaf_with(step: int, *, custodes: bool = True, staves: int = 5, **custos: object) -> Writer:
    """Staves that begin on step 2; the second ends with a custos on `step`, the others as the scribe does."""
    leaf = Writer()
    for i in range(staves):
        leaf.staff().clef("c", 4).notes(*PHRASE)
        if i == 1:
            leaf.sign("custos", step, **custos)
        elif custodes and i + 1 < staves:
            leaf.sign("custos", PHRASE[0])
    return leaf


def custodes_of(leaf: Writer) -> tuple[int, list[str]]:
    """How many custodes are left, and the codes of all remarks."""
    done = decide(*leaf.parts)
    current = {r.glyph: r for r in done.readings}
    return sum(r.label == "custos" for r in current.values()), [r.code for r in done.remarks]


@pytest.mark.parametrize(
    ("step", "confidence", "left", "codes"),
    [
        (2, 0.7, 4, []),  # it announces the note: it stands
        (5, 0.7, 3, ["custos-ignored"]),
        (5, 0.99, 4, []),  # too sure to fall for one note
    ],
)
def test_a_doubtful_custos_that_does_not_announce_the_next_note_is_left_out(
    step: int, confidence: float, left: int, codes: list[str]
) -> None:
    assert custodes_of(leaf_with(step, confidence=confidence)) == (left, codes)


def test_it_is_the_note_it_may_be() -> None:
    done = decide(*leaf_with(5, confidence=0.7, rivals=(("virga", 0.25),)).parts)
    assert [r.code for r in done.remarks] == ["custos-overruled"]
    changed = [r for r in done.readings if r.by == "decided"]
    assert [(r.label, r.step) for r in changed] == [("virga", 5)]
    assert changed[0].confidence == pytest.approx(0.25 / 0.30, abs=1e-3)  # the rest is nothing at all


def test_of_a_scribe_who_writes_none_even_a_surer_one_falls() -> None:
    """Scribes write custodes at most staves' ends or not at all (common practice)."""
    assert custodes_of(leaf_with(5, confidence=0.98))[0] == 4
    assert custodes_of(leaf_with(5, custodes=False, staves=8, confidence=0.98)) == (0, ["custos-ignored"])
    assert custodes_of(leaf_with(2, custodes=False, staves=8, confidence=0.98)) == (1, [])


def test_a_persons_custos_is_never_left_out() -> None:
    assert custodes_of(leaf_with(5, confidence=0.3, by="human", custodes=False)) == (1, [])


def test_without_a_decision_it_stands() -> None:
    leaf = leaf_with(5, confidence=0.7)
    assert decide(*leaf.parts, decide=False).readings == leaf.readings


@pytest.mark.parametrize("custodes", [False, True])
def test_habit_only_takes_from_what_the_reader_says(custodes: bool) -> None:
    leaf = leaf_with(2, custodes=custodes, confidence=0.8)
    by_staff = signs_by_staff(*leaf.parts)
    run: list[Stretch] = [s for staff in leaf.staves for s in cut_stretches(staff, by_staff[staff.id])]
    p = custos_p(run, 1)
    assert (
        p == pytest.approx(0.8) if custodes else p == pytest.approx(0.5)
    )  # odds of 4 to 1, against 1 in 4 for three bare ends
    with pytest.raises(ValueError, match="without a custos"):
        custos_p(run, 4)
