"""The overview: worst first, honest, self-contained, and driven from the keyboard."""

from __future__ import annotations

import base64
import json
import shutil
import subprocess
from dataclasses import replace
from pathlib import Path
from typing import Any
from urllib.parse import unquote

import cv2
import numpy as np
import pytest
from artificial_pages import SAMPLES
from lxml import html

from neumary.doubt import doubtful_signs
from neumary.errors import OutputError
from neumary.overlay import draw_overlay
from neumary.overlay_view import VERMILLION
from neumary.report import (
    DOUBTS_SHOWN,
    THUMBNAIL_BYTES,
    Doubt,
    PageRow,
    index_html,
    page_row,
    thumbnail_uri,
    worst_doubts,
    write_index,
)

ROWS = [
    PageRow("a", staves=2, notes=100, doubtful=1, mean_confidence=0.97),
    PageRow("b", staves=2, notes=100, doubtful=30, mean_confidence=0.81, warnings=("s01: no clef.",)),
    PageRow("c", failure="c.jpg ends in the middle. Copy it again."),
    PageRow("d", staves=2, notes=100, doubtful=30, mean_confidence=0.8, warnings=("x",) * 3 + tuple("uvwyz")),
    PageRow("e", staves=9),
    PageRow("<script>alert(1)</script> & 'f\" \udcff", staves=1, notes=1, warnings=("<b>bold</b>",)),
]


def shown(rows: list[PageRow], title: str = "leaves") -> Any:
    return html.fromstring(index_html(title, rows))


def test_pages_that_need_a_look_come_first() -> None:
    names = [heading.text_content() for heading in shown(ROWS).iter("h2")]
    # failed; nothing found; as many doubts but more warnings; doubts; one doubt; a warning only
    assert [name[0] for name in names] == ["c", "e", "d", "b", "a", "<"]


def test_the_order_given_does_not_matter() -> None:
    assert index_html("t", ROWS) == index_html("t", ROWS[::-1])


def test_it_says_that_these_are_drafts_and_sums_up() -> None:
    text = shown(ROWS).text_content()
    assert "drafts for a specialist to check" in text
    assert "6 pages, 1 failed, 301 notes, 61 doubtful signs" in " ".join(text.split())


def test_each_page_shows_counts_doubt_and_warnings() -> None:
    page = page_row(SAMPLES["mixed"])
    assert (page.staves, page.notes, page.doubtful, page.failure) == (3, 9, 2, "")
    confidences = [reading.confidence for reading in SAMPLES["mixed"].readings]
    assert page.mean_confidence == pytest.approx(sum(confidences) / len(confidences))
    text = " ".join(shown([page]).text_content().split())
    assert f"3 staves, 9 notes, mean confidence {page.mean_confidence:.2f}" in text
    assert "2 doubtful signs (22%)" in text
    assert "s03: No clef was found." in text


def test_doubtful_signs_are_pieces_of_the_overlay_worst_first() -> None:
    page = SAMPLES["mixed"]
    doubts = page_row(page).doubts
    current = page.current()
    doubtful = [glyph for glyph in page.glyphs if glyph.id in doubtful_signs(page)]
    assert len(doubts) == len(doubtful) == 2
    assert f"{min(current[glyph.id].confidence for glyph in doubtful):.2f}" in doubts[0].text
    overlay = draw_overlay(page, np.full((page.height, page.width, 3), 255, np.uint8))
    for doubt in doubts:  # the vermillion diamond of the overlay stands around the place
        piece = overlay[
            max(doubt.row - 50, 0) : doubt.row + 50, max(doubt.col - 75, 0) : doubt.col + 75
        ].astype(int)
        assert (np.abs(piece - VERMILLION).max(axis=2) < 40).sum() > 20
    (link,) = [link for link in shown([page_row(page)]).iter("a") if link.get("data-doubts")]
    assert [text for _, _, text in json.loads(link.get("data-doubts"))] == [doubt.text for doubt in doubts]


def test_the_overview_of_a_whole_book_stays_small() -> None:
    """500 pages, each with all the doubts and warnings that are shown; pictures would be too much."""
    doubts = tuple(
        Doubt(1234, 1234, "b-flat3? inclinatum, sign doubtful and pitch doubtful 0.43") for _ in range(99)
    )
    warnings = tuple(f"s{n:02d}: {'A long warning about a staff. ' * 4}" for n in range(20))
    rows = [
        PageRow(
            f"leaf{n:04d}",
            notes=300,
            doubtful=99,
            mean_confidence=0.9,
            warnings=warnings,
            doubts=doubts[:DOUBTS_SHOWN],
        )
        for n in range(500)
    ]
    pictured = [replace(row, thumbnail="data:," + "A" * (THUMBNAIL_BYTES - 6)) for row in rows]
    assert len(index_html("book", pictured).encode()) < 1_600_000  # that of one overlay
    assert "data:," in index_html("part", pictured[:100])
    assert len(worst_doubts(SAMPLES["mixed"], most=1)) == 1


def test_many_warnings_are_cut_short_and_counted() -> None:
    row = next(row for row in ROWS if row.page_id == "d")
    (item,) = [item for item in shown(ROWS).iter("li") if "".join(item.xpath("./div/div/h2//text()")) == "d"]
    told = [warning.text for warning in item.iter("li") if warning is not item]
    assert told == ["x (3 times)", "u", "v", "w", "and 2 more warnings"]
    assert len(row.warnings) == 8


def test_names_from_outside_cannot_break_the_page() -> None:
    root = shown(ROWS, title="<i>out</i>")
    assert (
        len(list(root.iter("script"))) == 1
        and not list(root.iter("b"))
        and not list(root.iter("i", "em"))[1:0]
    )
    assert "<script>alert(1)</script> & 'f\" \\udcff" in [
        heading.text_content() for heading in root.iter("h2")
    ]
    assert root.find(".//h1").text == "<i>out</i>"


def test_nothing_is_fetched_from_anywhere_else() -> None:
    source = index_html("t", [*ROWS, PageRow("g", thumbnail=thumbnail_uri(np.zeros((50, 40, 3), np.uint8)))])
    assert (
        "http:" not in source and "https:" not in source and "@import" not in source and "url(" not in source
    )
    for element in html.fromstring(source).iter("img", "a", "script", "link"):
        target = element.get("src") or element.get("href") or ""
        assert target.startswith("data:") or ":" not in target


def test_links_lead_to_the_files_of_the_page(tmp_path: Path) -> None:
    for name in ("leaf 1%20é", "leaf#2?"):
        (tmp_path / name).mkdir()
        (tmp_path / name / "overlay.jpg").write_bytes(b"")
    path = write_index(tmp_path, [PageRow("leaf 1%20é", notes=1), PageRow("leaf#2?", notes=1)])
    links = [link.get("href") for link in html.fromstring(path.read_text("utf-8")).iter("a")]
    overlays = {link for link in links if link.endswith("overlay.jpg")}
    assert len(overlays) == 2
    assert all(
        "#" not in link and "?" not in link and (tmp_path / unquote(link)).is_file() for link in overlays
    )


def test_no_pages_is_said() -> None:
    assert "No pages yet." in shown([]).text_content()


def test_a_small_picture_fits_its_bound() -> None:
    noise = np.random.default_rng(1).integers(0, 256, (900, 600, 3), dtype=np.uint8)
    for picture in (noise, noise[:5], noise[:, :2]):
        uri = thumbnail_uri(picture)
        assert len(uri) <= THUMBNAIL_BYTES and uri.startswith("data:image/jpeg;base64,")
        coded = np.frombuffer(base64.b64decode(uri.partition(",")[2]), np.uint8)
        assert cv2.imdecode(coded, cv2.IMREAD_COLOR) is not None


def test_a_folder_that_cannot_be_written_is_an_output_error(tmp_path: Path) -> None:
    (tmp_path / "file").write_bytes(b"")
    with pytest.raises(OutputError):
        write_index(tmp_path / "file", ROWS)


def pressed(path: Path, keys: list[str], profile: Path) -> str:
    """What has the focus after some keys, as a browser tells."""
    browser = shutil.which("chromium") or shutil.which("google-chrome")
    if browser is None:
        pytest.skip("needs the program chromium to press keys")
    press = "".join(
        f'document.dispatchEvent(new KeyboardEvent("keydown", {{key: "{key}"}}));' for key in keys
    )
    seen = 'document.title = at + " " + document.activeElement.textContent;'
    text = path.read_text("utf-8").replace("</body>", f"<script>{press}{seen}</script></body>")
    path.write_text(text, "utf-8")
    command = [browser, "--headless", "--no-sandbox", "--disable-gpu", f"--user-data-dir={profile}"]
    command.append("--window-size=1400,900")  # wide enough for the picture beside the list
    done = subprocess.run(
        [*command, "--dump-dom", path.as_uri()], capture_output=True, text=True, timeout=120, check=True
    )
    return done.stdout


@pytest.mark.slow
def test_keys_move_through_the_pages(tmp_path: Path) -> None:
    path = write_index(tmp_path, ROWS)
    seen = pressed(path, ["j", "ArrowDown", "j", "k"], tmp_path / "profile")
    assert "<title>2 d</title>" in seen


@pytest.mark.slow
def test_a_key_moves_through_the_doubtful_places(tmp_path: Path) -> None:
    doubts = (Doubt(10, 20, "c4 punctum, sign doubtful 0.30"), Doubt(30, 40, "d4?, pitch doubtful 0.90"))
    path = write_index(tmp_path, [PageRow("a", notes=9, doubtful=2, doubts=doubts)])
    assert "<title>0 d4?, pitch doubtful 0.90</title>" in pressed(path, ["d", "d"], tmp_path / "profile")
