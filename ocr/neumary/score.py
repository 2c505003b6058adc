"""Compare pages as read with pages known to be true: pairing, totals, the printed report."""

from __future__ import annotations

from collections.abc import Callable, Mapping
from pathlib import Path
from typing import Final

import msgspec
from rich.table import Table

from neumary.errors import UsageError
from neumary.measures import Tally
from neumary.metrics import PageScore, bootstrap_intervals, combine, score_page
from neumary.mistakes import Mistake, list_mistakes
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
    "in range": lambda s: s.in_range.accuracy,
    "melody error": lambda s: s.melody_error_rate,
    "clefs once": lambda s: s.melody_error_rate_once,
    "clef F1": lambda s: s.sign_f1("clef"),
    "clef changes": lambda s: s.clef_changes.accuracy,
    "custos F1": lambda s: s.sign_f1("custos"),
    "flat F1": lambda s: s.sign_f1("accidental"),
    "division F1": lambda s: s.sign_f1("division"),
    "neume F1": lambda s: s.boundaries.f1,
    "syllable": lambda s: s.syllable.accuracy,
    "calibration error": lambda s: s.calibration_error,
    "hands-off": lambda s: s.hands_off,
    "corrections/100": lambda s: s.corrections_per_100,
}
"""Rows of the report: heading and measure."""


def _seen(tally: Tally) -> int:
    return tally.hit + tally.spurious + tally.missed


_BASES: Final[dict[str, Callable[[PageScore], int]]] = {
    "staff F1": lambda s: _seen(s.staves),
    "line F1": lambda s: _seen(s.lines),
    "note F1": lambda s: _seen(s.notes),
    "label": lambda s: s.label_soft.total,
    "step": lambda s: s.step.total,
    "pitch": lambda s: s.pitch.total,
    "in range": lambda s: s.in_range.total,
    "melody error": lambda s: s.melody_edits.total,
    "clefs once": lambda s: s.melody_edits_once.total,
    "clef F1": lambda s: _seen(s.signs.get("clef", Tally())),
    "clef changes": lambda s: s.clef_changes.total,
    "custos F1": lambda s: _seen(s.signs.get("custos", Tally())),
    "flat F1": lambda s: _seen(s.signs.get("accidental", Tally())),
    "division F1": lambda s: _seen(s.signs.get("division", Tally())),
    "neume F1": lambda s: _seen(s.boundaries),
    "syllable": lambda s: s.syllable.total,
    "calibration error": lambda s: len(s.outcomes),
    "hands-off": lambda s: len(s.outcomes) + s.notes.missed,
    "corrections/100": lambda s: s.corrections.total,
}
"""How many things each measure rests on: true, read, or both."""


def base(name: str, score: PageScore) -> int:
    """How many things a measure of `MEASURES` rests on; with none it says nothing."""
    return _BASES[name](score)


def shown(name: str, score: PageScore) -> str:
    """A measure as it is printed: a dash where there is nothing it could rest on."""
    return f"{MEASURES[name](score):.3f}" if base(name, score) else "-"


LOWER_IS_BETTER: Final = frozenset({"melody error", "clefs once", "calibration error", "corrections/100"})

_NEED_LINES: Final = frozenset({"staff F1", "line F1"})  # MEI holds no staff lines


class Tolerances(msgspec.Struct, frozen=True, kw_only=True):
    """How near is near enough; see `neumary.metrics.score_page`. All but the share in staff spaces."""

    note_spaces: float = 0.5
    sign_spaces: float = 1.0
    line_spaces: float = 0.25
    line_overlap: float = 0.8


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
    mistakes : tuple of Mistake
        Every single one, page by page.
    tolerances : Tolerances
    left_out : tuple of str
        Measures these files do not allow.
    """

    pages: dict[str, PageScore]
    unread: tuple[str, ...] = ()
    without_truth: tuple[str, ...] = ()
    intervals: dict[str, tuple[float, float]] = msgspec.field(default_factory=dict)
    mistakes: tuple[Mistake, ...] = ()
    tolerances: Tolerances = Tolerances()
    left_out: tuple[str, ...] = ()

    @property
    def total(self) -> PageScore:
        """Counts of all pages added up."""
        return combine(list(self.pages.values()))

    @property
    def measures(self) -> dict[str, Measure]:
        """Measures these files allow, by heading."""
        return {name: measure for name, measure in MEASURES.items() if name not in self.left_out}

    def as_dict(self) -> dict[str, object]:
        """Measures, counts and mistakes as plain values, for JSON."""
        return {
            "total": self._row(self.total),
            "intervals": {name: list(pair) for name, pair in self.intervals.items()},
            "pages": {page: self._row(score) for page, score in self.pages.items()},
            "unread": list(self.unread),
            "without_truth": list(self.without_truth),
            "left_out": list(self.left_out),
            "tolerances": msgspec.to_builtins(self.tolerances),
            "confusion": self.total.confusion,
            "mistakes": msgspec.to_builtins(self.mistakes),
        }

    def _row(self, score: PageScore) -> dict[str, object]:
        row: dict[str, object] = {name: round(measure(score), 6) for name, measure in self.measures.items()}
        notes = score.notes
        row["of"] = {name: base(name, score) for name in self.measures}
        row["notes"] = {"hit": notes.hit, "missed": notes.missed, "spurious": notes.spurious}
        return row

    def table(self) -> Table:
        """Measures as a table, one row per measure: all pages, interval, and page by page."""
        table = Table(title=f"{len(self.pages)} page(s) compared with the truth", title_justify="left")
        table.add_column("measure")
        table.add_column("of", justify="right")
        table.add_column("all", justify="right")
        if self.intervals:
            table.add_column("95 % interval", justify="right")
        columns = list(self.pages) if 1 < len(self.pages) <= _SHOWN_PAGES else []
        for page in columns:
            table.add_column(page, justify="right")
        total = self.total
        for name in self.measures:
            cells = [name, str(base(name, total)), shown(name, total)]
            if self.intervals:
                low, high = self.intervals[name]
                cells.append(f"{low:.3f}-{high:.3f}")
            table.add_row(*cells, *(shown(name, self.pages[page]) for page in columns))
        table.caption = self.caption
        return table

    @property
    def caption(self) -> str:
        """Counts behind the measures, and what was left out."""
        notes = self.total.notes
        words = f"notes: {notes.hit} found, {notes.missed} missed, {notes.spurious} spurious"
        for title, names in (
            ("not read", self.unread),
            ("without truth", self.without_truth),
            ("not measurable from these files", self.left_out),
        ):
            words += f"; {title}: {', '.join(names)}" if names else ""
        return words


_DRAWS: Final = 300  # resamples: enough for a 95 % interval to two digits, seconds for 100 pages
_SHOWN_PAGES: Final = 4  # more columns than this do not fit a terminal


def score_folders(out: Path, truth: Path, tolerances: Tolerances | None = None) -> Report:
    """Compare pages as read with the truth.

    Parameters
    ----------
    out : Path
        Folder written by ``neumary read``, or one page's folder or file.
    truth : Path
        The same in form, or drawn pages (``<id>.page.json``), or truth written by hand
        (``<id>.truth.json``), or MEI (``*.mei``), in a folder or one file.
    tolerances : Tolerances, optional

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
    read, true = collect_pages(out, "read pages"), collect_pages(truth, "truth")
    if not any(page in read for page in true):
        raise UsageError(
            f"None of the {len(true)} page(s) of {truth} is among the {len(read)} of {out}.",
            "Pages are paired by page id, the image's name without its ending; compare the names.",
        )
    return score_pages(read, true, tolerances)


def score_pages(
    read: Mapping[str, Page], true: Mapping[str, Page], tolerances: Tolerances | None = None
) -> Report:
    """Compare pages by page id; pages not read count as read empty."""
    near = tolerances or Tolerances()
    scores, mistakes = {}, []
    left_out: tuple[str, ...] = ()
    for name, truth in true.items():
        ours = read.get(name) or _empty(truth)
        scores[name] = score_page(ours, truth, **msgspec.to_builtins(near))
        mistakes += list_mistakes(ours, truth, note_spaces=near.note_spaces, sign_spaces=near.sign_spaces)
        if _is_mei(ours) or _is_mei(truth):
            left_out = tuple(sorted(_NEED_LINES))
    measures = {name: measure for name, measure in MEASURES.items() if name not in left_out}
    return Report(
        pages=scores,
        unread=tuple(page for page in true if page not in read),
        without_truth=tuple(page for page in read if page not in true),
        intervals=bootstrap_intervals(list(scores.values()), measures, draws=_DRAWS),
        mistakes=tuple(mistakes),
        tolerances=near,
        left_out=left_out,
    )


def _is_mei(page: Page) -> bool:
    return page.provenance.program == "MEI"


def _empty(truth: Page) -> Page:
    return Page(
        page_id=truth.page_id,
        source=truth.source,
        sha256=truth.sha256,
        width=truth.width,
        height=truth.height,
    )


def collect_pages(place: Path, what: str) -> dict[str, Page]:
    """Pages at a place, by page id, in order of id.

    A page there in several forms is taken as page.json, else as truth written by hand, else as MEI.
    """
    if place.is_dir():
        files = [*sorted(place.rglob("*.mei"))]
        files += [*sorted(place.rglob("*.truth.json")), *sorted(place.rglob("*page.json"))]
    else:
        files = [place] if place.exists() else []
    pages: dict[str, Page] = {}
    for file in files:
        page = _load(file)
        pages[page.page_id] = page
    if not pages:
        raise UsageError(
            f"{place} holds no {what}.", "Give a folder with page.json files or MEI files, or one such file."
        )
    return dict(sorted(pages.items()))


def _load(file: Path) -> Page:
    if file.name.endswith(".truth.json"):
        return load_truth(file)
    if file.suffix == ".mei":
        from neumary.mei_read import load_mei

        return load_mei(file)
    return load_page(file)
