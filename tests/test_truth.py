"""Truth files: read as pages, refused with a reason."""

from __future__ import annotations

import json
from pathlib import Path
from typing import Any

import pytest

from neumary.errors import StoreError
from neumary.truth import UNCERTAIN, load_truth


def sign(
    kind: str, col: float, row: float, step: int | None = None, name: str = "", **more: Any
) -> dict[str, Any]:
    place = {"kind": kind, "x": col, "y": row, **more}
    if step is not None:
        place["step"] = step
    return {**place, "pname": name[0], "oct": int(name[1])} if name else place


TRUTH: dict[str, Any] = {
    "image": "leaf.jpg",
    "width": 900,
    "height": 400,
    "staves": [
        {
            "lines": [[[10, 200.0], [800, 204.0]], [[10, 150.0], [800, 154.0]]],
            "space_px": 50.0,
            "clefs": [],
            "clef_assumed": {"shape": "F", "line": 1, "why": "hidden"},
            "symbols": [
                sign("clef", 20, 200, 0, shape="F", line=1, bbox=[15, 170, 30, 230]),
                sign("nc", 100.5, 175.2, 1, "g3", shape="punctum", neume=0),
                sign("nc", 101, 150, 2, "a3", shape="virga", neume=0),
                sign("nc", 300, 240, -2, "d3", shape="punctum", neume=1, uncertain=True, note="erased?"),
                sign("flat", 350, 150, 3),
                sign("divline", 400, 180),
                sign("custos", 780, 180, 1, "g3"),
            ],
        }
    ],
}


def written(folder: Path, truth: object) -> Path:
    path = folder / "leaf.truth.json"
    path.write_text(json.dumps(truth))
    return path


def test_a_truth_file_is_read_as_a_page(tmp_path: Path) -> None:
    page = load_truth(written(tmp_path, TRUTH))
    assert (page.page_id, page.width, page.height) == ("leaf", 900, 400)
    (staff,) = page.staves
    assert staff.row_of(0, 10) == 200.0 and staff.row_of(2, 800) == 154.0
    labels = [reading.label for reading in page.readings]
    assert labels == ["clef_f", "punctum", "virga", "punctum", "flat", "division", "custos"]
    pitches = [reading.pitch.degree for reading in page.readings if reading.pitch]
    assert pitches == [25, 26, 22, 25]  # g3, a3, d3, g3 with c4 = 28
    assert [reading.step for reading in page.readings] == [0, 1, 2, -2, 3, None, 1]
    assert [(neume.glyphs, neume.contour) for neume in page.neumes] == [
        (("g0002", "g0003"), "U"),
        (("g0004",), ""),
    ]
    clef, head = page.glyphs[:2]
    assert (clef.box.top, clef.box.left, clef.box.bottom, clef.box.right) == (170, 15, 230, 30)
    assert (head.row, head.col) == (175.2, 100.5)
    assert head.box.bottom - head.box.top == 40  # 0.8 spaces


def test_what_is_uncertain_can_be_left_out(tmp_path: Path) -> None:
    page = load_truth(written(tmp_path, TRUTH))
    uncertain = [reading for reading in page.readings if reading.note.startswith(UNCERTAIN)]
    assert [(reading.glyph, reading.confidence) for reading in uncertain] == [("g0004", 0.0)]
    assert {reading.by for reading in page.readings} == {"truth"}


def test_an_assumed_clef_is_a_warning(tmp_path: Path) -> None:
    (remark,) = load_truth(written(tmp_path, TRUTH)).warnings
    assert (remark.code, remark.staff) == ("clef-assumed", "s01") and "F on line 1" in remark.text


@pytest.mark.parametrize("truth", [{}, [], {**TRUTH, "staves": [{"lines": []}]}, {**TRUTH, "width": "wide"}])
def test_other_files_are_refused(truth: object, tmp_path: Path) -> None:
    with pytest.raises(StoreError, match="is no truth file"):
        load_truth(written(tmp_path, truth))


def test_unknown_kinds_of_symbols_are_refused(tmp_path: Path) -> None:
    other = json.loads(json.dumps(TRUTH))
    other["staves"][0]["symbols"][0]["kind"] = "fermata"
    with pytest.raises(StoreError, match="fermata"):
        load_truth(written(tmp_path, other))


def test_a_missing_file_is_named(tmp_path: Path) -> None:
    with pytest.raises(StoreError, match="nowhere"):
        load_truth(tmp_path / "nowhere.json")


@pytest.mark.leaves
def test_the_real_leaf_agrees_with_its_own_lines(scans: Path) -> None:
    """Each sure head lies within a step of its own: this scribe pushes seconds apart by up to 0.85."""
    page = load_truth(scans / "antiphoner_f001r.truth.json")
    staves = {staff.id: staff for staff in page.staves}
    current = page.current()
    heads = [g for g in page.glyphs if current[g.id].pitch and not current[g.id].note.startswith(UNCERTAIN)]
    off = [abs(staves[g.staff].step_at(g.row, g.col) - (current[g.id].step or 0)) for g in heads]
    assert len(heads) == 331 and max(off) < 1.0
