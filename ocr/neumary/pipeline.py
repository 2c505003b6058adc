"""Page in, `Page` out: the only module that knows the order of the stages."""

from __future__ import annotations

from concurrent.futures import ThreadPoolExecutor
from dataclasses import replace
from pathlib import Path
from typing import Any

import msgspec
import numpy as np

import neumary
from neumary import coloured, decide, ink, kinds, letter_staves, modes, neumes, pitch, staffless_pages, staves
from neumary.gamut import FAINT
from neumary.glyphs import Calibration, Candidate, choose, doubt_beyond, find_candidates, place
from neumary.inked_lines import NOT_DRAWN, drawn_p, only_thought
from neumary.line_rule import parse_rule
from neumary.lone_scale import fit_space
from neumary.lyric_text import text_of_page
from neumary.lyrics import find_words
from neumary.read import read_strip
from neumary.rubric_ink import without_rubrics
from neumary.script_scale import has_notes, look_by_script
from neumary.settings import ReadSettings
from neumary.strips import STRIP_SPACE, cut_strip
from neumary.syllables import place_syllables
from neumary.types import Glyph, InkMap, Page, Provenance, Reading, Remark, Scan, Staff, Syllable
from neumary_models.labels import BY_NAME, HEADS
from neumary_models.zoo import LoadedModel

_FAINT_P = 0.1  # clefs and custodes less probable than this are not even weighed
_FAINT_APART_SPACES = 0.5  # nor those this near to a sign that is believed
_SAME_SIGN_SPACES = 0.4  # a sign read on two staves at nearly one place is one sign
_PER_SPACE_AWAY = 0.3  # what each space beyond a staff's lines takes from a sign's claim to that staff


def read_page(scan: Scan, settings: ReadSettings, model: LoadedModel) -> Page:
    """Read one photographed page.

    Parameters
    ----------
    scan : Scan
    settings : ReadSettings
    model : LoadedModel

    Returns
    -------
    Page
        A draft for a specialist to check; a page without staves is empty and says so.
    """
    return judge(observe(scan, settings, model), settings)


def observe(scan: Scan, settings: ReadSettings, model: LoadedModel) -> Page:
    """Staves and signs as each was seen for itself: no pitches, no neumes, nothing weighed yet.

    Parameters
    ----------
    scan : Scan
    settings : ReadSettings
    model : LoadedModel
    """
    remarks = [Remark(code="repaired", text=text) for text in scan.repairs]
    leaf, seen = find_staves_of(scan, settings, model)
    asked = settings.notation_asked
    lettered = None
    if asked is None and settings.line_count is None and seen.staves:
        drawn = drawn_p(leaf, seen.staves)
        if settings.only == "all":
            lettered = letter_staves.instead_of_lines(scan, leaf, seen.seen, model, seen.staves, drawn)
        if lettered is not None or only_thought(leaf, seen.seen, seen.staves, drawn):
            seen = replace(seen, staves=[], remarks=[NOT_DRAWN])
    found = [] if asked in ("letters", "staffless") else seen.staves  # their lines are ruling
    rule = parse_rule(settings.line_colours)
    found = coloured.recognise(leaf, found, asked=settings.line_count, rule=rule)
    signs: list[tuple[Glyph, Reading]] = []
    words: list[Syllable] = []
    if settings.only == "all" and found:
        found = fit_space(leaf, found, model)
        signs = without_rubrics(leaf, read_signs(leaf, found, model, words))
    elif settings.only == "all" and asked in (None, "letters"):
        found, signs, said = lettered or letter_staves.read_unlined(
            scan, leaf, seen.seen, model, asked=asked == "letters"
        )
        remarks += said
    remarks += [] if found and not seen.staves else seen.remarks
    glyphs, readings = number_signs(found, signs)
    if settings.only == "all":
        found = kinds.name_kinds(leaf, found, glyphs, readings, asked)
        remarks += _bare(found, glyphs, readings)
    page = Page(
        page_id=scan.page_id,
        source=Path(scan.source).name,
        sha256=scan.sha256,
        width=scan.width,
        height=scan.height,
        dpi=scan.dpi,
        staves=tuple(found),
        glyphs=tuple(glyphs),
        readings=tuple(readings),
        syllables=tuple(msgspec.structs.replace(word, id=f"y{n:04d}") for n, word in enumerate(words, 1)),
        warnings=tuple(remarks),
        provenance=_provenance(settings, model),
    )
    return staffless_pages.add_free_signs(page, scan, seen.seen, model, settings)


def find_staves_of(
    scan: Scan, settings: ReadSettings, model: LoadedModel
) -> tuple[InkMap, staves.FoundStaves]:
    """The leaf and its staves; mapped again where its staves are of another size than thought.

    Where none is found at the sizes its ruling tells, the leaf is seen again at that of its script.
    """
    finder = model.companions["leaf"]
    leaf = ink.map_ink(scan)
    seen = staves.find_staves(leaf, finder, lines=settings.line_count)
    again = (
        look_by_script(scan, leaf, seen.seen, finder)
        if not seen.staves and settings.line_count != 0
        else None
    )
    if again is not None and has_notes(again[1]):
        by_script = staves.find_staves(again[0], finder, lines=settings.line_count)
        leaf, seen = (again[0], by_script) if by_script.staves else (leaf, seen)
    space = seen.space_px / leaf.scale
    if seen.staves and not ink.mapped_for(leaf, space):
        fitting = ink.map_ink(scan, space)
        once_more = staves.find_staves(fitting, finder, lines=settings.line_count)
        # What looks like staves and is none any more at its own size was none, unless a person says so.
        if once_more.staves or settings.line_count is None:
            leaf, seen = fitting, once_more
    return leaf, seen


def judge(page: Page, settings: ReadSettings) -> Page:
    """Weigh what was seen: the joint decision where wanted, then pitches, neumes and hints.

    Parameters
    ----------
    page : Page
        From `observe`.
    settings : ReadSettings

    Returns
    -------
    Page
        With neumes and hints; glyphs, readings and warnings grow.
    """
    chant = settings.repertoire == "chant"
    page, free = staffless_pages.set_aside(page)
    glyphs, readings, remarks = decide.decide(
        page.staves, page.glyphs, page.readings, decide=settings.decide, repertoire=settings.repertoire
    )
    settled, said = pitch.resolve_pitches(
        page.staves, glyphs, readings, flat_scope=settings.flat_scope, line_colours=settings.line_colours
    )
    remarks = [*remarks, *said]
    if not chant:
        text = f"Read as {settings.repertoire}: shapes and places are given, chant names are withheld."
        remarks.append(Remark(code="names-withheld", text=text))
    judged = msgspec.structs.replace(
        page,
        glyphs=tuple(glyphs),
        readings=tuple(settled),
        neumes=tuple(neumes.group_neumes(page.staves, glyphs, settled, names=chant)),
        warnings=(*page.warnings, *remarks),
        hints=tuple(modes.hint_modes(page.staves, glyphs, settled)) if chant else (),
    )
    lyrics = text_of_page(Path(settings.text), page.page_id) if settings.text else []
    whole = place_syllables(staffless_pages.put_back(judged, free, names=chant), lyrics)
    return staffless_pages.share_syllables(whole)


def _bare(found: list[Staff], glyphs: list[Glyph], readings: list[Reading]) -> list[Remark]:
    """Staves without a single head: ruled and never notated, or not read at all."""
    heads = {r.glyph for r in readings if r.label in HEADS}
    sung = {glyph.staff for glyph in glyphs if glyph.id in heads}
    return [
        Remark(code="no-notes", text=f"No note was found on staff {staff.id}.", staff=staff.id)
        for staff in found
        if staff.id not in sung
    ]


def read_signs(
    leaf: InkMap, found: list[Staff], model: LoadedModel, words: list[Syllable] | None = None
) -> list[tuple[Glyph, Reading]]:
    """Signs of all staves, each claimed by one staff only; ids still empty.

    The lyrics' words below each staff are added to `words`, if given.
    """
    lined = [staff for staff in found if staff.lines]
    with ThreadPoolExecutor(model.threads) as pool:  # in order, so the bytes stay the same
        each = list(pool.map(lambda staff: _read_staff(leaf, staff, model), lined))
    if words is not None:
        for _, text in each:
            words += text
    signs = [sign for own, _ in each for sign in own]
    return _one_staff_each(found, signs)


def _read_staff(
    leaf: InkMap, staff: Staff, model: LoadedModel
) -> tuple[list[tuple[Glyph, Reading]], list[Syllable]]:
    strip = cut_strip(leaf, staff)
    scores, line_free = read_strip(strip, model)
    calibration = Calibration(**model.calibration)
    candidates = doubt_beyond(find_candidates(scores, calibration), strip)
    chosen = choose(candidates, calibration)
    signs = list(place(strip, line_free, chosen))
    for glyph, reading in place(strip, line_free, _faint(candidates, chosen)):
        signs.append((glyph, msgspec.structs.replace(reading, note=FAINT)))
    return signs, find_words(strip, scores)


def _faint(candidates: list[Candidate], chosen: list[Candidate]) -> list[Candidate]:
    """Clefs and custodes below the level of belief, for the joint decision to take up or drop."""
    limit = _FAINT_APART_SPACES * STRIP_SPACE
    faint = [
        c
        for c in candidates
        if BY_NAME[c.label].group in ("clef", "custos")
        and c.p_sign * float(c.labels.max()) >= _FAINT_P
        and all(np.hypot(c.row - d.row, c.col - d.col) > limit for d in chosen)
    ]
    return choose(faint, _FAINT_P)


def _one_staff_each(found: list[Staff], signs: list[tuple[Glyph, Reading]]) -> list[tuple[Glyph, Reading]]:
    """Of signs read twice, through two neighbouring staves' strips, the one at home stays."""
    staves = {staff.id: staff for staff in found}
    worth = [
        reading.confidence - _PER_SPACE_AWAY * _away(staves[glyph.staff], glyph) for glyph, reading in signs
    ]
    homes = np.array([list(staves).index(glyph.staff) for glyph, _ in signs])
    at = np.array([(glyph.row, glyph.col) for glyph, _ in signs], dtype=np.float64).reshape(-1, 2)
    kept = np.zeros(len(signs), dtype=bool)
    for i in sorted(range(len(signs)), key=lambda i: (-worth[i], i)):
        limit = _SAME_SIGN_SPACES * staves[signs[i][0].staff].space_px
        others = at[kept & (homes != homes[i])]
        kept[i] = not (np.hypot(*(others - at[i]).T) < limit).any()
    return [sign for sign, keep in zip(signs, kept, strict=True) if keep]


def _away(staff: Staff, glyph: Glyph) -> float:
    """How far a sign stands above or below the lines of a staff, in staff spaces."""
    step = staff.step_at(glyph.row, glyph.col)
    return max(0.0, -step, step - 2 * staff.places[-1]) / 2


def number_signs(found: list[Staff], signs: list[tuple[Glyph, Reading]]) -> tuple[list[Glyph], list[Reading]]:
    """Give ids in reading order: staff by staff, left to right, of stacked signs the lower first."""
    rank = {staff.id: i for i, staff in enumerate(found)}
    space = {staff.id: staff.space_px for staff in found}

    def key(sign: tuple[Glyph, Reading]) -> tuple[Any, ...]:
        glyph = sign[0]
        return rank[glyph.staff], glyph.col, -glyph.row

    ordered = sorted(signs, key=key)
    ordered = _lower_first(ordered, space)
    glyphs, readings = [], []
    for number, (glyph, reading) in enumerate(ordered, 1):
        name = f"g{number:04d}"
        glyphs.append(msgspec.structs.replace(glyph, id=name))
        readings.append(msgspec.structs.replace(reading, glyph=name))
    return glyphs, readings


def _lower_first(
    ordered: list[tuple[Glyph, Reading]], space: dict[str, float]
) -> list[tuple[Glyph, Reading]]:
    """Heads stacked in one column are sung from below; a scribe's upper head may lean left."""
    out = list(ordered)
    for i in range(len(out) - 1):
        (a, ra), (b, rb) = out[i], out[i + 1]
        heads = BY_NAME[ra.label].group == BY_NAME[rb.label].group == "head"
        stacked = a.staff == b.staff and b.col - a.col < 0.3 * space[a.staff]
        if heads and stacked and b.row > a.row:
            out[i], out[i + 1] = out[i + 1], out[i]
    return out


def _provenance(settings: ReadSettings, model: LoadedModel) -> Provenance:
    return Provenance(
        version=neumary.__version__,
        model=model.name,
        model_sha256=model.sha256,
        models=model.hashes,
        settings=settings.as_dict(),
        settings_sha256=settings.sha256,
    )
