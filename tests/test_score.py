"""Comparing folders of pages, and the printed report."""

from __future__ import annotations

import io
import json
import re
from collections.abc import Callable
from pathlib import Path

import msgspec
import numpy as np
import pytest
from PIL import Image
from rich.console import Console
from small_pages import SPACE, Writer

from neumary.cli import run
from neumary.errors import UsageError
from neumary.measures import Share
from neumary.mei import to_mei
from neumary.pitch import resolve_pitches
from neumary.score import MEASURES, Tolerances, base, score_folders, score_pages, shown
from neumary.score_change import compare_reports
from neumary.score_html import report_pictures, score_html
from neumary.store import save_page
from neumary.types import Page


def page(name: str, step: int = 3) -> Page:
    written = Writer().staff().clef("c", 4).notes(2, step, 4)
    readings, _ = resolve_pitches(*written.parts)
    return msgspec.structs.replace(written.page(readings), page_id=name, sha256="0" * 64)


def misread(name: str) -> Page:
    """The same leaf with its second note read two steps high, where it stands."""
    written = Writer().staff().clef("c", 4).notes(2, 3, 4)
    written.readings[2] = msgspec.structs.replace(written.readings[2], step=5)
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


def test_tolerances_are_arguments(tmp_path: Path) -> None:
    true = page("a")
    moved = tuple(msgspec.structs.replace(g, row=g.row + 0.3 * SPACE) for g in true.glyphs)
    out = store(tmp_path / "out", msgspec.structs.replace(true, glyphs=moved))
    truth = store(tmp_path / "truth", true)
    assert score_folders(out, truth).total.notes.hit == 3
    assert score_folders(out, truth, Tolerances(note_spaces=0.2)).total.notes.hit == 0
    assert score_folders(out, truth, Tolerances(note_spaces=0.2)).as_dict()["tolerances"] == {
        "note_spaces": 0.2, "sign_spaces": 1.0, "line_spaces": 0.25, "line_overlap": 0.8,
    }  # fmt: skip


def test_drawn_truth_and_mei_are_read(tmp_path: Path) -> None:
    (tmp_path / "truth").mkdir()
    (tmp_path / "mei").mkdir()
    save_page(page("a"), tmp_path / "truth" / "a.page.json")
    (tmp_path / "mei" / "a.mei").write_bytes(to_mei(page("a")))
    report = score_folders(tmp_path / "mei", tmp_path / "truth")
    assert report.total.pitch == Share(3, 3) and report.total.label == Share(3, 3)
    assert report.left_out == ("line F1", "staff F1")  # MEI holds no staff lines
    assert "staff F1" not in report.measures and "not measurable" in report.caption


def test_what_rests_on_nothing_is_a_dash() -> None:
    score = score_pages({"a": page("a")}, {"a": page("a")}).total
    assert (base("custos F1", score), shown("custos F1", score)) == (0, "-")
    assert (base("note F1", score), shown("note F1", score)) == (3, "1.000")


def test_two_runs(tmp_path: Path) -> None:
    names = "abcdef"
    truth = {name: page(name) for name in names}
    before = score_pages({name: misread(name) for name in names}, truth)
    after = score_pages({name: misread(name) if name == "f" else page(name) for name in names}, truth)
    found = compare_reports(after, before)
    change = found.changes["melody error"]
    assert (change.before, change.after, change.verdict) == (
        pytest.approx(6 / 18), pytest.approx(1 / 18), "better",
    )  # fmt: skip
    assert found.changes["pitch"].verdict == "better"
    assert found.changes["note F1"].verdict == "no clear change"
    assert compare_reports(before, after).changes["melody error"].verdict == "worse"
    assert found.pages["f"] == (pytest.approx(100 / 3),) * 2
    assert next(iter(found.pages)) == "f"  # what got least better comes first
    screen = io.StringIO()
    for table in found.tables():
        Console(file=screen, width=120).print(table)
    assert "5 page(s) better, 0 worse, 1 the same" in " ".join(screen.getvalue().split())


def test_a_run_against_itself_has_not_changed() -> None:
    truth = {name: page(name) for name in "abc"}
    report = score_pages({name: misread(name) for name in "ab"}, truth)
    found = compare_reports(report, report)
    assert {change.verdict for change in found.changes.values()} == {"no clear change"}
    assert all(change.low == change.high == 0 for change in found.changes.values())


def test_html_stands_alone(tmp_path: Path) -> None:
    name = "a<b>&"
    truth = {name: page(name)}
    report = score_pages({name: misread(name)}, truth)
    picture = tmp_path / f"{name}.png"
    Image.fromarray(np.full((400, 1600, 3), 200, dtype=np.uint8)).save(picture)
    text = score_html(report, {name: picture})
    assert "a&lt;b&gt;&amp;" in text and "a<b>" not in text
    assert text.count("data:image/jpeg;base64,") == len(report.mistakes) == 1
    assert not re.search(r"""(src|href)\s*=\s*["'](?!data:)""", text)
    assert "punctum 3 read as punctum 5" in text
    bare = score_html(report, {})
    assert "<img" not in bare and "punctum 3 read as punctum 5" in bare


def test_pictures_are_found_beside_the_truth(tmp_path: Path) -> None:
    truth = {"a": page("a")}
    report = score_pages(truth, truth)
    (tmp_path / "deep").mkdir()
    assert report_pictures(report, (tmp_path,)) == {}
    Image.new("RGB", (4, 4)).save(tmp_path / "deep" / "a.png")
    assert report_pictures(report, (tmp_path,)) == {"a": tmp_path / "deep" / "a.png"}


def test_pictures_are_found_by_the_ledger(
    tmp_path: Path, picture: Callable[..., Path], capsys: pytest.CaptureFixture[str]
) -> None:
    source, out = picture("scans/leaf.png"), tmp_path / "out"
    assert run(["read", str(source), "-o", str(out), "--jobs", "1", "--quiet"]) == 0
    capsys.readouterr()
    report = score_folders(out, out)
    assert report_pictures(report, (out,)) == {"leaf": source.resolve()}


def test_the_command(tmp_path: Path, capsys: pytest.CaptureFixture[str]) -> None:
    out, old = store(tmp_path / "out", page("a")), store(tmp_path / "old", misread("a"))
    truth, html = store(tmp_path / "truth", page("a")), tmp_path / "report.html"
    words = ["score", str(out), str(truth), "--against", str(old), "--html", str(html), "--json"]
    assert run(words) == 0
    given = json.loads(capsys.readouterr().out)
    assert given["against"]["changes"]["pitch"]["before"] == pytest.approx(2 / 3)
    assert given["total"]["pitch"] == 1.0 and html.read_text().startswith("<!doctype html>")


@pytest.mark.leaves
def test_truth_beside_a_scan(scans: Path, tmp_path: Path) -> None:
    from neumary.truth import load_truth

    truth = scans / "antiphoner_f001r.truth.json"
    out = store(tmp_path / "out", load_truth(truth))
    assert score_folders(out, truth).total.melody_error_rate == 0.0
