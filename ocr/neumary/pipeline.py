"""Page in, `Page` out: the only module that knows the order of the stages."""

from __future__ import annotations

from typing import Any

import msgspec
import numpy as np

import neumary
from neumary import decide, ink, neumes, pitch, staves
from neumary.glyphs import Calibration, choose, find_candidates, place
from neumary.read import read_strip
from neumary.settings import ReadSettings
from neumary.strips import cut_strip
from neumary.types import Glyph, InkMap, Page, Provenance, Reading, Remark, Scan, Staff
from neumary_models.labels import BY_NAME
from neumary_models.zoo import LoadedModel

_SAME_SIGN_SPACES = 0.4  # a sign read on two staves at nearly one place is one sign


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
    remarks = [Remark(code="repaired", text=text) for text in scan.repairs]
    leaf = ink.map_ink(scan)
    found, said = staves.find_staves(leaf, lines=settings.line_count)
    remarks += said
    if not found:
        remarks.append(_no_staves(scan))
    signs: list[tuple[Glyph, Reading]] = []
    if settings.only == "all":
        signs = read_signs(leaf, found, model)
    glyphs, readings = number_signs(found, signs)
    glyphs, settled, more = _judge(found, glyphs, readings, settings)
    remarks += more
    chant = settings.repertoire == "chant"
    groups = neumes.group_neumes(found, glyphs, settled, names=chant)
    if not chant:
        remarks.append(
            Remark(
                code="names-withheld",
                text=f"Read as {settings.repertoire}: shapes and places are given, chant names are withheld.",
            )
        )
    return Page(
        page_id=scan.page_id,
        source=scan.source,
        sha256=scan.sha256,
        width=scan.width,
        height=scan.height,
        dpi=scan.dpi,
        staves=tuple(found),
        glyphs=tuple(glyphs),
        readings=tuple(settled),
        neumes=tuple(groups),
        warnings=tuple(remarks),
        provenance=_provenance(settings, model),
    )


def _no_staves(scan: Scan) -> Remark:
    return Remark(
        code="no-staves",
        text=f"No staff lines were found on {scan.page_id}: nothing was read. "
        "If there are staves, name their lines with --lines, or try a sharper image.",
    )


def _judge(
    found: list[Staff], glyphs: list[Glyph], readings: list[Reading], settings: ReadSettings
) -> tuple[list[Glyph], list[Reading], list[Remark]]:
    """Joint decision where wanted, then pitches."""
    decision = decide.decide(found, glyphs, readings, decide=settings.decide, repertoire=settings.repertoire)
    settled, said = pitch.resolve_pitches(
        found, decision.glyphs, decision.readings, flat_scope=settings.flat_scope
    )
    return decision.glyphs, settled, decision.remarks + said


def read_signs(leaf: InkMap, found: list[Staff], model: LoadedModel) -> list[tuple[Glyph, Reading]]:
    """Signs of all staves, each claimed by one staff only; ids still empty."""
    calibration = Calibration(**model.calibration)
    signs: list[tuple[Glyph, Reading]] = []
    for staff in found:
        if not staff.lines:
            continue
        strip = cut_strip(leaf, staff)
        scores, line_free = read_strip(strip, model)
        chosen = choose(find_candidates(scores, calibration), calibration.believe_p)
        signs += place(strip, line_free, chosen)
    return _one_staff_each(found, signs)


def _one_staff_each(found: list[Staff], signs: list[tuple[Glyph, Reading]]) -> list[tuple[Glyph, Reading]]:
    """Of signs read twice, through two neighbouring staves' strips, the surer one stays."""
    space = {staff.id: staff.space_px for staff in found}
    order = sorted(range(len(signs)), key=lambda i: (-signs[i][1].confidence, i))
    kept: list[int] = []
    at = np.array([(glyph.row, glyph.col) for glyph, _ in signs], dtype=np.float64).reshape(-1, 2)
    for i in order:
        limit = _SAME_SIGN_SPACES * space[signs[i][0].staff]
        others = [j for j in kept if signs[j][0].staff != signs[i][0].staff]
        if others and (np.hypot(*(at[others] - at[i]).T) < limit).any():
            continue
        kept.append(i)
    return [signs[i] for i in sorted(kept)]


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
        settings=settings.as_dict(),
        settings_sha256=settings.sha256,
    )
