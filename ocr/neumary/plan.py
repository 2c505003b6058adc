"""Which pages a run is about, under which ids, and which of them are done already."""

from __future__ import annotations

import hashlib
import re
from collections import Counter
from collections.abc import Iterable
from dataclasses import dataclass, replace
from functools import lru_cache
from pathlib import Path
from typing import Final

from neumary.errors import ScanError
from neumary.fetched import FETCHED_NAME
from neumary.iiif import Manifest, is_address
from neumary.ledger import LOCK_NAME, LedgerRow, WorkKey
from neumary.scan import PageRef, find_pages, numbered_id
from neumary.worker import PAGE_FILES

_RESERVED: Final = frozenset(
    {"index.html", "ledger.sqlite", "ledger.sqlite-wal", "ledger.sqlite-shm", LOCK_NAME, FETCHED_NAME}
)
_UNSAFE: Final = re.compile(r'[\x00-\x1f/\\:*?"<>|\ufffd]')
_LONGEST_ID_BYTES: Final = 200  # of 255 in a name; the rest is for temporary names and "-2"


@dataclass(frozen=True, slots=True)
class PlannedPage:
    """A page of this run.

    Attributes
    ----------
    ref : PageRef
        With the page id it has in this output folder.
    error : ScanError or None
        Why its file cannot even be opened.
    """

    ref: PageRef
    error: ScanError | None = None


def plan_pages(files: Iterable[Path | Manifest], known: Iterable[LedgerRow]) -> list[PlannedPage]:
    """List the pages of all sources, each with an id of its own.

    An id once given belongs to its source for good. A page whose natural id (file stem)
    belongs to another source gets ``-2``, ``-3``, ... in the order of the inputs, so the
    same inputs into the same folder always get the same ids. A known page whose file has
    moved is recognised by its hash and keeps its id.

    Parameters
    ----------
    files : iterable of Path or Manifest
        In the order given.
    known : iterable of LedgerRow
        What the output folder's ledger holds.

    Returns
    -------
    list of PlannedPage
    """
    pages = [page for path in files for page in _pages_of(path)]
    rows = {(row.source, row.frame): row for row in known}
    natural = Counter(_fold(safe_id(page.ref.page_id)) for page in pages)
    owners = {_fold(row.page_id): row for row in rows.values()}
    taken = set(owners)
    planned = []
    for page in pages:
        row = rows.get((page.ref.origin, page.ref.frame))
        page_id = row.page_id if row else ""
        if not page_id:
            wanted = safe_id(page.ref.page_id)
            owner = owners.get(_fold(wanted))
            moved = owner is not None and _is_moved(page.ref, owner)
            page_id = wanted if moved else _free_id(wanted, taken, natural)
            owners.pop(_fold(page_id), None)  # a second copy of a moved file is a page of its own
        taken.add(_fold(page_id))
        planned.append(PlannedPage(replace(page.ref, page_id=page_id), page.error))
    return planned


def plan_again(known: Iterable[LedgerRow]) -> list[PlannedPage]:
    """The pages of earlier runs that failed, wherever they came from.

    A damaged file that has since been replaced by one of several pages gives them all.
    """
    known = list(known)
    failed = [row for row in known if row.state == "failed"]
    files = list(dict.fromkeys(Path(row.source) for row in failed if not is_address(row.source)))
    wanted = {row.page_id for row in failed}
    others = {row.page_id for row in known} - wanted
    again = [page for page in plan_pages(files, known) if page.ref.page_id not in others]
    again += [
        PlannedPage(PageRef(_local(row.source), row.frame, row.page_id, row.source))
        for row in failed
        if is_address(row.source)
    ]
    return again


def _pages_of(source: Path | Manifest) -> list[PlannedPage]:
    if isinstance(source, Manifest):
        return [
            PlannedPage(PageRef(_local(url), 0, numbered_id(source.stem, number), url))
            for number, url in enumerate(source.pictures, 1)
        ]
    try:
        return [PlannedPage(ref) for ref in find_pages(source)]
    except ScanError as error:
        return [PlannedPage(PageRef(source, 0, source.stem), error)]


def _local(url: str) -> Path:
    """Stands for a picture until it is fetched: only its suffix counts."""
    return Path("picture" + (Path(url).suffix if len(Path(url).suffix) < 6 else ""))


def _fold(page_id: str) -> str:
    return page_id.casefold()  # some file systems hold "A" and "a" for one name


def _free_id(wanted: str, taken: set[str], natural: Counter[str]) -> str:
    if _fold(wanted) not in taken:
        return wanted
    number = 2
    while _fold(f"{wanted}-{number}") in taken or natural[_fold(f"{wanted}-{number}")]:
        number += 1
    return f"{wanted}-{number}"


def safe_id(stem: str) -> str:
    """A file stem as a folder name that is safe everywhere; plain stems stay as they are."""
    text = stem.encode("utf-8", "surrogateescape").decode("utf-8", "replace")
    text = text.encode("utf-8")[:_LONGEST_ID_BYTES].decode("utf-8", "ignore")
    name = _UNSAFE.sub("_", text).lstrip(".").rstrip(". ") or "page"
    return f"{name}_" if _fold(name) in _RESERVED else name


def _is_moved(ref: PageRef, owner: LedgerRow) -> bool:
    if ref.url or is_address(owner.source) or ref.frame != owner.frame:
        return False
    if not owner.source_sha256 or Path(owner.source).exists():
        return False
    try:
        return hash_file(ref.source) == owner.source_sha256
    except ScanError:
        return False


def hash_file(path: Path) -> str:
    """SHA-256 of a file's bytes, in hex, without holding it in memory.

    A file of many pages is hashed once, as long as its size and time stay the same.

    Raises
    ------
    ScanError
        If the file cannot be read.
    """
    try:
        now = path.stat()
        return _hash_once(path, now.st_mtime_ns, now.st_size, now.st_ino)
    except OSError as error:
        raise ScanError(f"{path} cannot be read: {error.strerror}.", "Check the disk or the share.") from None


@lru_cache(maxsize=64)
def _hash_once(path: Path, *_: int) -> str:
    with path.open("rb") as file:
        return hashlib.file_digest(file, "sha256").hexdigest()


def is_done(row: LedgerRow | None, key: WorkKey, out: Path) -> bool:
    """Whether a page was read from this file with these settings and this model, and still stands there."""
    if row is None or row.state != "done":
        return False
    same = (row.source_sha256, row.settings_sha256, row.model_sha256) == (
        key.source_sha256,
        key.settings_sha256,
        key.model_sha256,
    )
    return same and all((out / row.page_id / name).is_file() for name in PAGE_FILES)
