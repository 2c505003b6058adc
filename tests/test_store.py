"""Stored pages: what goes in comes out, and half a file never bears a file's name."""

from __future__ import annotations

import errno
import json
import os
from pathlib import Path

import jsonschema
import msgspec
import pytest
from artificial_pages import SAMPLES
from hypothesis import given
from hypothesis import strategies as st

from neumary import store
from neumary.errors import OutputError, StoreError
from neumary.types import (
    Box,
    Glyph,
    Neume,
    Page,
    Pitch,
    Provenance,
    Reading,
    Remark,
    Staff,
    StaffLine,
    Syllable,
)
from neumary_models.labels import NAMES

texts = st.text(st.characters(codec="utf-8"), max_size=8)
pixels = st.integers(-100_000, 1_000_000).map(lambda n: n / 100)
shares = st.integers(0, 10_000).map(lambda n: n / 10_000)
degrees = st.integers(0, 69)
boxes = st.builds(
    lambda top, left, tall, wide: Box(top, left, top + tall, left + wide),
    *[st.integers(0, 9000)] * 4,
)
pitches = st.builds(
    Pitch,
    certainty=st.sampled_from(["exact", "ranged", "contour"]),
    degree=st.none() | degrees,
    alter=st.sampled_from([0, -1]),
    alternatives=st.lists(st.tuples(degrees, st.sampled_from([0, -1]), shares), max_size=3).map(tuple),
    contour=st.sampled_from(["", "u", "d", "s"]),
)
lines = st.lists(st.tuples(pixels, pixels), min_size=2, max_size=4).flatmap(
    lambda points: st.builds(
        StaffLine,
        cols=st.just(tuple(col for col, _ in points)),
        rows=st.just(tuple(row for _, row in points)),
        thickness_px=pixels,
        colour=st.sampled_from(["red", "yellow", "grey"]),
        seen=shares,
    )
)


@st.composite
def pages(draw: st.DrawFn) -> Page:
    """Any page whose parts refer to each other properly, on the stored grid of numbers."""
    staff_ids = draw(st.lists(texts, min_size=1, max_size=3, unique=True))
    glyph_ids = draw(st.lists(texts, max_size=5, unique=True))
    syllable_ids = draw(st.lists(texts.filter(bool), max_size=2, unique=True))
    a_staff, a_glyph = st.sampled_from(staff_ids), st.sampled_from(glyph_ids or [""])
    staves = [
        draw(
            st.builds(
                Staff,
                id=st.just(name),
                lines=st.lists(lines, max_size=2).map(tuple),
                space_px=pixels,
                area=boxes,
                kind_p=shares,
            )
        )
        for name in staff_ids
    ]
    glyphs = [
        draw(
            st.builds(Glyph, id=st.just(name), staff=a_staff, row=pixels, col=pixels, box=boxes, layer=texts)
        )
        for name in glyph_ids
    ]
    readings = st.builds(
        Reading,
        glyph=a_glyph,
        label=st.sampled_from(NAMES),
        confidence=shares,
        rivals=st.lists(st.tuples(texts, shares), max_size=2).map(tuple),
        step=st.none() | st.integers(-9, 19),
        steps=st.lists(st.tuples(st.integers(-9, 19), shares), max_size=2).map(tuple),
        pitch=st.none() | pitches,
        starts_neume=shares,
        by=st.sampled_from(["machine", "human", "truth"]),
        note=texts,
    )
    neumes = st.builds(
        Neume, id=texts, staff=a_staff, glyphs=st.lists(a_glyph, max_size=3).map(tuple), name=texts
    )
    return Page(
        page_id=draw(texts),
        source=draw(texts),
        sha256=draw(texts),
        width=draw(st.integers(1, 20_000)),
        height=draw(st.integers(1, 20_000)),
        dpi=draw(st.none() | pixels),
        staves=tuple(staves),
        glyphs=tuple(glyphs),
        readings=tuple(draw(st.lists(readings, max_size=4))) if glyphs else (),
        neumes=tuple(draw(st.lists(neumes, max_size=2, unique_by=lambda n: n.id))) if glyphs else (),
        syllables=tuple(Syllable(id=name, staff=draw(a_staff), text=draw(texts)) for name in syllable_ids),
        warnings=tuple(draw(st.lists(st.builds(Remark, code=texts, text=texts), max_size=2))),
        provenance=draw(
            st.builds(
                Provenance,
                settings=st.dictionaries(
                    texts,
                    texts | st.booleans() | st.floats(allow_nan=False, allow_infinity=False),
                    max_size=3,
                ),
            )
        ),
    )


@given(pages())
def test_a_page_comes_back_as_it_was(page: Page) -> None:
    data = store.encode_page(page)
    assert store.decode_page(data) == page
    assert store.encode_page(store.decode_page(data)) == data


@given(pages())
def test_every_stored_page_obeys_the_published_schema(page: Page) -> None:
    jsonschema.Draft202012Validator(store.page_schema()).validate(json.loads(store.encode_page(page)))


def test_the_schema_refuses_what_is_no_page() -> None:
    jsonschema.Draft202012Validator.check_schema(store.page_schema())
    wrong = json.loads(store.encode_page(SAMPLES["exact"]))
    wrong["glyphs"][0]["box"] = [1, 2, 3]
    with pytest.raises(jsonschema.ValidationError):
        jsonschema.Draft202012Validator(store.page_schema()).validate(wrong)


def test_the_published_schema_is_the_generated_one() -> None:
    assert store.SCHEMA_FILE.read_bytes() == store.schema_bytes(), (
        "the types changed: raise the version in neumary.store and write the file anew"
    )


def test_places_are_rounded_to_a_hundredth_of_a_pixel_and_shares_to_four_digits() -> None:
    page = SAMPLES["exact"]
    glyph = msgspec.structs.replace(page.glyphs[0], row=12.34567, col=-0.0001)
    reading = msgspec.structs.replace(page.readings[0], confidence=0.123456)
    fine = msgspec.structs.replace(
        page, glyphs=(glyph, *page.glyphs[1:]), readings=(reading, *page.readings[1:])
    )
    back = store.decode_page(store.encode_page(fine))
    assert (back.glyphs[0].row, back.glyphs[0].col) == (12.35, 0.0)
    assert back.readings[0].confidence == 0.1235
    assert b"-0.0," not in store.encode_page(fine)


def test_the_order_of_settings_does_not_matter_and_their_numbers_are_kept() -> None:
    def stored(settings: dict[str, str | int | float | bool]) -> bytes:
        return store.encode_page(
            msgspec.structs.replace(SAMPLES["empty"], provenance=Provenance(settings=settings))
        )

    assert stored({"b": 1.23456789, "a": 1}) == stored({"a": 1, "b": 1.23456789})
    assert b"1.23456789" in stored({"b": 1.23456789})


@pytest.mark.parametrize("name", SAMPLES)
def test_save_and_load(name: str, tmp_path: Path) -> None:
    path = tmp_path / "new folder" / "page.json"
    store.save_page(SAMPLES[name], path)
    first = path.read_bytes()
    store.save_page(store.load_page(path), path)
    assert path.read_bytes() == first
    assert store.load_page(path) == SAMPLES[name]
    assert [file.name for file in path.parent.iterdir()] == ["page.json"]


def test_names_that_are_no_unicode_are_written_out() -> None:
    page = msgspec.structs.replace(SAMPLES["empty"], source="leaf\udcff.jpg")
    assert store.decode_page(store.encode_page(page)).source == "leaf\\udcff.jpg"


@pytest.mark.parametrize(
    "data",
    [b"", b"{", b"[]", b"null", b"\xff\xfe", b'{"schema":1}', b'{"schema":"one"}', b'{"schema":"1.0"}'],
)
def test_damaged_files_are_named(data: bytes, tmp_path: Path) -> None:
    path = tmp_path / "page.json"
    path.write_bytes(data)
    with pytest.raises(StoreError, match=r"page\.json is damaged") as caught:
        store.load_page(path)
    assert caught.value.advice


@pytest.mark.parametrize("cut", [10, 500, -3])
def test_truncated_files_are_damaged(cut: int) -> None:
    with pytest.raises(StoreError, match="damaged"):
        store.decode_page(store.encode_page(SAMPLES["exact"])[:cut])


def test_a_missing_file_is_named(tmp_path: Path) -> None:
    with pytest.raises(StoreError, match="nowhere"):
        store.load_page(tmp_path / "nowhere.json")


def _with_version(version: str, **more: object) -> bytes:
    return json.dumps({**json.loads(store.encode_page(SAMPLES["exact"])), "schema": version, **more}).encode()


def test_another_major_version_is_refused() -> None:
    with pytest.raises(StoreError, match="newer version") as caught:
        store.decode_page(_with_version("2.0"))
    assert "Update" in caught.value.advice
    with pytest.raises(StoreError, match="older version"):
        store.decode_page(_with_version("0.9"))


def test_a_newer_minor_version_is_read_and_says_what_may_be_missing() -> None:
    page = store.decode_page(_with_version("1.7", something_new=[1, 2]))
    assert page.glyphs == SAMPLES["exact"].glyphs
    assert [remark.code for remark in page.warnings] == ["newer-form"]
    assert "1.7" in page.warnings[0].text


def test_what_an_older_minor_version_lacks_has_its_default(monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr(store, "SCHEMA", "1.3")
    old = json.loads(store.encode_page(SAMPLES["exact"]))
    del old["syllables"], old["dpi"]
    page = store.decode_page(json.dumps(old).encode())
    assert page.syllables == () and page.dpi is None and page.warnings == ()


def _broken(page: Page, **parts: object) -> Page:
    return msgspec.structs.replace(page, **parts)


@pytest.mark.parametrize(
    ("page", "said"),
    [
        (_broken(SAMPLES["exact"], glyphs=SAMPLES["exact"].glyphs[1:]), "refers to the sign 'g0001'"),
        (_broken(SAMPLES["exact"], staves=SAMPLES["exact"].staves[1:]), "refers to the staff 's01'"),
        (_broken(SAMPLES["exact"], staves=SAMPLES["exact"].staves * 2), "both called 's01'"),
        (_broken(SAMPLES["syllables"], syllables=()), "refers to the syllable 'y0001'"),
    ],
)
def test_a_page_that_contradicts_itself_is_neither_written_nor_read(
    page: Page, said: str, tmp_path: Path
) -> None:
    with pytest.raises(StoreError, match=said):
        store.save_page(page, tmp_path / "page.json")
    with pytest.raises(StoreError, match=said):
        store.decode_page(msgspec.json.encode(page))


@pytest.mark.parametrize("number", [float("nan"), float("inf")])
def test_numbers_that_are_none_are_refused(number: float) -> None:
    glyph = msgspec.structs.replace(SAMPLES["exact"].glyphs[0], row=number)
    page = msgspec.structs.replace(SAMPLES["exact"], glyphs=(glyph, *SAMPLES["exact"].glyphs[1:]))
    with pytest.raises(StoreError, match=r"row is (nan|inf)"):
        store.encode_page(page)


def test_a_full_disk_leaves_the_old_file_alone(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    path = tmp_path / "page.json"
    store.write_bytes(path, b"old")

    def full(_: int) -> None:
        raise OSError(errno.ENOSPC, os.strerror(errno.ENOSPC))

    monkeypatch.setattr(os, "fsync", full)
    with pytest.raises(OutputError, match="No space left") as caught:
        store.write_bytes(path, b"new")
    assert caught.value.advice
    assert path.read_bytes() == b"old"
    assert [file.name for file in tmp_path.iterdir()] == ["page.json"]


def test_a_file_in_place_of_a_folder_is_an_output_error(tmp_path: Path) -> None:
    (tmp_path / "taken").write_bytes(b"")
    with pytest.raises(OutputError):
        store.write_bytes(tmp_path / "taken" / "page.json", b"new")
