"""Tables (CSV) of a book: notes, neumes, staves, pages.

Columns keep their names and order; later versions only add columns at the end. Places are px of
the original image, origin the top left corner; boxes are half-open. Lists within a cell
are parted by spaces.

* ``notes.csv``: a row per head of any layer, in reading order. **Doubt:** ``pname``, ``octave`` and
  ``alter`` are filled only where ``certainty`` is "exact"; for a range, ``alternatives`` holds note and
  probability (``d3:0.6 e3:0.3``), the best first; ``contour`` is u, d or s (up, down, same).
* ``neumes.csv``: name, contour and ``notes``, in which a note that is not exact ends with ``?``; of signs
  read as a whole, without lines, the name's ``confidence`` and ``rivals`` (parted by semicolons), and in
  ``marks`` the significative letters and episemata that stand at them.
* ``staves.csv``: ``clefs`` as letter and line (``C4``), ``volpiano`` as in `neumary.export_text`.
* ``pages.csv``: counts, warnings, and what made the page.

CSV as in RFC 4180 [1]_: UTF-8, comma, CRLF, a header line.

References
----------
.. [1] Y. Shafranovich, "Common Format and MIME Type for CSV Files", RFC 4180, 2005.
"""

from __future__ import annotations

import csv
import io
from collections import Counter
from collections.abc import Iterable, Iterator
from typing import Any, Final

from neumary.doubt import certain_pitch, count_notes, doubtful_signs, reasons_to_doubt
from neumary.export_text import staff_texts
from neumary.melody_text import melody_text
from neumary.order import Event, staff_events
from neumary.types import PNAMES, Page, Reading, Staff
from neumary_models.labels import BY_NAME

COLUMNS: Final[dict[str, tuple[str, ...]]] = {
    "notes": (
        *("page", "staff", "layer", "order", "sign", "neume", "place_in_neume", "syllable", "text", "label"),
        *("row", "col", "top", "left", "bottom", "right", "step", "certainty", "pname", "octave", "alter"),
        *("alternatives", "contour", "confidence", "rivals", "read_by", "doubts"),
    ),
    "neumes": (
        *("page", "staff", "layer", "order", "neume", "name", "contour", "labels", "notes"),
        *("syllable", "text", "wordpos", "top", "left", "bottom", "right", "confidence", "rivals", "marks"),
    ),
    "staves": (
        *("page", "staff", "order", "column", "lines", "kind", "kind_p", "space_px", "top", "left", "bottom"),
        *("right", "clefs", "custos", "notes", "neumes", "melody", "volpiano", "text", "warnings"),
    ),
    "pages": (
        *("page", "source", "sha256", "width", "height", "staves", "neumes", "exact", "ranged", "unread"),
        *(
            "other_layers",
            "doubtful",
            "corrected",
            "warnings",
            "version",
            "model",
            "model_sha256",
            "settings_sha256",
        ),
    ),
}
"""Columns of each table, in order."""

Row = dict[str, Any]


def tables(page: Page) -> dict[str, list[Row]]:
    """Give the rows a page adds to each table.

    Parameters
    ----------
    page : Page

    Returns
    -------
    dict of str to list of dict
        Keys as in `COLUMNS`; every row has exactly that table's columns.
    """
    events = staff_events(page)
    return {
        "notes": [row for staff in page.staves for row in _notes(page, staff, events[staff.id])],
        "neumes": [row for staff in page.staves for row in _neumes(page, staff, events[staff.id])],
        "staves": list(_staves(page, events)),
        "pages": [_page(page)],
    }


def csv_bytes(table: str, rows: Iterable[Row], *, header: bool = True) -> bytes:
    """Write rows of one table.

    Parameters
    ----------
    table : str
        A key of `COLUMNS`.
    rows : iterable of dict
    header : bool
        Whether the line of column names comes first.

    Raises
    ------
    ValueError
        If a row has other columns than the table.
    """
    text = io.StringIO(newline="")
    writer = csv.DictWriter(text, COLUMNS[table])
    if header:
        writer.writeheader()
    writer.writerows(rows)
    return text.getvalue().encode("utf-8", "backslashreplace")


def _notes(page: Page, staff: Staff, events: list[Event]) -> Iterator[Row]:
    words = {syllable.id: syllable.text for syllable in page.syllables}
    order = 0
    for event in events:
        if not event.is_neume:
            continue
        for place, (glyph, reading) in enumerate(event.signs, 1):
            order += 1
            syllable = event.neume.syllable if event.neume else ""
            box = glyph.box
            yield {
                **{"page": page.page_id, "staff": staff.id, "layer": glyph.layer, "order": order},
                **{"sign": glyph.id, "neume": event.neume.id if event.neume else "", "place_in_neume": place},
                **{"syllable": syllable, "text": words.get(syllable, ""), "label": reading.label},
                **{"row": round(glyph.row, 2), "col": round(glyph.col, 2)},
                **_edges([(box.top, box.left, box.bottom, box.right)]),
                **_pitch(reading),
                **{"confidence": round(reading.confidence, 4), "rivals": _shares(reading.rivals)},
                **{"read_by": reading.by, "doubts": " ".join(reasons_to_doubt(reading))},
            }


def _pitch(reading: Reading) -> Row:
    exact, pitch = certain_pitch(reading), reading.pitch
    out: Row = {"step": "" if reading.step is None else reading.step, "pname": "", "octave": "", "alter": ""}
    out["certainty"] = pitch.certainty if pitch else "contour"
    if exact:
        out.update(pname=exact.pname, octave=exact.octave, alter=exact.alter)
    ranged = pitch is not None and pitch.certainty == "ranged"
    choices = pitch.alternatives if pitch is not None and ranged else ()
    if pitch is not None and ranged and not choices and pitch.degree is not None:
        choices = ((pitch.degree, pitch.alter, 1.0),)
    out["alternatives"] = _shares((_note(degree, alter), p) for degree, alter, p in choices)
    out["contour"] = pitch.contour if pitch else ""
    return out


def _note(degree: int, alter: int) -> str:
    return PNAMES[degree % 7] + "b" * -alter + str(degree // 7)


def _shares(pairs: Iterable[tuple[str, float]]) -> str:
    return " ".join(f"{name}:{round(share, 4)}" for name, share in pairs)


def _neumes(page: Page, staff: Staff, events: list[Event]) -> Iterator[Row]:
    syllables = {syllable.id: syllable for syllable in page.syllables}
    for order, event in enumerate((e for e in events if e.is_neume), 1):
        neume = event.neume
        syllable = syllables.get(neume.syllable) if neume else None
        notes = []
        for _, reading in event.signs:
            pitch = reading.pitch
            known = pitch is not None and pitch.degree is not None and pitch.certainty != "contour"
            name = _note(pitch.degree, pitch.alter) if known and pitch and pitch.degree is not None else ""
            notes.append(name + ("" if certain_pitch(reading) else "?"))
        yield {
            **{"page": page.page_id, "staff": staff.id, "layer": event.layer, "order": order},
            **{"neume": neume.id if neume else "", "name": neume.name if neume else ""},
            **{
                "contour": neume.contour if neume else "",
                "labels": " ".join(r.label for _, r in event.signs),
            },
            **{"notes": " ".join(notes), "syllable": syllable.id if syllable else ""},
            **{"text": syllable.text if syllable else "", "wordpos": syllable.wordpos if syllable else ""},
            **_edges([(g.box.top, g.box.left, g.box.bottom, g.box.right) for g, _ in event.signs]),
            "confidence": "" if neume is None or neume.confidence is None else round(neume.confidence, 4),
            "rivals": "; ".join(f"{name}:{round(p, 4)}" for name, p in neume.rivals) if neume else "",
            "marks": " ".join(m.kind for m in page.marks if neume and m.neume == neume.id),
        }


def _edges(boxes: list[tuple[int, int, int, int]]) -> Row:
    tops, lefts, bottoms, rights = zip(*boxes, strict=True)
    return {"top": min(tops), "left": min(lefts), "bottom": max(bottoms), "right": max(rights)}


def _staves(page: Page, events: dict[str, list[Event]]) -> Iterator[Row]:
    texts = {text.staff.id: text for text in staff_texts(page)}
    for order, staff in enumerate(page.staves, 1):
        melody = [event for event in events[staff.id] if event.layer == "melody"]
        signs = [event.signs[0][1] for event in melody if not event.is_neume]
        custos = [reading for reading in signs if reading.label == "custos"]
        exact = certain_pitch(custos[-1]) if custos else None
        area = staff.area
        codes = Counter(remark.code for remark in page.warnings if remark.staff == staff.id)
        yield {
            **{"page": page.page_id, "staff": staff.id, "order": order, "column": staff.column},
            **{"lines": len(staff.lines), "kind": staff.kind, "kind_p": round(staff.kind_p, 4)},
            **{"space_px": round(staff.space_px, 2)},
            **_edges([(area.top, area.left, area.bottom, area.right)]),
            **{"clefs": " ".join(_clef(r) for r in signs if BY_NAME[r.label].group == "clef")},
            **{"custos": f"{exact.pname}{exact.octave}" if exact else ""},
            **{"notes": sum(len(event.signs) for event in melody if event.is_neume)},
            **{"neumes": sum(event.is_neume for event in melody), "melody": melody_text(page, staff.id)},
            **{"volpiano": texts[staff.id].melody, "text": texts[staff.id].words},
            **{"warnings": " ".join(sorted(codes))},
        }


def _clef(reading: Reading) -> str:
    letter = BY_NAME[reading.label].letter
    if reading.step is None:
        return letter
    return f"{letter}{reading.step // 2 + 1}" + ("+" if reading.step % 2 else "")


def _page(page: Page) -> Row:
    counts, made = count_notes(page), page.provenance
    return {
        **{"page": page.page_id, "source": page.source, "sha256": page.sha256},
        **{
            "width": page.width,
            "height": page.height,
            "staves": len(page.staves),
            "neumes": len(page.neumes),
        },
        **{"exact": counts.exact, "ranged": counts.ranged, "unread": counts.unread},
        **{"other_layers": counts.other_layers, "doubtful": len(doubtful_signs(page))},
        **{"corrected": sum(reading.by == "human" for reading in page.current().values())},
        **{"warnings": len(page.warnings), "version": made.version, "model": made.model},
        **{"model_sha256": made.model_sha256, "settings_sha256": made.settings_sha256},
    }
