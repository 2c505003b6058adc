"""What the user named, turned into a list of picture files: folders, lists, single files."""

from __future__ import annotations

import os
import sys
from collections.abc import Iterable, Iterator
from dataclasses import dataclass, field
from pathlib import Path
from typing import Final

from neumary.errors import ScanError
from neumary.ledger import LEDGER_NAME

SUFFIXES: Final = frozenset(
    {".jpg", ".jpeg", ".jpe", ".png", ".tif", ".tiff", ".webp", ".jp2", ".j2k", ".jpf", ".jpx"}
)
"""Suffixes looked for in folders. A file named on its own is judged by its content."""

_LATER: Final = {".pdf": "PDF is not supported yet"}


@dataclass(frozen=True, slots=True)
class Skipped:
    """Something met in a folder and left alone; `loss` says that it may hold pages."""

    path: Path
    why: str
    loss: bool = False


@dataclass(slots=True)
class Inputs:
    """Files to read, in order, each once; and what was not taken.

    Attributes
    ----------
    files : list of Path
    skipped : list of Skipped
        Files of other kinds in folders: no error, but worth a word.
    failed : list of ScanError
        Inputs that were asked for and cannot be had.
    """

    files: list[Path] = field(default_factory=list)
    skipped: list[Skipped] = field(default_factory=list)
    failed: list[ScanError] = field(default_factory=list)


def list_inputs(names: Iterable[str | Path]) -> Inputs:
    """Expand folders and ``@list`` files to single picture files.

    Folders are searched with all below them, in sorted order; hidden files and folders
    that hold Neumary's own output are passed over. A list holds one path a line, relative
    to the current folder; blank lines and lines beginning with ``#`` do not count;
    ``@-`` reads the list from standard input.

    Parameters
    ----------
    names : iterable of str or Path
        As given on the command line.

    Returns
    -------
    Inputs
        A file reached twice stands in it once, where it came first.
    """
    found = Inputs()
    seen: set[Path] = set()
    for path in _expand_lists(names, found):
        if not path.is_dir():
            _take(path, found, seen)
            continue
        for member in _walk(path, found):
            if member.suffix.lower() in SUFFIXES:
                _take(member, found, seen)
            else:
                later = _LATER.get(member.suffix.lower())
                why = later or "not a picture by its suffix"
                found.skipped.append(Skipped(member, why, loss=later is not None))
    return found


def _take(path: Path, found: Inputs, seen: set[Path]) -> None:
    where = path.resolve()
    if where in seen:
        found.skipped.append(Skipped(path, "named twice"))
        return
    seen.add(where)
    found.files.append(path)


def _expand_lists(names: Iterable[str | Path], found: Inputs) -> Iterator[Path]:
    for name in names:
        text = str(name)
        if text.startswith(("http://", "https://")):
            found.failed.append(
                ScanError(f"{text} is an address; IIIF is not supported yet.", "Download the pictures.")
            )
        elif text.startswith("@"):
            try:
                yield from _read_list(text[1:])
            except ScanError as error:
                found.failed.append(error)
        else:
            yield Path(text)


def _read_list(name: str) -> list[Path]:
    try:
        text = sys.stdin.read() if name == "-" else Path(name).read_text(encoding="utf-8-sig")
    except OSError as error:
        raise ScanError(f"The list {name} cannot be read: {error.strerror}.", "Check its name.") from None
    except UnicodeDecodeError:
        raise ScanError(f"The list {name} is not UTF-8 text.", "Give one path a line.") from None
    lines = (line.strip() for line in text.splitlines())
    return [Path(line) for line in lines if line and not line.startswith("#")]


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
