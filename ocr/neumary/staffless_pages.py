"""Staffless signs on a page: rows of them where there are no staves, layers of them around staves.

A row of signs becomes a `Staff` without lines. Signs above or below the lines of a staff get the
layers "upper" and "lower": they never enter the melody. Either way the page says that no pitch is
given, and everything that works on pitches is kept away from them (`set_aside`, `put_back`).
"""

from __future__ import annotations

from collections import Counter
from collections.abc import Sequence
from typing import Final

import msgspec
import numpy as np

from neumary.kinds import signs_rather_than_letters
from neumary.leaf_map import LeafMap
from neumary.settings import ReadSettings
from neumary.staffless import FreeCandidate
from neumary.staffless_glyphs import LETTER, page_edges, to_neume
from neumary.staffless_layers import Around, signs_around, without_leaks
from neumary.staffless_look import FreeLook, look_for_signs
from neumary.staffless_rows import rows_of
from neumary.staffless_text import words_under
from neumary.types import Box, Mark, Neume, NotationKind, Page, Remark, Scan, Staff
from neumary_models.labels import HEADS
from neumary_models.zoo import LoadedModel

ROLE: Final = "staffless"
"""Name of the companion model."""

_LAYERS: Final = ("melody", "upper", "lower")
_EPISEMA_P: Final = 0.5
_LETTER_REACH: Final = 2.0  # letters stand within this many virgae of their neume
_LONE_P: Final = 0.7  # a sign alone in its row must be surer than this
_SIGNS_SHARE: Final = 0.0005  # of a page's cells must look like signs of some kind where staves are empty
_FEW_LINES: Final = 2
_BEYOND_DOUBT: Final = 0.8
_MANY: Final = 8  # sure signs that make a page of them
# Cells like staffless signs round staves: so many of the page, or, on a page of many words, so many for each
# cell of notes; on rendered pages with layers 0.1 and more for each, on others up to 0.008.
_FREE_SHARE: Final = 0.003
_FREE_PER_MUSIC: Final = 0.05
_FREE_LEAST: Final = 0.0005  # and no fewer: with fewer on the page there are none
_FEWEST: Final = 3  # signs around the staves of a page below which there are none
_PER_STAFF: Final = 0.5  # of them for each staff, at least
_PLAIN: Final = ("square", "pointed")  # kinds that become "layered" with signs around them
_SIGN_PER_SPACE: Final = 1.05  # virga against staff space around staves; own count on rendered pages

NO_PITCH: Final = (
    "These signs stand on no lines and beside no clef letters, so the leaf gives no pitch: stated are "
    "their names and, inside each sign, up, down or same."
)


def add_free_signs(
    page: Page, scan: Scan, seen: LeafMap | None, model: LoadedModel, settings: ReadSettings
) -> Page:
    """Read the staffless signs of a page, if it has any.

    Parameters
    ----------
    page : Page
        With the staves that were found and the signs on them.
    scan : Scan
    seen : LeafMap or None
        Tells whether it is worth while to look. Without it only pages without staves are looked at;
        where the user asks for no lines, or for this kind of notation, it always is.
    model : LoadedModel
        With the companion `ROLE`; without it the page is handed back.
    settings : ReadSettings

    Returns
    -------
    Page
        With rows, or layers, of signs, words under rows, and remarks.
    """
    reader = model.companions.get(ROLE)
    if reader is None or settings.only != "all":
        return page
    kind = settings.notation_asked
    asked = settings.line_count == 0 or kind in ("staffless", "layered")
    if not asked and kind is None and _unlined(page):
        look = look_for_signs(scan.rgb, reader)
        return (
            page if look is None or not _rather_signs(page, look) else _with_rows(_without_staves(page), look)
        )
    if not asked and (kind is not None or not _worth_while(page, seen)):
        return page
    if not page.staves:
        look = look_for_signs(scan.rgb, reader)
        return page if look is None or not look.signs else _with_rows(page, look)
    if not asked and _may_be_none(page):
        look = look_for_signs(scan.rgb, reader)
        return (
            page if look is None or not _outnumbered(page, look) else _with_rows(_without_staves(page), look)
        )
    lined = [staff for staff in page.staves if staff.lines]
    if not lined:
        return page
    space = float(np.median([staff.space_px for staff in lined]))
    look = look_for_signs(scan.rgb, reader, _SIGN_PER_SPACE * space)
    return page if look is None else _with_layers(page, look, kind)


def _heads(page: Page, staff: str) -> int:
    current = page.current()
    return sum(
        glyph.staff == staff and glyph.id in current and current[glyph.id].label in HEADS
        for glyph in page.glyphs
    )


def _may_be_none(page: Page) -> bool:
    """Whether all staves may be none: of one or two lines, or without a single note."""
    return all(len(staff.lines) <= _FEW_LINES or not _heads(page, staff.id) for staff in page.staves)


def _outnumbered(page: Page, look: FreeLook) -> bool:
    """Whether staffless signs beyond doubt are more than the notes, and more than a stray few."""
    sure = sum(sign.p_sign >= _BEYOND_DOUBT and sign.name != LETTER for sign in look.signs)
    return sure >= max(_MANY, sum(_heads(page, staff.id) for staff in page.staves) + 1)


def _unlined(page: Page) -> bool:
    """Whether a page has rows of heads without lines, with letters or without."""
    return bool(page.staves) and all(staff.kind in ("letters", "staffless") for staff in page.staves)


def _rather_signs(page: Page, look: FreeLook) -> bool:
    current = page.current()
    sure = sum(
        current[glyph.id].label in HEADS and current[glyph.id].confidence >= _BEYOND_DOUBT
        for glyph in page.glyphs
    )
    signs = sum(sign.p_sign >= _BEYOND_DOUBT and sign.name != LETTER for sign in look.signs)
    lettered = page.staves[0].kind_p if page.staves[0].kind == "letters" else 0.5
    return signs_rather_than_letters(lettered, sure, signs)


def _without_staves(page: Page) -> Page:
    """The page with nothing on it; what was said about its staves is unsaid."""
    named = {staff.id for staff in page.staves}
    kept = tuple(remark for remark in page.warnings if remark.staff not in named)
    return msgspec.structs.replace(page, staves=(), glyphs=(), readings=(), syllables=(), warnings=kept)


def _worth_while(page: Page, seen: LeafMap | None) -> bool:
    """Whether a page may hold staffless signs; the leaf network's look tells round staves."""
    if not page.staves or seen is None:
        return not page.staves
    if any(_heads(page, staff.id) for staff in page.staves):
        free = seen.share_of("free-sign")
        return free >= max(_FREE_LEAST, min(_FREE_SHARE, _FREE_PER_MUSIC * seen.share_of("music")))
    return seen.share_of("free-sign") + seen.share_of("music") >= _SIGNS_SHARE


# Rows ---------------------------------------------------------------------------------------------


def _with_rows(page: Page, look: FreeLook) -> Page:
    rows = [[look.signs[i] for i in row] for row in rows_of(look.signs, look.size_px, look.text)]
    rows = [row for row in rows if _believed(row)]
    if not rows:
        return page
    staves = [_row_staff(f"s{n:02d}", row, look, page) for n, row in enumerate(rows, 1)]
    signs = [(sign, staff.id, "melody") for staff, row in zip(staves, rows, strict=True) for sign in row]
    words = words_under(staves, look)
    kept = tuple(remark for remark in page.warnings if remark.code != "no-staves")
    said = Remark(code="no-pitch", text=f"No staff lines were found. {NO_PITCH}")
    page = msgspec.structs.replace(
        page,
        staves=tuple(staves),
        syllables=tuple(msgspec.structs.replace(w, id=f"y{n:04d}") for n, w in enumerate(words, 1)),
        warnings=(*kept, said),
    )
    return _with_signs(page, signs, look)


def _believed(row: Sequence[FreeCandidate]) -> bool:
    """Whether a row has a neume, and more than a lone doubtful one: a sure letter speaks for it too."""
    neumes = [sign for sign in row if sign.name != LETTER]
    return len(neumes) > 1 or (bool(neumes) and any(sign.p_sign > _LONE_P for sign in row))


def _row_staff(name: str, row: Sequence[FreeCandidate], look: FreeLook, page: Page) -> Staff:
    edges = np.array([sign.box for sign in row])
    margin = look.size_px / 4
    top, left, bottom, right = page_edges(
        (
            float(edges[:, 0].min()) - margin, float(edges[:, 1].min()) - margin,
            float(edges[:, 2].max()) + margin, float(edges[:, 3].max()) + margin,
        ),
        look,
    )  # fmt: skip
    area = Box(top, left, min(bottom, page.height), min(right, page.width))
    p = float(np.mean([sign.p_sign for sign in row]))
    return Staff(
        id=name,
        column=0,
        lines=(),
        space_px=round(look.size_px / look.scale, 3),
        area=area,
        kind="staffless",
        kind_p=round(p, 4),
    )


# Layers -------------------------------------------------------------------------------------------


def _with_layers(page: Page, look: FreeLook, asked: NotationKind | None) -> Page:
    around = [one for one in signs_around(page, look) if not one.is_note]
    fewest = 1 if asked == "layered" else max(_FEWEST, round(_PER_STAFF * len(page.staves)))
    if len(around) < fewest:
        return page
    page = without_leaks(page, around)
    counts = Counter(one.layer for one in around if one.sign.name != LETTER)
    text = (
        f"{counts['upper']} staffless signs above and {counts['lower']} below the staves are kept in layers "
        "of their own and are no part of the melody. The leaf gives no pitch for them: stated are their "
        "names and, inside each sign, up, down or same."
    )
    p = round(float(np.mean([one.sign.p_sign for one in around])), 4)
    page = msgspec.structs.replace(
        page,
        staves=tuple(
            msgspec.structs.replace(staff, kind="layered", kind_p=p)
            if asked is None and staff.lines and staff.kind in _PLAIN
            else staff
            for staff in page.staves
        ),
        warnings=(*page.warnings, Remark(code="layers-without-pitch", text=text)),
    )
    return _with_signs(page, [(one.sign, one.staff, one.layer) for one in _ordered(page, around)], look)


def _ordered(page: Page, around: Sequence[Around]) -> list[Around]:
    rank = {staff.id: n for n, staff in enumerate(page.staves)}
    return sorted(around, key=lambda one: (rank[one.staff], one.layer != "upper", one.sign.box[1]))


# Both ---------------------------------------------------------------------------------------------


def _with_signs(page: Page, signs: Sequence[tuple[FreeCandidate, str, str]], look: FreeLook) -> Page:
    """Give signs their ids, behind what the page has, and letters their neumes."""
    glyphs, readings, neumes = list(page.glyphs), list(page.readings), list(page.neumes)
    made: list[tuple[Neume, str, Box, float]] = []
    number = max((int(g.id[1:]) for g in glyphs if g.id[1:].isdigit()), default=0)
    for sign, staff, layer in signs:
        if sign.name == LETTER:
            continue
        one = to_neume(sign, look, staff, layer)
        names = tuple(f"g{number + k:04d}" for k in range(1, len(one.glyphs) + 1))
        number += len(names)
        glyphs += [msgspec.structs.replace(g, id=n) for g, n in zip(one.glyphs, names, strict=True)]
        readings += [msgspec.structs.replace(r, glyph=n) for r, n in zip(one.readings, names, strict=True)]
        neumes.append(msgspec.structs.replace(one.neume, id=f"n{len(neumes) + 1:04d}", glyphs=names))
        made.append((neumes[-1], layer, one.box, one.p_episema))
    marks = [
        Mark(id="", kind="episema", staff=neume.staff, neume=neume.id, layer=layer, confidence=round(p, 4))
        for neume, layer, _, p in made
        if p > _EPISEMA_P
    ]
    marks += [_letter(sign, staff, layer, made, look) for sign, staff, layer in signs if sign.name == LETTER]
    return msgspec.structs.replace(
        page,
        glyphs=tuple(glyphs),
        readings=tuple(readings),
        neumes=tuple(neumes),
        marks=tuple(msgspec.structs.replace(mark, id=f"m{n:04d}") for n, mark in enumerate(marks, 1)),
    )


def _letter(
    sign: FreeCandidate, staff: str, layer: str, made: Sequence[tuple[Neume, str, Box, float]], look: FreeLook
) -> Mark:
    """A significative letter, at the nearest neume of its row."""
    box = Box(*page_edges(sign.box, look))
    reach = _LETTER_REACH * look.size_px / look.scale
    near = [
        (_gap(box, other), neume.id) for neume, own, other, _ in made if (neume.staff, own) == (staff, layer)
    ]
    gap, name = min(near, default=(np.inf, ""))
    return Mark(
        id="",
        kind="letter",
        staff=staff,
        neume=name if gap <= reach else "",
        layer=layer,
        box=box,
        confidence=round(sign.p_sign * float(sign.names.max()), 4),
    )


def _gap(a: Box, b: Box) -> float:
    """White between two boxes, px."""
    rows = max(a.top - b.bottom, b.top - a.bottom, 0)
    cols = max(a.left - b.right, b.left - a.right, 0)
    return float(np.hypot(rows, cols))


# Apart from pitches -------------------------------------------------------------------------------


def set_aside(page: Page) -> tuple[Page, Page]:
    """Part a page into what pitches are worked out for, and its staffless signs.

    Returns
    -------
    lined : Page
        Without rows of staffless signs, and without the layers around staves.
    free : Page
        The rest; all staves of the page in their order.
    """
    bare = {staff.id for staff in page.staves if staff.kind == "staffless"} - _headed(page)
    apart = {glyph.id for glyph in page.glyphs if glyph.layer != "melody" or glyph.staff in bare}
    if not bare and not apart:
        return page, msgspec.structs.replace(page, glyphs=(), readings=(), neumes=(), marks=(), syllables=())

    def part(free: bool) -> Page:
        return msgspec.structs.replace(
            page,
            staves=page.staves if free else tuple(s for s in page.staves if s.id not in bare),
            glyphs=tuple(g for g in page.glyphs if (g.id in apart) == free),
            readings=tuple(r for r in page.readings if (r.glyph in apart) == free),
            neumes=tuple(n for n in page.neumes if bool(apart & set(n.glyphs)) == free),
            syllables=tuple(y for y in page.syllables if (y.staff in bare) == free),
            marks=page.marks if free else (),
        )

    return part(False), part(True)


def _headed(page: Page) -> set[str]:
    """Staves with signs that are no free ones: those come in neumes."""
    grouped = {name for neume in page.neumes for name in neume.glyphs}
    return {glyph.staff for glyph in page.glyphs if glyph.id not in grouped}


def put_back(lined: Page, free: Page, *, names: bool = True) -> Page:
    """Join the two parts of a page again.

    Parameters
    ----------
    lined, free : Page
        From `set_aside`; `lined` with pitches, neumes and remarks added since.
    names : bool
        False withholds the names of signs (repertoire that is no chant).
    """
    if not free.glyphs and not free.marks:
        return lined
    changed = {staff.id: staff for staff in lined.staves}
    staves = tuple(changed.get(staff.id, staff) for staff in free.staves)
    layer_of = {glyph.id: glyph.layer for glyph in free.glyphs}
    rank = {staff.id: n for n, staff in enumerate(staves)}
    apart = [n if names else msgspec.structs.replace(n, name="", rivals=()) for n in free.neumes]
    ordered = sorted(
        [*lined.neumes, *apart],
        key=lambda n: (rank[n.staff], _LAYERS.index(layer_of.get(n.glyphs[0], "melody"))),
    )
    new = {id(neume): f"n{number:04d}" for number, neume in enumerate(ordered, 1)}
    renamed = {old.id: new[id(neume)] for old, neume in zip(free.neumes, apart, strict=True)}
    return msgspec.structs.replace(
        lined,
        staves=staves,
        glyphs=(*lined.glyphs, *free.glyphs),
        readings=(*lined.readings, *free.readings),
        neumes=tuple(msgspec.structs.replace(neume, id=new[id(neume)]) for neume in ordered),
        syllables=(*lined.syllables, *free.syllables),
        marks=tuple(msgspec.structs.replace(mark, neume=renamed.get(mark.neume, "")) for mark in free.marks),
    )


def share_syllables(page: Page) -> Page:
    """Tie the neumes above and below staves to the syllables of the melody they stand over or under.

    A neume around a staff belongs to the syllable of the nearest neume of that staff's melody,
    measured along the staff.
    """
    glyphs = {glyph.id: glyph for glyph in page.glyphs}
    melody: dict[str, list[tuple[float, str]]] = {}
    for neume in page.neumes:
        first = glyphs[neume.glyphs[0]]
        if first.layer == "melody" and neume.syllable:
            melody.setdefault(neume.staff, []).append((first.col, neume.syllable))

    def tied(neume: Neume) -> Neume:
        first = glyphs[neume.glyphs[0]]
        if first.layer == "melody" or neume.staff not in melody:
            return neume
        _, syllable = min((abs(col - first.col), name) for col, name in melody[neume.staff])
        return msgspec.structs.replace(neume, syllable=syllable)

    return msgspec.structs.replace(page, neumes=tuple(map(tied, page.neumes)))
