"""Comparing folders of pages, and the printed report."""

from __future__ import annotations

import io
from pathlib import Path

import msgspec
import pytest
from rich.console import Console
from small_pages import Writer

from neumary.errors import UsageError
from neumary.pitch import resolve_pitches
from neumary.score import MEASURES, score_folders
from neumary.store import save_page
from neumary.types import Page


def page(name: str, step: int = 3) -> Page:
    written = Writer().staff().clef("c", 4).notes(2, step, 4)
    readings, _ = resolve_pitches(*written.parts)
    return msgspec.structs.replace(written.page(readings), page_id=name, sha256="0" * 64)


def store(folder: Path, *pages: Page) -> Path:
    for one in pages:
        place = folder / one.page_id
        place.mkdir(parents=True)
        save_page(one, place / "page.json")
    return folder


def test_folders(tmp_path: Path) -> None:
    out = store(tmp_path / "out", page("a"), page("b", step=5), page("z"))
    truth = store(tmp_path / "truth", page("a"), page("b"), page("c"))
    report = score_folders(out, truth)
    assert list(report.pages) == ["a", "b", "c"]
    assert (report.unread, report.without_truth) == (("c",), ("z",))
    assert report.pages["b"].melody_edits.count == 1
    assert report.pages["c"].notes.missed == 3
    assert report.total.melody_error_rate == 4 / 9
    assert set(report.intervals) == set(MEASURES)


def test_report_is_printable_and_plain(tmp_path: Path) -> None:
    out, truth = store(tmp_path / "out", page("a")), store(tmp_path / "truth", page("a"))
    report = score_folders(out, truth)
    screen = io.StringIO()
    Console(file=screen, width=100).print(report.table())
    for name in MEASURES:
        assert name in screen.getvalue()
    plain = msgspec.json.decode(msgspec.json.encode(report.as_dict()))
    assert plain["total"]["note F1"] == 1.0 and plain["intervals"] == {}


def test_one_file_against_one_file(tmp_path: Path) -> None:
    out, truth = store(tmp_path / "out", page("a")), store(tmp_path / "truth", page("a"))
    report = score_folders(out / "a" / "page.json", truth / "a")
    assert report.total.pitch.accuracy == 1.0


def test_nothing_to_compare_says_what_to_do(tmp_path: Path) -> None:
    out, truth = store(tmp_path / "out", page("a")), store(tmp_path / "truth", page("b"))
    with pytest.raises(UsageError, match="paired by page id"):
        score_folders(out, truth)
    with pytest.raises(UsageError, match="holds no truth"):
        score_folders(out, tmp_path / "nowhere")


@pytest.mark.leaves
def test_truth_beside_a_scan(scans: Path, tmp_path: Path) -> None:
    from neumary.truth import load_truth

    truth = scans / "antiphoner_f001r.truth.json"
    out = store(tmp_path / "out", load_truth(truth))
    assert score_folders(out, truth).total.melody_error_rate == 0.0
