"""Compare pages as read with pages known to be true, and print the measures."""

from __future__ import annotations

from collections.abc import Callable
from pathlib import Path
from typing import Final

import msgspec
from rich.table import Table

from neumary.errors import UsageError
from neumary.metrics import PageScore, bootstrap_intervals, combine, score_page
from neumary.store import load_page
from neumary.truth import load_truth
from neumary.types import Page

Measure = Callable[[PageScore], float]

MEASURES: Final[dict[str, Measure]] = {
    "staff F1": lambda s: s.staves.f1,
    "line F1": lambda s: s.lines.f1,
    "note F1": lambda s: s.notes.f1,
    "label": lambda s: s.label_soft.accuracy,
    "step": lambda s: s.step.accuracy,
    "pitch": lambda s: s.pitch.accuracy,
    "melody error": lambda s: s.melody_error_rate,
    "clefs once": lambda s: s.melody_error_rate_once,
    "neume F1": lambda s: s.boundaries.f1,
    "syllable": lambda s: s.syllable.accuracy,
    "calibration error": lambda s: s.calibration_error,
    "hands-off": lambda s: s.hands_off,
    "corrections/100": lambda s: s.corrections_per_100,
}
"""Columns of the report: heading and measure."""


class Report(msgspec.Struct, frozen=True, kw_only=True):
    """Scores of a set of pages.

    Attributes
    ----------
    pages : dict of str to PageScore
        By page id, in order.
    unread : tuple of str
        Pages with truth that were not read; they count as read empty.
    without_truth : tuple of str
        Pages read that have no truth; left out.
    intervals : dict of str to (float, float)
        95 % bootstrap interval over pages of each measure; empty for fewer than two pages.
    """

    pages: dict[str, PageScore]
    unread: tuple[str, ...] = ()
    without_truth: tuple[str, ...] = ()
    intervals: dict[str, tuple[float, float]] = msgspec.field(default_factory=dict)

    @property
    def total(self) -> PageScore:
        """Counts of all pages added up."""
        return combine(list(self.pages.values()))

    def as_dict(self) -> dict[str, object]:
        """Measures and counts as plain values, for JSON."""
        return {
            "total": _row(self.total),
            "intervals": {name: list(pair) for name, pair in self.intervals.items()},
            "pages": {page: _row(score) for page, score in self.pages.items()},
            "unread": list(self.unread),
            "without_truth": list(self.without_truth),
            "confusion": self.total.confusion,
        }

    def table(self) -> Table:
        """Measures as a table, one row per measure: all pages, interval, and page by page."""
        table = Table(title=f"{len(self.pages)} page(s) compared with the truth", title_justify="left")
        table.add_column("measure")
        table.add_column("all", justify="right")
        if self.intervals:
            table.add_column("95 % interval", justify="right")
        shown = list(self.pages) if 1 < len(self.pages) <= _SHOWN_PAGES else []
        for page in shown:
            table.add_column(page, justify="right")
        total = self.total
        for name, measure in MEASURES.items():
            cells = [name, f"{measure(total):.3f}"]
            if self.intervals:
                low, high = self.intervals[name]
                cells.append(f"{low:.3f}-{high:.3f}")
            table.add_row(*cells, *(f"{measure(self.pages[page]):.3f}" for page in shown))
        notes = total.notes
        caption = f"notes: {notes.hit} found, {notes.missed} missed, {notes.spurious} spurious"
        for title, pages in (("not read", self.unread), ("without truth", self.without_truth)):
            caption += f"; {title}: {', '.join(pages)}" if pages else ""
        table.caption = caption
        return table


_DRAWS: Final = 300  # resamples: enough for a 95 % interval to two digits, seconds for 100 pages
_SHOWN_PAGES: Final = 4  # more columns than this do not fit a terminal


def _row(score: PageScore) -> dict[str, object]:
    row: dict[str, object] = {name: round(measure(score), 6) for name, measure in MEASURES.items()}
    row["signs F1"] = {group: round(tally.f1, 6) for group, tally in score.signs.items()}
    notes = score.notes
    row["notes"] = {"hit": notes.hit, "missed": notes.missed, "spurious": notes.spurious}
    return row


def score_folders(out: Path, truth: Path) -> Report:
    """Compare pages as read with the truth.

    Parameters
    ----------
    out : Path
        Folder written by ``neumary read``, or one page's folder or ``page.json``.
    truth : Path
        The same in form, or a ``*.truth.json`` beside a scan, or a folder of those.

    Returns
    -------
    Report
        Pages are paired by page id.

    Raises
    ------
    UsageError
        If either side holds no page, or no page id is on both.
    StoreError
        If a file cannot be read.
    """
    read, true = _collect(out, "read pages"), _collect(truth, "truth")
    both = [page for page in true if page in read]
    if not both:
        raise UsageError(
            f"None of the {len(true)} page(s) of {truth} is among the {len(read)} of {out}.",
            "Pages are paired by page id, the image's name without its ending; compare the names.",
        )
    scores = {page: score_page(read.get(page) or _empty(true[page]), true[page]) for page in true}
    return Report(
        pages=scores,
        unread=tuple(page for page in true if page not in read),
        without_truth=tuple(page for page in read if page not in true),
        intervals=bootstrap_intervals(list(scores.values()), MEASURES, draws=_DRAWS),
    )


def _empty(truth: Page) -> Page:
    return Page(
        page_id=truth.page_id,
        source=truth.source,
        sha256=truth.sha256,
        width=truth.width,
        height=truth.height,
    )


def _collect(place: Path, what: str) -> dict[str, Page]:
    """Pages at a place, by page id, in order of id."""
    if place.is_dir():
        files = {*place.rglob("page.json"), *place.rglob("*.truth.json")}
    else:
        files = {place} if place.exists() else set()
    pages = [load_truth(f) if f.name.endswith(".truth.json") else load_page(f) for f in sorted(files)]
    if not pages:
        raise UsageError(f"{place} holds no {what}.", "Give a folder with page.json files, or one such file.")
    return {page.page_id: page for page in sorted(pages, key=lambda page: page.page_id)}
