"""Measures against hand-computed examples, identities and reference libraries."""

from __future__ import annotations

import itertools

import msgspec
import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st
from small_pages import SPACE, Writer

from neumary.metrics import (
    PageScore,
    Share,
    Tally,
    bootstrap_interval,
    calibration_error,
    combine,
    edit_distance,
    hands_off_share,
    match,
    note_confidences,
    score_page,
)
from neumary.neumes import group_neumes
from neumary.pitch import resolve_pitches
from neumary.types import Page

STEPS = [(2, 3, 4, 3), (4, 5, 6, 5, 4), (3, 2, 0)]


def build(writer: Writer) -> Page:
    readings, _ = resolve_pitches(*writer.parts)
    neumes = tuple(group_neumes(writer.staves, writer.glyphs, readings))
    return writer.page(readings, neumes=neumes)


def leaf(clefs: str = "ccc", line: int = 4) -> Writer:
    written = Writer()
    for clef, steps in zip(clefs, STEPS, strict=True):
        written.staff().clef(clef, line).notes(*steps[:2]).notes(*steps[2:], starts_neume=0.1)
    return written


def change(page: Page, glyph: str, **new: object) -> Page:
    readings = tuple(msgspec.structs.replace(r, **new) if r.glyph == glyph else r for r in page.readings)
    return msgspec.structs.replace(page, readings=readings)


def without(page: Page, *glyphs: str) -> Page:
    return msgspec.structs.replace(
        page,
        glyphs=tuple(g for g in page.glyphs if g.id not in glyphs),
        readings=tuple(r for r in page.readings if r.glyph not in glyphs),
    )


def empty(page: Page) -> Page:
    return msgspec.structs.replace(page, staves=(), glyphs=(), readings=(), neumes=())


TRUTH = build(leaf())


# Identities -------------------------------------------------------------------------------------


def test_truth_against_itself_is_perfect() -> None:
    score = score_page(TRUTH, TRUTH)
    assert score.notes == Tally(12, 0, 0)
    assert score.lines == Tally(12, 0, 0) and score.staves == Tally(3, 0, 0)
    assert score.signs["clef"] == Tally(3, 0, 0)
    assert score.boundaries == Tally(3, 0, 0)  # two a staff, the first of each left out
    assert score.label == score.step == score.pitch == Share(12, 12)
    assert score.melody_error_rate == score.melody_error_rate_once == 0.0
    assert score.corrections == Share(0, 12)
    assert score.hands_off == 1.0
    assert score.confusion == {"clef_c": {"clef_c": 3}, "punctum": {"punctum": 12}}


def test_nothing_against_nothing_is_right() -> None:
    score = score_page(empty(TRUTH), empty(TRUTH))
    assert score.notes.f1 == score.lines.f1 == score.staves.f1 == score.boundaries.f1 == 1.0
    assert score.melody_error_rate == score.corrections_per_100 == score.calibration_error == 0.0
    assert score.hands_off == score.pitch.accuracy == 1.0


def test_nothing_against_something_is_all_wrong() -> None:
    missed = score_page(empty(TRUTH), TRUTH)
    assert missed.notes == Tally(0, 0, 12) and missed.notes.f1 == missed.staves.f1 == 0.0
    assert missed.melody_error_rate == 1.0 and missed.corrections_per_100 == 100.0
    assert missed.hands_off == 0.0


def test_something_against_nothing_is_all_wrong() -> None:
    spurious = score_page(TRUTH, empty(TRUTH))
    assert spurious.notes == Tally(0, 12, 0) and spurious.notes.f1 == 0.0
    assert spurious.melody_error_rate == 1.0 and spurious.hands_off == 0.0


@pytest.mark.leaves
def test_a_real_truth_against_itself_is_perfect(scans) -> None:
    from neumary.truth import load_truth

    page = load_truth(scans / "antiphoner_f001r.truth.json")
    score = score_page(page, page)
    counted = sum(r.pitch is not None and not r.note.startswith("uncertain") for r in page.readings)
    assert score.notes == Tally(counted, 0, 0)
    assert score.melody_edits == Share(0, counted)
    assert score.staves == Tally(10, 0, 0) and score.lines == Tally(40, 0, 0)


# Hand-computed ----------------------------------------------------------------------------------


def test_a_missed_and_a_spurious_note() -> None:
    read = leaf().staff()
    read.sign("punctum", 3, col=900.0)
    score = score_page(without(build(read), "g0003"), TRUTH)
    assert score.notes == Tally(11, 1, 1)
    assert score.notes.precision == score.notes.recall == 11 / 12
    assert score.melody_edits == Share(2, 12)
    assert score.corrections == Share(2, 12)


def test_a_wrong_step_is_one_edit_and_one_act() -> None:
    written = leaf()
    written.readings[2] = msgspec.structs.replace(written.readings[2], step=5)
    score = score_page(build(written), TRUTH)
    assert (score.step, score.pitch) == (Share(11, 12), Share(11, 12))
    assert score.melody_edits == score.corrections == Share(1, 12)


@pytest.mark.parametrize(("clefs", "shifted"), [("fcc", 4), ("cfc", 5), ("ccf", 3)])
def test_a_clef_error_is_propagated_and_counted_once(clefs: str, shifted: int) -> None:
    """C read as F on the same line: every note under it a fifth (4 degrees) low."""
    score = score_page(build(leaf(clefs)), TRUTH)
    assert score.pitch == Share(12 - shifted, 12)
    assert 1 < score.melody_edits.count <= shifted
    assert score.melody_edits_once == Share(1, 12)
    assert score.corrections == Share(1, 12)
    assert score.signs["clef"] == Tally(2, 1, 1)


def test_a_clef_change_splits_the_stretch() -> None:
    truth = build(Writer().staff().clef("c", 4).notes(2, 3, 4).clef("c", 3).notes(2, 3, 4, 5))
    read = build(Writer().staff().clef("c", 4).notes(2, 3, 4).clef("f", 3).notes(2, 3, 4, 5))
    score = score_page(read, truth)
    assert score.pitch == Share(3, 7)
    assert score.melody_edits_once == Share(1, 7)


def test_the_confidence_of_a_note_is_that_of_label_step_and_clef() -> None:
    written = Writer().staff().clef("c", 4, confidence=0.5).notes(2, confidence=0.8)
    written.sign("punctum", 3, confidence=0.6, rivals=(("virga", 0.3),), steps=((3, 0.9), (4, 0.1)))
    sure = note_confidences(build(written))
    assert sure == {"g0002": pytest.approx(0.4), "g0003": pytest.approx(0.9 * 0.9 * 0.5)}
    assert set(note_confidences(build(Writer().staff().notes(2, 3))).values()) == {0.0}  # no clef at all


def test_clef_changes_are_counted_apart() -> None:
    truth = build(Writer().staff().clef("c", 4).notes(2, 3, 4).clef("c", 3).notes(2, 3, 4, 5))
    assert score_page(truth, truth).clef_changes == Share(1, 1)
    assert score_page(without(truth, "g0005"), truth).clef_changes == Share(0, 1)
    assert score_page(without(truth, "g0001"), truth).clef_changes == Share(1, 1)
    assert score_page(TRUTH, TRUTH).clef_changes == Share(0, 0)


def test_soft_labels() -> None:
    score = score_page(change(TRUTH, "g0002", label="virga"), TRUTH)
    assert (score.label, score.label_soft) == (Share(11, 12), Share(12, 12))
    assert score.corrections == Share(0, 12)
    strict = score_page(change(TRUTH, "g0002", label="virga"), TRUTH, soft_pairs=())
    assert strict.corrections == Share(1, 12)
    assert score.confusion["punctum"] == {"punctum": 11, "virga": 1}


def test_confusion_crosses_groups() -> None:
    score = score_page(change(TRUTH, "g0002", label="division"), TRUTH)
    assert score.confusion["punctum"] == {"division": 1, "punctum": 11}
    assert score.notes == Tally(11, 0, 1) and score.signs["division"] == Tally(0, 1, 0)


@pytest.mark.parametrize(("away", "hit"), [(0.0, 12), (0.45, 12), (0.55, 11)])
def test_note_tolerance_is_half_a_space(away: float, hit: int) -> None:
    glyphs = tuple(
        msgspec.structs.replace(g, row=g.row + away * SPACE) if g.id == "g0002" else g for g in TRUTH.glyphs
    )
    assert score_page(msgspec.structs.replace(TRUTH, glyphs=glyphs), TRUTH).notes.hit == hit


@pytest.mark.parametrize(("away", "found"), [(0.2, 3), (0.3, 2)])
def test_line_tolerance_is_a_quarter_space(away: float, found: int) -> None:
    first = TRUTH.staves[0]
    lines = tuple(
        msgspec.structs.replace(x, rows=tuple(r + away * SPACE for r in x.rows)) for x in first.lines
    )
    staves = (msgspec.structs.replace(first, lines=lines), *TRUTH.staves[1:])
    score = score_page(msgspec.structs.replace(TRUTH, staves=staves), TRUTH)
    assert score.staves.hit == found and score.lines.hit == 4 * found


@pytest.mark.parametrize(("share", "found"), [(0.85, 4), (0.75, 0)])
def test_a_line_must_cover_four_fifths(share: float, found: int) -> None:
    truth = msgspec.structs.replace(TRUTH, staves=TRUTH.staves[:1])
    lines = tuple(
        msgspec.structs.replace(x, cols=(50.0, 50.0 + share * 1450.0)) for x in truth.staves[0].lines
    )
    read = msgspec.structs.replace(truth, staves=(msgspec.structs.replace(truth.staves[0], lines=lines),))
    assert score_page(read, truth).lines.hit == found


def test_a_staff_of_three_lines_is_not_one_of_four() -> None:
    staves = tuple(msgspec.structs.replace(s, lines=s.lines[:3]) for s in TRUTH.staves)
    score = score_page(msgspec.structs.replace(TRUTH, staves=staves), TRUTH)
    assert score.lines == Tally(9, 0, 3) and score.staves == Tally(0, 3, 3)


def test_uncertain_truth_counts_neither_way() -> None:
    doubtful = change(TRUTH, "g0003", note="uncertain: rubbed")
    wrong = change(TRUTH, "g0003", label="oriscus", step=9)
    for read in (TRUTH, wrong, without(TRUTH, "g0003"), change(TRUTH, "g0003", label="division")):
        score = score_page(read, doubtful)
        assert score.notes == Tally(11, 0, 0)
        assert score.melody_edits == Share(0, 11)
        assert score.signs["division"] == Tally()


def test_neume_beginnings() -> None:
    one_more = msgspec.structs.replace(
        TRUTH,
        neumes=tuple(
            group_neumes(TRUTH.staves, TRUTH.glyphs, change(TRUTH, "g0004", starts_neume=0.9).readings)
        ),
    )
    score = score_page(one_more, TRUTH)
    assert score.boundaries == Tally(3, 1, 0)
    assert score.corrections == Share(1, 12)


def test_syllables() -> None:
    named = msgspec.structs.replace(
        TRUTH,
        neumes=tuple(msgspec.structs.replace(n, syllable=f"y{i // 2}") for i, n in enumerate(TRUTH.neumes)),
    )
    other_ids = tuple(msgspec.structs.replace(n, syllable="z" + n.syllable) for n in named.neumes)
    same = msgspec.structs.replace(named, neumes=other_ids)
    assert score_page(same, named).syllable == Share(12, 12)
    first = msgspec.structs.replace(other_ids[0], syllable="zy1")
    moved = msgspec.structs.replace(named, neumes=(first, *other_ids[1:]))
    assert score_page(moved, named).syllable == Share(12 - len(first.glyphs), 12)
    assert score_page(TRUTH, TRUTH).syllable == Share(0, 0)


def test_inferred_clefs_stand_on_no_ink() -> None:
    score = score_page(change(TRUTH, "g0001", by="inferred"), without(TRUTH, "g0001"))
    assert score.signs["clef"] == Tally(2, 0, 0)


def test_a_corrected_reading_holds() -> None:
    wrong = change(TRUTH, "g0002", label="oriscus")
    right = next(r for r in TRUTH.readings if r.glyph == "g0002")
    corrected = msgspec.structs.replace(wrong, readings=(*wrong.readings, right))
    assert score_page(corrected, TRUTH).label == Share(12, 12)


# Plain measures ---------------------------------------------------------------------------------

symbols = st.lists(st.tuples(st.integers(20, 24), st.integers(-1, 0)), max_size=15)


@given(symbols, symbols)
def test_edit_distance_agrees_with_rapidfuzz(a: list, b: list) -> None:
    levenshtein = pytest.importorskip("rapidfuzz.distance").Levenshtein
    assert edit_distance(a, b) == levenshtein.distance(a, b)


def test_a_note_without_degree_equals_nothing() -> None:
    assert edit_distance([None], [(24, 0)]) == 1
    assert edit_distance([None, None], [None, None]) == 2


@given(st.integers(0, 4), st.integers(0, 4), st.integers(0, 2**32 - 1))
def test_match_is_optimal(rows: int, cols: int, seed: int) -> None:
    """Against trying every assignment: most pairs first, then least cost."""
    cost = np.random.default_rng(seed).random((rows, cols))
    limit = 0.5
    best = (0, 0.0)
    small, wide = (cost, cols) if rows <= cols else (cost.T, rows)
    for places in itertools.permutations(range(wide), small.shape[0]):
        kept = [small[i, j] for i, j in enumerate(places) if small[i, j] <= limit]
        best = min(best, (-len(kept), sum(kept)))
    pairs = match(cost, limit)
    assert len({r for r, _ in pairs}) == len({c for _, c in pairs}) == len(pairs)
    assert (-len(pairs), sum(cost[p] for p in pairs)) == pytest.approx(best)


def test_calibration_error_by_hand() -> None:
    # bin 0.9-1: 0.95, 0.95 one right: |1 - 1.9| = 0.9; bin 0.6-0.7: 0.6 right: |1 - 0.6| = 0.4
    outcomes = [(0.95, True), (0.95, False), (0.6, True)]
    assert calibration_error(outcomes) == pytest.approx((0.9 + 0.4) / 3)
    assert calibration_error([]) == 0.0
    assert calibration_error([(1.0, True)] * 5) == 0.0


def test_hands_off_by_hand() -> None:
    sure = [(0.99 - i / 1000, True) for i in range(200)]
    assert hands_off_share(sure) == 1.0
    assert hands_off_share([*sure, (0.1, False)]) == 1.0  # 1 of 201 is within 0.5 %
    assert hands_off_share([*sure[:100], (0.1, False)]) == 100 / 101
    assert hands_off_share([(1.0, False), *sure]) == 1.0  # the error is diluted below 0.5 %
    assert hands_off_share([(1.0, False), *sure[:50]]) == 0.0
    assert hands_off_share(sure, missed=200) == 0.5
    assert hands_off_share([]) == 1.0 and hands_off_share([], missed=3) == 0.0


def test_notes_of_equal_confidence_go_together() -> None:
    assert hands_off_share([(0.9, True), (0.9, False)]) == 0.0
    assert hands_off_share([(0.9, False), (0.9, True)]) == 0.0


# Many pages -------------------------------------------------------------------------------------


def test_pages_are_averaged_by_counts() -> None:
    good, bad = score_page(TRUTH, TRUTH), score_page(without(TRUTH, "g0002", "g0003", "g0004"), TRUTH)
    total = combine([good, bad])
    assert total.pages == 2
    assert total.notes == Tally(21, 0, 3)
    assert total.melody_edits == good.melody_edits + bad.melody_edits == Share(3, 24)
    assert total.confusion["punctum"] == {"": 3, "punctum": 21}
    assert total.signs["clef"] == Tally(6, 0, 0)
    assert combine([good]) == good
    assert combine([]) == PageScore()


def test_scores_survive_storage() -> None:
    score = score_page(TRUTH, TRUTH)
    assert msgspec.json.decode(msgspec.json.encode(score), type=PageScore) == score


def test_bootstrap() -> None:
    good, bad = score_page(TRUTH, TRUTH), score_page(empty(TRUTH), TRUTH)
    assert bootstrap_interval([good], lambda s: s.notes.f1) is None
    assert bootstrap_interval([good] * 4, lambda s: s.notes.f1, draws=50) == (1.0, 1.0)
    low, high = bootstrap_interval([good, bad] * 3, lambda s: s.notes.recall, draws=200)
    assert 0.0 <= low < 0.5 < high <= 1.0
    again = bootstrap_interval([good, bad] * 3, lambda s: s.notes.recall, draws=200)
    assert (low, high) == again
