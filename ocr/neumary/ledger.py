"""The ledger of an output folder: which page came from where, and how it went.

Only the process that runs the batch writes it; readers may look at any time (SQLite's
write-ahead log). Folders on network shares need a share that locks files properly.
"""

from __future__ import annotations

import os
import platform
import sqlite3
from collections.abc import Iterable, Iterator
from contextlib import contextmanager
from dataclasses import astuple, dataclass, fields
from datetime import UTC, datetime
from pathlib import Path
from typing import Final, Literal, get_args

from neumary.errors import OutputError, StoreError, UsageError

LEDGER_NAME: Final = "ledger.sqlite"
LOCK_NAME: Final = ".lock"

State = Literal["done", "failed", "reading", "waiting"]
STATES: Final[tuple[State, ...]] = get_args(State)

_VERSION: Final = 1
_TABLES: Final = """
CREATE TABLE IF NOT EXISTS pages (
    page_id TEXT PRIMARY KEY,
    source TEXT NOT NULL,           -- absolute path
    frame INTEGER NOT NULL,         -- 0-based picture inside the file
    source_sha256 TEXT NOT NULL DEFAULT '',
    settings_sha256 TEXT NOT NULL DEFAULT '',
    model TEXT NOT NULL DEFAULT '',
    model_sha256 TEXT NOT NULL DEFAULT '',
    state TEXT NOT NULL CHECK (state IN ('waiting', 'reading', 'done', 'failed')),
    attempts INTEGER NOT NULL DEFAULT 0,
    started TEXT NOT NULL DEFAULT '',   -- UTC, ISO 8601
    finished TEXT NOT NULL DEFAULT '',
    seconds REAL NOT NULL DEFAULT 0,
    error_class TEXT NOT NULL DEFAULT '',
    error TEXT NOT NULL DEFAULT '',
    staves INTEGER NOT NULL DEFAULT 0,
    notes INTEGER NOT NULL DEFAULT 0,
    doubtful INTEGER NOT NULL DEFAULT 0,
    warnings INTEGER NOT NULL DEFAULT 0,
    repairs INTEGER NOT NULL DEFAULT 0,
    overview TEXT NOT NULL DEFAULT '',  -- JSON, for index.html
    UNIQUE (source, frame)
) STRICT;
CREATE TABLE IF NOT EXISTS runs (
    run INTEGER PRIMARY KEY,
    host TEXT NOT NULL,
    pid INTEGER NOT NULL,
    version TEXT NOT NULL,
    settings TEXT NOT NULL,
    started TEXT NOT NULL,
    finished TEXT NOT NULL DEFAULT ''
) STRICT;
"""


@dataclass(frozen=True, slots=True)
class WorkKey:
    """What decides whether a page must be read again."""

    source_sha256: str
    settings_sha256: str
    model: str
    model_sha256: str


@dataclass(frozen=True, slots=True)
class PageCounts:
    """What was found on a page, in numbers."""

    staves: int = 0
    notes: int = 0
    doubtful: int = 0
    warnings: int = 0
    repairs: int = 0


NOTHING: Final = PageCounts()


@dataclass(frozen=True, slots=True)
class LedgerRow:
    """One page of the ledger; columns as in the table."""

    page_id: str
    source: str
    frame: int
    source_sha256: str
    settings_sha256: str
    model: str
    model_sha256: str
    state: State
    attempts: int
    started: str
    finished: str
    seconds: float
    error_class: str
    error: str
    counts: PageCounts


def _now() -> str:
    return datetime.now(UTC).isoformat(timespec="seconds")


class Ledger:
    """An open ledger. Every call is one transaction: a kill leaves it consistent.

    Parameters
    ----------
    out : Path
        Output folder.
    read_only : bool
        Look only; the file must exist.

    Raises
    ------
    OutputError
        If the ledger cannot be opened or written.
    UsageError
        If there is none to look at.
    StoreError
        If it was written by a newer version.
    """

    def __init__(self, out: Path, *, read_only: bool = False) -> None:
        self.path = out / LEDGER_NAME
        if read_only and not self.path.is_file():
            raise UsageError(f"{out} holds no ledger.", "Name the folder given to `neumary read -o`.")
        try:
            self._db = _connect(self.path, read_only)
            self._check_version(read_only)
        except sqlite3.DatabaseError as error:
            if isinstance(error, sqlite3.OperationalError):
                raise OutputError(f"{self.path} cannot be opened: {error}.", "Check the folder.") from error
            raise self._damaged(error) from error

    def _damaged(self, error: Exception) -> StoreError:
        return StoreError(
            f"{self.path} is damaged: {error}.",
            "Move it away and read again: pages on disk are then read anew, corrected ones are kept.",
        )

    def _check_version(self, read_only: bool) -> None:
        found = int(self._db.execute("PRAGMA user_version").fetchone()[0])
        if found > _VERSION:
            raise StoreError(f"{self.path} was written by a newer Neumary.", "Update, or use another folder.")
        if not read_only:
            self._db.execute("PRAGMA journal_mode = WAL")
            self._db.execute("PRAGMA synchronous = NORMAL")  # safe with the log; one sync less a page
            self._db.executescript(_TABLES)
            self._db.execute(f"PRAGMA user_version = {_VERSION}")

    def __enter__(self) -> Ledger:
        return self

    def __exit__(self, *_: object) -> None:
        self._db.close()

    def _write(self, sql: str, values: tuple[object, ...] = ()) -> int:
        try:
            return self._db.execute(sql, values).rowcount
        except sqlite3.Error as error:
            raise OutputError(f"{self.path} cannot be written: {error}.", "Check the disk.") from error

    # --- runs ---

    def begin_run(self, version: str, settings: str) -> int:
        """Note a new run; pages that an earlier, killed run left half read wait again."""
        self._write("UPDATE pages SET state = 'waiting' WHERE state = 'reading'")
        self._write(
            "INSERT INTO runs (host, pid, version, settings, started) VALUES (?, ?, ?, ?, ?)",
            (platform.node(), os.getpid(), version, settings, _now()),
        )
        return int(self._db.execute("SELECT max(run) FROM runs").fetchone()[0])

    def end_run(self, run: int) -> None:
        """Note the end of a run; pages still in flight wait for the next one."""
        self._write("UPDATE pages SET state = 'waiting' WHERE state = 'reading'")
        self._write("UPDATE runs SET finished = ? WHERE run = ?", (_now(), run))

    # --- pages ---

    def claim(self, pages: Iterable[tuple[str, str, int]]) -> None:
        """Give page ids to sources (page id, absolute path, frame); known pages move there."""
        self._write("BEGIN")
        for page in pages:
            self._write(
                "INSERT INTO pages (page_id, source, frame, state) VALUES (?, ?, ?, 'waiting')"
                " ON CONFLICT (page_id) DO UPDATE SET source = excluded.source, frame = excluded.frame",
                page,
            )
        self._write("COMMIT")

    def begin(self, page_id: str, key: WorkKey) -> None:
        """Note that a page is being read."""
        self._write(
            "UPDATE pages SET state = 'reading', attempts = attempts + 1, started = ?, finished = '',"
            " source_sha256 = ?, settings_sha256 = ?, model = ?, model_sha256 = ?,"
            " error_class = '', error = '' WHERE page_id = ?",
            (_now(), key.source_sha256, key.settings_sha256, key.model, key.model_sha256, page_id),
        )

    def finish(self, page_id: str, seconds: float, counts: PageCounts, overview: str) -> None:
        """Note that a page's files are in place."""
        self._write(
            "UPDATE pages SET state = 'done', finished = ?, seconds = ?, staves = ?, notes = ?,"
            " doubtful = ?, warnings = ?, repairs = ?, overview = ? WHERE page_id = ?",
            (_now(), seconds, *astuple(counts), overview, page_id),
        )

    def fail(self, page_id: str, seconds: float, error_class: str, error: str) -> None:
        """Note that a page could not be read."""
        self._write(
            "UPDATE pages SET state = 'failed', finished = ?, seconds = ?, error_class = ?, error = ?"
            " WHERE page_id = ?",
            (_now(), seconds, error_class, error, page_id),
        )

    def overviews(self) -> Iterator[tuple[str, str, str]]:
        """Page id, stored overview and error of every page that was done or failed."""
        yield from self._db.execute(
            "SELECT page_id, overview, error FROM pages WHERE state IN ('done', 'failed') ORDER BY page_id"
        )

    def rows(self) -> Iterator[LedgerRow]:
        """All pages, by page id.

        Raises
        ------
        StoreError
            If the ledger is damaged.
        """
        plain = [field.name for field in fields(LedgerRow) if field.name != "counts"]
        counts = [field.name for field in fields(PageCounts)]
        try:
            rows = self._db.execute(
                f"SELECT {', '.join(plain + counts)} FROM pages ORDER BY page_id"
            ).fetchall()
        except sqlite3.Error as error:
            raise self._damaged(error) from error
        for row in rows:
            values = dict(zip(plain + counts, row, strict=True))
            found = PageCounts(**{name: values.pop(name) for name in counts})
            yield LedgerRow(counts=found, **values)


def _connect(path: Path, read_only: bool) -> sqlite3.Connection:
    if not read_only:
        return sqlite3.connect(path, isolation_level=None, timeout=30)
    address = f"{path.resolve().as_uri()}?mode=ro"
    if not os.access(path.parent, os.W_OK) and not path.with_name(f"{path.name}-wal").exists():
        address += "&immutable=1"  # nobody can write here, and the log's own files cannot be made
    return sqlite3.connect(address, uri=True, isolation_level=None)


@contextmanager
def running_alone(out: Path) -> Iterator[None]:
    """Hold an output folder for one run at a time.

    The lock is SQLite's own on an empty database, so it works wherever the ledger does
    and goes away with the process, however that ends.

    Raises
    ------
    OutputError
        If another run holds the folder, or the lock cannot be made.
    """
    try:
        # a second's patience: `neumary status` touches the lock for a moment
        lock = sqlite3.connect(out / LOCK_NAME, isolation_level=None, timeout=1)
    except sqlite3.Error as error:
        raise OutputError(f"{out} cannot be written: {error}.", "Check the folder.") from error
    try:
        try:
            lock.execute("BEGIN EXCLUSIVE")
        except sqlite3.Error as error:
            if "locked" in str(error):
                raise OutputError(
                    f"Another run is writing to {out}.", "Wait for it to end, or give another folder with -o."
                ) from None
            raise OutputError(f"{out} cannot be written: {error}.", "Check the folder.") from error
        yield
    finally:
        lock.close()


def is_running(out: Path) -> bool:
    """Whether a run holds this output folder now."""
    path = out / LOCK_NAME
    if not path.is_file() or not os.access(path, os.W_OK):
        return False
    lock = sqlite3.connect(f"{path.resolve().as_uri()}?mode=rw", uri=True, isolation_level=None, timeout=0)
    try:
        lock.execute("BEGIN IMMEDIATE")
    except sqlite3.Error as error:
        return "locked" in str(error)
    else:
        lock.execute("ROLLBACK")
        return False
    finally:
        lock.close()
