"""The overview of an output folder: one self-contained page, worst pages first."""

from __future__ import annotations

import base64
import json
from collections import Counter
from collections.abc import Iterable, Sequence
from dataclasses import dataclass, replace
from html import escape
from pathlib import Path
from string import Template
from typing import Final
from urllib.parse import quote

import cv2
import numpy as np

from neumary.custodes import page_ends
from neumary.doubt import doubtful_signs
from neumary.overlay import overlay_point
from neumary.overlay_words import sign_text
from neumary.page_turns import Edges, Turn
from neumary.store import write_bytes
from neumary.types import U8, Page
from neumary_models.labels import HEADS

INDEX_NAME: Final = "index.html"
THUMBNAIL_BYTES: Final = 12 * 1024
"""A picture kept within the overview is not larger than this, as text."""

PICTURES_BYTES: Final = 2_000_000
"""Beyond so much the overview keeps no pictures within: it shows the overlays, as they come into view."""

_THUMBNAIL_PX: Final = 360  # one and a half times the width shown: what halving leaves at least
_TEMPLATE: Final = Path(__file__).with_name("report_index.html")
_FILES: Final = ("overlay.jpg", "page.mei", "page.xml", "page.json")
_WARNINGS_SHOWN: Final = 4
DOUBTS_SHOWN: Final = 12
"""Doubtful signs of a page that the overview shows as pictures; about 60 bytes each."""

_WHY: Final = {"confidence": "sign doubtful", "pitch": "pitch doubtful", "inferred": "not seen"}


@dataclass(frozen=True, slots=True)
class Doubt:
    """A doubtful sign, to be shown as a piece of the page's overlay.

    Attributes
    ----------
    row, col : int
        Its place on the overlay, px.
    text : str
        What it was read as, and why that is doubtful.
    """

    row: int
    col: int
    text: str


@dataclass(frozen=True, slots=True)
class PageRow:
    """One page in the overview.

    Attributes
    ----------
    page_id : str
        Also the name of its folder.
    thumbnail : str
        A ``data:`` URI (see `thumbnail_uri`), or "" to show the overlay itself, small.
    staves, notes, doubtful : int
        Numbers of staves, of heads, and of signs with a reason to doubt.
    mean_confidence : float or None
        Over all signs that were read; None where there are none.
    warnings : tuple of str
        For people, most important first.
    failure : str
        Why the page could not be read; "" if it was.
    doubts : tuple of Doubt
        The least certain signs, worst first; not all of them.
    edges : Edges or None
        First note and last custos, to be compared with the pages before and after.
    turn : Turn or None
        How its last custos compares with the next page. Never stored: it is worked out each time.
    """

    page_id: str
    thumbnail: str = ""
    staves: int = 0
    notes: int = 0
    doubtful: int = 0
    mean_confidence: float | None = None
    warnings: tuple[str, ...] = ()
    failure: str = ""
    doubts: tuple[Doubt, ...] = ()
    edges: Edges | None = None
    turn: Turn | None = None

    @property
    def badness(self) -> tuple[float, ...]:
        """What the order goes by: failed, nothing found, share of doubt, warnings."""
        nothing = not self.failure and self.notes == 0
        share = self.doubtful / self.notes if self.notes else 0.0
        against = self.turn is not None and self.turn.verdict == "disagrees"
        return float(bool(self.failure)), float(nothing), share, float(len(self.warnings) + against)


def page_row(page: Page, thumbnail: str = "") -> PageRow:
    """Sum up a page for the overview.

    Parameters
    ----------
    page : Page
    thumbnail : str
        See `PageRow`.
    """
    readings = list(page.current().values())
    confidences = [reading.confidence for reading in readings]
    notes = sum(reading.label in HEADS for reading in readings)
    return PageRow(
        page_id=page.page_id,
        thumbnail=thumbnail,
        staves=len(page.staves),
        notes=notes,
        doubtful=len(doubtful_signs(page)),
        mean_confidence=sum(confidences) / len(confidences) if confidences else None,
        warnings=tuple(
            f"{f'{remark.staff}: ' if remark.staff else ''}{remark.text}" for remark in page.warnings
        ),
        doubts=worst_doubts(page),
        edges=Edges(notes, *page_ends(page)),
    )


def worst_doubts(page: Page, most: int = DOUBTS_SHOWN) -> tuple[Doubt, ...]:
    """Give the least certain of the doubtful signs of a page, worst first.

    Parameters
    ----------
    page : Page
    most : int
        So many at most.
    """
    current, doubtful = page.current(), doubtful_signs(page)
    glyphs = [glyph for glyph in page.glyphs if glyph.id in doubtful]
    glyphs.sort(key=lambda glyph: current[glyph.id].confidence)  # stable: reading order decides ties
    found = []
    for glyph in glyphs[:most]:
        reading = current[glyph.id]
        row, col = overlay_point(page, glyph.row, glyph.col)
        why = " and ".join(_WHY[reason] for reason in doubtful[glyph.id])
        name = sign_text(reading)
        label = "" if reading.label in name else f" {reading.label}"
        found.append(Doubt(round(row), round(col), f"{name}{label}, {why} {reading.confidence:.2f}"))
    return tuple(found)


def thumbnail_uri(rgb: U8, limit_bytes: int = THUMBNAIL_BYTES) -> str:
    """Make a small picture that lives within the overview.

    Parameters
    ----------
    rgb : ndarray of uint8, shape (H, W, 3)
        Usually an overlay.
    limit_bytes : int
        Bound on the length of the result.

    Returns
    -------
    str
        A ``data:`` URI of a JPEG, 240 px wide or less.
    """
    while min(rgb.shape[1], rgb.shape[0]) >= 2 * _THUMBNAIL_PX:  # OpenCV is quickest at halving
        half = (rgb.shape[1] // 2, rgb.shape[0] // 2)
        rgb = np.asarray(cv2.resize(rgb[: 2 * half[1], : 2 * half[0]], half, interpolation=cv2.INTER_AREA))
    bgr = cv2.cvtColor(rgb, cv2.COLOR_RGB2BGR)
    for width in (240, 200, 160, 120, 80, 40, 16):
        scale = min(width / bgr.shape[1], 1.5 * width / bgr.shape[0], 1.0)
        size = (max(1, round(bgr.shape[1] * scale)), max(1, round(bgr.shape[0] * scale)))
        small = cv2.resize(bgr, size, interpolation=cv2.INTER_AREA)
        _, coded = cv2.imencode(".jpg", small, [cv2.IMWRITE_JPEG_QUALITY, 60])
        uri = "data:image/jpeg;base64," + base64.b64encode(coded.tobytes()).decode("ascii")
        if len(uri) <= limit_bytes:
            return uri
    return ""


def write_index(out_dir: Path, rows: Iterable[PageRow]) -> Path:
    """Write ``index.html``: one file that needs no network and no other program.

    Parameters
    ----------
    out_dir : Path
        The output folder; each page's files lie in ``out_dir/<page-id>/``.
    rows : iterable of PageRow
        In any order.

    Returns
    -------
    Path
        The file written.

    Raises
    ------
    OutputError
        If it cannot be written.
    """
    path = out_dir / INDEX_NAME
    write_bytes(path, index_html(out_dir.resolve().name, list(rows)).encode())
    return path


def index_html(title: str, rows: Sequence[PageRow]) -> str:
    """Give the overview as HTML; pages that need a look most come first.

    Parameters
    ----------
    title : str
    rows : sequence of PageRow
    """
    if sum(len(row.thumbnail) for row in rows) > PICTURES_BYTES:
        rows = [replace(row, thumbnail="") for row in rows]
    ordered = sorted(rows, key=lambda row: row.page_id)
    ordered.sort(key=lambda row: row.badness, reverse=True)
    body = "".join(map(_row, ordered)) or '<li class="empty">No pages yet.</li>\n'
    failed = sum(bool(row.failure) for row in rows)
    totals = (
        f"{_count(len(rows), 'page')}, {_count(failed, 'failed', 'failed')}, "
        f"{_count(sum(row.notes for row in rows), 'note')}, "
        f"{_count(sum(row.doubtful for row in rows), 'doubtful sign')}"
        f"{_turns([row.turn for row in rows if row.turn is not None])}"
    )
    template = Template(_TEMPLATE.read_text(encoding="utf-8"))
    text = template.substitute(title=escape(title), totals=totals, rows=body)
    return text.encode("utf-8", "backslashreplace").decode()


def _row(row: PageRow) -> str:
    folder = quote(row.page_id.encode("utf-8", "surrogateescape"))
    name = escape(row.page_id)
    if row.failure:
        link, picture = f"<a href='#' data-picture=''>{name}</a>", ""
        facts = f'<p class="failed">&#x2716; not read</p><p>{escape(row.failure)}</p>'
    else:
        overlay = f"{folder}/{_FILES[0]}"
        link = f'<a href="{overlay}" data-picture="{overlay}"{_doubts(row.doubts)}>{name}</a>'
        source = escape(row.thumbnail) if row.thumbnail else overlay
        picture = f'<a href="{overlay}" tabindex="-1"><img src="{source}" alt="" loading="lazy"></a>'
        facts = _facts(row) + _page_turn(row.turn) + _warnings(row.warnings) + _files(folder)
    return (
        f'<li><div class="row">{picture or "<span></span>"}<div>\n<h2>{link}</h2>\n{facts}</div></div></li>\n'
    )


def _doubts(doubts: Sequence[Doubt]) -> str:
    """Doubtful places as an attribute; the pictures are made only when the page is looked at."""
    if not doubts:
        return ""
    places = json.dumps([[doubt.row, doubt.col, doubt.text] for doubt in doubts], separators=(",", ":"))
    return f' data-doubts="{escape(places)}"'


def _facts(row: PageRow) -> str:
    share = min(1.0, row.doubtful / row.notes) if row.notes else 0.0
    sure = "" if row.mean_confidence is None else f", mean confidence {row.mean_confidence:.2f}"
    found = "no notes found" if row.notes == 0 else _count(row.notes, "note")
    return (
        f"<p>{_count(row.staves, 'staff', 'staves')}, {found}{sure}</p>\n"
        f"<p>&#x25C7; {_count(row.doubtful, 'doubtful sign')} ({share:.0%})</p>\n"
        f'<div class="bar"><i style="width:{100 * share:.1f}%"></i></div>\n'
    )


def _turns(turns: Sequence[Turn]) -> str:
    if not turns:
        return ""
    agree, against = (sum(turn.verdict == verdict for turn in turns) for verdict in ("agrees", "disagrees"))
    return f", {_count(len(turns), 'custos', 'custodes')} at a page turn: {agree} agree, {against} disagree"


def _page_turn(turn: Turn | None) -> str:
    """What the custos at the page's end says of the next page."""
    if turn is None:
        return ""
    if turn.verdict == "agrees":
        return f"<p>page turn: the custos agrees with {escape(turn.following)}</p>\n"
    return f'<p><span class="turn">page turn:</span> {escape(turn.text)}</p>\n'


def _warnings(warnings: Sequence[str]) -> str:
    if not warnings:
        return ""
    told = list(Counter(warnings).items())  # in the order first said
    shown = [
        f"<li>{escape(text)}{f' ({times} times)' if times > 1 else ''}</li>"
        for text, times in told[:_WARNINGS_SHOWN]
    ]
    rest = sum(times for _, times in told[_WARNINGS_SHOWN:])
    if rest:
        shown.append(f"<li>and {_count(rest, 'more warning')}</li>")
    return f"<ul>{''.join(shown)}</ul>\n"


def _files(folder: str) -> str:
    return (
        '<p class="files">' + "".join(f'<a href="{folder}/{name}">{name}</a>' for name in _FILES) + "</p>\n"
    )


def _count(number: int, one: str, many: str = "") -> str:
    return f"{number} {one if number == 1 else many or one + 's'}"
