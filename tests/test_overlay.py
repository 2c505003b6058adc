"""Overlays: the right marks at the right places, never over the ink they are about."""

from __future__ import annotations

import cv2
import msgspec
import numpy as np
import pytest
from artificial_pages import SAMPLES

from neumary import overlay_words
from neumary.doubt import doubtful_signs, reasons_to_doubt
from neumary.overlay import draw_overlay, encode_jpeg
from neumary.overlay_labels import Label, LabelPlacer
from neumary.overlay_view import BLUE, GREEN, PURPLE, SKY, VERMILLION
from neumary.types import U8, Box, Page, Pitch, Reading
from neumary_models.labels import HEADS

INK = (40, 30, 20)

# M. Okabe and K. Ito, "Color Universal Design", 2008, figure 16.
OKABE_ITO = {
    (0, 0, 0),
    (230, 159, 0),
    (86, 180, 233),
    (0, 158, 115),
    (240, 228, 66),
    (0, 114, 178),
    (213, 94, 0),
    (204, 121, 167),
}


def scan_of(page: Page) -> U8:
    """Bare parchment with a dark square for every sign."""
    rgb = np.full((page.height, page.width, 3), (236, 226, 205), np.uint8)
    for glyph in page.glyphs:
        row, col = int(glyph.row), int(glyph.col)
        rgb[max(row - 6, 0) : row + 7, max(col - 6, 0) : col + 7] = INK
    return rgb


def near(picture: U8, colour: tuple[int, int, int]) -> np.ndarray:
    """Where the picture has this colour, but for the smoothing of edges."""
    return np.abs(picture.astype(int) - colour).max(axis=2) < 12


def strip_of(picture: U8, page: Page, scale: float = 1.0) -> int:
    return int(picture.shape[0] - round(page.height * scale))


def sure(page: Page) -> Page:
    """The same page with nothing to doubt."""
    readings = [msgspec.structs.replace(reading, confidence=0.99, rivals=()) for reading in page.readings]
    return msgspec.structs.replace(page, readings=tuple(readings), warnings=())


def test_the_palette_is_the_published_one() -> None:
    assert {SKY, BLUE, GREEN, VERMILLION, PURPLE} <= OKABE_ITO


@pytest.mark.parametrize("name", SAMPLES)
def test_every_kind_of_page_is_drawn_and_always_alike(name: str) -> None:
    page = SAMPLES[name]
    scan = scan_of(page)
    before = scan.copy()
    picture = draw_overlay(page, scan)
    assert picture.dtype == np.uint8 and picture.shape[1:] == (page.width, 3)
    assert np.array_equal(scan, before)
    again = draw_overlay(msgspec.json.decode(msgspec.json.encode(page), type=Page), scan)
    assert encode_jpeg(picture) == encode_jpeg(again)


def test_only_doubt_is_vermillion() -> None:
    page = SAMPLES["exact"]
    assert doubtful_signs(page)
    assert near(draw_overlay(page, scan_of(page)), VERMILLION).sum() > 200
    assert not near(draw_overlay(sure(page), scan_of(page)), VERMILLION).any()


def test_doubt_differs_in_shape_too() -> None:
    """In grey, a doubtful sign still looks unlike a sure one and unlike a doubtful pitch."""
    page = sure(SAMPLES["exact"])
    place = next(i for i, r in enumerate(page.readings) if r.glyph == "g0019")  # stands alone
    changes = {
        "sure": {},
        "sign": {"confidence": 0.5},
        "pitch": {"pitch": Pitch(certainty="ranged", degree=18, alternatives=((18, 0, 0.6),))},
    }
    shapes = []
    for change in changes.values():
        readings = list(page.readings)
        readings[place] = msgspec.structs.replace(readings[place], **change)
        picture = draw_overlay(msgspec.structs.replace(page, readings=tuple(readings)), scan_of(page))
        box = page.glyphs[[g.id for g in page.glyphs].index("g0019")].box
        top = box.top + strip_of(picture, page)
        cut = cv2.cvtColor(picture[top - 8 : top + 26, box.left - 8 : box.right + 8], cv2.COLOR_RGB2GRAY)
        shapes.append(cut < 180)
    differ = [np.mean(shapes[a] != shapes[b]) for a, b in ((0, 1), (0, 2), (1, 2))]
    assert min(differ) > 0.05


@pytest.mark.parametrize("name", ["exact", "flats", "mixed", "contour"])
def test_no_mark_covers_the_ink_of_a_head(name: str) -> None:
    page = SAMPLES[name]
    lines_away = msgspec.structs.replace(
        page, staves=tuple(msgspec.structs.replace(staff, lines=()) for staff in page.staves)
    )
    picture = draw_overlay(lines_away, scan_of(page))
    strip = strip_of(picture, page)
    faded = cv2.addWeighted(scan_of(page), 0.78, np.full_like(picture[strip:], 255), 0.22, 0)
    current = page.current()
    for glyph in page.glyphs:
        if current[glyph.id].label not in HEADS:
            continue
        around = slice(int(glyph.row) - 5, int(glyph.row) + 6), slice(int(glyph.col) - 5, int(glyph.col) + 6)
        same = np.abs(picture[strip:][around].astype(int) - faded[around]).max(axis=2) < 12
        gaps = [np.hypot(glyph.row - o.row, glyph.col - o.col) for o in page.glyphs if o is not glyph]
        alone = min(gaps) > 40  # a neighbour's own mark may touch a head, but only at its edge
        assert same.mean() > (0.99 if alone else 0.7), glyph.id


def test_lines_lie_where_they_were_traced() -> None:
    page = SAMPLES["ruled"]
    picture = draw_overlay(page, scan_of(page))
    strip = strip_of(picture, page)
    blue = picture[strip:, :, 2].astype(int) - picture[strip:, :, 0]
    for staff in page.staves:
        for line in staff.lines:
            if line.seen < 0.5:
                continue  # dashed
            for col in (100, 400, 700):
                row = round(line.row_at(col))
                assert blue[row - 1 : row + 2, col].max() > 40


def test_lines_hardly_seen_are_dashed() -> None:
    page = SAMPLES["ruled"]
    picture = draw_overlay(page, scan_of(page))
    strip = strip_of(picture, page)
    staff = page.staves[0]

    def covered(number: int) -> float:
        line = staff.lines[number]
        rows = [round(line.row_at(col)) + strip for col in range(100, 700)]
        blue = [
            picture[r - 1 : r + 2, c, 2].astype(int) - picture[r - 1 : r + 2, c, 0]
            for r, c in zip(rows, range(100, 700), strict=True)
        ]
        return float(np.mean([column.max() > 40 for column in blue]))

    assert covered(0) > 0.95 and 0.3 < covered(1) < 0.75


def _scaled(page: Page, factor: float) -> Page:
    """The same page photographed larger or smaller."""

    def box(given: Box) -> Box:
        return Box(*(round(edge * factor) for edge in (given.top, given.left, given.bottom, given.right)))

    staves = [
        msgspec.structs.replace(
            staff,
            space_px=staff.space_px * factor,
            area=box(staff.area),
            lines=tuple(
                msgspec.structs.replace(
                    line, cols=tuple(c * factor for c in line.cols), rows=tuple(r * factor for r in line.rows)
                )
                for line in staff.lines
            ),
        )
        for staff in page.staves
    ]
    glyphs = [
        msgspec.structs.replace(g, row=g.row * factor, col=g.col * factor, box=box(g.box))
        for g in page.glyphs
    ]
    size = {"width": round(page.width * factor), "height": round(page.height * factor)}
    return msgspec.structs.replace(page, staves=tuple(staves), glyphs=tuple(glyphs), **size)


@pytest.mark.parametrize(("factor", "wide"), [(0.5, 800), (1, 800), (6, 2200)])
def test_coarse_scans_are_enlarged_and_large_ones_reduced(factor: float, wide: int) -> None:
    page = _scaled(SAMPLES["exact"], factor)
    picture = draw_overlay(page, scan_of(page))
    assert abs(picture.shape[1] - wide) <= 1
    assert SAMPLES["exact"].staves[0].space_px * wide / 800 >= 24


def test_the_header_says_draft_and_fits(monkeypatch: pytest.MonkeyPatch) -> None:
    said: list[str] = []

    class Pen(overlay_words.ImageDraw.ImageDraw):
        def text(self, xy, text, *more, **named):  # type: ignore[no-untyped-def]
            said.append(text)
            font = more[1]
            assert xy[0] + self.textlength(text, font) <= self.im.size[0] + 2
            super().text(xy, text, *more, **named)

    monkeypatch.setattr(overlay_words.ImageDraw, "Draw", Pen)
    overlay_words._word.cache_clear()  # words drawn by other tests are kept
    draw_overlay(SAMPLES["exact"], scan_of(SAMPLES["exact"]))
    assert "draft for a specialist to check" in said[-1]
    assert "2 staves, 18 notes, 4 doubtful signs, 0 warnings" in said[-1]
    assert {"f3", "g", "C clef", "F clef", "custos d", "s01"} <= set(said)


def test_octaves_are_told_where_they_change(monkeypatch: pytest.MonkeyPatch) -> None:
    texts: list[str] = []
    place = LabelPlacer.place

    def listen(self: LabelPlacer, labels: list[Label]) -> list[tuple[Label, float, float]]:
        texts.extend(label.text for label in labels)
        return place(self, labels)

    monkeypatch.setattr(LabelPlacer, "place", listen)
    draw_overlay(SAMPLES["exact"], scan_of(SAMPLES["exact"]))
    melody = [text for text in texts if text[0] in "abcdefg"]
    assert melody[:9] == ["f3", "g", "c4", "b3", "a", "b", "g", "a", "e"]
    texts.clear()
    draw_overlay(SAMPLES["ranged"], scan_of(SAMPLES["ranged"]))
    assert "a3?" in texts
    texts.clear()
    draw_overlay(SAMPLES["contour"], scan_of(SAMPLES["contour"]))
    assert not [text for text in texts if text[0] in "abcefg"] and "up" in texts and "down" in texts


def test_words_stay_on_the_sheet_and_off_each_other() -> None:
    ink = np.zeros((300, 400), np.float32)
    placer = LabelPlacer(ink, top=20)
    labels = [
        Label("d3", BLUE, 14, (row, col, row + 10.0, col + 10.0))
        for row in (0.0, 21.0, 150.0, 290.0)
        for col in (0.0, 200.0, 392.0)
    ]
    placed = placer.place(labels)
    boxes = [(row, col, row + 10, col + 12) for _, row, col in placed]
    for number, (top, left, bottom, right) in enumerate(boxes):
        assert top >= 20 and left >= 0 and bottom <= 300 and right <= 400
        for other in boxes[:number]:
            assert top >= other[2] or other[0] >= bottom or left >= other[3] or other[1] >= right


def test_a_word_avoids_ink() -> None:
    ink = np.zeros((100, 100), np.float32)
    ink[:48] = 1.0
    ((_, row, _),) = LabelPlacer(ink).place([Label("a", BLUE, 14, (45.0, 45.0, 55.0, 55.0))])
    assert row >= 48


def test_jpegs_stay_small_even_of_noise() -> None:
    noise = np.random.default_rng(3).integers(0, 256, (900, 1200, 3), dtype=np.uint8)
    roomy, tight = encode_jpeg(noise, 10_000_000), encode_jpeg(noise, 700_000)
    assert len(tight) < len(roomy)
    assert (
        tight[:3] == b"\xff\xd8\xff" and cv2.imdecode(np.frombuffer(tight, np.uint8), 1).shape == noise.shape
    )
    assert len(encode_jpeg(draw_overlay(SAMPLES["exact"], scan_of(SAMPLES["exact"])))) < 2_000_000


def test_a_scan_of_another_page_is_refused() -> None:
    with pytest.raises(ValueError, match="500 x 800"):
        draw_overlay(SAMPLES["exact"], np.zeros((10, 10, 3), np.uint8))


@pytest.mark.parametrize(
    ("change", "reasons"),
    [
        ({}, ()),
        ({"confidence": 0.79}, ("confidence",)),
        ({"confidence": 0.8}, ()),
        ({"confidence": 0.1, "by": "human"}, ()),
        ({"by": "inferred"}, ("inferred",)),
        ({"pitch": None}, ("pitch",)),
        ({"pitch": Pitch(certainty="contour", contour="u")}, ("pitch",)),
        ({"label": "clef_c", "pitch": None}, ()),
        ({"label": "custos", "pitch": None}, ("pitch",)),
    ],
)
def test_reasons_to_doubt(change: dict[str, object], reasons: tuple[str, ...]) -> None:
    plain = Reading(glyph="g", label="punctum", confidence=0.9, pitch=Pitch(certainty="exact", degree=24))
    assert reasons_to_doubt(msgspec.structs.replace(plain, **change)) == reasons
