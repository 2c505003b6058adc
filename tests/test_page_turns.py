"""The custos at the end of a page against the page after it, in runs of many pages.

That a custos gives the pitch of the note that follows, over the page turn too, is common practice.
"""

from __future__ import annotations

import functools
import json
from collections.abc import Callable
from pathlib import Path

import msgspec
import pytest
import stand_ins
from small_pages import Writer

import neumary.batch
from neumary.batch import BatchReport, Run, read_all
from neumary.cli import run
from neumary.custodes import Heard, page_ends
from neumary.errors import ExitCode
from neumary.executor import InProcess
from neumary.inputs import list_inputs
from neumary.page_turns import Edges, Place, find_turns, follow
from neumary.pitch import resolve_pitches
from neumary.settings import ReadSettings
from neumary.types import Pitch
from neumary.worker import Reader, read_to_files

Make = Callable[..., Path]


@pytest.fixture
def out(tmp_path: Path) -> Path:
    return tmp_path / "out"


def _places(*names: str, folder: str = "/book") -> list[Place]:
    return [Place(Path(name).stem, f"{folder}/{name}", 0) for name in names]


def _read(out: Path, *names: Path, jobs: int = 1, reader: Reader = stand_ins.read_with_custos) -> BatchReport:
    wanted = Run(out, ReadSettings(), jobs=jobs, reader=reader)
    return read_all(list_inputs(names), wanted, executor=None if jobs > 1 else InProcess(read_to_files))


# --- which page follows which -------------------------------------------------------------------


@pytest.mark.parametrize(
    ("names", "expected"),
    [
        (["0041.jpg", "0042.jpg", "0044.jpg"], {"0041": "0042"}),  # 0043 is missing
        (["f9v.jpg", "f9r.jpg", "f10r.jpg", "f10v.jpg"], {"f9r": "f9v", "f9v": "f10r", "f10r": "f10v"}),
        (["f1r.jpg", "f2r.jpg"], {}),  # f1v is missing
        (["a_001.jpg", "b_002.jpg"], {}),  # two books
        (["kyrie.jpg", "gloria.jpg"], {}),  # names that tell no order
        (["p1.jpg", "p1.png", "p2.jpg"], {}),  # two pages of one number
    ],
)
def test_pictures_follow_each_other_as_their_names_count(names: list[str], expected: dict[str, str]) -> None:
    assert follow(_places(*names)) == expected
    assert follow(reversed(_places(*names))) == expected


def test_folders_are_books_of_their_own() -> None:
    assert follow([*_places("p1.jpg"), *_places("p2.jpg", folder="/other")]) == {}


def test_pages_of_one_file_follow_each_other() -> None:
    pages = [Place(f"book-p{n + 1:04d}", "/scans/book.pdf", n) for n in range(3)]
    assert follow(pages) == {"book-p0001": "book-p0002", "book-p0002": "book-p0003"}


def test_pages_of_a_manifest_follow_each_other_as_listed() -> None:
    pages = [Place(f"ms-p{n:04d}", f"https://iiif.example/{name}.jpg", 0) for n, name in [(1, "z"), (2, "a")]]
    assert follow(pages) == {"ms-p0001": "ms-p0002"}


# --- what is said -------------------------------------------------------------------------------


def _heard(degree: int, *others: tuple[int, int, float], certainty: str = "exact") -> Heard:
    return Heard("s09", "g0099", 0.95, Pitch(certainty=certainty, degree=degree, alternatives=others))


def test_agreement_and_disagreement_are_told_with_both_readings() -> None:
    places = _places("f1r.jpg", "f1v.jpg", "f2r.jpg")
    edges = {
        "f1r": Edges(9, _heard(28), _heard(26)),
        "f1v": Edges(9, _heard(26), _heard(29)),
        "f2r": Edges(9, _heard(25)),
    }
    agree, differ = find_turns(places, edges)
    assert (agree.page_id, agree.following, agree.verdict, agree.announced) == ("f1r", "f1v", "agrees", "a3")
    assert (differ.page_id, differ.verdict, differ.announced, differ.found) == (
        "f1v",
        "disagrees",
        "d4",
        "g3",
    )
    assert "d4" in differ.text and "g3" in differ.text and "f2r" in differ.text and "clef" in differ.text


def test_a_page_that_was_not_read_is_never_passed_over() -> None:
    places = _places("f1r.jpg", "f1v.jpg", "f2r.jpg")
    edges = {"f1r": Edges(9, _heard(28), _heard(26)), "f2r": Edges(9, _heard(25))}
    assert find_turns(places, edges) == []
    (turn,) = find_turns(places, edges | {"f1v": Edges(0)})  # but a page without music is
    assert (turn.following, turn.verdict) == ("f2r", "disagrees")


def test_a_range_leaves_the_comparison_open() -> None:
    ranged = _heard(25, (25, 0, 0.6), (26, 0, 0.4), certainty="ranged")
    edges = {"f1r": Edges(9, None, _heard(26)), "f1v": Edges(9, ranged)}
    (turn,) = find_turns(_places("f1r.jpg", "f1v.jpg"), edges)
    assert turn.verdict == "open" and "0.40" in turn.text


def test_the_ends_of_a_page_are_its_first_note_and_last_custos() -> None:
    leaf = Writer().staff().clef("c", 4).notes(4, 5).sign("custos", 2)
    leaf.staff().clef("f", 4).notes(6).sign("custos", 1).staff()
    readings, _ = resolve_pitches(*leaf.parts)
    first, custos = page_ends(leaf.page(readings))
    assert first is not None and first.pitch.degree == 26  # a3, two steps below the c clef's line
    assert custos is not None and (custos.staff, custos.pitch.degree) == ("s02", 19)  # f clef line 4: a2
    unread = msgspec.structs.replace(leaf.page(readings), staves=())
    assert page_ends(unread) == (None, None)


# --- whole runs ---------------------------------------------------------------------------------


def test_a_run_of_pages_compares_their_ends(out: Path, picture: Make) -> None:
    names = [picture(name, n) for n, name in enumerate(["odd1.jpg", "odd2.jpg", "p1.jpg", "p2.jpg"])]
    report = _read(out, *names)
    assert {(t.page_id, t.following): t.verdict for t in report.turns} == {
        ("odd1", "odd2"): "disagrees",
        ("p1", "p2"): "agrees",
    }
    index = (out / "index.html").read_text(encoding="utf-8")
    assert "announces c4" in index and "reads a3" in index and "agrees with p2" in index
    assert "1 agree, 1 disagree" in index


def test_findings_do_not_hang_on_how_pages_were_read(tmp_path: Path, picture: Make) -> None:
    """One process or two, at once or in pieces: the same overview, byte for byte."""
    names = [picture(f"odd{n}.jpg", n) for n in range(1, 5)]
    one, two, pieces = (tmp_path / name / "out" for name in ("one", "two", "pieces"))
    _read(one, *names)
    _read(two, *names, jobs=2)
    assert _read(pieces, names[3], names[1]).turns == []
    report = _read(pieces, *names)
    assert report.count("already") == 2
    assert [turn.following for turn in report.turns] == ["odd2", "odd3", "odd4"]
    assert (one / "index.html").read_bytes() == (two / "index.html").read_bytes()
    assert (one / "index.html").read_bytes() == (pieces / "index.html").read_bytes()
    for page in ("odd1", "odd2"):
        assert (one / page / "page.json").read_bytes() == (pieces / page / "page.json").read_bytes()


def test_a_failed_page_breaks_the_chain_until_it_is_read(out: Path, picture: Make) -> None:
    names = [picture("odd1.jpg", 1), picture("odd3.jpg", 3)]
    broken = names[0].with_name("odd2.jpg")
    broken.write_bytes(names[0].read_bytes()[:200])
    assert _read(out, *names, broken).turns == []
    picture("odd2.jpg", 2)  # put right, and read again
    assert [turn.following for turn in _read(out, *names, broken).turns] == ["odd2", "odd3"]


@pytest.fixture
def with_custos(monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr(
        neumary.batch, "Run", functools.partial(neumary.batch.Run, reader=stand_ins.read_with_custos)
    )


@pytest.mark.usefixtures("with_custos")
def test_the_json_result_and_the_events_hold_the_page_turns(
    out: Path, picture: Make, capsys: pytest.CaptureFixture[str]
) -> None:
    names = [str(picture(name, n)) for n, name in enumerate(["odd1.jpg", "odd2.jpg"])]
    assert run(["read", *names, "-o", str(out), "--json"]) == ExitCode.OK
    said = capsys.readouterr()
    (turn,) = json.loads(said.out)["page_turns"]
    assert (turn["verdict"], turn["announced"], turn["found"]) == ("disagrees", "c4", "a3")
    events = [json.loads(line) for line in said.err.splitlines()]
    assert [event["page_id"] for event in events if event["event"] == "page-turn"] == ["odd1"]


@pytest.mark.usefixtures("with_custos")
def test_people_are_told_of_page_turns_once_the_run_is_over(
    out: Path, picture: Make, capsys: pytest.CaptureFixture[str]
) -> None:
    names = [str(picture(name, n)) for n, name in enumerate(["odd1.jpg", "odd2.jpg"])]
    assert run(["read", *names, "-o", str(out)]) == ExitCode.OK
    said = capsys.readouterr().err
    assert "0 custodes agree with the next page, 1 disagree" in said and "announces c4" in said
    assert run(["read", *names, "-o", str(out), "--quiet"]) == ExitCode.OK
    assert capsys.readouterr().err == ""
