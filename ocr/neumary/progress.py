"""What is told while pages are read: a bar on a terminal, else one line a page, or JSON events."""

from __future__ import annotations

import sys
import time
from dataclasses import asdict
from typing import Any, Protocol

from neumary.batch import PageReport
from neumary.voice import describe_error, put_event

_WORDS = {"read": "read", "already": "done already", "kept": "kept: corrected by hand", "failed": "FAILED"}


class Progress(Protocol):
    """Told of the run as it goes."""

    def start(self, total: int) -> None:
        """Pages to come."""

    def page(self, page: PageReport) -> None:
        """One page has ended."""

    def close(self) -> None:
        """The run is over."""


def describe(page: PageReport) -> str:
    """One page's outcome in one line."""
    if page.error is not None:
        return f"{page.page_id}: {_WORDS['failed']}: {page.error}"
    if page.result != "read":
        return f"{page.page_id}: {_WORDS[page.result]}"
    counts = page.counts
    found = f"{counts.staves} staves, {counts.notes} notes, {counts.doubtful} doubtful"
    return f"{page.page_id}: {found}, {page.seconds:.1f} s"


class Silent:
    """Says nothing but failures."""

    def start(self, total: int) -> None:
        """Nothing."""

    def page(self, page: PageReport) -> None:
        """A line for a failure."""
        if page.error is not None:
            print(describe(page), file=sys.stderr, flush=True)

    def close(self) -> None:
        """Nothing."""


class Lines:
    """One line a page, for logs."""

    def __init__(self) -> None:
        self._total = 0
        self._count = 0

    def start(self, total: int) -> None:
        """Remember the total."""
        self._total = total

    def page(self, page: PageReport) -> None:
        """A line for each page."""
        self._count += 1
        print(f"[{self._count}/{self._total}] {describe(page)}", file=sys.stderr, flush=True)

    def close(self) -> None:
        """Nothing."""


class Events:
    """One line of JSON for the start and for each page; for programs that watch a run."""

    def __init__(self, *, only_failures: bool) -> None:
        self._only_failures = only_failures
        self._total = 0
        self._count = 0

    def start(self, total: int) -> None:
        """``{"event": "start", "pages": ...}``."""
        self._total = total
        if not self._only_failures:
            put_event("start", pages=total)

    def page(self, page: PageReport) -> None:
        """``{"event": "page", "page_id": ..., "result": ..., ...}``."""
        self._count += 1
        if page.error is None and self._only_failures:
            return
        values: dict[str, object] = {"page_id": page.page_id, "source": page.source, "result": page.result}
        values |= {"seconds": round(page.seconds, 3), **asdict(page.counts)}
        values |= {"ended": self._count, "pages": self._total}
        if page.error is not None:
            values["error"] = describe_error(page.error)
        put_event("page", **values)

    def close(self) -> None:
        """Nothing: the result follows on standard output."""


class Bar:
    """A bar with pages per minute and the time left; failures stand above it."""

    def __init__(self) -> None:
        from rich.console import Console
        from rich.progress import BarColumn, MofNCompleteColumn, TextColumn, TimeRemainingColumn
        from rich.progress import Progress as RichProgress

        columns: list[Any] = [BarColumn(), MofNCompleteColumn(), TextColumn("{task.fields[rate]}")]
        self._bar = RichProgress(*columns, TimeRemainingColumn(), console=Console(stderr=True))
        self._task = self._bar.add_task("pages", total=None, rate="")
        self._began = time.monotonic()
        self._worked = 0

    def start(self, total: int) -> None:
        """Show the bar."""
        self._bar.update(self._task, total=total)
        self._bar.start()

    def page(self, page: PageReport) -> None:
        """Move on; the rate counts only pages that took work."""
        self._worked += page.result in ("read", "failed")
        minutes = max(time.monotonic() - self._began, 1e-3) / 60
        rate = f"{self._worked / minutes:.1f} pages/min" if self._worked else ""
        self._bar.update(self._task, advance=1, rate=rate)
        if page.error is not None:
            self._bar.console.print(describe(page), markup=False, highlight=False, soft_wrap=True)

    def close(self) -> None:
        """Leave the bar as it stands."""
        self._bar.stop()


def choose_progress(*, quiet: bool, json: bool = False) -> Progress:
    """Events with --json; bar on a terminal, lines otherwise, only failures when quiet."""
    if json:
        return Events(only_failures=quiet)
    if quiet:
        return Silent()
    return Bar() if sys.stderr.isatty() else Lines()
