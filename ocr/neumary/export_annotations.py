"""Page to W3C Web Annotations on a IIIF canvas, for image viewers.

One ``AnnotationPage`` per page of the book, in the Web Annotation vocabulary [1]_ as IIIF Presentation
3.0 [2]_ uses it:

* each staff and each neume is a transcription (``supplementing``): its notes in the words of
  `neumary.melody_text`; a neume's name is a body with the purpose ``tagging``;
* each clef, flat, natural, custos and division is ``identifying``;
* each significative letter is ``identifying``;
* each syllable with text is ``supplementing``;
* **doubt:** a note whose pitch is a range has a question mark after the best of it, a note without pitch is
  ``?``; each doubtful sign has an annotation ``questioning`` with the reasons and the alternatives.

The target is the canvas with a media fragment ``xywh`` [3]_ in px of the original image, which
are the canvas's own units wherever the canvas has the image's size (IIIF recommends that).

References
----------
.. [1] W3C Recommendation, Web Annotation Data Model, 23 February 2017,
   https://www.w3.org/TR/annotation-model/
.. [2] IIIF Presentation API 3.0, https://iiif.io/api/presentation/3.0/
.. [3] W3C Recommendation, Media Fragments URI 1.0, 25 September 2012, https://www.w3.org/TR/media-frags/
"""

from __future__ import annotations

import json
from collections.abc import Iterable, Iterator
from string import Formatter
from typing import Any, Final
from urllib.parse import quote

from neumary.doubt import reasons_to_doubt
from neumary.errors import UsageError
from neumary.gamut import clef_name
from neumary.mei_signs import pitch_attributes
from neumary.melody_text import melody_text, notes_text
from neumary.order import Event, staff_events
from neumary.types import PNAMES, Box, Page, Reading
from neumary.xmlwrite import clip
from neumary_models.labels import BY_NAME

DEFAULT_CANVAS: Final = "urn:neumary:canvas:{source}"
"""Pattern of canvas ids where none is given: a name made from the image's file name."""

FIELDS: Final = ("page", "number", "source")
_CONTEXT: Final = "http://www.w3.org/ns/anno.jsonld"
_IIIF: Final = "http://iiif.io/api/presentation/3/context.json"


def canvas_id(pattern: str, page: Page, number: int) -> str:
    """Fill in a pattern of canvas ids.

    Parameters
    ----------
    pattern : str
        With any of ``{page}`` (page id), ``{number}`` (place in the book, from 1; ``{number:04d}`` pads),
        ``{source}`` (file name); values are percent-encoded.
    page : Page
    number : int

    Raises
    ------
    UsageError
        If the pattern has other fields.
    """
    try:
        named = {name for _, name, _, _ in Formatter().parse(pattern) if name is not None}
        if not named <= set(FIELDS):
            raise ValueError(f"unknown field {sorted(named - set(FIELDS))[0]!r}")
        return pattern.format(page=_quoted(page.page_id), number=number, source=_quoted(page.source))
    except (ValueError, IndexError) as error:
        known = ", ".join(f"{{{name}}}" for name in FIELDS)
        raise UsageError(
            f"The canvas pattern {pattern!r} makes no sense: {error}.", f"Use {known}."
        ) from None


def _quoted(text: str) -> str:
    return quote(text.encode("utf-8", "backslashreplace"), safe="")


def to_annotations(page: Page, canvas: str) -> bytes:
    """Write a page as an AnnotationPage.

    Parameters
    ----------
    page : Page
    canvas : str
        Id (IRI) of its canvas.

    Returns
    -------
    bytes
        JSON-LD, UTF-8, one annotation a line; the same page gives the same bytes.
    """
    head = {
        "@context": [_CONTEXT, _IIIF],
        "id": f"urn:neumary:annotations:{_quoted(page.page_id)}",
        "type": "AnnotationPage",
        "label": {"en": [f"{page.page_id}: a draft for a specialist to check"]},
    }
    items = ",\n".join(json.dumps(item, ensure_ascii=False) for item in _annotations(page, canvas))
    text = json.dumps(head, ensure_ascii=False)[:-1] + ',\n"items": [\n' + items + "\n]}\n"
    return text.encode("utf-8", "backslashreplace")


def _annotations(page: Page, canvas: str) -> Iterator[dict[str, Any]]:
    events = staff_events(page)
    made = _Maker(page, canvas)
    for staff in page.staves:
        melody = melody_text(page, staff.id)
        words = [_text(melody or "no notes read"), _tag(f"staff of {len(staff.lines)} lines")]
        yield made.annotation(staff.id, "supplementing", words, staff.area)
        for event in events[staff.id]:
            yield made.event(event)
            for glyph, reading in event.signs:
                if doubt := _doubt(reading):
                    yield made.annotation(f"{glyph.id}-doubt", "questioning", [_text(doubt)], glyph.box)
        for mark in page.marks:
            if mark.staff == staff.id and mark.box:
                words = [_text(mark.text or f"significative {mark.kind}")]
                yield made.annotation(mark.id, "identifying", words, mark.box)
        for syllable in page.syllables:
            if syllable.staff == staff.id and syllable.text and syllable.box:
                yield made.annotation(syllable.id, "supplementing", [_text(syllable.text)], syllable.box)


class _Maker:
    def __init__(self, page: Page, canvas: str) -> None:
        self._page, self._canvas = page, canvas

    def event(self, event: Event) -> dict[str, Any]:
        box = _around(glyph.box for glyph, _ in event.signs)
        if event.is_neume:
            words = [_text(notes_text(event))]
            if event.neume and event.neume.name:
                words.append(_tag(event.neume.name))
            name = event.neume.id if event.neume else event.signs[0][0].id
            return self.annotation(name, "supplementing", words, box)
        glyph, reading = event.signs[0]
        return self.annotation(glyph.id, "identifying", [_text(_sign_name(reading))], box)

    def annotation(self, name: str, motivation: str, body: list[Any], box: Box) -> dict[str, Any]:
        left, right = clip(box.left, box.right, self._page.width)
        top, bottom = clip(box.top, box.bottom, self._page.height)
        return {
            "id": f"urn:neumary:annotation:{_quoted(self._page.page_id)}:{_quoted(name)}",
            "type": "Annotation",
            "motivation": motivation,
            "body": body if len(body) > 1 else body[0],
            "target": f"{self._canvas}#xywh={left},{top},{right - left},{bottom - top}",
        }


def _text(value: str) -> dict[str, str]:
    return {"type": "TextualBody", "value": value, "format": "text/plain"}


def _tag(value: str) -> dict[str, str]:
    return {**_text(value), "purpose": "tagging"}


def _around(boxes: Iterable[Box]) -> Box:
    edges = [(box.top, box.left, box.bottom, box.right) for box in boxes]
    tops, lefts, bottoms, rights = zip(*edges, strict=True)
    return Box(min(tops), min(lefts), max(bottoms), max(rights))


def _sign_name(reading: Reading) -> str:
    if BY_NAME[reading.label].group == "clef":
        letter = BY_NAME[reading.label].letter
        return clef_name(reading.label, reading.step) if reading.step is not None else f"{letter} clef"
    if reading.label == "custos" and reading.pitch and pitch_attributes(reading.pitch):
        best = "" if reading.pitch.certainty == "exact" else "?"
        return f"custos {reading.pitch.pname}{reading.pitch.octave}{best}"
    return reading.label


def _doubt(reading: Reading) -> str:
    parts = []
    reasons = reasons_to_doubt(reading)
    if "confidence" in reasons:
        rivals = "".join(f", or {name} {share:.2f}" for name, share in reading.rivals)
        parts.append(f"{reading.label} {reading.confidence:.2f}{rivals}")
    if "pitch" in reasons:
        choices = reading.pitch.alternatives if reading.pitch else ()
        named = [f"{PNAMES[degree % 7]}{'b' * -alter}{degree // 7} {p:.2f}" for degree, alter, p in choices]
        parts.append("pitch: " + (", ".join(named) or "not known"))
    if "inferred" in reasons:
        parts.append("concluded, not seen")
    return "; ".join(parts)
