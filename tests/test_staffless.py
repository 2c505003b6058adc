"""Signs without staff lines: renderer's truth, decoding, rows, notes inside signs, targets."""

from __future__ import annotations

from itertools import pairwise
from pathlib import Path

import numpy as np
import pytest

from neumary.neumes import name_neume
from neumary.staffless import FreeCandidate, find_free_signs
from neumary.staffless_rows import LABELS, notes_of, rows_of
from neumary.staffless_scale import scale_error, typical_sign_px
from neumary_models.labels import HEADS
from neumary_models.staffless_outputs import (
    CHANNELS_OUT,
    CONTOURS,
    EPISEMA,
    EXTENT,
    EXTENT_UNIT,
    HEAT,
    NAME,
    SIGN_PX,
    STAFFLESS_NAMES,
)
from neumary_synth.ageing import Ageing
from neumary_synth.render import Rendered, render_page
from neumary_synth.staffless import SIGNS
from neumary_synth.staffless_truth import named


@pytest.fixture(scope="module")
def pages() -> list[Rendered]:
    return [render_page(seed, "staffless", ageing=Ageing(), space_px=24) for seed in (3, 8, 21)]


def _candidate(
    row: float, col: float, name: str = "virga", high: float = 28.0, p: float = 0.9
) -> FreeCandidate:
    names = np.zeros(len(STAFFLESS_NAMES), np.float32)
    names[STAFFLESS_NAMES.index(name)] = 1.0
    box = (row - high / 2, col - high / 3, row + high / 2, col + high / 3)
    return FreeCandidate(row, col, box, p, names, 0.0, 0.0)


def test_every_drawn_sign_has_a_listed_name() -> None:
    assert {named(drawn)[0] for drawn in SIGNS} <= set(STAFFLESS_NAMES)
    assert named("clivis with episema") == ("clivis", True, False, "")
    assert named("letter t") == ("letter", False, False, "t")


def test_boxes_of_the_truth_hold_the_signs_ink(pages: list[Rendered]) -> None:
    for page in pages:
        ink = page.masks["music"] > 128
        inside = np.zeros_like(ink)
        for sign in page.signs:
            top, left, bottom, right = (round(edge) for edge in sign.box)
            inside[max(top - 1, 0) : bottom + 2, max(left - 1, 0) : right + 2] = True
            assert ink[max(top, 0) : bottom + 1, max(left, 0) : right + 1].any(), sign
        assert ink[inside].sum() > 0.97 * ink.sum()


def test_layered_signs_lie_round_the_staff() -> None:
    page = render_page(5, "layered", ageing=Ageing(), space_px=20)
    assert {sign.layer for sign in page.signs} <= {"upper", "lower"}
    staves = page.page.staves
    for sign in page.signs:
        row = (sign.box[0] + sign.box[2]) / 2
        col = (sign.box[1] + sign.box[3]) / 2
        steps = [staff.step_at(row, col) for staff in staves]
        lines = len(staves[0].lines)
        assert all(step < 0 or step > 2 * (lines - 1) for step in steps)


def _scores() -> np.ndarray:
    scores = np.zeros((CHANNELS_OUT, 40, 60), np.float32)
    scores[HEAT] = -8.0
    return scores


def _put(scores: np.ndarray, row: int, col: int, name: str, half: tuple[float, float], heat: float) -> None:
    scores[HEAT.start, row, col] = heat
    scores[NAME.start + STAFFLESS_NAMES.index(name), row, col] = 6.0
    scores[EXTENT, row, col] = np.log(np.array([half[0], half[1], half[0], half[1]]) / EXTENT_UNIT)


def test_a_peak_becomes_a_sign_with_its_box() -> None:
    scores = _scores()
    _put(scores, 20, 30, "porrectus", (7.0, 9.0), 3.0)
    scores[EPISEMA.start, 20, 30] = 4.0
    (sign,) = find_free_signs(scores)
    assert sign.name == "porrectus" and sign.p_episema > 0.9
    # the cell (20, 30) has its centre at input row 40.5, column 60.5; a cell is 2 px
    assert sign.box == pytest.approx((26.5, 42.5, 54.5, 78.5), abs=1e-3)
    assert sign.p_sign == pytest.approx(1 / (1 + np.exp(-3.0)), abs=1e-6)


def test_of_two_readings_of_one_sign_the_surer_stays() -> None:
    scores = _scores()
    _put(scores, 20, 30, "clivis", (7.0, 6.0), 3.0)
    _put(scores, 21, 32, "torculus", (7.0, 6.5), 1.0)
    _put(scores, 20, 50, "virga", (7.0, 4.0), 2.0)
    assert [sign.name for sign in find_free_signs(scores)] == ["clivis", "virga"]


def test_a_letter_over_a_sign_is_kept() -> None:
    scores = _scores()
    _put(scores, 24, 30, "clivis", (8.0, 6.0), 3.0)
    _put(scores, 15, 31, "letter", (4.0, 3.0), 2.0)
    assert {sign.name for sign in find_free_signs(scores)} == {"clivis", "letter"}


def test_names_tell_the_notes_inside() -> None:
    """The trade's own naming rules, as the table of composed neumes gives them, agree with ours."""
    for name in ("pes", "clivis", "torculus", "porrectus", "scandicus", "climacus", "porrectus flexus",
                 "torculus resupinus", "salicus", "trigon", "bivirga", "trivirga", "tristropha"):  # fmt: skip
        assert name_neume(CONTOURS[name].upper(), LABELS[name]) == name
    for name in STAFFLESS_NAMES:
        notes = notes_of(name, (10.0, 10.0, 40.0, 50.0))
        assert (not notes) == (name == "letter")
        assert all(note.label in HEADS and 10 <= note.row <= 40 and 10 <= note.col <= 50 for note in notes)
        assert "".join(note.move for note in notes) == CONTOURS.get(name, "")
        for before, after in pairwise(notes):
            assert {"u": after.row < before.row, "d": after.row > before.row, "s": True}[after.move]


def test_rows_follow_a_climbing_melisma() -> None:
    upper = [_candidate(100 - 9 * k, 20 + 24 * k) for k in range(8)]  # ends 63 px higher than it began
    lower = [_candidate(200 + (k % 2) * 8, 20 + 40 * k) for k in range(5)]
    rows = rows_of([*lower, *upper], 28.0)
    assert rows == [list(range(5, 13)), list(range(5))]


def test_rows_of_rendered_pages(pages: list[Rendered]) -> None:
    for page in pages:
        size = float(np.median([sign.size_px for sign in page.signs]))
        signs = [_candidate((s.box[0] + s.box[2]) / 2, (s.box[1] + s.box[3]) / 2) for s in page.signs]
        alike = 0
        for row in rows_of(signs, size):
            owners = [page.signs[i].row for i in row]
            alike += max(owners.count(owner) for owner in owners)
        assert alike >= 0.93 * len(signs)


def test_scale_is_near_enough_for_the_network(pages: list[Rendered]) -> None:
    for page in pages:
        size = float(np.median([sign.size_px for sign in page.signs]))
        assert 0.6 < typical_sign_px(page.rgb) / size < 1.6


def test_a_bare_page_tells_no_scale() -> None:
    assert typical_sign_px(np.full((300, 200, 3), 220, np.uint8)) == 0.0


def test_found_signs_tell_how_far_off_the_scale_was() -> None:
    signs = [_candidate(50, 40 * k, "virga", high=1.5 * 1.03 * SIGN_PX) for k in range(9)]
    assert scale_error(signs) == pytest.approx(1.5, rel=1e-6)
    assert scale_error(signs[:3]) == 1.0


def test_leaf_scale(scans: Path) -> None:
    """A virga of the real leaf is about 26 px high (its boxed virgae, less their margins)."""
    cv2 = pytest.importorskip("cv2")
    rgb = cv2.imread(str(scans / "staffless_p030.jpg"))[..., ::-1]
    assert 0.65 < typical_sign_px(np.ascontiguousarray(rgb)) / 26 < 1.5
