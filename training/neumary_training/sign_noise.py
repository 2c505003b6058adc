"""Signs of a truth as a reader might have seen them: missed, made up, misnamed, a step too high.

Every slip comes with the doubt a calibrated reader would show: a step is drawn from the very
distribution that is written down beside it, a label likewise. So the error that is left after a decision
is the decision's own, and no decision can do better than these odds allow.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from typing import Final

import msgspec
import numpy as np

from neumary.gamut import FAINT
from neumary.types import Box, Glyph, Page, Reading, Staff
from neumary_models.labels import BY_NAME

_BELIEVE_P: Final = 0.5  # signs less probable than this are faint
_RIVALS: Final = {
    "clef_c": "clef_f",
    "clef_f": "clef_c",
    "flat": "natural",
    "natural": "flat",
    "custos": "punctum",
    "punctum": "virga",
}


@dataclass(frozen=True, slots=True)
class SignNoise:
    """How much a reader slips.

    Attributes
    ----------
    missed, made_up : float
        Share of heads not seen, and false heads as a share of the heads.
    missed_clef, missed_custos : float
        Share of clefs and custodes that are no more than faint, half of them not seen at all.
    false_clef : float
        Chance, at each staff, of a false clef in mid-staff.
    doubtful, doubt : float
        Share of signs whose step is doubtful, and the mean probability of the wrong steps there.
    sure_slip : float
        Probability that a sure step or letter is wrong all the same.
    letter_doubt : float
        Share of clefs whose letter is doubtful.
    """

    missed: float = 0.015
    made_up: float = 0.008
    missed_clef: float = 0.03
    missed_custos: float = 0.04
    false_clef: float = 0.01
    doubtful: float = 0.05
    doubt: float = 0.2
    sure_slip: float = 0.004
    letter_doubt: float = 0.05


def noisy_signs(truth: Page, rng: np.random.Generator, noise: SignNoise | None = None) -> Page:
    """A page as `neumary.pipeline.observe` might give it, on the true staves.

    Parameters
    ----------
    truth : Page
    rng : numpy.random.Generator
    noise : SignNoise, optional
        Measured by default on rendered pages kept out of training, read on true staves.
    """
    noise = noise or SignNoise()
    current = truth.current()
    glyphs: list[Glyph] = []
    readings: list[Reading] = []
    for glyph in truth.glyphs:
        reading = current.get(glyph.id)
        if reading is None or glyph.layer != "melody":
            continue
        seen = _seen(reading, noise, rng)
        if seen is not None:
            glyphs.append(glyph)
            readings.append(seen)
    for staff in truth.staves:
        for glyph, reading in _made_up(truth, staff, noise, rng):
            glyphs.append(glyph)
            readings.append(reading)
    return msgspec.structs.replace(
        truth, glyphs=tuple(glyphs), readings=tuple(readings), neumes=(), hints=(), warnings=()
    )


def _seen(reading: Reading, noise: SignNoise, rng: np.random.Generator) -> Reading | None:
    """One sign as seen; None where it was not."""
    group = BY_NAME[reading.label].group
    weak = {"clef": noise.missed_clef, "custos": noise.missed_custos}.get(group, noise.missed)
    p = float(rng.uniform(0.9, 1.0))
    if rng.random() < weak:
        if group not in ("clef", "custos") or rng.random() < 0.5:
            return None
        p = float(rng.uniform(0.1, _BELIEVE_P))
    label, rivals, share = _misnamed(reading.label, noise, rng)
    rivals = tuple((name, round(p * q, 4)) for name, q in rivals)
    p *= share
    steps, step = _doubted(reading.step, noise, rng)
    return msgspec.structs.replace(
        reading,
        label=label,
        confidence=round(p, 4),
        rivals=rivals,
        step=step,
        steps=steps,
        pitch=None,
        by="machine",
        note=FAINT if p < _BELIEVE_P and group in ("clef", "custos") else "",
    )


def _misnamed(
    label: str, noise: SignNoise, rng: np.random.Generator
) -> tuple[str, tuple[tuple[str, float], ...], float]:
    """Likeliest label, its rivals with their shares, and its own share."""
    rival = _RIVALS.get(label)
    if rival is None:
        return label, (), 1.0
    wrong = float(rng.beta(1, 3)) if rng.random() < noise.letter_doubt else noise.sure_slip
    own = wrong if rng.random() < wrong else 1 - wrong
    best, other, share = (label, rival, own) if own >= 0.5 else (rival, label, 1 - own)
    return best, ((other, 1 - share),) if 1 - share >= 0.01 else (), share


def _doubted(
    step: int | None, noise: SignNoise, rng: np.random.Generator
) -> tuple[tuple[tuple[int, float], ...], int | None]:
    """Odds of the steps about a true one, and the step that is best by them."""
    if step is None:
        return (), None
    wrong = float(rng.beta(1.0, 1 / noise.doubt - 1)) if rng.random() < noise.doubtful else noise.sure_slip
    side = 1 if rng.random() < 0.5 else -1
    # the true step is one of the two by the odds themselves: that is what calibrated means
    other = step + side
    odds = {step: 1 - wrong, other: wrong} if rng.random() >= wrong else {step: wrong, other: 1 - wrong}
    ranked = tuple(sorted(((s, round(p, 4)) for s, p in odds.items()), key=lambda pair: (-pair[1], pair[0])))
    return ranked, ranked[0][0]


def _made_up(
    truth: Page, staff: Staff, noise: SignNoise, rng: np.random.Generator
) -> Sequence[tuple[Glyph, Reading]]:
    """False heads and false clefs of one staff."""
    heads = [g for g in truth.glyphs if g.staff == staff.id and g.layer == "melody"]
    if not heads or not staff.lines:
        return ()
    made: list[tuple[str, float]] = [
        ("punctum", float(rng.uniform(_BELIEVE_P, 1.0)))
        for _ in range(rng.poisson(noise.made_up * len(heads)))
    ]
    if rng.random() < noise.false_clef:
        made.append(("clef_f" if rng.random() < 0.5 else "clef_c", float(rng.uniform(0.3, 0.95))))
    top = 2 * staff.places[-1]
    out = []
    for n, (label, p) in enumerate(made):
        col = float(rng.uniform(heads[0].col, heads[-1].col))
        step = (
            int(rng.integers(0, top // 2 + 1)) * 2 if label != "punctum" else int(rng.integers(-1, top + 2))
        )
        row = staff.row_of(step, col)
        box = Box(max(0, int(row) - 4), max(0, int(col) - 4), max(0, int(row) + 4), max(0, int(col) + 4))
        glyph = Glyph(id=f"{staff.id}-false{n}", staff=staff.id, row=row, col=col, box=box)
        note = FAINT if p < _BELIEVE_P and label != "punctum" else ""
        out.append(
            (
                glyph,
                Reading(
                    glyph=glyph.id,
                    label=label,
                    confidence=round(p, 4),
                    step=step,
                    steps=((step, 1.0),),
                    note=note,
                ),
            )
        )
    return out
