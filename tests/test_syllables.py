"""Lyrics: boxes below the staff, a given text laid into them, and neumes tied to syllables."""

from __future__ import annotations

from itertools import pairwise
from pathlib import Path

import msgspec
import numpy as np
import pytest
from artificial_pages import SAMPLES
from hypothesis import given
from hypothesis import strategies as st

from neumary.errors import UsageError
from neumary.lyric_align import match_syllables
from neumary.lyric_text import TextLine, load_text, text_of_page, text_sha256, to_words
from neumary.lyrics import find_words
from neumary.order import melody_events
from neumary.pagexml import to_pagexml
from neumary.strips import BOTTOM_ROW, STRIP_HEIGHT
from neumary.syllables import assign, place_syllables
from neumary.types import Box, Page, Strip, Syllable
from neumary_models.labels import LAYERS
from neumary_models.outputs import CHANNELS_OUT, LAYER

# --- boxes in the strip -----------------------------------------------------------------


def strip(width: int = 480) -> Strip:
    """A strip whose pixels are those of the page, shifted by (100, 50)."""
    rows, cols = np.mgrid[0:STRIP_HEIGHT, 0:width].astype(np.float32)
    return Strip(
        staff=SAMPLES["exact"].staves[0],
        rgb=np.full((STRIP_HEIGHT, width, 3), 90, np.uint8),
        line_rows=tuple(BOTTOM_ROW - 16.0 * line for line in range(4)),
        space=16.0,
        page_rows=rows + 100,
        page_cols=cols + 50,
    )


def scores(words: list[tuple[int, int]], top: int = 144, bottom: int = 160, width: int = 480) -> np.ndarray:
    """Scores of the network that call some columns of a band text, px of the strip."""
    out = np.zeros((CHANNELS_OUT, STRIP_HEIGHT // 2, width // 2), np.float32)
    out[LAYER][LAYERS.index("parchment")] = 5
    for left, right in words:
        out[LAYER][LAYERS.index("text"), top // 2 : bottom // 2, left // 2 : right // 2] = 10
    return out


def test_words_far_right_of_a_staff_belong_to_another_column() -> None:
    seen = strip(960)
    end = max(line.cols[-1] for line in seen.staff.lines) - 50  # of the lines, in the strip
    reach = 2.5 * seen.staff.space_px
    own, other = (
        (int(end + reach - 60), int(end + reach - 30)),
        (int(end + reach + 10), int(end + reach + 60)),
    )
    (found,) = find_words(seen, scores([own, other], width=960))
    assert found.box and found.box.right <= end + reach + 50


def test_words_are_parted_at_wide_gaps_only() -> None:
    written = [(40, 60), (62, 90), (110, 150), (200, 216)]  # gaps of 2, 20 and 50 px in letters 16 px high
    found = find_words(strip(), scores(written))
    assert [(word.box.left, word.box.right) for word in found if word.box] == [
        (90, 140),
        (160, 200),
        (250, 266),
    ]
    assert all(word.box.top <= 244 and word.box.bottom >= 260 for word in found if word.box)


def test_what_stands_on_the_staff_is_no_lyrics() -> None:
    low, high = int(BOTTOM_ROW) - 40, int(BOTTOM_ROW) - 20
    assert find_words(strip(), scores([(40, 200)], low, high)) == []
    assert find_words(strip(), scores([])) == []


def test_red_words_are_rubrics() -> None:
    painted = strip()
    rgb = np.array(painted.rgb)
    rgb[:, 100:160] = (200, 60, 50)
    painted = Strip(painted.staff, rgb, painted.line_rows, 16.0, painted.page_rows, painted.page_cols)
    found = find_words(painted, scores([(40, 90), (100, 150), (180, 240)]))
    assert [word.box.left for word in found if word.box] == [90, 230]


def test_points_between_words_are_left_out() -> None:
    dotted = scores([(40, 90), (130, 190)])
    dotted[LAYER][LAYERS.index("text"), 74:76, 53:55] = 10
    assert len(find_words(strip(), dotted)) == 2


# --- neumes to syllables ----------------------------------------------------------------


def test_a_melisma_keeps_its_syllable_and_the_next_vowel_begins_the_next() -> None:
    vowels = [0.0, 10.0, 12.0]
    assert assign([0.2, 2.0, 5.0, 10.1, 11.8, 14.0], vowels) == [0, 0, 0, 1, 2, 2]


def test_every_syllable_gets_a_neume_unless_that_is_absurd() -> None:
    assert assign([0.0, 4.0], [0.5, 1.6, 4.2]) == [0, 2]
    assert assign([1.0, 2.0], [0.0, 3.0]) == [0, 1]
    assert assign([], [1.0]) == []
    assert assign([1.0], []) == [None]


@given(
    st.lists(st.floats(0, 60), min_size=1, max_size=12), st.lists(st.floats(0, 60), min_size=1, max_size=8)
)
def test_order_is_kept(neumes: list[float], vowels: list[float]) -> None:
    chosen = assign(sorted(neumes), sorted(vowels))
    assert None not in chosen
    assert all(a <= b for a, b in pairwise(chosen))  # type: ignore[operator]


# --- a text to boxes --------------------------------------------------------------------


def test_syllables_find_their_boxes_by_width() -> None:
    """al-le-lu-ia in two boxes, ve-ni in one with do-mi-ne."""
    widths = [2.0, 2.0, 2.0, 2.0, 2.0, 2.0, 2.0, 2.0, 2.0]
    starts = [True, False, False, False, True, False, True, False, False]
    boxes = [40.0, 40.0, 112.0]
    matched = {there: some for some, there in match_syllables(widths, starts, boxes)}
    assert matched[(0,)] == (0, 1)
    assert matched[(1,)] == (2, 3)
    assert matched[(2,)] == (4, 5, 6, 7, 8)


@given(
    st.lists(st.tuples(st.floats(0.5, 6), st.booleans()), max_size=20),
    st.lists(st.floats(5, 300), max_size=14),
)
def test_nothing_is_lost_in_matching(syllables: list[tuple[float, bool]], boxes: list[float]) -> None:
    matches = match_syllables([w for w, _ in syllables], [s for _, s in syllables], boxes)
    assert [i for some, _ in matches for i in some] == list(range(len(syllables)))
    assert [i for _, there in matches for i in there] == list(range(len(boxes)))


def page_with_boxes(*staves: list[tuple[int, int]]) -> Page:
    """The page of two staves, with boxes (left, right) below each."""
    page = SAMPLES["exact"]
    made = [
        Syllable(
            id=f"y{9000 + 100 * n + k:04d}", staff=staff.id, box=Box(200 * n + 20, left, 200 * n + 44, right)
        )
        for n, (staff, boxes) in enumerate(zip(page.staves, staves, strict=True), 1)
        for k, (left, right) in enumerate(boxes)
    ]
    return msgspec.structs.replace(page, syllables=tuple(made))


def words(page: Page, staff: str) -> list[tuple[str, str]]:
    return [(syllable.text, syllable.wordpos) for syllable in page.syllables if syllable.staff == staff]


def test_a_line_per_staff() -> None:
    page = place_syllables(
        page_with_boxes([(50, 130), (190, 280)], [(50, 250)]), [TextLine("Salue re-"), TextLine("gina · ue")]
    )
    assert words(page, "s01") == [("Sal", "i"), ("ue", "t"), ("re", "i")]
    assert words(page, "s02") == [("gi", "m"), ("na", "t"), ("ue", "s")]
    assert not page.warnings
    assert [syllable.id for syllable in page.syllables] == [f"y{n:04d}" for n in range(1, 7)]


def test_running_text_breaks_where_the_boxes_do() -> None:
    page = place_syllables(
        page_with_boxes([(50, 160), (190, 230)], [(50, 264)]), [TextLine("Salue regina salue")]
    )
    assert [text for text, _ in words(page, "s01")] == ["Sal", "ue", "re"]
    assert [text for text, _ in words(page, "s02")] == ["gi", "na", "sal", "ue"]


def test_lines_with_a_place_go_to_the_staff_above_them() -> None:
    boxes = page_with_boxes([(50, 200)], [(50, 200)])
    lines = [
        TextLine("pater", Box(418, 40, 446, 260)),
        TextLine("mater", Box(218, 40, 246, 260)),
        TextLine("not sung at all", Box(700, 40, 730, 260)),
    ]
    page = place_syllables(boxes, lines)
    assert [text for text, _ in words(page, "s01")] == ["ma", "ter"]
    assert [text for text, _ in words(page, "s02")] == ["pa", "ter"]


def test_neumes_never_spread_and_run_with_the_text() -> None:
    page = place_syllables(
        page_with_boxes([(50, 130), (190, 400)], [(50, 290)]), [TextLine("Salue regina salue")]
    )
    order = {syllable.id: number for number, syllable in enumerate(page.syllables)}
    assert all(neume.syllable for neume in page.neumes)
    for staff, events in melody_events(page):
        given_to = [order[e.neume.syllable] for e in events if e.neume]
        assert given_to == sorted(given_to)
        assert {page.syllables[n].staff for n in given_to} == {staff.id}


def test_without_text_boxes_stay_and_nothing_is_said() -> None:
    page = place_syllables(page_with_boxes([(50, 130), (190, 280)], []))
    assert words(page, "s01") == [("", ""), ("", "")]
    assert [neume.syllable for neume in page.neumes if neume.staff == "s02"] == ["", "", ""]
    assert {neume.syllable for neume in page.neumes if neume.staff == "s01"} == {"y0001", "y0002"}


def test_a_text_that_does_not_fit_is_told() -> None:
    long = "Gloria patri et filio et spiritui sancto sicut erat in principio et nunc et semper"
    page = place_syllables(page_with_boxes([(50, 80)], []), [TextLine(long)])
    assert [remark.code for remark in page.warnings] == ["text-misfit"]


# --- text files -------------------------------------------------------------------------


def test_plain_text(tmp_path: Path) -> None:
    path = tmp_path / "f1r.txt"
    path.write_bytes("\ufeffAlle-luia\n\n  ue-\nnite · \n".encode())
    assert [line.text for line in load_text(path)] == ["Alle-luia", "ue-", "nite ·"]
    assert [word.syllables for word in to_words(load_text(path))] == [("Alle", "luia"), ("ue",), ("ni", "te")]
    assert [word.positions for word in to_words(load_text(path))] == [("i", "t"), ("i",), ("m", "t")]
    assert text_of_page(tmp_path, "f1r") == load_text(path)
    assert text_of_page(tmp_path, "f1v") == []
    before = text_sha256(tmp_path)
    path.write_text("Alleluia", encoding="utf-8")
    assert text_sha256(tmp_path) != before


def test_alto(tmp_path: Path) -> None:
    """ALTO 4: HPOS, VPOS, WIDTH and HEIGHT of a TextLine, CONTENT of its Strings."""
    path = tmp_path / "leaf.xml"
    path.write_text(
        '<alto xmlns="http://www.loc.gov/standards/alto/ns-v4#"><Layout><Page><PrintSpace><TextBlock>'
        '<TextLine HPOS="10.0" VPOS="20.0" WIDTH="300" HEIGHT="40"><String CONTENT="gloria"/><SP/>'
        '<String CONTENT="patri"/></TextLine></TextBlock></PrintSpace></Page></Layout></alto>',
        encoding="utf-8",
    )
    assert load_text(path) == [TextLine("gloria patri", Box(20, 10, 60, 310))]


def test_our_own_page_xml_reads_back(tmp_path: Path) -> None:
    path = tmp_path / "leaf.xml"
    path.write_bytes(to_pagexml(SAMPLES["syllables"]))
    found = [line for line in load_text(path) if line.text]
    assert [line.text for line in found] == ["Salve Re", "gi"]
    assert all(line.box for line in found)


@pytest.mark.parametrize("data", [b"<html/>", b"<alto", b"\xff\xfe\x00"])
def test_files_that_are_no_text(data: bytes, tmp_path: Path) -> None:
    path = tmp_path / "leaf.txt"
    path.write_bytes(data)
    with pytest.raises(UsageError, match=r"leaf\.txt"):
        load_text(path)
    with pytest.raises(UsageError, match="nowhere"):
        load_text(tmp_path / "nowhere.txt")


def test_entities_are_not_followed(tmp_path: Path) -> None:
    secret = tmp_path / "secret"
    secret.write_text("words", encoding="utf-8")
    path = tmp_path / "leaf.xml"
    path.write_text(
        f'<!DOCTYPE alto [<!ENTITY e SYSTEM "{secret.as_uri()}">]><alto><TextLine HPOS="0" '
        'VPOS="0" WIDTH="9" HEIGHT="9"><String CONTENT="a"/>&e;</TextLine></alto>',
        encoding="utf-8",
    )
    assert [line.text for line in load_text(path)] == ["a"]
