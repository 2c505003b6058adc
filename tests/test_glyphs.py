"""Candidates and their choice."""

from __future__ import annotations

import numpy as np
import pytest
from bent_staves import bent_staff, drawn, ink_map
from hypothesis import given, settings
from hypothesis import strategies as st
from scipy.optimize import LinearConstraint, milp

from neumary.glyphs import (
    HEAD_APART_SPACES,
    SURE_HEADS,
    Calibration,
    Candidate,
    cell_step,
    choose,
    doubt_beyond,
    find_candidates,
    place,
)
from neumary.strips import (
    BOTTOM_ROW,
    MARGIN_RIGHT_SPACES,
    MARGIN_SPACES,
    STRIP_HEIGHT,
    STRIP_SPACE,
    cut_strip,
)
from neumary_models import outputs
from neumary_models.labels import NAMES


def candidate(row: float, col: float, p: float, label: str = "punctum") -> Candidate:
    labels = np.full(len(NAMES), 1e-4, np.float32)
    labels[NAMES.index(label)] = 1.0
    return Candidate(row=row, col=col, p_sign=p, labels=labels, steps=((0, 1.0),), starts=1.0)


def blank_scores(width: int = 160) -> np.ndarray:
    scores = np.zeros((outputs.CHANNELS_OUT, STRIP_HEIGHT // 2, width // 2), np.float32)
    scores[outputs.HEAT] = -8
    return scores


def test_a_peak_becomes_a_candidate_at_its_offset_place() -> None:
    scores = blank_scores()
    scores[0, 40, 30] = 4.0
    scores[outputs.OFFSET, 40, 30] = (0.5, -0.25)
    scores[outputs.LABEL.start + NAMES.index("virga"), 40, 30] = 9.0
    scores[outputs.SHIFT.start + outputs.STEP_SHIFTS.index(1), 40, 30] = 9.0
    (found,) = find_candidates(scores, Calibration())
    assert (found.row, found.col) == (40.5 * 2 + 0.5, 29.75 * 2 + 0.5)
    assert found.label == "virga"
    assert found.p_sign == pytest.approx(1 / (1 + np.exp(-4)), abs=1e-6)
    assert found.steps[0][0] == cell_step(40) + 1
    assert sum(p for _, p in found.steps) == pytest.approx(1, abs=0.05)


def test_the_bottom_lines_cell_is_step_nought() -> None:
    assert cell_step(int(BOTTOM_ROW) // 2) == 0
    assert cell_step((int(BOTTOM_ROW) - STRIP_SPACE) // 2) == 2


@settings(max_examples=60, deadline=None)
@given(
    st.lists(st.tuples(st.integers(0, 40), st.integers(0, 60), st.floats(0.1, 0.98)), min_size=1, max_size=14)
)
def test_choice_is_the_best_set_there_is(spots: list[tuple[int, int, float]]) -> None:
    """Against an integer programme solved by SciPy's HiGHS."""
    candidates = sorted((candidate(r, c, p) for r, c, p in spots), key=lambda x: x.col)
    worth = np.array([np.log(c.p_sign / (1 - c.p_sign)) for c in candidates])

    def apart(a: Candidate, b: Candidate) -> float:
        sure_p, near = SURE_HEADS
        return STRIP_SPACE * (near if min(a.p_sign, b.p_sign) > sure_p else HEAD_APART_SPACES)

    rows = [
        [float(k in (i, j)) for k in range(len(candidates))]
        for i, a in enumerate(candidates)
        for j, b in enumerate(candidates)
        if i < j and np.hypot(a.row - b.row, a.col - b.col) < apart(a, b)
    ]
    limits = [LinearConstraint(np.array(rows), ub=1)] if rows else []
    best = milp(-worth, constraints=limits, integrality=np.ones(len(worth)), bounds=(0, 1))
    ours = sum(np.log(c.p_sign / (1 - c.p_sign)) for c in choose(candidates, 0.5))
    assert ours == pytest.approx(-best.fun, abs=1e-6)


def test_heads_written_into_each_other_are_two_only_if_both_are_sure() -> None:
    near = 0.3 * STRIP_SPACE
    for second, kept in ((0.95, 2), (0.7, 1)):
        assert len(choose([candidate(40, 20, 0.95), candidate(40, 20 + near, second)], 0.5)) == kept
    assert len(choose([candidate(40, 20, 0.95), candidate(40, 20 + 0.2 * STRIP_SPACE, 0.95)], 0.5)) == 1


def test_a_wavy_custos_is_one_and_heads_as_near_are_two() -> None:
    for label, kept in (("custos", 1), ("punctum", 2)):
        read = [candidate(40, 20, 0.95, label), candidate(44, 20 + STRIP_SPACE, 0.7, label)]
        assert len(choose(read, 0.5)) == kept


@pytest.mark.parametrize(
    ("first", "second", "kept"), [(0.95, 0.7, [20]), (0.99, 0.95, [70]), (0.6, 0.7, [70])]
)
def test_of_custodes_with_no_note_between_the_surer_or_the_last_stays(
    first: float, second: float, kept: list[int]
) -> None:
    read = [candidate(40, 20, first, "custos"), candidate(40, 70, second, "custos")]
    assert [c.col for c in choose(read, 0.5)] == kept
    between = candidate(30, 45, 0.9, "clef_c")
    assert [c.col for c in choose([*read, between], 0.5)] == [20, 45, 70]


def test_each_group_of_signs_has_its_level_of_belief() -> None:
    plain = Calibration(believe_p=0.5, believe_rare_p=0.4)
    own = Calibration(believe_p=0.5, believe_rare_p=0.4, believe_clef_p=0.7, believe_custos_p=0.3)
    asked = ("virga", "flat", "clef_f", "custos")
    assert [plain.least_p(label) for label in asked] == [0.5, 0.4, 0.4, 0.4]
    assert [own.least_p(label) for label in asked] == [0.5, 0.4, 0.7, 0.3]


@pytest.mark.parametrize(("n_lines", "left_p"), [(4, 0.487), (2, 0.95)])
def test_a_head_well_beyond_the_lines_must_be_surer(n_lines: int, left_p: float) -> None:
    staff = bent_staff(30.0, n_lines)
    strip = cut_strip(ink_map(drawn(staff)), staff)
    margin, end = MARGIN_SPACES * STRIP_SPACE, strip.page_cols.shape[1]
    last = end - (MARGIN_RIGHT_SPACES + 1) * STRIP_SPACE  # a strip is up to a space wider than asked
    asked = [
        candidate(60, margin - 1.5 * STRIP_SPACE, 0.95),
        candidate(60, margin - 1.5 * STRIP_SPACE, 0.95, "clef_c"),
        candidate(60, margin - STRIP_SPACE, 0.95),
        candidate(60, last, 0.95),
        candidate(60, end - 0.1 * STRIP_SPACE, 0.95),
    ]
    assert [c.p_sign for c in doubt_beyond(asked, strip)] == pytest.approx(
        [left_p, 0.95, 0.95, 0.95, left_p], abs=1e-3
    )


def test_nothing_chosen_from_nothing() -> None:
    assert choose([], 0.5) == []
    assert find_candidates(blank_scores(), Calibration()) == []


def test_a_placed_head_lands_on_its_ink() -> None:
    staff = bent_staff(30.0, 4)
    page = drawn(staff)
    row, col = staff.row_of(3, 300), 300
    page[int(row) - 10 : int(row) + 10, col - 9 : col + 9] = 10
    strip = cut_strip(ink_map(page), staff)
    at = np.unravel_index(
        np.argmin(np.hypot(strip.page_rows - row, strip.page_cols - col)), strip.page_rows.shape
    )
    line_free = np.asarray(255 - strip.rgb.min(axis=2), np.uint8)
    ((glyph, reading),) = place(strip, line_free, [candidate(float(at[0]), float(at[1]), 0.9)])
    assert abs(glyph.row - row) < 1.5 and abs(glyph.col - col) < 1.5
    assert glyph.box.left <= col <= glyph.box.right and glyph.box.top <= row <= glyph.box.bottom
    assert reading.label == "punctum" and reading.confidence == pytest.approx(0.9, abs=0.01)
