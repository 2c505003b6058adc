"""One page, from its file to its folder of results: what a worker process does."""

from __future__ import annotations

import os
import shutil
import time
import traceback
from collections.abc import Callable
from dataclasses import dataclass
from pathlib import Path
from typing import TYPE_CHECKING, Any, Final

import msgspec

from neumary.errors import NeumaryError, OutputError, ScanError, StoreError
from neumary.ledger import NOTHING, PageCounts, WorkKey
from neumary.memory import keep_freed_memory
from neumary.models import load_model
from neumary.scan import LIMIT_MEGAPIXELS, PageRef, load_scan
from neumary.settings import ReadSettings

if TYPE_CHECKING:
    from neumary.report import PageRow
    from neumary.types import Page, Scan

PAGE_FILES: Final = ("page.json", "page.mei", "page.xml", "overlay.jpg")
"""What a finished page's folder holds."""

Reader = Callable[["Scan", ReadSettings, Any], "Page"]
"""Scan, settings and loaded model to a page: `neumary.pipeline.read_page`."""


@dataclass(frozen=True, slots=True)
class Task:
    """One page to read.

    Attributes
    ----------
    ref : PageRef
        Page id, file and picture in the file.
    key : WorkKey
        Hashes of the file, the settings and the model.
    out : Path
        Output folder.
    settings : ReadSettings
    limit_megapixels : float
    threads : int
        Threads one page may use; 0 takes all cores.
    reader : callable or None
        A module-level stand-in for the pipeline, called without a model; None takes
        the pipeline.
    """

    ref: PageRef
    key: WorkKey
    out: Path
    settings: ReadSettings
    limit_megapixels: float = LIMIT_MEGAPIXELS
    threads: int = 0
    reader: Reader | None = None


@dataclass(frozen=True, slots=True)
class Outcome:
    """How a page went.

    Attributes
    ----------
    seconds : float
        Time spent on it.
    counts : PageCounts
        What was found; zeros where it failed.
    overview : str
        The page's row of the overview, as JSON.
    error : NeumaryError or None
        Why it failed.
    trace : str
        Traceback of an unforeseen error, for ``-v``.
    """

    seconds: float
    counts: PageCounts = NOTHING
    overview: str = ""
    error: NeumaryError | None = None
    trace: str = ""


class PageFailed(NeumaryError):
    """An error nobody foresaw while a page was read: a fault of the program."""


def read_to_files(task: Task) -> Outcome:
    """Read a page and put its files in place, all of them or none.

    Parameters
    ----------
    task : Task

    Returns
    -------
    Outcome
        Errors are returned, not raised: one page must not end a night's run.
    """
    started = time.monotonic()
    try:
        counts, overview = _read(task)
    except NeumaryError as error:
        return Outcome(time.monotonic() - started, error=error)
    except MemoryError:
        full = PageFailed(f"Page {task.ref.page_id} does not fit into memory.", "Use fewer --jobs.")
        return Outcome(time.monotonic() - started, error=full)
    except Exception as fault:
        said = " ".join(str(fault).split())[:200]
        failed = PageFailed(
            f"Page {task.ref.page_id} ({task.ref.source}) met a fault of the program: "
            f"{type(fault).__name__}: {said}.",
            "Run it alone with -v and report it.",
        )
        return Outcome(time.monotonic() - started, error=failed, trace=traceback.format_exc())
    return Outcome(time.monotonic() - started, counts, overview)


def _read(task: Task) -> tuple[PageCounts, str]:
    if task.threads:
        import cv2

        cv2.setNumThreads(task.threads)
        keep_freed_memory()
    scan = load_scan(task.ref, sha256=task.key.source_sha256, limit_megapixels=task.limit_megapixels)
    if task.key.source_sha256 and scan.sha256 != task.key.source_sha256:
        raise ScanError(f"{task.ref.source} changed while it was read.", "Run the command again.")
    if task.reader is None:
        from neumary.pipeline import read_page

        model = load_model(task.settings.model, task.key.model_sha256, task.threads)
        page = read_page(scan, task.settings, model)
    else:
        page = task.reader(scan, task.settings, None)
    row = _write(task.out / task.ref.page_id, page, scan)
    counts = PageCounts(row.staves, row.notes, row.doubtful, len(page.warnings), len(scan.repairs))
    return counts, msgspec.json.encode(row).decode()


# --- files --------------------------------------------------------------------------


def _write(folder: Path, page: Page, scan: Scan) -> PageRow:
    """Write a page's files beside their place, then rename the folder into it."""
    from neumary.mei import to_mei
    from neumary.overlay import draw_overlay, encode_jpeg
    from neumary.pagexml import to_pagexml
    from neumary.report import page_row, thumbnail_uri
    from neumary.store import encode_page, write_bytes

    part = folder.with_name(f".{folder.name}.{os.getpid()}.part")
    try:
        shutil.rmtree(part, ignore_errors=True)
        write_bytes(part / "page.json", encode_page(page))
        write_bytes(part / "page.mei", to_mei(page))
        write_bytes(part / "page.xml", to_pagexml(page))
        overlay = draw_overlay(page, scan.rgb)
        write_bytes(part / "overlay.jpg", encode_jpeg(overlay))
        _put_in_place(part, folder)
    except OSError as error:
        raise OutputError(
            f"{folder} cannot be written: {error.strerror or error}.", "Check the disk and the folder."
        ) from error
    finally:
        shutil.rmtree(part, ignore_errors=True)
    return page_row(page, thumbnail_uri(overlay))


def _put_in_place(part: Path, folder: Path) -> None:
    old = folder.with_name(f".{folder.name}.old")
    if folder.exists():
        shutil.rmtree(old, ignore_errors=True)
        folder.rename(old)
    part.rename(folder)
    shutil.rmtree(old, ignore_errors=True)


def corrected_by_hand(folder: Path) -> bool:
    """Whether a page's folder holds a person's corrections, which nothing may replace."""
    from neumary.store import load_page

    path = folder / "page.json"
    if not path.is_file():
        return False
    try:
        return any(reading.by == "human" for reading in load_page(path).readings)
    except StoreError:
        return False  # damaged: nothing in it can be kept


def tidy(out: Path) -> None:
    """Clear away what a killed run left behind, and put back what it was replacing."""
    for old in out.glob(".*.old"):
        folder = out / old.name.removeprefix(".").removesuffix(".old")
        if not folder.exists():
            old.rename(folder)
        shutil.rmtree(old, ignore_errors=True)
    for part in out.glob(".*.part"):
        if part.is_dir():
            shutil.rmtree(part, ignore_errors=True)
        else:  # of the overview
            part.unlink(missing_ok=True)
