"""Rendered pages: the same bytes for a seed, and a truth that agrees with the picture."""

from __future__ import annotations

from dataclasses import replace
from itertools import pairwise
from pathlib import Path

import cv2
import numpy as np
import pytest

from neumary.types import Page
from neumary_models.labels import BY_NAME, LAYERS
from neumary_synth.ageing import Ageing
from neumary_synth.compose import compose
from neumary_synth.drawn import Drawn
from neumary_synth.plan import COLOURED_KINDS, KINDS
from neumary_synth.render import Rendered, render_many, render_page
from neumary_synth.sheets import FlatLine, FlatPage, FlatSign, FlatStaff
from neumary_synth.traceable import traceable_part
from neumary_synth.truth import page_truth
from neumary_synth.warp import apply_warp, make_warp

SPACE_PX = 12.0
STAFFLESS = ("staffless", "letters")
NO_SIGNS = ("empty-staves", "text-only")

# Lines that carry a clef: C4 on the C clef's line, F3 on the F clef's (MEI 5.1, att.clef.log;
# the other letters lie in the octave that keeps them on a staff, common practice, no source).
CLEF_LINE_DEGREE = {
    "clef_c": 28,
    "clef_f": 24,
    "clef_a": 26,
    "clef_b": 27,
    "clef_d": 29,
    "clef_e": 30,
    "clef_g": 32,
}


@pytest.fixture(scope="module")
def rendered() -> dict[str, Rendered]:
    """One small aged page of each kind."""
    return {kind: render_page(40 + i, kind, space_px=SPACE_PX) for i, kind in enumerate(KINDS)}


def heads(page: Page) -> list[tuple[str, float, float]]:
    current = page.current()
    return [(g.id, g.row, g.col) for g in page.glyphs if BY_NAME[current[g.id].label].group == "head"]


def test_same_seed_gives_the_same_bytes() -> None:
    first, second = (render_page(7, space_px=10) for _ in range(2))
    other = render_page(8, first.page.provenance.settings["kind"], space_px=10)  # type: ignore[arg-type]
    assert first.page == second.page
    assert first.rgb.tobytes() == second.rgb.tobytes()
    assert all(first.masks[name].tobytes() == second.masks[name].tobytes() for name in first.masks)
    assert other.rgb.tobytes() != first.rgb.tobytes()


@pytest.mark.parametrize("kind", KINDS)
def test_every_kind_renders(rendered: dict[str, Rendered], kind: str) -> None:
    got = rendered[kind]
    assert got.rgb.dtype == np.uint8
    assert got.rgb.shape == (got.page.height, got.page.width, 3)
    assert set(got.masks) == set(LAYERS[1:])
    assert all(mask.shape == got.rgb.shape[:2] for mask in got.masks.values())
    assert bool(got.page.staves) == (kind != "text-only")
    assert bool(heads(got.page)) == (kind not in NO_SIGNS)
    assert all(bool(s.lines) == (kind not in STAFFLESS) for s in got.page.staves)


@pytest.mark.parametrize("kind", KINDS)
def test_every_note_lies_on_music_ink(rendered: dict[str, Rendered], kind: str) -> None:
    got = rendered[kind]
    reach = max(round(0.25 * SPACE_PX), 1)
    missed = []
    for name, row, col in heads(got.page):
        r, c = round(row), round(col)
        near = got.masks["music"][max(r - reach, 0) : r + reach + 1, max(c - reach, 0) : c + reach + 1]
        if near.max(initial=0) < 100:
            missed.append(name)
    assert missed == []


@pytest.mark.parametrize("kind", [k for k in KINDS if k not in (*STAFFLESS, "text-only")])
def test_staff_lines_lie_on_line_ink(rendered: dict[str, Rendered], kind: str) -> None:
    got = rendered[kind]
    shown = []
    for staff in got.page.staves:
        for line in staff.lines:
            at = np.round(line.cols).astype(int)
            rows = np.round(line.rows).astype(int)
            on = [
                got.masks["line"][max(r - 1, 0) : r + 2, c].max() >= 64 for r, c in zip(rows, at, strict=True)
            ]
            shown.append(np.mean(on[1:-1]))
            assert shown[-1] >= line.seen - 0.15
    assert np.mean(shown) > 0.8


@pytest.mark.parametrize("kind", ["square", "pointed", "five-line", "songbook", "layered"])
def test_pitches_follow_from_clef_and_step(kind: str) -> None:
    """Recount every pitch from the clefs that can be seen on its staff."""
    checked = 0
    for seed in (1, 2, 3):
        page = render_page(seed, kind, ageing=Ageing(), space_px=10).page
        current, clef = page.current(), {}
        for glyph in page.glyphs:
            reading = current[glyph.id]
            if BY_NAME[reading.label].group == "clef":
                assert reading.step is not None
                clef[glyph.staff] = CLEF_LINE_DEGREE[reading.label] - reading.step
            elif reading.pitch is not None and reading.step is not None and glyph.staff in clef:
                assert reading.pitch.degree == clef[glyph.staff] + reading.step
                assert reading.pitch.alter == 0 or reading.pitch.pname == "b"
                checked += 1
    assert checked > 100


def test_steps_agree_with_where_the_heads_stand() -> None:
    """On a clean page heads stand within a step of their own, mostly much nearer."""
    page = render_page(3, "square", ageing=Ageing(), space_px=16).page
    staves, current = {s.id: s for s in page.staves}, page.current()
    off = []
    for name, row, col in heads(page):
        staff = staves[next(g.staff for g in page.glyphs if g.id == name)]
        step = current[name].step
        assert step is not None
        off.append(staff.step_at(row, col) - step)
    assert np.abs(off).max() < 1.5
    assert np.median(np.abs(off)) < 0.3


def test_custos_tells_the_next_note() -> None:
    agree = []
    for seed in (4, 6, 9):
        page = render_page(seed, "square", ageing=Ageing(), space_px=10).page
        current = page.current()
        pitched = [
            (g, current[g.id])
            for g in page.glyphs
            if BY_NAME[current[g.id].label].group in ("head", "custos")
        ]
        for (_, reading), (_, next_reading) in pairwise(pitched):
            if reading.label == "custos" and BY_NAME[next_reading.label].group == "head":
                assert reading.pitch is not None and next_reading.pitch is not None
                agree.append(reading.pitch.degree == next_reading.pitch.degree)
    assert len(agree) >= 5
    assert all(agree)


def test_coloured_lines_stand_for_f_and_c() -> None:
    """A red line is F, a yellow or grey one C (DESIGN: one or two coloured lines)."""
    page = render_page(11, "two-line", ageing=Ageing(), space_px=12).page
    staves, current = {s.id: s for s in page.staves}, page.current()
    off = []
    for glyph in page.glyphs:
        reading, staff = current[glyph.id], staves[glyph.staff]
        assert reading.step is None or BY_NAME[reading.label].group not in ("head", "custos")
        if BY_NAME[reading.label].group != "head" or reading.pitch is None or reading.pitch.degree is None:
            continue
        for line in staff.lines:
            fixed = 24 if line.colour == "red" else 28
            spaces = (line.row_at(glyph.col) - glyph.row) / staff.space_px
            off.append(2 * spaces - (reading.pitch.degree - fixed))
    assert len(off) > 50
    assert np.median(np.abs(off)) < 0.5


def test_staffless_gives_no_pitch(rendered: dict[str, Rendered]) -> None:
    for kind in ("staffless", "layered"):
        page = rendered[kind].page
        layers = {g.id: g.layer for g in page.glyphs}
        readings = [r for r in page.readings if kind == "staffless" or layers[r.glyph] in ("upper", "lower")]
        assert readings
        for reading in readings:
            assert reading.pitch is not None
            assert (reading.pitch.certainty, reading.pitch.degree) == ("contour", None)


def test_neumes_and_syllables_hang_together(rendered: dict[str, Rendered]) -> None:
    page = rendered["square"].page
    current, glyph_ids = page.current(), {g.id for g in page.glyphs}
    syllables = {s.id for s in page.syllables}
    assert all(set(n.glyphs) <= glyph_ids and n.syllable in syllables for n in page.neumes)
    for neume in page.neumes:
        assert len(neume.contour) == len(neume.glyphs) - 1
        if len(neume.glyphs) > 1:
            assert [current[g].starts_neume for g in neume.glyphs[1:]] == [0.0] * (len(neume.glyphs) - 1)


def test_a_drawn_point_is_found_where_the_warp_says() -> None:
    """Draw dots on a flat page, bend it, and look for them where `forward` puts them."""
    flat = np.zeros((400, 300), np.uint8)
    points = np.array([[r, c] for r in range(80, 340, 60) for c in range(70, 240, 40)], dtype=float)
    for row, col in points.astype(int):
        flat[row, col] = 255
    flat = cv2.GaussianBlur(flat, (0, 0), 1.5) * 8
    warp = make_warp(
        np.random.default_rng(4), flat.shape, 1.1, rotation_deg=6, perspective=0.08, waves_px=5,
        wave_length_px=120, curl_px=10, gutter=-1,
    )  # fmt: skip
    bent = apply_warp(flat, warp.maps())
    places = warp.forward(points)
    assert np.abs(warp.backward(places) - points).max() < 1e-3
    for row, col in places:
        r, c = round(row), round(col)
        part = bent[r - 6 : r + 7, c - 6 : c + 7].astype(float)
        at_row, at_col = (np.arange(13) @ part.sum(axis=k) / part.sum() - 6 for k in (1, 0))
        assert abs(at_row + r - row) < 0.3 and abs(at_col + c - col) < 0.3


def test_unknown_kind_is_refused() -> None:
    with pytest.raises(ValueError, match="no page kind 'runic'"):
        render_page(1, "runic")
    assert set(COLOURED_KINDS) < set(KINDS)


def test_files_do_not_depend_on_the_number_of_jobs(tmp_path: Path) -> None:
    """Names and bytes are the same whether one process works or two."""
    one = render_many(3, tmp_path / "one", 90, "one-line", jobs=1)
    two = render_many(3, tmp_path / "two", 90, "one-line", jobs=2)
    assert [p.name for p in one] == [p.name for p in two]
    assert sorted(p.name for p in (tmp_path / "one").iterdir()) == sorted(
        [*(p.name for p in one), *(f"{p.stem}.page.json" for p in one)]
    )
    for path in (tmp_path / "one").iterdir():
        assert path.read_bytes() == (tmp_path / "two" / path.name).read_bytes()


def flat_page(paint: tuple[int, int, int, int] | None, opaque: bool = True) -> Page:
    """The truth of a page of one staff with a clef and a note, a box of it painted over."""
    flat = FlatPage(200, 300, 20.0, (0.0, 0.0, 200.0, 300.0))
    lines = tuple(
        FlatLine(tuple(map(float, range(20, 281, 20))), (row,) * 14, 2.0, "red")
        for row in (140.0, 120.0, 100.0, 80.0)
    )
    music, line = flat.sheet("music", (40, 34, 30)), flat.sheet("line", (190, 80, 60))
    for one in lines:
        line.mask[int(one.rows[0]) - 1 : int(one.rows[0]) + 1, 20:281] = 255
    for row, label, col in ((80, "clef_c", 30), (110, "punctum", 150)):
        for high in (row - 16, row + 8) if label == "clef_c" else (row - 6,):  # a clef's middle is bare
            music.mask[high : high + 12, col : col + 12] = 255
        drawn = Drawn(
            label, row, col + 6, row - 16, col, row + 20, col + 12, 6 if label == "clef_c" else 3, False
        )
        if label == "punctum":
            drawn = replace(drawn, top=104, bottom=116)
        flat.signs.append(FlatSign(drawn, 0, drawn.step))
    flat.staves.append(FlatStaff(lines, 20.0, 0, "square", (40.0, 10.0, 180.0, 290.0)))
    if paint is not None:
        top, left, bottom, right = paint
        ink = (60, 84, 150) if opaque else (40, 34, 30)
        flat.sheet("decoration", ink, opaque).mask[top:bottom, left:right] = 255
    rgb, masks, hidden = compose(np.random.default_rng(0), flat, None, Ageing())
    warp = make_warp(np.random.default_rng(0), rgb.shape[:2], 1.0)
    return page_truth(flat, warp, masks, hidden, "flat", 1.0, {})


def labels_of(page: Page) -> list[str]:
    return [reading.label for reading in page.readings]


def test_what_paint_covers_is_not_in_the_truth() -> None:
    assert labels_of(flat_page(None)) == ["clef_c", "punctum"]
    assert labels_of(flat_page((40, 0, 160, 60))) == ["punctum"]
    assert labels_of(flat_page((40, 0, 160, 60), opaque=False)) == ["punctum"]
    assert labels_of(flat_page((60, 25, 82, 60))) == ["clef_c", "punctum"]  # half of the clef is left
    assert labels_of(flat_page((40, 140, 160, 180))) == ["clef_c"]


def test_lines_begin_where_they_can_be_seen() -> None:
    """Paint over an end shortens a line; paint in its middle leaves it whole and is not seen."""
    (whole,), (cut,), (broken,) = (
        flat_page(box).staves for box in (None, (90, 0, 170, 100), (90, 120, 170, 180))
    )
    first = [line.cols[0] for line in cut.lines]
    assert [abs(c - 100) < 3 for c in first] == [True, True, True, False]
    assert abs(first[3] - whole.lines[3].cols[0]) < 1
    assert [line.cols[0] for line in broken.lines] == [line.cols[0] for line in whole.lines]
    assert broken.lines[0].seen < whole.lines[0].seen - 0.15
    for line in cut.lines:
        assert abs(line.row_at(200) - whole.lines[cut.lines.index(line)].row_at(200)) < 0.1


def test_a_short_end_within_an_initial_is_none_of_the_staff() -> None:
    """A bowl's two strokes and what is bare between them: the staff begins after both."""
    hidden = np.zeros((60, 400), np.uint8)
    hidden[:, 40:60] = hidden[:, 90:110] = 255
    cols, rows = np.linspace(20, 380, 19), np.linspace(30, 48, 19)

    def begins(signs: list[float] | None = None, part: int = 0) -> float:
        seen = None if signs is None else np.array(signs)
        return float(traceable_part(hidden, cols[part:], rows[part:], 20.0, seen)[0][0])

    assert begins() == begins(None, 2) == begins([200.0]) == 110
    assert begins([75.0]) == 60  # a clef stands between the strokes
    hidden[:, 90:110] = 0
    hidden[:, 110:115] = 255  # a wormhole
    assert begins() == 60
    kept_cols, kept_rows = traceable_part(hidden, cols, rows, 20.0)
    assert np.allclose(kept_rows, 30 + 18 / 360 * (kept_cols - 20))
