"""PAGE XML: valid by the published schema, every line a polyline, zones named as SegmOnto does."""

from __future__ import annotations

import re
from pathlib import Path
from typing import Any

import msgspec
import pytest
from artificial_pages import SAMPLES
from lxml import etree

from neumary.pagexml import NAMESPACE, to_pagexml
from neumary.truth import load_truth
from neumary.types import Page

PAGE = f"{{{NAMESPACE}}}"

# SegmOnto 0.9 (Gabay, Pinche, Christensen, Camps, Carboni, 2023); subtypes after a colon are free.
ZONES = {
    "CustomZone",
    "DamageZone",
    "DigitizationArtefactZone",
    "DropCapitalZone",
    "GraphicZone",
    "MainZone",
    "MarginTextZone",
    "MusicZone",
    "NumberingZone",
    "QuireMarksZone",
    "RunningTitleZone",
    "SealZone",
    "StampZone",
    "TableZone",
    "TitlePageZone",
}
LINES = {"CustomLine", "DefaultLine", "DropCapitalLine", "HeadingLine", "InterlinearLine", "MusicLine"}


@pytest.fixture(scope="module")
def page_schema(standards: Path) -> etree.XMLSchema:
    return etree.XMLSchema(etree.parse(standards / "page-xml" / "pagecontent-2019-07-15.xsd"))


def tree(page: Page) -> Any:
    return etree.fromstring(to_pagexml(page))


def points(element: Any) -> list[tuple[int, int]]:
    """Points as (row, col)."""
    pairs = (pair.split(",") for pair in element.get("points").split())
    return [(int(row), int(col)) for col, row in pairs]


@pytest.mark.parametrize("name", SAMPLES)
def test_valid_against_the_published_schema(name: str, page_schema: etree.XMLSchema) -> None:
    assert page_schema.validate(tree(SAMPLES[name])), str(page_schema.error_log)[:800]


@pytest.mark.parametrize("name", SAMPLES)
def test_one_music_region_per_staff_in_reading_order(name: str) -> None:
    page, root = SAMPLES[name], tree(SAMPLES[name])
    regions = list(root.iter(PAGE + "MusicRegion"))
    assert [region.get("id") for region in regions] == [staff.id for staff in page.staves]
    order = [ref.get("regionRef") for ref in root.iter(PAGE + "RegionRefIndexed")]
    assert [ref for ref in order if not ref.endswith("lyrics")] == [staff.id for staff in page.staves]
    leaf = root.find(PAGE + "Page")
    assert set(order) == {region.get("id") for region in leaf if region.get("id")}
    assert (leaf.get("imageWidth"), leaf.get("imageHeight")) == (str(page.width), str(page.height))


@pytest.mark.parametrize("name", SAMPLES)
def test_every_staff_line_is_a_polyline_of_its_own(name: str) -> None:
    page, root = SAMPLES[name], tree(SAMPLES[name])
    for region, staff in zip(root.iter(PAGE + "MusicRegion"), page.staves, strict=True):
        baselines = list(region.iter(PAGE + "Baseline"))
        assert len(baselines) == len(staff.lines)
        for baseline, line in zip(baselines, staff.lines, strict=True):
            given = points(baseline)
            assert len(given) == len(line.cols)
            for (row, col), true_row, true_col in zip(given, line.rows, line.cols, strict=True):
                assert abs(row - true_row) <= 0.5 and abs(col - true_col) <= 0.5


@pytest.mark.parametrize("name", SAMPLES)
def test_zone_and_line_names_are_those_of_segmonto(name: str) -> None:
    for element in tree(SAMPLES[name]).iter(PAGE + "MusicRegion", PAGE + "TextRegion", PAGE + "TextLine"):
        named = re.search(r"structure \{type:(\w+)(:\w+)?;\}", element.get("custom"))
        assert named is not None
        assert named[1] in (LINES if element.tag.endswith("TextLine") else ZONES)
        if element.tag.endswith("MusicRegion"):
            assert named[1] == "MusicZone"


@pytest.mark.parametrize("name", SAMPLES)
def test_all_points_are_pixels_of_the_leaf(name: str) -> None:
    page = SAMPLES[name]
    for element in tree(page).iter():
        if element.get("points"):
            assert all(0 <= row < page.height and 0 <= col < page.width for row, col in points(element))


def test_lyrics_are_words_under_their_staff() -> None:
    root = tree(SAMPLES["syllables"])
    lines = {line.get("id"): line for line in root.iter(PAGE + "TextLine") if "lyrics" in line.get("id")}
    assert list(lines) == ["s01-lyrics-line", "s02-lyrics-line"]
    first = lines["s01-lyrics-line"]
    assert [word.get("id") for word in first.iter(PAGE + "Word")] == ["y0001", "y0002", "y0003"]
    assert first.findtext(f"{PAGE}TextEquiv/{PAGE}Unicode") == "Salve Re"
    box = SAMPLES["syllables"].syllables[0].box
    assert box is not None
    corners = points(next(first.iter(PAGE + "Word")).find(PAGE + "Coords"))
    assert corners[0] == (box.top, box.left) and corners[2] == (box.bottom - 1, box.right - 1)


def test_a_box_that_nobody_has_read_keeps_its_place_without_text() -> None:
    page = SAMPLES["syllables"]
    unread = tuple(msgspec.structs.replace(syllable, text="") for syllable in page.syllables)
    root = tree(msgspec.structs.replace(page, syllables=unread))
    assert len(list(root.iter(PAGE + "Word"))) == 4 and not list(root.iter(PAGE + "Unicode"))


@pytest.mark.parametrize("name", SAMPLES)
def test_the_same_page_gives_the_same_bytes(name: str) -> None:
    copy = msgspec.json.decode(msgspec.json.encode(SAMPLES[name]), type=Page)
    assert to_pagexml(SAMPLES[name]) == to_pagexml(copy)


@pytest.mark.leaves
def test_a_whole_leaf(scans: Path, page_schema: etree.XMLSchema) -> None:
    root = tree(load_truth(scans / "antiphoner_f001r.truth.json"))
    assert page_schema.validate(root), str(page_schema.error_log)[:800]
    assert len(list(root.iter(PAGE + "Baseline"))) == 40
