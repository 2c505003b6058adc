"""What the user named, turned into a list of sources: folders, lists, single files, IIIF manifests."""

from __future__ import annotations

import os
import sys
from collections.abc import Iterable, Iterator
from dataclasses import dataclass, field
from pathlib import Path
from typing import Final

from neumary.errors import ScanError
from neumary.iiif import LONGEST_SIDE_PX, Manifest, is_address, looks_like_manifest, read_manifest
from neumary.ledger import LEDGER_NAME

SUFFIXES: Final = frozenset(
    {".jpg", ".jpeg", ".jpe", ".png", ".tif", ".tiff", ".webp", ".jp2", ".j2k", ".jpf", ".jpx", ".pdf"}
)
"""Suffixes looked for in folders. A file named on its own is judged by its content."""


@dataclass(frozen=True, slots=True)
class Skipped:
    """Something met in a folder and left alone; `loss` says that it may hold pages."""

    path: Path
    why: str
    loss: bool = False


@dataclass(slots=True)
class Inputs:
    """Sources to read, in order, each once; and what was not taken.

    Attributes
    ----------
    files : list of Path or Manifest
    skipped : list of Skipped
        Files of other kinds in folders: no error, but worth a word.
    failed : list of ScanError
        Inputs that were asked for and cannot be had.
    """

    files: list[Path | Manifest] = field(default_factory=list)
    skipped: list[Skipped] = field(default_factory=list)
    failed: list[ScanError] = field(default_factory=list)


def list_inputs(names: Iterable[str | Path], *, longest_side_px: int = LONGEST_SIDE_PX) -> Inputs:
    """Expand folders and ``@list`` files to single sources, and read IIIF manifests.

    Folders are searched with all below them, in sorted order; hidden files and folders
    that hold Neumary's own output are passed over. A list holds one path or address a
    line, paths relative to the current folder; blank lines and lines beginning with ``#``
    do not count; ``@-`` reads the list from standard input. A manifest's pictures are
    listed, not fetched.

    Parameters
    ----------
    names : iterable of str or Path
        As given on the command line.
    longest_side_px : int
        Pictures of a manifest are asked for no larger than this.

    Returns
    -------
    Inputs
        A file reached twice stands in it once, where it came first.
    """
    found = Inputs()
    seen: set[Path | str] = set()
    for name in _expand_lists(names, found):
        path = Path(name)
        if is_address(name) or looks_like_manifest(path):
            _take_manifest(name, found, seen, longest_side_px)
        elif not path.is_dir():
            _take(path, found, seen)
        else:
            for member in _walk(path, found):
                if member.suffix.lower() in SUFFIXES:
                    _take(member, found, seen)
                else:
                    loss = looks_like_manifest(member)
                    why = "a IIIF manifest: name it itself" if loss else "not a picture by its suffix"
                    found.skipped.append(Skipped(member, why, loss))
    return found


def _take(path: Path, found: Inputs, seen: set[Path | str]) -> None:
    try:
        where = path.resolve()
    except (OSError, RuntimeError):  # links in a circle
        found.failed.append(ScanError(f"{path} is a link that leads nowhere.", "Put the link right."))
        return
    if where in seen:
        found.skipped.append(Skipped(path, "named twice"))
        return
    seen.add(where)
    found.files.append(path)


def _take_manifest(name: str, found: Inputs, seen: set[Path | str], longest_side_px: int) -> None:
    if name in seen:
        found.skipped.append(Skipped(Path(name), "named twice"))
        return
    seen.add(name)
    try:
        found.files.append(read_manifest(name, longest_side_px=longest_side_px))
    except ScanError as error:
        found.failed.append(error)


def _expand_lists(names: Iterable[str | Path], found: Inputs) -> Iterator[str]:
    for name in names:
        text = str(name)
        if text.startswith("@"):
            try:
                yield from _read_list(text[1:])
            except ScanError as error:
                found.failed.append(error)
        else:
            yield text


def _read_list(name: str) -> list[str]:
    try:
        text = sys.stdin.read() if name == "-" else Path(name).read_text(encoding="utf-8-sig")
    except OSError as error:
        raise ScanError(f"The list {name} cannot be read: {error.strerror}.", "Check its name.") from None
    except UnicodeDecodeError:
        raise ScanError(f"The list {name} is not UTF-8 text.", "Give one path a line.") from None
    lines = (line.strip() for line in text.splitlines())
    return [line for line in lines if line and not line.startswith("#")]


def _walk(folder: Path, found: Inputs) -> Iterator[Path]:
    def refuse(error: OSError) -> None:
        where = error.filename or folder
        found.failed.append(
            ScanError(
                f"The folder {where} cannot be opened: {error.strerror}.", "Ask for the right to read it."
            )
        )

    for here, folders, files in os.walk(folder, onerror=refuse):
        if LEDGER_NAME in files:
            found.skipped.append(Skipped(Path(here), "Neumary's own output"))
            folders.clear()
            continue
        folders[:] = sorted(name for name in folders if not name.startswith("."))
        for name in sorted(files):
            if not name.startswith("."):
                yield Path(here, name)
