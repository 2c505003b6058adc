"""The report of a comparison as one self-contained HTML file, with the worst cases as pictures."""

from __future__ import annotations

import base64
from collections import Counter
from collections.abc import Mapping, Sequence
from html import escape
from pathlib import Path
from string import Template
from typing import Final

import cv2

from neumary.crops import cut_crop, describe
from neumary.errors import NeumaryError
from neumary.inputs import SUFFIXES
from neumary.mistakes import Mistake
from neumary.score import Report, base, shown
from neumary.types import U8

_TEMPLATE: Final = Path(__file__).with_name("score_report.html")
_PER_CAUSE: Final = 24
_JPEG_QUALITY: Final = 80

CAUSES: Final[Mapping[str, str]] = {
    "staff": "no staff found there, or one found where there is none",
    "lines": "staff found with other lines",
    "clef": "pitch wrong through the clef",
    "flat": "pitch wrong through a flat",
    "touching": "missed beside a sign that touches or nearly touches",
    "mistaken": "taken for a sign of another kind",
    "sign": "the sign itself misread",
}
"""Heading of each cause of `neumary.mistakes`."""


def score_html(report: Report, pictures: Mapping[str, Path]) -> str:
    """Write the report.

    Parameters
    ----------
    report : Report
    pictures : mapping of str to Path
        Picture of each page id, as far as known; places on pages without one are listed in words.
    """
    show = _Pictures(pictures)
    return Template(_TEMPLATE.read_text(encoding="utf-8")).substitute(
        title=f"{len(report.pages)} page(s) against the truth",
        caption=escape(report.caption),
        measures=_measures(report),
        pages=_pages(report),
        causes="\n".join(_cause(name, report.mistakes, show) for name in CAUSES),
    )


def report_pictures(report: Report, places: Sequence[Path]) -> dict[str, Path]:
    """Find each page's picture: beside the truth, beside the result, or where the ledger says.

    Parameters
    ----------
    report : Report
    places : sequence of Path
        Folders or files given as TRUTH and OUT; pictures are looked for in and beside them.
    """
    folders = [place if place.is_dir() else place.parent for place in places]
    by_name: dict[str, Path] = {}
    for folder in reversed(folders):  # the first place named wins
        by_name |= {p.stem: p for p in sorted(folder.rglob("*")) if p.suffix.lower() in SUFFIXES}
    for folder in reversed(folders):
        by_name = _by_ledger(folder) | by_name
    return {page: by_name[page] for page in report.pages if page in by_name}


def _by_ledger(folder: Path) -> dict[str, Path]:
    """Pictures the pages of a result folder were read from, as far as they are still there."""
    from neumary.ledger import LEDGER_NAME, Ledger

    if not (folder / LEDGER_NAME).is_file():
        return {}
    with Ledger(folder, read_only=True) as ledger:
        found = {row.page_id: Path(row.source) for row in ledger.rows()}
    return {page: path for page, path in found.items() if path.is_file()}


class _Pictures:
    """Crops of pages; one page is held at a time."""

    def __init__(self, paths: Mapping[str, Path]) -> None:
        self.paths = paths
        self.held: tuple[str, U8 | None] = ("", None)

    def crop(self, mistake: Mistake) -> str:
        """Data address of a crop; "" where there is no picture."""
        if self.held[0] != mistake.page_id:
            self.held = (mistake.page_id, self._load(mistake.page_id))
        rgb = self.held[1]
        if rgb is None:
            return ""
        done, data = cv2.imencode(
            ".jpg", cut_crop(rgb, mistake)[..., ::-1], [cv2.IMWRITE_JPEG_QUALITY, _JPEG_QUALITY]
        )
        return "data:image/jpeg;base64," + base64.b64encode(data.tobytes()).decode() if done else ""

    def _load(self, page: str) -> U8 | None:
        from neumary.scan import read_scans

        if page not in self.paths:
            return None
        try:
            return next((scan.rgb for scan in read_scans(self.paths[page]) if scan.page_id == page), None)
        except NeumaryError:
            return None


def _measures(report: Report) -> str:
    total = report.total
    rows = []
    for name in report.measures:
        low_high = report.intervals.get(name)
        span = f"{low_high[0]:.3f} to {low_high[1]:.3f}" if low_high else ""
        rows.append(
            f"<tr><th scope=row>{escape(name)}<td>{base(name, total)}<td>{shown(name, total)}<td>{span}"
        )
    return "\n".join(rows)


def _pages(report: Report) -> str:
    ranked = sorted(report.pages.items(), key=lambda item: -item[1].corrections_per_100)
    return "\n".join(
        f"<tr><th scope=row>{escape(page)}<td>{score.notes.hit + score.notes.missed}<td>{score.notes.f1:.3f}"
        f"<td>{score.melody_error_rate:.3f}<td>{score.corrections_per_100:.1f}"
        for page, score in ranked
    )


def _cause(cause: str, mistakes: Sequence[Mistake], show: _Pictures) -> str:
    """One cause: how often, and the surest of its mistakes, for they are the most harmful."""
    of_cause = [m for m in mistakes if m.cause == cause]
    if not of_cause:
        return ""
    worst = _spread(of_cause)[:_PER_CAUSE]
    worst.sort(key=lambda m: m.page_id)  # each page's picture is opened once
    figures = []
    for mistake in worst:
        words = describe(mistake)
        sure = f", {mistake.confidence:.2f} sure" if mistake.read else ""
        data = show.crop(mistake)
        picture = f'<img src="{data}" alt="{escape(words)}" loading="lazy">' if data else ""
        where = f"{escape(mistake.page_id)}, row {mistake.row:.0f}, column {mistake.col:.0f}"
        figures.append(
            f"<figure>{picture}<figcaption><b>{escape(words)}</b>{sure}<br>{where}</figcaption></figure>"
        )
    head = f"<h2>{escape(CAUSES[cause])} <small>{len(of_cause)}, {len(worst)} shown</small></h2>"
    return f"<section>{head}<div class=sheet>{''.join(figures)}</div></section>"


def _spread(mistakes: Sequence[Mistake]) -> list[Mistake]:
    """The surest of each page first, then each page's second, and so on."""
    met: Counter[str] = Counter()
    ranked = []
    for mistake in sorted(mistakes, key=lambda m: -m.confidence):
        ranked.append((met[mistake.page_id], mistake))
        met[mistake.page_id] += 1
    return [mistake for _, mistake in sorted(ranked, key=lambda pair: (pair[0], -pair[1].confidence))]


def write_html(report: Report, pictures: Mapping[str, Path], path: Path) -> None:
    """Write the report to a file.

    Raises
    ------
    OutputError
        If it cannot be written.
    """
    from neumary.store import write_bytes

    write_bytes(path, score_html(report, pictures).encode())
