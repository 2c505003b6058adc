"""Page to PAGE XML (2019-07-15), for layout tools and text recognisers.

What stands where, since PAGE has no elements for staves or notes:

* each staff is a ``MusicRegion``, SegmOnto ``MusicZone``, its outline the staff's area;
* each staff line is the ``Baseline`` of a ``TextLine`` in a nested ``TextRegion`` of type "other",
  the only element of PAGE that is a polyline; ``@custom`` calls it a ``CustomLine:staffLine``
  (SegmOnto's own ``MusicLine`` means the middle of the whole stave) and gives its
  number from the bottom, its place in the grid (coloured lines may skip places), colour, thickness
  and the share of it that was seen;
* a significative letter is a ``TextRegion`` of type "other" nested in its staff's region, as
  `CustomZone:significativeLetter`;
* the lyrics of a staff are a ``TextRegion`` of their own after it, one ``Word`` per syllable;
* the reading order is that of the page.

Notes and clefs are in the MEI file. PAGE demands a date; so that the same scan gives the same
bytes, it is always the same one.
"""

from __future__ import annotations

import itertools
from collections.abc import Iterable, Sequence
from typing import Final

from lxml import etree

from neumary.types import Box, Page, Staff, StaffLine, Syllable
from neumary.xmlwrite import Element, serialise, sub, xml_id

NAMESPACE: Final = "http://schema.primaresearch.org/PAGE/gts/pagecontent/2019-07-15"
_NO_DATE: Final = "1970-01-01T00:00:00"


def to_pagexml(page: Page) -> bytes:
    """Write staves, staff lines and lyrics of a page as PAGE XML.

    Parameters
    ----------
    page : Page

    Returns
    -------
    bytes
        UTF-8 XML, valid against pagecontent-2019-07-15.xsd [1]_; the same page gives the
        same bytes. Zone names in ``@custom`` are those of SegmOnto [2]_.

    References
    ----------
    .. [1] PRImA Research Lab, PAGE XML page content, release 2019-07-15,
       https://github.com/PRImA-Research-Lab/PAGE-XML
    .. [2] S. Gabay, A. Pinche, K. Christensen, J.-B. Camps and N. Carboni, SegmOnto 0.9, 2023,
       https://segmonto.github.io
    """
    root = etree.Element(etree.QName(NAMESPACE, "PcGts"), nsmap={None: NAMESPACE})
    _metadata(sub(root, "Metadata"), page)
    size = {"imageWidth": str(page.width), "imageHeight": str(page.height)}
    leaf = sub(root, "Page", "", {"imageFilename": page.source, **size})
    if page.staves:
        group = sub(sub(leaf, "ReadingOrder"), "OrderedGroup", id="order")
    index = itertools.count()
    for staff in page.staves:
        sub(group, "RegionRefIndexed", index=str(next(index)), regionRef=xml_id("s", staff.id))
        _music_region(leaf, page, staff)
        words = _words(page, staff)
        if words:
            name = f"{xml_id('s', staff.id)}-lyrics"
            sub(group, "RegionRefIndexed", index=str(next(index)), regionRef=name)
            _lyrics(leaf, page, name, words)
    return serialise(root)


def _words(page: Page, staff: Staff) -> list[Syllable]:
    """List the staff's syllables whose place is known, left to right."""
    placed = ((word.box.left, word) for word in page.syllables if word.staff == staff.id and word.box)
    return [word for _, word in sorted(placed, key=lambda item: item[0])]


def _metadata(metadata: Element, page: Page) -> None:
    made = page.provenance
    sub(metadata, "Creator", f"{made.program or 'neumary'} {made.version}".strip())
    sub(metadata, "Created", _NO_DATE)
    sub(metadata, "LastChange", _NO_DATE)
    sub(metadata, "Comments", "A draft for a specialist to check. The dates above carry no meaning.")
    step = sub(
        metadata,
        "MetadataItem",
        type="processingStep",
        name="reading of staves and lyrics",
        value=made.version or "unknown",
    )
    labels = sub(step, "Labels")
    facts = {
        "source sha256": page.sha256,
        "model": made.model,
        "model sha256": made.model_sha256,
        **{
            f"model {name} sha256": value for name, value in sorted(made.models.items()) if name != made.model
        },
        "settings sha256": made.settings_sha256,
        **{f"setting {name}": str(value) for name, value in sorted(made.settings.items())},
    }
    for name, value in facts.items():
        sub(labels, "Label", type=name, value=value)


def _music_region(leaf: Element, page: Page, staff: Staff) -> None:
    about = f"structure {{type:MusicZone;}} staff {{kind:{staff.kind}; lines:{len(staff.lines)};}}"
    region = sub(leaf, "MusicRegion", id=xml_id("s", staff.id), custom=about)
    sub(region, "Coords", points=_points(_corners(staff.area), page))
    if staff.lines:
        _staff_lines(region, page, staff)
    for mark in page.marks:
        if mark.staff == staff.id and mark.box is not None:
            about = f"structure {{type:CustomZone:significativeLetter;}} letter {{layer:{mark.layer};}}"
            letter = sub(region, "TextRegion", id=xml_id("m", mark.id), type="other", custom=about)
            sub(letter, "Coords", points=_points(_corners(mark.box), page))
            if mark.text:
                sub(sub(letter, "TextEquiv"), "Unicode", mark.text)


def _staff_lines(region: Element, page: Page, staff: Staff) -> None:
    name = xml_id("s", staff.id)
    lines = sub(
        region,
        "TextRegion",
        id=f"{name}-lines",
        type="other",
        custom="structure {type:CustomZone:staffLines;}",
    )
    sub(lines, "Coords", points=_points(_corners(_around(staff.lines)), page))
    for number, (place, line) in enumerate(zip(staff.places, staff.lines, strict=True), 1):
        about = (
            f"structure {{type:CustomLine:staffLine;}} staffLine {{number:{number}; place:{place + 1}; "
            f"colour:{line.colour}; thickness:{line.thickness_px:.2f}; seen:{line.seen:.4f};}}"
        )
        text_line = sub(lines, "TextLine", id=f"{name}-line{number}", custom=about)
        course = list(zip(line.rows, line.cols, strict=True))
        half = max(line.thickness_px / 2, 1.0)
        band = [(row - half, col) for row, col in course] + [(row + half, col) for row, col in course[::-1]]
        sub(text_line, "Coords", points=_points(band, page))
        sub(text_line, "Baseline", points=_points(course, page))


def _lyrics(leaf: Element, page: Page, name: str, words: Sequence[Syllable]) -> None:
    """Write the syllables under a staff as one text line."""
    boxes = [word.box for word in words if word.box]
    around = Box(
        min(box.top for box in boxes),
        min(box.left for box in boxes),
        max(box.bottom for box in boxes),
        max(box.right for box in boxes),
    )
    region = sub(leaf, "TextRegion", id=name, type="other", custom="structure {type:CustomZone:lyrics;}")
    sub(region, "Coords", points=_points(_corners(around), page))
    line = sub(region, "TextLine", id=f"{name}-line", custom="structure {type:DefaultLine;}")
    sub(line, "Coords", points=_points(_corners(around), page))
    for word in words:
        about = f"syllable {{wordpos:{word.wordpos};}}" if word.wordpos else "syllable {}"
        element = sub(line, "Word", id=xml_id("y", word.id), custom=about)
        if word.box:
            sub(element, "Coords", points=_points(_corners(word.box), page))
        if word.text:
            sub(sub(element, "TextEquiv"), "Unicode", word.text)
    text = _joined(words)
    if text:
        sub(sub(line, "TextEquiv"), "Unicode", text)


def _joined(words: Sequence[Syllable]) -> str:
    """Join syllables to running text; only known word ends part them."""
    inside = ("i", "m")
    parts = [word.text + ("" if word.wordpos in inside else " ") for word in words if word.text]
    return "".join(parts).strip()


def _corners(box: Box) -> list[tuple[float, float]]:
    """Corner pixels (row, col) of a half-open box."""
    bottom, right = max(box.bottom - 1, box.top), max(box.right - 1, box.left)
    return [(box.top, box.left), (box.top, right), (bottom, right), (bottom, box.left)]


def _around(lines: Iterable[StaffLine]) -> Box:
    rows = [row for line in lines for row in line.rows]
    cols = [col for line in lines for col in line.cols]
    return Box(int(min(rows)) - 2, int(min(cols)), int(max(rows)) + 3, int(max(cols)) + 2)


def _points(points: Iterable[tuple[float, float]], page: Page) -> str:
    """Write (row, col) points as PAGE does: whole pixels on the leaf, column first."""
    last_row, last_col = max(page.height - 1, 0), max(page.width - 1, 0)
    return " ".join(
        f"{min(max(round(col), 0), last_col)},{min(max(round(row), 0), last_row)}" for row, col in points
    )
