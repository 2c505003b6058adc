"""Our own MEI read back: what went in comes out, and nothing else is taken for ours."""

from __future__ import annotations

from pathlib import Path

import msgspec
import pytest
from small_pages import SPACE, Writer

from neumary.errors import StoreError
from neumary.mei import to_mei
from neumary.mei_read import load_mei
from neumary.metrics import score_page
from neumary.neumes import group_neumes
from neumary.pitch import resolve_pitches
from neumary.types import Page


def build(writer: Writer) -> Page:
    readings, _ = resolve_pitches(*writer.parts)
    neumes = tuple(group_neumes(writer.staves, writer.glyphs, readings))
    return writer.page(readings, neumes=neumes)


def rich_page() -> Page:
    """Two staves with every sort of sign, a flat, a change of clef and heads of several names."""
    written = Writer()
    written.staff().clef("c", 4).notes(2, 3).sign("flat", 5).notes(5, 4).sign("division")
    for label in ("virga", "inclinatum", "quilisma", "oriscus", "stropha", "liquescent"):
        written.sign(label, 4)
    written.sign("oblique", 5, starts_neume=0.9).sign("oblique", 3, starts_neume=0.0).sign("custos", 2)
    written.staff().clef("f", 3).notes(2, 5, -2).clef("c", 3).notes(1, 0, 8)
    return build(written)


def through_mei(page: Page, folder: Path) -> Page:
    path = folder / "page.mei"
    path.write_bytes(to_mei(page))
    return load_mei(path)


def test_every_sign_comes_back(tmp_path: Path) -> None:
    page = rich_page()
    again = through_mei(page, tmp_path)
    before, after = page.current(), again.current()
    assert before.keys() == after.keys()
    for glyph, reading in before.items():
        assert after[glyph].label == reading.label
        assert after[glyph].step == reading.step, reading.label
        if reading.pitch is not None:
            assert (after[glyph].pitch.degree, after[glyph].pitch.alter) == (
                reading.pitch.degree,
                reading.pitch.alter,
            )
    assert [n.glyphs for n in again.neumes] == [n.glyphs for n in page.neumes]
    assert (again.page_id, again.width, again.height) == (page.page_id, page.width, page.height)


def test_it_scores_as_the_page_does(tmp_path: Path) -> None:
    page = rich_page()
    score = score_page(through_mei(page, tmp_path), page)
    assert score.notes.f1 == score.label.accuracy == score.pitch.accuracy == score.boundaries.f1 == 1.0
    assert score.melody_error_rate == 0.0
    assert all(score.sign_f1(group) == 1.0 for group in ("clef", "accidental", "custos", "division"))


def test_the_space_is_found_from_the_steps(tmp_path: Path) -> None:
    for staff in through_mei(rich_page(), tmp_path).staves:
        assert staff.space_px == pytest.approx(SPACE, rel=0.05)
        assert staff.lines == ()


def test_another_letter_than_c_and_f(tmp_path: Path) -> None:
    page = build(Writer().staff(lines=5).clef("a", 3).notes(2, 4, 5).staff().clef("d", 2).notes(1, 3))
    again = through_mei(page, tmp_path)
    labels = {r.label: r.step for r in again.readings if r.label.startswith("clef")}
    assert labels == {"clef_a": 4, "clef_d": None}  # no C, F or G line equals this D: MEI cannot say where
    assert score_page(again, page).pitch.accuracy == 1.0


def test_a_clef_that_was_not_seen(tmp_path: Path) -> None:
    """An inferred clef is no element in MEI; the heads' steps come back all the same."""
    page = build(Writer().staff().clef("c", 4).notes(2, 3, 4))
    readings = tuple(
        msgspec.structs.replace(r, by="inferred") if r.label == "clef_c" else r for r in page.readings
    )
    page = msgspec.structs.replace(page, readings=readings)
    again = through_mei(page, tmp_path)
    assert [r.step for r in again.readings if r.label == "punctum"] == [2, 3, 4]


def test_contour_only(tmp_path: Path) -> None:
    page = build(Writer().staff(lines=0, kind="staffless").notes(2, 3, 4))
    again = through_mei(page, tmp_path)
    assert [r.pitch.certainty for r in again.readings] == ["contour"] * 3


@pytest.mark.parametrize(
    "text", ["", "<mei", "<mei/>", '<mei xmlns="http://www.music-encoding.org/ns/mei"><music/></mei>']
)
def test_other_files_are_refused_in_words(tmp_path: Path, text: str) -> None:
    path = tmp_path / "x.mei"
    path.write_text(text)
    with pytest.raises(StoreError, match=r"x\.mei is no MEI file"):
        load_mei(path)
    with pytest.raises(StoreError, match="cannot be opened"):
        load_mei(tmp_path / "absent.mei")
