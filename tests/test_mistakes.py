"""Single mistakes, their causes, and the pictures of them, on hand-built pages."""

from __future__ import annotations

from collections import Counter

import msgspec
import numpy as np
import pytest
from small_pages import SPACE, Writer

from neumary.crops import HALF_HEIGHT_SPACES, HALF_WIDTH_SPACES, SPACE_PX, cut_crop, describe, make_sheet
from neumary.metrics import score_page
from neumary.mistakes import Mistake, list_mistakes
from neumary.pitch import resolve_pitches
from neumary.types import Page


def build(writer: Writer) -> Page:
    readings, _ = resolve_pitches(*writer.parts)
    return writer.page(readings)


def leaf(*steps: int, clef: str = "c") -> Writer:
    return Writer().staff().clef(clef, 4).notes(*steps)


TRUTH = build(leaf(2, 3, 4, 3))


def found(read: Page, truth: Page = TRUTH) -> list[tuple[str, str]]:
    return [(m.sort, m.cause) for m in list_mistakes(read, truth)]


def without(page: Page, glyph: str) -> Page:
    return msgspec.structs.replace(
        page,
        glyphs=tuple(g for g in page.glyphs if g.id != glyph),
        readings=tuple(r for r in page.readings if r.glyph != glyph),
    )


def change(page: Page, glyph: str, **new: object) -> Page:
    readings = tuple(msgspec.structs.replace(r, **new) if r.glyph == glyph else r for r in page.readings)
    return msgspec.structs.replace(page, readings=readings)


def test_a_page_against_itself_has_none() -> None:
    assert list_mistakes(TRUTH, TRUTH) == []


def test_nothing_read_is_all_missed_for_want_of_a_staff() -> None:
    nothing = msgspec.structs.replace(TRUTH, staves=(), glyphs=(), readings=())
    assert found(nothing) == [("missed", "staff")] * 5
    assert found(TRUTH, nothing) == [("spurious", "staff")] * 5


def test_a_missed_note() -> None:
    assert found(without(TRUTH, "g0003")) == [("missed", "sign")]


def test_a_note_missed_beside_one_that_touches() -> None:
    stacked = leaf(2, 3)
    stacked.sign("punctum", 4, col=float(stacked.glyphs[-1].col))
    truth = build(stacked)
    assert found(without(truth, "g0004"), truth) == [("missed", "touching")]


def test_a_wrong_name_and_a_soft_one() -> None:
    assert found(change(TRUTH, "g0003", label="oriscus")) == [("label", "sign")]
    assert found(change(TRUTH, "g0003", label="virga")) == []


def test_a_sign_of_another_group() -> None:
    (mistake,) = list_mistakes(change(TRUTH, "g0003", label="division", step=None), TRUTH)
    assert (mistake.sort, mistake.cause, mistake.true, mistake.read) == (
        "label", "mistaken", "punctum", "division",
    )  # fmt: skip


def test_a_wrong_step_is_named_before_its_pitch() -> None:
    written = leaf(2, 3, 4, 3)
    written.readings[2] = msgspec.structs.replace(written.readings[2], step=5)
    assert found(build(written)) == [("step", "sign")]


def test_a_wrong_clef_is_one_label_and_its_notes() -> None:
    got = found(build(leaf(2, 3, 4, 3, clef="f")))
    assert Counter(got) == {("label", "sign"): 1, ("pitch", "clef"): 4}


def test_a_missed_flat() -> None:
    flat = Writer().staff().clef("c", 4).sign("flat", 5).notes(5, 3)
    truth = build(flat)
    again = without(truth, "g0002")
    readings, _ = resolve_pitches(again.staves, again.glyphs, again.readings)
    got = found(msgspec.structs.replace(again, readings=tuple(readings)), truth)
    assert sorted(got) == [("missed", "sign"), ("pitch", "flat")]


def test_other_lines_are_named_as_the_cause() -> None:
    staff = TRUTH.staves[0]
    short = msgspec.structs.replace(staff, lines=staff.lines[1:])
    moved = tuple(
        msgspec.structs.replace(r, step=r.step - 2) if r.step is not None else r for r in TRUTH.readings
    )
    read = msgspec.structs.replace(TRUTH, staves=(short,), readings=moved)
    assert set(found(read)) == {("step", "lines")}


def test_uncertain_truth_makes_no_mistakes() -> None:
    doubtful = change(TRUTH, "g0003", note="uncertain: rubbed")
    assert list_mistakes(without(TRUTH, "g0003"), doubtful) == []
    assert list_mistakes(change(TRUTH, "g0003", label="oriscus"), doubtful) == []


@pytest.mark.parametrize("seed", range(6))
def test_mistakes_agree_with_the_counts(seed: int) -> None:
    """Missed and spurious heads, wrong names and steps are those the measures count."""
    rng = np.random.default_rng(seed)
    read = TRUTH_LONG
    for glyph in rng.choice([g.id for g in read.glyphs[1:]], 6, replace=False):
        what = rng.integers(3)
        if what == 0:
            read = without(read, str(glyph))
        else:
            read = change(read, str(glyph), **({"label": "oriscus"} if what == 1 else {"step": 9}))
    score = score_page(read, TRUTH_LONG)
    sorts = Counter(m.sort for m in list_mistakes(read, TRUTH_LONG))
    assert sorts["missed"] == score.notes.missed and sorts["spurious"] == score.notes.spurious
    assert sorts["label"] == score.label_soft.total - score.label_soft.count
    assert sorts["step"] <= score.step.total - score.step.count


TRUTH_LONG = build(leaf(*[2, 3, 4, 3, 5, 6, 1, 0, 2, 4] * 2))


# Pictures ---------------------------------------------------------------------------------------


def mistake(row: float, col: float, space: float = SPACE) -> Mistake:
    return Mistake(
        page_id="p", sort="label", cause="sign", group="head", row=row, col=col, space_px=space,
        true="punctum", read="oriscus", true_step=3, read_step=3,
    )  # fmt: skip


@pytest.mark.parametrize("space", [8.0, 22.0, 60.0])
def test_a_crop_shows_the_place_in_its_middle(space: float) -> None:
    """A dark square drawn at the place comes out in the middle, whatever the resolution."""
    rgb = np.full((900, 1200, 3), 255, dtype=np.uint8)
    row, col, half = 400, 600, int(space / 3)
    rgb[row - half : row + half + 1, col - half : col + half + 1] = 0
    crop = cut_crop(rgb, mistake(row, col, space))
    assert crop.shape == (
        round(2 * HALF_HEIGHT_SPACES * SPACE_PX),
        round(2 * HALF_WIDTH_SPACES * SPACE_PX),
        3,
    )
    rows, cols = np.nonzero(crop.max(axis=2) < 60)
    assert rows.mean() == pytest.approx(crop.shape[0] / 2, abs=1.5)
    assert cols.mean() == pytest.approx(crop.shape[1] / 2, abs=1.5)
    side = np.ptp(rows) + 1
    assert side == pytest.approx((2 * half + 1) * SPACE_PX / space, abs=2.5)


@pytest.mark.parametrize(("row", "col"), [(0, 0), (99, 149), (-40, 60), (500, 500)])
def test_a_crop_at_or_beyond_the_edge_is_as_large(row: float, col: float) -> None:
    rgb = np.zeros((100, 150, 3), dtype=np.uint8)
    assert cut_crop(rgb, mistake(row, col)).shape == cut_crop(rgb, mistake(50, 75)).shape


def test_words() -> None:
    assert describe(mistake(0, 0)) == "punctum 3 read as oriscus 3"
    missed = msgspec.structs.replace(mistake(0, 0), sort="missed", read="", read_step=None)
    assert describe(missed) == "punctum 3 missed"


def test_a_sheet_holds_all_tiles() -> None:
    crop = cut_crop(np.zeros((100, 150, 3), dtype=np.uint8), mistake(50, 75))
    one, seven = make_sheet([(crop, "a", "b")]), make_sheet([(crop, "a", "b")] * 7, columns=3)
    assert seven.shape[0] == 3 * one.shape[0] and seven.shape[1] == 3 * one.shape[1]
    assert make_sheet([]).min() == 255
