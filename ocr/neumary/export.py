"""A result folder to other people's formats.

Pages come in natural order of their ids (``f2r`` before ``f10r``), which for folio and page numbers is
the order of the book.
"""

from __future__ import annotations

import contextlib
import io
import re
from collections.abc import Callable, Iterator
from dataclasses import dataclass, field
from pathlib import Path
from typing import BinaryIO, Final

from neumary.doubt import NoteCounts, count_notes
from neumary.errors import StoreError
from neumary.export_annotations import DEFAULT_CANVAS, canvas_id, to_annotations
from neumary.export_mei import write_book
from neumary.export_musicxml import write_musicxml
from neumary.export_tables import COLUMNS, csv_bytes, tables
from neumary.export_text import staff_texts, to_volpiano
from neumary.mei import to_mei
from neumary.pagexml import to_pagexml
from neumary.store import load_page, open_whole, write_bytes
from neumary.types import Page

PLACES: Final = {
    "mei": "book.mei",
    "musicxml": "book.musicxml",
    "volpiano": "melodies.txt",
    "csv": "tables",
    "annotations": "annotations",
    "pagexml": "pagexml",
}
"""Where each format goes within the result folder if no place is named."""

DOUBT: Final = {
    "mei": "a range has its best degree and an annot with the alternatives; a note without pitch has neither "
    "@pname nor @oct",
    "musicxml": "written as unpitched notes with a cross for a head",
    "volpiano": "left out; 6------6 stands where they are",
    "csv": "pname, octave and alter are empty; see certainty, alternatives and contour",
    "annotations": "a question mark follows the best of a range, ? alone is a note without pitch",
    "pagexml": "PAGE holds no notes",
}
"""How each format says that a pitch is not exact."""

ONE_LAYER: Final = frozenset({"musicxml", "volpiano"})
"""Formats that have no place for signs above and below the staff."""


@dataclass(slots=True)
class Exported:
    """What was written.

    Attributes
    ----------
    format : str
    files : list of Path
    pages : int
    counts : NoteCounts
        Of all pages.
    beyond : int
        Exact notes the format cannot write (Volpiano: outside its 19 places).
    failed : list of StoreError
        Pages that could not be read back, and why.
    """

    format: str
    files: list[Path] = field(default_factory=list)
    pages: int = 0
    counts: NoteCounts = field(default_factory=NoteCounts)
    beyond: int = 0
    failed: list[StoreError] = field(default_factory=list)

    def lines(self) -> list[str]:
        """Sum up for the terminal."""
        counts = self.counts
        told = counts.ranged + counts.unread
        out = [
            f"{self.pages} pages, {counts.exact + told} notes, {counts.exact} of them with an exact pitch."
        ]
        if told and self.format != "pagexml":
            out.append(f"{counts.ranged} ranged and {counts.unread} unread pitches: {DOUBT[self.format]}.")
        if self.beyond:
            out.append(
                f"{self.beyond} exact notes lie beyond the letters 9 to s: left out, 6------6 instead."
            )
        if counts.other_layers and self.format in ONE_LAYER:
            out.append(f"{counts.other_layers} signs above and below the staves: left out.")
        return out


class Book:
    """The pages of a result folder.

    Parameters
    ----------
    out : Path
        A folder written by `neumary read`.

    Raises
    ------
    StoreError
        If there is no page in it.
    """

    def __init__(self, out: Path) -> None:
        self.name = out.resolve().name
        self.folders = sorted((path.parent for path in _stored(out)), key=lambda path: natural_key(path.name))
        if not self.folders:
            raise StoreError(
                f"{out} holds no page that was read.", "Name the folder that was given to `neumary read -o`."
            )
        self.failed: dict[str, StoreError] = {}

    def __call__(self) -> Iterator[Page]:
        """Read the pages, one at a time; those that cannot be read back are noted and left out."""
        for folder in self.folders:
            try:
                yield load_page(folder / "page.json")
            except StoreError as error:
                self.failed[folder.name] = error


def _stored(out: Path) -> Iterator[Path]:
    with contextlib.suppress(OSError):
        for folder in out.iterdir():
            if not folder.name.startswith(".") and (folder / "page.json").is_file():
                yield folder / "page.json"


def natural_key(name: str) -> tuple[tuple[int, str], ...]:
    """Order names so that their numbers count as numbers: f2r, f10r, f10v.

    Parameters
    ----------
    name : str
    """
    parts = re.split(r"([0-9]+)", name.casefold())
    key = tuple((int(part), "") if part.isascii() and part.isdigit() else (-1, part) for part in parts)
    return (*key, (-2, name))


def export_folder(out: Path, to: str, target: Path | None = None, canvas: str = "") -> Exported:
    """Write all pages of a result folder in another format.

    Parameters
    ----------
    out : Path
        A folder written by `neumary read`.
    to : str
        A key of `PLACES`.
    target : Path, optional
        For "mei", "musicxml" and "volpiano": a file for the whole book, or a folder (one that
        exists, or a name without a suffix) for one file per page. For the others a folder.
        Default: a place of `PLACES` within `out`.
    canvas : str
        Pattern of canvas ids (see `neumary.export_annotations.canvas_id`).

    Returns
    -------
    Exported

    Raises
    ------
    StoreError
        If no page can be read back.
    OutputError
        If something cannot be written.
    UsageError
        If the canvas pattern makes no sense.
    """
    book = Book(out)
    target = target or out / PLACES[to]
    done = Exported(to)
    for page in book():
        done.pages += 1
        done.counts += count_notes(page)
        if to == "volpiano":
            done.beyond += sum(text.hidden for text in staff_texts(page))
    if not done.pages:
        raise next(iter(book.failed.values()))
    if to == "volpiano":
        done.beyond -= done.counts.ranged + done.counts.unread
    if to in _WHOLE and not (target.is_dir() or not target.suffix):
        with open_whole(target) as file:
            _WHOLE[to](book, file)
        done.files.append(target)
    elif to == "csv":
        done.files += _write_tables(book, target)
    else:
        done.files += _write_pages(book, to, target, canvas or DEFAULT_CANVAS)
    done.failed += list(book.failed.values())
    return done


def _volpiano(book: Book, file: BinaryIO) -> None:
    for page in book():
        file.write(to_volpiano(page).encode())


_WHOLE: Final[dict[str, Callable[[Book, BinaryIO], None]]] = {
    "mei": lambda book, file: write_book(book.name, book, file),
    "musicxml": lambda book, file: write_musicxml(book.name, book(), file),
    "volpiano": _volpiano,
}
"""Writers of a whole book in one file."""


def _write_pages(book: Book, to: str, folder: Path, canvas: str) -> Iterator[Path]:
    for number, page in enumerate(book(), 1):
        suffix, data = _page_file(page, to, canvas, number)
        path = folder / f"{page.page_id}.{suffix}"
        write_bytes(path, data)
        yield path


def _page_file(page: Page, to: str, canvas: str, number: int) -> tuple[str, bytes]:
    if to == "mei":
        return "mei", to_mei(page)
    if to == "musicxml":
        file = io.BytesIO()
        write_musicxml(page.page_id, [page], file)
        return "musicxml", file.getvalue()
    if to == "volpiano":
        return "txt", to_volpiano(page).encode()
    if to == "annotations":
        return "json", to_annotations(page, canvas_id(canvas, page, number))
    return "xml", to_pagexml(page)


def _write_tables(book: Book, folder: Path) -> list[Path]:
    paths = [folder / f"{name}.csv" for name in COLUMNS]
    with contextlib.ExitStack() as stack:
        files = {path.stem: stack.enter_context(open_whole(path)) for path in paths}
        for number, page in enumerate(book()):
            for name, rows in tables(page).items():
                files[name].write(csv_bytes(name, rows, header=number == 0))
    return paths
