"""Rows of neumes without lines, read by the letters at their left ends."""

from __future__ import annotations

from dataclasses import replace
from functools import cache

import cv2
import msgspec
import numpy as np
import pytest
from lxml import etree

from neumary import letter_staves
from neumary.gamut import CLEF_DEGREES
from neumary.implied_spacing import FarHead, fit_course, fit_spacing
from neumary.ink import map_ink
from neumary.leaf_map import LeafMap
from neumary.letter_heights import Letter, name_letters
from neumary.letter_rows import USUAL_RISE, guess_space, row_under, rows_over, rows_to_try
from neumary.letter_staves import LetterPage, instead_of_lines, letters_off_lines, read_letters
from neumary.mei import to_mei
from neumary.models import load_model
from neumary.pipeline import judge, number_signs, read_page
from neumary.script_scale import words_under
from neumary.settings import make_settings
from neumary.text_lines import TextLine, text_lines
from neumary.types import F32, Box, Glyph, Page, Reading, Scan, Staff, StaffLine
from neumary.wordless_rows import lines_with_wordless
from neumary_models.labels import CLEFS, HEADS
from neumary_models.leaf_outputs import REGIONS
from neumary_synth.ageing import Ageing
from neumary_synth.render import Rendered, render_page

CELLS_A_SPACE = 3.0
SPACE_PX = 15.0


@cache
def drawn(seed: int = 31) -> Rendered:
    return render_page(seed, "letters", ageing=Ageing(), space_px=SPACE_PX)


def text_map(rendered: Rendered) -> F32:
    """Where text stands, as the leaf network is to tell it."""
    scale = CELLS_A_SPACE / SPACE_PX
    size = (round(rendered.page.width * scale), round(rendered.page.height * scale))
    mask = (rendered.masks["text"] > 96).astype(np.float32)
    share = cv2.resize(mask, size, interpolation=cv2.INTER_AREA)
    return np.clip(2.5 * share, 0, 1).astype(np.float32)


def seen_of(text: F32, cell_px: float, notes: F32 | None = None) -> LeafMap:
    """A look that tells text, and notes where they are given, and nothing else."""
    empty = np.zeros_like(text)
    region = np.stack(
        [{"text": text, "music": empty if notes is None else notes}.get(name, empty) for name in REGIONS]
    )
    return LeafMap(np.stack([empty] * 3), empty, empty, empty, empty, region, (cell_px, cell_px))


@cache
def read(seed: int = 31) -> tuple[LetterPage, Page]:
    """What was seen, and the page judged."""
    rendered = drawn(seed)
    scan = Scan(page_id="p", rgb=rendered.rgb, source="p.png", sha256="0")
    ink = map_ink(scan)
    cell_px = SPACE_PX / CELLS_A_SPACE * ink.scale
    reader = load_model("", threads=1)
    seen = read_letters(ink, seen_of(text_map(rendered), cell_px), CELLS_A_SPACE, reader)
    glyphs, readings = number_signs(list(seen.staves), list(seen.signs))
    page = msgspec.structs.replace(
        rendered.page, staves=seen.staves, glyphs=tuple(glyphs), readings=tuple(readings), neumes=(),
        syllables=(), warnings=seen.remarks,
    )  # fmt: skip
    return seen, judge(page, make_settings())


# The renderer ---------------------------------------------------------------------------


def test_each_line_has_letters_at_the_left_and_no_lines() -> None:
    page = drawn().page
    current = page.current()
    for staff in page.staves:
        assert staff.lines == () and staff.kind == "letters"
        cols = {True: [], False: []}
        for glyph in page.glyphs:
            if glyph.staff == staff.id:
                cols[current[glyph.id].label in CLEFS].append(glyph.col)
        assert cols[True] and (not cols[False] or max(cols[True]) < min(cols[False]))


def test_letters_stand_at_the_height_of_their_pitch() -> None:
    page = drawn().page
    current = page.current()
    off = []
    for staff in page.staves:
        letters = [(g, current[g.id].label) for g in page.glyphs if g.staff == staff.id]
        heads = [(g, current[g.id].pitch) for g, label in letters if label in HEADS]
        for glyph, label in letters:
            if label in CLEFS:
                step = staff.space_px / 2
                rows = [g.row + (p.degree - CLEF_DEGREES[label]) * step for g, p in heads if p is not None]
                off.append((glyph.row - float(np.median(rows))) / staff.space_px)
    assert np.abs(off).mean() < 0.35


# Parts ----------------------------------------------------------------------------------


def test_rows_are_found_over_their_words() -> None:
    page = drawn().page
    lines = text_lines(text_map(drawn()), CELLS_A_SPACE)
    current = page.current()
    scale = CELLS_A_SPACE / SPACE_PX
    heads = [g for g in page.glyphs if current[g.id].label in HEADS]
    at = np.array([(g.row, g.col) for g in heads]) * scale
    rows = rows_over(lines, at[:, 0], at[:, 1], CELLS_A_SPACE)
    assert len(page.staves) <= len(rows) <= len(page.staves) + 1
    hit = 0
    for staff in page.staves:
        own = np.array([(g.row, g.col) for g in heads if g.staff == staff.id]) * scale
        row, col = np.median(own, axis=0)
        rises = [float(np.interp(col, r.cols, r.text)) - row for r in rows]
        hit += any(-CELLS_A_SPACE < rise < 4 * CELLS_A_SPACE for rise in rises)
    assert hit >= len(page.staves) - 1  # this scribe's notes run into the words


def test_lines_of_text_tell_the_space_and_where_to_look() -> None:
    lines = text_lines(text_map(drawn()), 1.3 * CELLS_A_SPACE)
    space = guess_space(lines, 1.3 * CELLS_A_SPACE)
    assert space == pytest.approx(CELLS_A_SPACE, rel=0.25)
    assert len(rows_to_try(lines, space)) >= len(drawn().page.staves)


def test_without_words_or_heads_there_are_no_rows() -> None:
    text = text_map(drawn())
    nothing = np.zeros(0)
    assert text_lines(np.zeros_like(text), CELLS_A_SPACE) == []
    assert rows_over([], nothing, nothing, CELLS_A_SPACE) == []
    assert rows_over(text_lines(text, CELLS_A_SPACE), nothing, nothing, CELLS_A_SPACE) == []


def words(row: float, first: float, last: float) -> TextLine:
    cols = np.linspace(first, last, 20)
    return TextLine(cols, np.full(20, row))


def test_an_initial_does_not_part_a_row_from_its_letters() -> None:
    """The row's words begin after the initial, those under it at the margin, as letters do."""
    sung, others = words(20, 40, 200), [words(20 + 7 * k, 5, 200) for k in range(1, 5)]
    (row,) = rows_to_try([sung, *others], CELLS_A_SPACE)
    assert row.cols[0] == 5
    (found,) = rows_over([sung], np.full(9, 12.0), np.linspace(45, 190, 9), CELLS_A_SPACE)
    assert row_under([found], 12.0, 12.0, CELLS_A_SPACE, sure=True) == 0
    assert row_under([found], 12.0, 12.0, CELLS_A_SPACE) is None  # only a letter beyond doubt
    assert row_under([found], 12.0, 120.0, CELLS_A_SPACE, sure=True) is None  # amid the notes


def letter(row: float, name: str, p: float = 0.9, rival: str = "") -> Letter:
    names = [(f"clef_{name}", p)] + ([(f"clef_{rival}", 0.95 - p)] if rival else [])
    return Letter(row, 10.0, tuple(sorted(names, key=lambda pair: -pair[1])))


def test_rows_without_words_stand_in_for_lines_of_text() -> None:
    text = text_map(drawn())
    space = CELLS_A_SPACE
    written = drawn().page
    scale = CELLS_A_SPACE / SPACE_PX
    current = written.current()
    notes = np.zeros_like(text)
    for glyph in written.glyphs:
        if current[glyph.id].label in HEADS:
            row, col = round(glyph.row * scale), round(glyph.col * scale)
            notes[row - 1 : row + 2, col - 1 : col + 2] = 1.0
    with_words = text_lines(text, space)
    assert len(lines_with_wordless(text, notes, space)) == len(with_words)  # words stand under each
    bare = lines_with_wordless(np.zeros_like(text), notes, space)
    assert len(bare) == len(written.staves)
    seen, middles = np.argwhere(notes > 0), []
    for line in bare:  # each runs under one row's neumes
        rows = line.row_at(seen[:, 1].astype(np.float64)) - USUAL_RISE * space - seen[:, 0]
        middles.append(float(np.median(rows[np.abs(rows) < 2.5 * space])))
    assert max(map(abs, middles)) < 0.7 * space


def test_letters_of_a_page_measure_the_step() -> None:
    step = 9.0  # px; f and c four degrees apart
    rows = [[letter(100.0 * k, "f"), letter(100.0 * k - 4 * step, "c")] for k in range(1, 6)]
    heights = name_letters(rows, step_px=8.0)
    assert heights.step_px == pytest.approx(step, rel=0.03)
    assert [heights.f_row(k) for k in range(5)] == pytest.approx([100, 200, 300, 400, 500], abs=1)


def test_a_letter_misread_is_set_right_by_its_distance() -> None:
    step = 9.0
    rows = [[letter(100.0 * k, "f"), letter(100.0 * k - 4 * step, "c")] for k in range(1, 6)]
    rows.append([letter(600.0, "f"), letter(600.0 - 4 * step, "e", p=0.5, rival="c")])
    heights = name_letters(rows, step_px=step)
    assert {name for _, name in heights.named[5]} == {"clef_f", "clef_c"}


def test_a_row_without_a_letter_has_no_height() -> None:
    heights = name_letters([[], [letter(50.0, "e", p=0.2)], [letter(90.0, "c", p=0.9)]], step_px=9.0)
    assert heights.f_row(0) is None and heights.f_row(1) is None
    assert heights.f_row(2) == pytest.approx(90 + 4 * 9.0, abs=1)


@pytest.mark.parametrize("wide", [-0.12, 0.0, 0.12])
def test_the_scribes_spacing_is_found_from_where_heads_crowd(wide: float) -> None:
    rng = np.random.default_rng(5)
    degrees = rng.integers(1, 7, 150)
    heads = [FarHead(d * (1 + wide) + rng.normal(0, 0.15), ((int(d), 0.4),)) for d in degrees]
    fitted = fit_spacing(heads)
    assert fitted.above == pytest.approx(wide, abs=0.03) and fitted.below == 0


def test_a_course_laid_too_low_is_mended() -> None:
    rng = np.random.default_rng(6)
    along = rng.uniform(0, 1, 60)
    heights = rng.integers(-1, 7, 60) + 0.15 + 0.25 * along + rng.normal(0, 0.12, 60)
    level, tilt = fit_course(heights, along)
    left = heights - level - tilt * along
    assert np.abs(left - np.round(left)).mean() < np.abs(heights - np.round(heights)).mean()
    assert level + tilt / 2 == pytest.approx(0.275, abs=0.08)


# The whole ------------------------------------------------------------------------------


def test_pitches_are_ranges_and_mostly_right() -> None:
    _, page = read()
    truth = drawn().page
    meant = truth.current()
    current = page.current()
    right, inside = [], []
    for glyph in page.glyphs:
        pitch = current[glyph.id].pitch
        if current[glyph.id].label not in HEADS:
            continue
        assert pitch is not None and pitch.certainty in ("ranged", "contour")
        near = min(truth.glyphs, key=lambda g: np.hypot(g.row - glyph.row, g.col - glyph.col))
        known = meant[near.id].pitch
        if known is None or pitch.degree is None or np.hypot(near.row - glyph.row, near.col - glyph.col) > 7:
            continue
        right.append(pitch.degree == known.degree)
        inside.append(known.degree in [degree for degree, _, _ in pitch.alternatives])
    assert len(right) > 50 and np.mean(right) >= 0.6 and np.mean(inside) > 0.9


def test_nothing_pretends_to_be_a_line() -> None:
    seen, page = read()
    assert seen.lettered >= 0.5
    assert all(staff.lines == () and staff.kind == "letters" for staff in page.staves)
    assert all(reading.step is None for reading in page.readings)


def test_such_pages_make_valid_mei(standards: object) -> None:
    schema = etree.RelaxNG(etree.parse(f"{standards}/mei/mei-Neumes-5.1.rng"))
    assert schema.validate(etree.fromstring(to_mei(read()[1])))


# Staves that are none -------------------------------------------------------------------


def drawn_staff(name: str, rows: tuple[float, ...]) -> Staff:
    lines = tuple(
        StaffLine(cols=(10.0, 190.0), rows=(r, r), thickness_px=1.0, colour="red", seen=1.0) for r in rows
    )
    area = Box(round(rows[0]) - 10, 0, round(rows[-1]) + 10, 200)
    return Staff(id=name, column=0, lines=lines, space_px=8.0, area=area, kind="square")


@pytest.mark.parametrize(
    ("lines_p", "notes_rows", "lettered", "rows_left"),
    [
        (0.9, (), 6, None),  # drawn, and all notes on them
        (0.9, (120, 160), 6, None),  # three staves beyond doubt, some more missed
        (0.55, (), 6, None),  # badly seen, but nothing else is there
        (0.55, (120, 160), 6, 6),  # badly seen, and twice as many rows with letters
        (0.55, (120, 160), 3, None),  # as many rows as staves: rather staves
        (0.3, (120, 160), 0, 0),  # not seen, no letters either, and notes all over the page
    ],
)
def test_staves_stand_unless_badly_seen_and_outnumbered(
    monkeypatch: pytest.MonkeyPatch,
    lines_p: float,
    notes_rows: tuple[int, ...],
    lettered: int,
    rows_left: int | None,
) -> None:
    empty = np.zeros((200, 200), np.float32)
    notes = empty.copy()
    for row in notes_rows:
        notes[row : row + 4] = 1.0
    seen = seen_of(empty, 1.0, notes)
    seen.line[:] = lines_p
    ink = map_ink(Scan("p", np.full((200, 200, 3), 230, np.uint8), "p.png", "0"), 8.0)
    seen = replace(seen, cell_px=(ink.scale, ink.scale))
    staves = [drawn_staff(f"s{k}", tuple(15 + 28.0 * k + 8 * j for j in range(2))) for k in range(3)]
    bare = drawn_staff("r", (5.0, 9.0))
    found = [msgspec.structs.replace(bare, lines=(), kind="letters", kind_p=0.99)] * lettered
    monkeypatch.setattr(letter_staves, "read_unlined", lambda *_: (found, [], []))
    reader = load_model("", threads=1)
    kept = instead_of_lines(Scan("p", ink.flat, "p.png", "0"), ink, seen, reader, staves, drawn=1.0)
    assert (None if kept is None else len(kept[0])) == rows_left


def test_a_line_with_words_hanging_from_it_is_their_ruling() -> None:
    text = np.zeros((200, 200), np.float32)
    ink = map_ink(Scan("p", np.full((200, 200, 3), 230, np.uint8), "p.png", "0"), 8.0)
    staves = [drawn_staff(f"s{k}", (40.0 + 50 * k,)) for k in range(2)]
    for row in (40, 90):
        text[row + 2 : row + 8, 20:180] = 1.0
    seen = replace(seen_of(text, 1.0), cell_px=(ink.scale, ink.scale))
    assert words_under(seen, ink, staves) > 0.7
    assert words_under(seen, ink, [drawn_staff("s", (60.0,))]) == 0.0
    assert words_under(seen, ink, [drawn_staff("s", (40.0, 56.0))]) == 0.0  # two lines rule no words


def test_letters_tell_lines_from_ruling() -> None:
    """F stands on its line and c two spaces over it; beside ruling letters stand anywhere."""
    staff = drawn_staff("s", (60.0,))

    def letters(*at: tuple[str, float]) -> list[tuple[Glyph, Reading]]:
        return [
            (
                Glyph(id="", staff="s", row=row, col=5.0, box=Box(0, 0, 1, 1)),
                Reading(glyph="", label=label, confidence=0.9),
            )
            for label, row in at
        ]

    on = letters_off_lines([staff], letters(("clef_f", 60.5), ("clef_c", 44.0), ("clef_a", 52.0)))
    off = letters_off_lines([staff], letters(("clef_f", 65.0), ("clef_c", 49.0), ("clef_a", 57.0)))
    assert on is not None and on < 0.1
    assert off is not None and off > 0.5
    assert letters_off_lines([staff], letters(("clef_f", 60.0))) is None  # one letter proves nothing


# No letter in the picture ------------------------------------------------------------------


@pytest.fixture
def bare(monkeypatch: pytest.MonkeyPatch) -> Rendered:
    monkeypatch.setattr("neumary_synth.layout.write_letters", lambda *_: [])
    return render_page(33, "letters", ageing=Ageing(), space_px=SPACE_PX)


def test_a_page_that_shows_no_letter_is_one_of_neumes_without_lines(bare: Rendered) -> None:
    assert {staff.kind for staff in bare.page.staves} == {"staffless"}
    assert {staff.kind for staff in drawn().page.staves} == {"letters"}


def test_heads_without_lines_and_letters_have_names_and_contour_alone(bare: Rendered) -> None:
    scan = Scan("p", bare.rgb, "p.png", "0")
    page = read_page(scan, make_settings(), load_model("", threads=1))
    assert page.staves and {staff.kind for staff in page.staves} == {"staffless"}
    assert "no-pitch" in {remark.code for remark in page.warnings}
    current, meant = page.current(), bare.page.current()
    heads = [g for g in page.glyphs if current[g.id].label in HEADS]
    pitches = [pitch for glyph in heads if (pitch := current[glyph.id].pitch) is not None]
    assert all(pitch.certainty == "contour" and pitch.degree is None for pitch in pitches)
    assert {pitch.contour for pitch in pitches} >= {"u", "d"}
    written = [g for g in bare.page.glyphs if meant[g.id].label in HEADS]
    at = np.array([(glyph.row, glyph.col) for glyph in heads])
    seen = [np.hypot(*(at - (glyph.row, glyph.col)).T).min() < 0.6 * SPACE_PX for glyph in written]
    assert np.mean(seen) > 0.85
    assert page.neumes
