"""MEI files as Neumary writes them, back to a `Page`: enough of it to be scored.

Read back are every sign with its zone, label, step and pitch, neumes and syllables. MEI has no
place for staff lines as curves, so staves come back without lines, and what needs lines cannot
be measured. A sign's place is the middle of its zone; where a zone is much taller than a head
(a stem is in it), its row is that of the sign's step among its neighbours. Under a clef of another
letter that no C, F or G clef on a line equals, MEI leaves the steps open, and so do we.
"""

from __future__ import annotations

import re
from collections.abc import Iterator
from pathlib import Path
from typing import Any, Final, cast

import msgspec
import numpy as np
from lxml import etree

from neumary.errors import StoreError
from neumary.gamut import CLEF_DEGREES, degree_of
from neumary.types import Box, Glyph, Neume, NotationKind, Page, Pitch, Provenance, Reading, Staff, Syllable
from neumary_models.labels import HEADS

_ID: Final = "{http://www.w3.org/XML/1998/namespace}id"
_MEI: Final = "{http://www.music-encoding.org/ns/mei}"
_CHILD_LABELS: Final = {
    "quilisma": "quilisma",
    "oriscus": "oriscus",
    "strophicus": "stropha",
    "liquescent": "liquescent",
}
_SIGNS: Final = frozenset({"nc", "clef", "accid", "custos", "divLine"})
_RANGE: Final = "pitch in a range: "
_CHOICE: Final = re.compile(r"([a-g])(b*)(\d) (\d\.\d+)")
_TALL_SPACES: Final = 1.3  # a zone higher than this holds more than a head
_UNKNOWN_SPACE_PX: Final = 20.0

Element = Any


def load_mei(path: Path) -> Page:
    """Read an MEI file written by Neumary.

    Parameters
    ----------
    path : Path

    Returns
    -------
    Page
        Its page id is the title given in the file. Confidences are 1: MEI holds none as numbers.

    Raises
    ------
    StoreError
        If the file cannot be read, is no MEI, or signs in it have no zones.
    """
    try:
        root = etree.fromstring(path.read_bytes(), etree.XMLParser(resolve_entities=False, no_network=True))
        return _Reader(root).page()
    except OSError as error:
        raise StoreError(f"{path} cannot be opened: {error.strerror}.", "Check its name.") from error
    except (etree.XMLSyntaxError, KeyError, ValueError, TypeError, AttributeError, StopIteration) as error:
        raise StoreError(
            f"{path} is no MEI file of ours: {error or 'parts are missing'}.",
            "Only files whose every sign points at a zone can be scored.",
        ) from error


def _ranges(root: Element) -> dict[str, tuple[tuple[int, int, float], ...]]:
    """Signs whose pitch is a range, by id, with the alternatives an annotation gives them."""
    found = {}
    for annot in root.iter(f"{_MEI}annot"):
        text = annot.text or ""
        if annot.get("type") != "doubt" or _RANGE not in text:
            continue
        part = text.split(_RANGE, 1)[1].split(";", 1)[0]
        choices = tuple(
            (degree_of(pname, int(octave)), -len(flats), float(p))
            for pname, flats, octave, p in _CHOICE.findall(part)
        )
        for target in (annot.get("plist") or "").split():
            found[target.removeprefix("#")] = choices
    return found


class _Reader:
    """One document while it is taken apart."""

    def __init__(self, root: Element) -> None:
        self.root = root
        self.zones = {f"#{zone.get(_ID)}": _box(zone) for zone in root.iter(f"{_MEI}zone")}
        self.ranges = _ranges(root)
        self.glyphs: list[Glyph] = []
        self.readings: list[Reading] = []
        self.neumes: list[Neume] = []
        self.syllables: dict[str, Syllable] = {}
        self.starts: dict[str, str] = {}  # syllable part -> id of its first part
        self.offset: int | None = None  # degree of the bottom line

    def page(self) -> Page:
        surface = next(self.root.iter(f"{_MEI}surface"))
        title = next(self.root.iter(f"{_MEI}title"))
        graphic = next(surface.iter(f"{_MEI}graphic"))
        hidden: int | None = None
        kind, staves = "square", []
        for element in self.root.iter(f"{_MEI}staffDef", f"{_MEI}staff"):
            if element.tag == f"{_MEI}staffDef":
                kind = element.get("notationsubtype", kind)
                hidden = _offset(element.get("clef.shape"), element.get("clef.line"))
                continue
            self.offset = hidden
            staves.append(self._staff(element, kind))
        return Page(
            page_id=title.text or "",
            source=graphic.get("target", ""),
            sha256="",
            width=int(surface.get("lrx")),
            height=int(surface.get("lry")),
            provenance=Provenance(program="MEI"),
            staves=tuple(staves),
            glyphs=tuple(self.glyphs),
            readings=tuple(self.readings),
            neumes=tuple(self.neumes),
            syllables=tuple(self.syllables.values()),
        )

    def _staff(self, element: Element, kind: str) -> Staff:
        staff_id = element.get(_ID)
        first = len(self.glyphs)
        hidden = self.offset
        for layer in element.iter(f"{_MEI}layer"):
            self.offset = hidden
            for sign in layer.iter(*(f"{_MEI}{name}" for name in _SIGNS), f"{_MEI}neume", f"{_MEI}syllable"):
                name = etree.QName(sign).localname
                if name == "syllable":
                    self._syllable(sign, staff_id)
                elif name == "neume":
                    self._neume(sign, staff_id)
                else:
                    self._sign(name, sign, staff_id, layer.get("type", "melody"))
        space = self._settle_rows(first)
        return Staff(
            id=staff_id,
            column=0,
            lines=(),
            space_px=space,
            area=self.zones[element.get("facs")],
            kind=cast(NotationKind, kind),
        )

    def _syllable(self, element: Element, staff_id: str) -> None:
        name = element.get(_ID)
        if not name:
            return
        before = (element.get("follows") or element.get("corresp") or "").removeprefix("#")
        self.starts[name] = self.starts.get(before, name)
        if before:
            return
        syl = next(element.iter(f"{_MEI}syl"))
        box = self.zones.get(syl.get("facs", ""))
        self.syllables[name] = Syllable(id=name, staff=staff_id, text=syl.text or "", box=box)

    def _neume(self, element: Element, staff_id: str) -> None:
        heads = tuple(nc.get(_ID) for nc in element.iter(f"{_MEI}nc"))
        parent = element.getparent().get(_ID) or ""
        number = f"n{len(self.neumes) + 1:04d}"
        self.neumes.append(
            Neume(id=number, staff=staff_id, glyphs=heads, syllable=self.starts.get(parent, ""))
        )

    def _sign(self, name: str, element: Element, staff_id: str, layer: str) -> None:
        box = self.zones[element.get("facs")]
        glyph_id = element.get(_ID)
        label = _label(name, element)
        degree = _degree(element, "pname", "oct") if name in ("nc", "custos") else None
        step = self._step(name, element, label, degree)
        pitch = None
        if name in ("nc", "custos"):
            alter = -1 if element.get("accid.ges") == "f" else 0
            pitch = Pitch(certainty="contour", contour=element.get("intm", ""))
            if degree is not None and element.get(_ID) in self.ranges:
                choices = self.ranges[element.get(_ID)]
                pitch = Pitch(certainty="ranged", degree=degree, alter=alter, alternatives=choices)
            elif degree is not None:
                pitch = Pitch(certainty="exact", degree=degree, alter=alter)
        self.glyphs.append(
            Glyph(
                id=glyph_id,
                staff=staff_id,
                row=(box.top + box.bottom - 1) / 2,
                col=(box.left + box.right - 1) / 2,
                box=box,
                layer=layer,
            )
        )
        self.readings.append(Reading(glyph=glyph_id, label=label, confidence=1.0, step=step, pitch=pitch))

    def _step(self, name: str, element: Element, label: str, degree: int | None) -> int | None:
        if element.get("loc"):
            return int(element.get("loc"))
        if name == "clef":
            octave_lower = 7 if element.get("dis") else 0
            self.offset = _offset(element.get("shape"), element.get("line"), octave_lower)
            if self.offset is None:
                return None
            return _clef_degree(label, element, octave_lower) - self.offset
        if name == "accid":
            degree = _degree(element, "ploc", "oloc")
        return degree - self.offset if degree is not None and self.offset is not None else None

    def _settle_rows(self, first: int) -> float:
        """Staff space by the rows of the steps; tall signs are moved to the row of their step."""
        here = list(zip(self.glyphs[first:], self.readings[first:], strict=True))
        heads = [
            (r.step, g.row) for g, r in here if r.step is not None and r.label in ("punctum", "inclinatum")
        ]
        if len({step for step, _ in heads}) < 2:
            return _UNKNOWN_SPACE_PX
        steps, rows = np.array(heads, dtype=np.float64).T
        slope, top = np.polyfit(steps, rows, 1)
        space = max(-2 * float(slope), 1.0)
        for i, (glyph, reading) in enumerate(here, first):
            tall = glyph.box.bottom - glyph.box.top > _TALL_SPACES * space
            if tall and reading.step is not None and reading.label in HEADS:
                row = float(np.clip(slope * reading.step + top, glyph.box.top, glyph.box.bottom))
                self.glyphs[i] = msgspec.structs.replace(glyph, row=row)
        return space


def _box(zone: Element) -> Box:
    return Box(*(int(zone.get(name)) for name in ("uly", "ulx", "lry", "lrx")))


def _label(name: str, element: Element) -> str:
    if name == "clef":
        return f"clef_{(element.get('label') or element.get('shape')).lower()}"
    if name == "accid":
        return "flat" if element.get("accid") == "f" else "natural"
    if name != "nc":
        return {"custos": "custos", "divLine": "division"}[name]
    for child in _children(element):
        if child in _CHILD_LABELS:
            return _CHILD_LABELS[child]
    if element.get("ligated") == "true":
        return "oblique"
    return {"n": "virga", "se": "inclinatum"}.get(element.get("tilt", ""), "punctum")


def _children(element: Element) -> Iterator[str]:
    for child in element:
        if isinstance(child.tag, str):
            yield etree.QName(child).localname


def _degree(element: Element, name: str, octave: str) -> int | None:
    if element.get(name) is None or element.get(octave) is None:
        return None
    return degree_of(element.get(name), int(element.get(octave)))


def _clef_degree(label: str, element: Element, octave_lower: int) -> int:
    """Degree of the line a clef stands on; MEI's own G is g4, the gamut's may stand lower."""
    if element.get("label"):
        return CLEF_DEGREES[label]
    return {"C": 28, "F": 24, "G": 32}[element.get("shape")] - octave_lower


def _offset(shape: str | None, line: str | None, octave_lower: int = 0) -> int | None:
    """Degree of the bottom line under a clef; None without shape and line."""
    if shape is None or line is None:
        return None
    return {"C": 28, "F": 24, "G": 32}[shape] - octave_lower - 2 * (int(line) - 1)
