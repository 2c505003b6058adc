"""What the pen draws lies where the truth says, and hands differ."""

from __future__ import annotations

from dataclasses import replace

import numpy as np
import pytest

from neumary_models.labels import BY_NAME, LABELS
from neumary_synth import pen, signs
from neumary_synth.hand import (
    C_CLEFS,
    CUSTODES,
    F_CLEFS,
    FLATS,
    LETTER_CLEFS,
    LIQUESCENTS,
    NATURALS,
    ORISCI,
    QUILISMATA,
    STROPHAE,
    sample_hand,
)
from neumary_synth.marks import DIVISION_FORMS
from neumary_synth.neume_plan import plan_heads
from neumary_synth.script import draw_text, sample_script
from neumary_synth.signs import Stand, draw_accidental, draw_clef, draw_custos, draw_division, draw_neume
from neumary_synth.staffless import SIGNIFICATIVE_LETTERS, SIGNS, draw_staffless

BASE = 160.0
FIGURES: tuple[tuple[tuple[str, int], ...], ...] = (
    (("punctum", 3),),
    (("virga", 5),),
    (("punctum", 2), ("punctum", 3)),
    (("punctum", 5), ("punctum", 4)),
    (("oblique", 5), ("oblique", 3), ("punctum", 4)),
    (("virga", 6), ("inclinatum", 5), ("inclinatum", 4), ("inclinatum", 3)),
    (("punctum", 1), ("punctum", 2), ("virga", 4)),
    (("stropha", 4), ("stropha", 4)),
    (("punctum", 2), ("quilisma", 3), ("punctum", 4)),
    (("punctum", 3), ("oriscus", 4)),
    (("punctum", 4), ("liquescent", 3)),
    (("punctum", 2), ("oblique", 4), ("oblique", 1), ("punctum", 3), ("punctum", 3), ("liquescent", 5)),
)


def _stand(space: float, n_lines: int = 4) -> Stand:
    return Stand(space, n_lines, lambda step, col: BASE - step * space / 2)


def _blank(space: float = 20.0) -> np.ndarray:
    return np.zeros((260, int(16 * space)), np.uint8)


def _inked_near(mask: np.ndarray, row: float, col: float, reach: float) -> bool:
    top, left = max(0, int(np.floor(row - reach))), max(0, int(np.floor(col - reach)))
    return bool(mask[top : int(np.ceil(row + reach)) + 1, left : int(np.ceil(col + reach)) + 1].any())


@pytest.mark.parametrize("space", [12.0, 20.0])
@pytest.mark.parametrize("style", ["square", "pointed"])
def test_every_heads_truth_lies_on_its_ink(space: float, style: str) -> None:
    for seed in range(30):
        hand = sample_hand(seed, style)
        rng = np.random.default_rng(seed)
        for figure in FIGURES:
            mask = _blank(space)
            drawn, right = draw_neume(mask, hand, rng, _stand(space), 2 * space, figure)
            assert [d.step for d in drawn] == [step for _, step in figure]
            assert [d.starts_neume for d in drawn] == [True] + [False] * (len(figure) - 1)
            for d in drawn:
                assert _inked_near(mask, d.row, d.col, 0.2 * space), (seed, figure, d)
                assert d.top <= d.row <= d.bottom and d.left <= d.col <= d.right
                # a head a whole step and more from its place would teach a wrong pitch
                assert abs(d.row - (BASE - d.step * space / 2)) < 0.75 * space, (seed, figure, d)
            columns = np.flatnonzero(mask.any(axis=0))
            assert columns[-1] <= right + 2


def test_heads_stand_on_their_steps_on_the_whole() -> None:
    """The habits pull single heads off their place, but not the mean of many."""
    off = []
    for seed in range(60):
        rng = np.random.default_rng(seed)
        drawn, _ = draw_neume(_blank(), sample_hand(seed), rng, _stand(20), 40, [("punctum", 3)])
        off.append((drawn[0].row - (BASE - 30)) / 20)
    assert abs(np.mean(off)) < 0.03
    assert 0.01 < np.std(off) < 0.15


def test_stacked_seconds_are_pushed_apart() -> None:
    """A habit of real leaves (common practice, no source): more than a step between the heads."""
    gaps = []
    for seed in range(80):
        rng = np.random.default_rng(seed)
        pair = [("punctum", 2), ("punctum", 3)]
        drawn, _ = draw_neume(_blank(), sample_hand(seed, "square"), rng, _stand(20), 40, pair)
        if abs(drawn[1].col - drawn[0].col) < 6:
            gaps.append((drawn[0].row - drawn[1].row) / 10)
    assert len(gaps) > 20
    assert np.median(gaps) > 1.15
    assert np.max(gaps) > 1.6


def test_every_label_can_be_drawn() -> None:
    drawn: set[str] = set()
    for seed in range(8):
        hand, rng, stand = sample_hand(seed), np.random.default_rng(seed), _stand(20)
        for figure in FIGURES:
            drawn.update(d.label for d in draw_neume(_blank(), hand, rng, stand, 40, figure)[0])
        for label in (x.name for x in LABELS if x.group == "clef"):
            for line in (1, 4):
                mask = _blank()
                d, right = draw_clef(mask, hand, rng, stand, 40, label, line)
                assert mask.any() and d.step == 2 * (line - 1) and d.left >= 30 and right == d.right
                assert d.row == stand.row_of(d.step, 40) and d.top < d.row < d.bottom
                drawn.add(d.label)
        for label in ("flat", "natural"):
            mask = _blank()
            d, _ = draw_accidental(mask, hand, rng, stand, 40, label, 3)
            assert _inked_near(mask, d.row, d.col, 8) and abs(d.row - (BASE - 30)) < 6
            drawn.add(d.label)
        mask = _blank()
        d, _ = draw_custos(mask, hand, rng, stand, 40, 3)
        assert _inked_near(mask, d.row, d.col, 5)
        drawn.add(d.label)
        for form in DIVISION_FORMS:
            mask = _blank()
            d, _ = draw_division(mask, hand, rng, stand, 40, form)
            assert mask.any() and d.label == "division" and d.bottom - d.top > 10
            drawn.add(d.label)
    assert drawn == set(BY_NAME)


def test_a_virga_has_a_tail_and_a_punctum_has_none() -> None:
    """Ink reaches at least 0.35 space beyond a virga's head; beyond a punctum's it ends sooner."""
    space = 40.0
    for seed in range(40):
        hand = sample_hand(seed, "square")
        for asked in ("virga", "punctum"):
            mask = np.zeros((400, 400), np.uint8)
            drawn, _ = draw_neume(mask, hand, np.random.default_rng(seed), _stand(space), 80, [(asked, 2)])
            rows = np.flatnonzero(mask.any(axis=1))
            beyond = max(rows[-1] - drawn[0].bottom, drawn[0].top - rows[0]) / space
            assert (beyond >= 0.33) == (drawn[0].label == "virga"), (seed, asked, beyond)
            if hand.tails == "asked":
                assert drawn[0].label == asked


def test_same_seed_same_bytes_and_hands_differ() -> None:
    def page(seed: int) -> bytes:
        mask = _blank()
        hand = sample_hand(seed)
        rng, stand = np.random.default_rng([seed, 1]), _stand(20)
        col = draw_clef(mask, hand, rng, stand, 10, "clef_c", 4)[1] + 10
        for figure in FIGURES[:4]:
            col = draw_neume(mask, hand, rng, stand, col, figure)[1] + 10
        draw_text(mask, sample_script(seed), rng, "dominus ve", 220, 10, 18)
        return mask.tobytes()

    first = [page(seed) for seed in range(12)]
    assert first == [page(seed) for seed in range(12)]
    assert len(set(first)) == 12
    hands = [sample_hand(seed) for seed in range(200)]
    assert len({h.c_clef for h in hands}) >= 5 and len({h.custos for h in hands}) >= 4
    assert {h.style for h in hands} == {"square", "pointed"}
    assert sum(h.style == "square" for h in hands) > 140
    widths, heights = [h.head_width for h in hands], [h.head_height for h in hands]
    assert min(widths) < 0.45 and max(widths) > 0.85 and min(heights) < 0.5 and max(heights) > 0.8


@pytest.mark.parametrize("custos", sorted(set(CUSTODES)))
def test_every_custos_marks_its_step(custos: str) -> None:
    """Whatever its design, the point of the truth lies on ink and near the step asked for."""
    for seed in range(6):
        hand, mask = replace(sample_hand(seed, "square"), custos=custos), _blank()
        d, _ = draw_custos(mask, hand, np.random.default_rng(seed), _stand(20), 60, 3)
        assert _inked_near(mask, d.row, d.col, 4) and abs(d.row - (BASE - 30)) < 8


HEAD_DESIGNS = {"quilisma": QUILISMATA, "oriscus": ORISCI, "stropha": STROPHAE, "liquescent": LIQUESCENTS}


@pytest.mark.parametrize(
    ("label", "design"), [(label, one) for label, forms in HEAD_DESIGNS.items() for one in sorted(set(forms))]
)
def test_every_design_of_a_rare_head_marks_its_step(label: str, design: str) -> None:
    for seed in range(6):
        hand = replace(sample_hand(seed, "square"), dry=0.0, patchy=0.0, **{label: design})
        rng, mask = np.random.default_rng(seed), _blank()
        figure = [("punctum", 2), (label, 3)]
        head = draw_neume(mask, hand, rng, _stand(20), 60, figure)[0][1]
        assert head.label == label and _inked_near(mask, head.row, head.col, 4)
        assert abs(head.row - (BASE - 30)) < 12


def test_designs_of_a_rare_head_differ_from_a_punctum() -> None:
    """A name that cannot be told from the ink would teach a reader to guess."""
    for label, forms in HEAD_DESIGNS.items():
        for design in sorted(set(forms)):
            hand = replace(
                sample_hand(4, "square", "book"), dry=0.0, patchy=0.0, ticks="none", tails="asked",
                roughness=0.0, head_spread=0.0, row_spread=0.0, **{label: design},
            )  # fmt: skip
            plain, rare = (_blank(40.0) for _ in range(2))
            draw_neume(plain, hand, np.random.default_rng(1), _stand(40), 80, [("punctum", 3)])
            draw_neume(rare, hand, np.random.default_rng(1), _stand(40), 80, [(label, 3)])
            apart = np.abs(plain.astype(int) - rare).sum() / max(plain.sum(), rare.sum())
            assert apart > 0.25, (label, design, apart)


@pytest.mark.parametrize(
    ("part", "design"),
    [("c_clef", x) for x in sorted(set(C_CLEFS))]
    + [("f_clef", x) for x in sorted(set(F_CLEFS))]
    + [("letter_clef", x) for x in sorted(set(LETTER_CLEFS))]
    + [("flat", x) for x in sorted(set(FLATS))]
    + [("natural", x) for x in sorted(set(NATURALS))],
)
def test_clefs_and_accidentals_stand_about_their_line(part: str, design: str) -> None:
    """Ink above and below the row of the truth, and within two spaces of it."""
    for seed in range(4):
        hand, rng, mask = (
            replace(sample_hand(seed, "square"), **{part: design}),
            np.random.default_rng(seed),
            _blank(),
        )
        if part in ("flat", "natural"):
            d, _ = draw_accidental(mask, hand, rng, _stand(20), 60, part, 4)
        else:
            label = {"c_clef": "clef_c", "f_clef": "clef_f"}.get(part, f"clef_{'abdeg'[seed]}")
            d, _ = draw_clef(mask, hand, rng, _stand(20), 60, label, 3)
        rows = np.flatnonzero(mask.any(axis=1))
        assert rows[0] < d.row < rows[-1] and abs(d.row - (BASE - 40)) < 6
        assert d.row - rows[0] < 70 and rows[-1] - d.row < 60


@pytest.mark.parametrize("design", ["pair", "posts"])
def test_a_pair_clef_is_two_blocks_about_its_line(design: str) -> None:
    """The blocks stand 0.3 to 1 space apart, as far above the line as below it, none on it."""
    for seed in range(12):
        hand = replace(sample_hand(seed, "square"), c_clef=design, hairline_ink=0.5, dry=0.0)
        mask, space = np.zeros((400, 300), np.uint8), 30.0
        stand = Stand(space, 4, lambda step, col: 300 - step * 15.0)
        d, _ = draw_clef(mask, hand, np.random.default_rng(seed), stand, 60, "clef_c", 3)
        rows = np.flatnonzero((mask > 100).any(axis=1))
        bare = np.setdiff1d(np.arange(rows[0], rows[-1]), rows)
        assert 0.15 < len(bare) / space < 1.2
        assert bare[0] <= d.row <= bare[-1]
        assert abs((rows[0] + rows[-1]) / 2 - d.row) < 0.25 * space


def test_a_slim_flat_is_a_long_stroke_with_a_narrow_bowl_on_its_step() -> None:
    """Later hands' flats: at least three times as tall as wide, the bowl in the lower half."""
    for seed in range(12):
        hand = replace(sample_hand(seed, "square", "late"), flat="slim", dry=0.0, patchy=0.0)
        mask = np.zeros((400, 300), np.uint8)
        d, _ = draw_accidental(mask, hand, np.random.default_rng(seed), _stand(30), 80, "flat", 4)
        assert d.bottom - d.top > 3 * (d.right - d.left)
        assert (d.top + d.bottom) / 2 < d.row < d.bottom


def test_late_hands_draw_long_obliques_whose_ends_are_pitched() -> None:
    """Song and polyphony by later hands: obliques of several spaces, still one head at each end."""
    lengths = []
    for seed in range(30):
        hand, mask = sample_hand(seed, "square", "late"), np.zeros((260, 600), np.uint8)
        figure = [("oblique", 6), ("oblique", 3)]
        drawn, _ = draw_neume(mask, hand, np.random.default_rng(seed), _stand(20), 40, figure)
        assert [d.label for d in drawn] == ["oblique", "oblique"]
        assert all(_inked_near(mask, d.row, d.col, 3) for d in drawn)
        assert drawn[1].row > drawn[0].row + 15
        lengths.append((drawn[1].right - drawn[0].left) / 20)
    assert max(lengths) > 4 and np.median(lengths) > 2


def test_a_plica_is_a_liquescent_with_two_unequal_tails() -> None:
    """Narrow head, a tail on either side, the right one longer (common practice, no source)."""
    for seed in range(12):
        hand = replace(sample_hand(seed, "square"), liquescent="plica", dry=0.0, patchy=0.0, lean=0.0)
        mask = np.zeros((400, 400), np.uint8)
        figure = [("punctum", 4), ("liquescent", 3)]
        drawn, _ = draw_neume(mask, hand, np.random.default_rng(seed), _stand(30.0), 80, figure)
        head = drawn[1]
        assert head.label == "liquescent"
        middle = (head.left + head.right) / 2
        halves = (slice(int(head.left) - 2, int(middle)), slice(int(middle) + 1, int(head.right) + 4))
        out = []
        for part in halves:
            rows = np.flatnonzero((mask[:, part] > 60).any(axis=1))
            out.append(max(rows[-1] - head.bottom, head.top - rows[0]))
        assert out[1] > 8 and out[1] > out[0] - 2


def test_bent_strokes_run_through_every_note() -> None:
    """One stroke for a whole neume, as pointed hands write it: each note's place is inked."""
    for seed in range(20):
        hand = replace(sample_hand(seed, "pointed"), bent_p=1.0, dry=0.0, patchy=0.0)
        for figure in ([("punctum", 5), ("punctum", 2)], [("punctum", 1), ("punctum", 4), ("punctum", 2)]):
            mask = _blank()
            drawn, _ = draw_neume(mask, hand, np.random.default_rng(seed), _stand(20), 40, figure)
            assert [d.step for d in drawn] == [step for _, step in figure]
            assert all(_inked_near(mask, d.row, d.col, 2) for d in drawn)


def test_wrong_requests_are_named() -> None:
    hand, rng, stand = sample_hand(1), np.random.default_rng(0), _stand(20)
    for notes in ([], [("oblique", 4)], [("oblique", 2), ("oblique", 4)], [("oblique", 3), ("punctum", 2)]):
        with pytest.raises(ValueError, match="neume"):
            draw_neume(_blank(), hand, rng, stand, 40, notes)
    with pytest.raises(ValueError, match="no clef"):
        draw_clef(_blank(), hand, rng, stand, 40, "punctum", 2)
    with pytest.raises(ValueError, match="no accidental"):
        draw_accidental(_blank(), hand, rng, stand, 40, "sharp", 2)
    with pytest.raises(ValueError, match="no division"):
        draw_division(_blank(), hand, rng, stand, 40, "double")
    with pytest.raises(ValueError, match="no staffless sign"):
        draw_staffless(_blank(), hand, rng, 50, 40, 30, "letter ?")
    with pytest.raises(ValueError, match="no hand"):
        sample_hand(1, "round")


def test_signs_at_the_edge_of_the_mask_are_clipped() -> None:
    hand, rng = sample_hand(3), np.random.default_rng(0)
    mask = np.zeros((30, 30), np.uint8)
    stand = Stand(20, 4, lambda step, col: 10 - step * 10)
    for col in (-15.0, 20.0, 200.0):
        draw_neume(mask, hand, rng, stand, col, [("punctum", 0), ("virga", 3)])
    assert mask.any()


def test_staffless_signs_and_letters_draw() -> None:
    hand = sample_hand(5, "staffless")
    for name in [*SIGNS, *(f"letter {x}" for x in SIGNIFICATIVE_LETTERS)]:
        mask = np.zeros((120, 160), np.uint8)
        d, right = draw_staffless(mask, hand, np.random.default_rng(1), 60, 40, 40, name)
        rows, cols = np.nonzero(mask)
        assert d.label == name and right == d.right
        assert abs(rows.min() - d.top) < 3 and abs(cols.max() - d.right) < 3


def test_ink_covers_the_area_of_its_outline() -> None:
    """Coverage summed over the mask is the outline's area, wherever it falls on the grid."""
    for shift in (0.0, 0.25, 0.5):
        mask = np.zeros((40, 40), np.uint8)
        ink = pen.Ink()
        ink.fill(np.array([[10.0, 10.0], [10.0, 20.0], [18.0, 20.0], [18.0, 10.0]]) + shift)
        ink.lay(mask)
        assert mask.sum() / 255 == pytest.approx(80, rel=0.08)
        rows, cols = np.nonzero(mask)
        weights = mask[rows, cols].astype(float)
        assert np.average(rows, weights=weights) == pytest.approx(14 + shift, abs=0.15)
        assert np.average(cols, weights=weights) == pytest.approx(15 + shift, abs=0.15)


def test_darker_ink_wins_where_strokes_cross() -> None:
    mask = np.zeros((40, 40), np.uint8)
    ink = pen.Ink()
    ink.fill(np.array([[10.0, 10.0], [10.0, 30.0], [30.0, 30.0], [30.0, 10.0]]), 1.0)
    ink.line(np.array([[5.0, 20.0], [35.0, 20.0]]), 2.0, 0.4)
    ink.lay(mask)
    assert mask[20, 20] == 255 and 60 < mask[7, 20] < 140


def test_text_comes_back_letter_by_letter() -> None:
    for seed in range(12):
        mask = np.zeros((80, 600), np.uint8)
        script = sample_script(seed)
        letters, right = draw_text(
            mask, script, np.random.default_rng(seed), "Dns m\u0101ris ab.", 50, 10, 16
        )
        assert "".join(letter[0] for letter, _, _ in letters) == "Dns maris ab."
        assert "a\u0304" in [letter for letter, _, _ in letters]
        lefts = [left for _, left, _ in letters]
        assert lefts == sorted(lefts) and right == letters[-1][2]
        for letter, left, end in letters:
            inked = mask[:, max(0, int(left) - 2) : int(end) + 2].any()
            assert inked or letter == " ", (seed, letter)
        cols = np.flatnonzero(mask.any(axis=0))
        assert abs(cols[0] - 10) < 6 and abs(cols[-1] - right) < 8


def test_api_names() -> None:
    assert set(signs.__all__) == {
        "Drawn",
        "Stand",
        "draw_accidental",
        "draw_clef",
        "draw_custos",
        "draw_division",
        "draw_neume",
        "draw_staffless",
    }


def test_stacked_seconds_can_be_told_from_thirds() -> None:
    """On photographed leaves seconds stand 0.61 to 1.65 steps apart, most thirds wider (own measurements)."""
    apart: dict[int, list[float]] = {1: [], 2: []}
    for seed in range(120):
        hand = replace(sample_hand(seed), stack_p=1.0)
        for rise, found in apart.items():
            for drawn in range(4):
                heads = plan_heads(
                    hand,
                    np.random.default_rng([seed, drawn]),
                    Stand(20.0, 4, lambda step, _: BASE - 10.0 * step),
                    40.0,
                    [("punctum", 2), ("punctum", 2 + rise)],
                )
                if heads[1].move == "stack":
                    found.append((heads[0].row - heads[1].row) / 10.0)
    assert len(apart[1]) > 300
    assert np.quantile(apart[1], 0.97) < 1.75 < np.quantile(apart[2], 0.08)
    assert 1.2 < np.median(apart[1]) < 1.5
