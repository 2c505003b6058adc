"""The evaluation's own parts: seeds, state of pages, causes, levels, real leaves' truth, the report."""

from __future__ import annotations

from pathlib import Path

import cv2
import msgspec
import numpy as np
import pytest
from small_pages import Writer

from neumary.measures import Tally
from neumary.metrics import PageScore, score_page
from neumary.mistakes import Mistake, list_mistakes
from neumary.note_confidence import Outcome
from neumary.pitch import resolve_pitches
from neumary.types import Page, Provenance
from neumary_models.labels import LAYERS
from neumary_synth.ageing import Ageing, sample_ageing
from neumary_synth.plan import KINDS
from neumary_synth.render import render_page
from neumary_training.baselines import Pieces, majority_share, nearest_labels
from neumary_training.evaluation_causes import ADVICE, cause_of, count_causes
from neumary_training.evaluation_leaves import LeafResult, measure_leaves, music_zones, nearest_stretch
from neumary_training.evaluation_pages import Case, Leaf, ageing_classes, layers_path, plan_leaves, wear_of
from neumary_training.evaluation_report import choose_level, cross_checked, figures, write_report
from neumary_training.evaluation_results import (
    GROUPS,
    Culprit,
    draw_gallery,
    evaluate_cases,
    layer_at,
    worst_places,
)
from neumary_training.shards import page_seed

# Seeds and pages -----------------------------------------------------------------------------------


def test_every_kind_belongs_to_one_group() -> None:
    assert sorted(kind for kinds in GROUPS.values() for kind in kinds) == sorted(KINDS)


def test_no_page_is_ever_trained_on() -> None:
    seeds = [leaf.seed for leaf in plan_leaves(50)]
    assert len(set(seeds)) == len(seeds) == 50 * len(KINDS)
    trained = {page_seed(1, "train", 0), page_seed(1, "train", 499_999)}
    kept = {page_seed(1, "held-out", 0), page_seed(1, "held-out", 299_999)}
    assert min(seeds) > max(trained | kept)
    assert max(seeds) < page_seed(2, "train", 0)


def test_more_pages_change_none() -> None:
    assert set(plan_leaves(2)) < set(plan_leaves(5))


def test_ageing_classes_by_hand() -> None:
    assert ageing_classes(Ageing(), 20) == ("kept well",)
    assert ageing_classes(Ageing(grey=True, bleed=0.3), 12) == (
        "under 16 px a space", "strong show-through", "grey film",
    )  # fmt: skip


def test_the_state_of_a_page_is_that_it_was_drawn_with() -> None:
    """Drawing it again with the ageing the class is taken from gives the same pixels."""
    seed = page_seed(1, "test", 123)
    drawn = render_page(seed, "one-line", space_px=10.0)
    ageing = sample_ageing(np.random.default_rng([seed, 3]))
    again = render_page(seed, "one-line", space_px=10.0, ageing=ageing)
    assert np.array_equal(drawn.rgb, again.rgb)
    assert wear_of(drawn.page) == ageing_classes(ageing, 10.0)
    perfect = score_page(drawn.page, drawn.page)  # an identity, on a page nobody built by hand
    assert perfect.notes.f1 == perfect.staves.f1 == perfect.boundaries.f1 == perfect.syllable.accuracy == 1.0
    assert perfect.melody_edits.count == perfect.corrections.count == 0
    assert list_mistakes(drawn.page, drawn.page) == []


# Causes --------------------------------------------------------------------------------------------


def culprit(layer: str = "music", **new: object) -> Culprit:
    plain = {
        "page_id": "p", "sort": "missed", "cause": "sign", "group": "head",
        "row": 10.0, "col": 20.0, "space_px": 8.0,
    }  # fmt: skip
    return Culprit(Mistake(**(plain | new)), "square", ("kept well",), layer)


@pytest.mark.parametrize(
    ("one", "cause"),
    [
        (culprit(cause="staff"), "staff not found"),
        (culprit(cause="lines", sort="step"), "staff traced with other lines"),
        (culprit(cause="clef", sort="pitch"), "clef misread or missed"),
        (
            culprit(cause="clef", sort="pitch", under_inferred=True),
            "clef not in the picture, inferred wrongly",
        ),
        (culprit(group="clef"), "clef misread or missed"),
        (culprit(cause="flat", sort="pitch"), "flat misread or missed"),
        (culprit(layer="text", sort="spurious"), "ink of text, initials or the other side"),
        (culprit(layer="text", cause="staff"), "staff not found"),
        (culprit(cause="touching"), "sign missed beside one that touches"),
        (culprit(sort="label"), "wrong name for a note"),
        (culprit(sort="step"), "a note on the wrong step"),
        (culprit(group="custos"), "custos or division misread or missed"),
        (culprit(), "sign missed or made up, alone"),
    ],
)
def test_causes(one: Culprit, cause: str) -> None:
    assert cause_of(one) == cause
    assert cause in ADVICE
    assert count_causes([one, one]) == {cause: 2}


def test_the_layer_under_a_mistake() -> None:
    layers = np.zeros((100, 100), dtype=np.uint8)
    layers[8:13, 10:30] = LAYERS.index("line")
    assert layer_at(layers, culprit().mistake) == "parchment"  # lines stand for nothing
    layers[9:11, 18:22] = LAYERS.index("text")
    assert layer_at(layers, culprit().mistake) == "text"
    assert layer_at(layers, culprit(row=-50.0, col=500.0).mistake) == "parchment"


def test_worst_places_take_all_causes_in_turn() -> None:
    many = [culprit(confidence=i / 10) for i in range(9)] + [culprit(sort="label")]
    chosen = worst_places(many, shown=3)
    assert [c.mistake.sort for c in chosen] == ["missed", "label", "missed"]
    assert chosen[0].mistake.confidence == 0.8
    assert worst_places([], shown=3) == []


# Levels --------------------------------------------------------------------------------------------


def outcomes(*pairs: tuple[float, bool]) -> list[Outcome]:
    return [Outcome(p, p, right, right) for p, right in pairs]


def test_the_level_is_the_lowest_that_keeps_the_error() -> None:
    notes = outcomes((0.9, True), (0.8, True), (0.7, False), (0.6, True), (0.5, True))
    assert choose_level(notes, 0.0) == 0.8
    assert choose_level(notes, 0.2) == 0.5
    assert choose_level(outcomes((0.9, False)), 0.0) > 1
    assert choose_level(outcomes((0.9, True), (0.9, False)), 0.0) > 1  # equals go together
    assert choose_level([], 0.5) > 1


def test_the_level_of_one_half_is_tried_on_the_other() -> None:
    good = PageScore(outcomes=tuple(outcomes((0.9, True), (0.8, True))), notes=Tally(2, 0, 0))
    bad = PageScore(outcomes=tuple(outcomes((0.95, False), (0.85, True))), notes=Tally(2, 0, 2))
    # level of `good` is 0.8: both of `bad` are taken, one wrong; `bad` allows no level: nothing of `good`
    assert cross_checked([good, bad], 0.0) == (2 / 6, 1 / 2)
    assert cross_checked([], 0.0) == (0.0, 0.0)


# Real leaves ---------------------------------------------------------------------------------------


def test_nearest_stretch_by_trying_all() -> None:
    levenshtein = pytest.importorskip("rapidfuzz.distance").Levenshtein
    rng = np.random.default_rng(1)
    for _ in range(30):
        melody = rng.integers(0, 4, 12).tolist()
        opening = rng.integers(0, 4, 5).tolist()
        stretches = [melody[i:j] for i in range(13) for j in range(i, 13)]
        assert nearest_stretch(melody, opening) == min(levenshtein.distance(s, opening) for s in stretches)
    assert nearest_stretch([], [1, 2]) == 2


def test_music_zones(tmp_path: Path) -> None:
    alto = tmp_path / "a.alto.xml"
    alto.write_text(
        '<alto xmlns="http://www.loc.gov/standards/alto/ns-v4#"><Tags><OtherTag ID="B1" LABEL="MusicZone"/>'
        '<OtherTag ID="B2" LABEL="MainZone"/></Tags><Layout><Page><PrintSpace>'
        '<TextBlock HPOS="10" VPOS="20" WIDTH="100" HEIGHT="40" TAGREFS="B1"/>'
        '<TextBlock HPOS="0" VPOS="0" WIDTH="9" HEIGHT="9" TAGREFS="B2"/>'
        "</PrintSpace></Page></Layout></alto>"
    )
    assert music_zones(alto) == [(20.0, 10.0, 60.0, 110.0)]


def test_no_leaves_are_no_fault(tmp_path: Path) -> None:
    assert measure_leaves(tmp_path / "absent") == []


# Simple readers ------------------------------------------------------------------------------------


def test_nearest_neighbour_agrees_with_scipy() -> None:
    from scipy.spatial import cKDTree

    rng = np.random.default_rng(2)
    known, asked = rng.random((40, 6), dtype=np.float32), rng.random((15, 6), dtype=np.float32)
    pieces = Pieces(known, tuple(str(i) for i in range(40)))
    assert nearest_labels(asked, pieces) == [str(i) for i in cKDTree(known).query(asked)[1]]
    assert nearest_labels(asked, Pieces(known[:0], ())) == [""] * 15


def test_majority_share_by_hand() -> None:
    confusion = {"punctum": {"punctum": 6, "": 9}, "virga": {"punctum": 1}, "oriscus": {"oriscus": 3}}
    assert majority_share(PageScore(confusion=confusion)) == 0.7


# The report ----------------------------------------------------------------------------------------


def make_case(folder: Path, kind: str, number: int, wrong: bool) -> Case:
    written = Writer().staff().clef("c", 4).notes(2, 3, 4, 5)
    readings, _ = resolve_pitches(*written.parts)
    leaf = Leaf(kind, page_seed(1, "test", number))
    provenance = Provenance(settings={"seed": leaf.seed, "kind": kind, "space_px": 20.0})
    truth = written.page(readings, provenance=provenance)
    truth = msgspec.structs.replace(truth, page_id=leaf.page_id)
    read: Page = truth
    if wrong:
        changed = tuple(msgspec.structs.replace(r, label="oriscus") if r.step == 3 else r for r in readings)
        read = msgspec.structs.replace(truth, readings=changed)
    picture = folder / "truth" / f"{leaf.page_id}.png"
    for path in (picture, layers_path(picture)):
        path.parent.mkdir(exist_ok=True)
        shape = (truth.height, truth.width) if path != picture else (truth.height, truth.width, 3)
        cv2.imwrite(str(path), np.full(shape, 2 if path != picture else 220, dtype=np.uint8))
    return Case(leaf, picture, truth, read, truth, wear_of(truth))


def test_the_report_says_what_was_found(tmp_path: Path) -> None:
    cases = [
        make_case(tmp_path, kind, 10 * KINDS.index(kind) + number, wrong=number == 0)
        for kind in KINDS
        for number in (0, 1)
    ]
    leaf = LeafResult("some_leaf", ("every sign known: 3 notes",))
    found = evaluate_cases(cases, 2, "", [leaf], None)
    assert found.read["full staves"].total.label_soft.count == 35  # 5 kinds, 2 pages, 4 notes, 5 wrong
    assert found.undecided["full staves"].total.label_soft.count == 40
    text = write_report(found)
    assert "$" not in text
    assert found.model_sha256[:12] in text and "some_leaf" in text
    assert "wrong name for a note | 5 | 12.50" in text
    assert text.index("## Weak spots first") < text.index("## By kind of page")
    for kind in KINDS:
        assert kind in text
    assert figures(found)["causes"]["full staves"] == {"wrong name for a note": 5}
    sheet = draw_gallery(worst_places(found.culprits), cases)
    assert sheet.ndim == 3 and sheet.shape[1] > 100
