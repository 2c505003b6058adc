"""Hands: everything that makes one scribe's notation differ from another's.

Lengths are in staff spaces, shares 0..1, angles in degrees. The ranges were set by
eye after medieval and printed leaves (common practice, no published source).
"""

from __future__ import annotations

from dataclasses import dataclass, replace
from typing import Final, Literal

import numpy as np

from neumary_synth.pen import Flow

Style = Literal["square", "pointed", "staffless"]

TEMPERS: Final = ("book", "narrow", "leaning", "fine", "broad", "printed", "late")
C_CLEFS: Final = (
    "blocks", "apart", "pair", "pair", "bracket", "bracket", "crescent", "letter", "drawn", "lozenges",
    "stemmed", "angular", "hooked", "hooked", "posts",
)  # fmt: skip
F_CLEFS: Final = ("c-head", "c-head", "letter", "dots", "tailed", "blocks", "lozenges", "virga", "gothic")
FLATS: Final = (
    "round", "loop", "small", "angular", "tall", "lozenge", "heart", "open", "printed", "printed", "slim",
)  # fmt: skip
NATURALS: Final = ("tailed", "h", "slanted", "even", "closed")
LETTER_CLEFS: Final = ("minuscule", "minuscule", "capital", "round", "plain")
CUSTODES: Final = (
    "flick", "tick", "tick", "hairline", "wave", "tailed", "bar", "teeth", "lozenge", "curly", "diamond",
    "slim", "slim", "dash", "dash", "small",
)  # fmt: skip
LIQUESCENTS: Final = ("small", "small", "hooked", "twin", "auctum", "plica", "plica", "looped", "comet")
QUILISMATA: Final = ("teeth", "teeth", "wave", "steps", "slant", "saw", "saw", "comb", "arches")
ORISCI: Final = ("wave", "swung", "bows", "tilted", "zed")
STROPHAE: Final = ("comma", "drop", "wedge", "notched", "tailed", "triangle", "bent", "bent")
INCLINATA: Final = ("rhomb", "parallelogram", "tailed", "diamond")
_LEAST_FALL: Final = 0.2  # of a pointed head's top, to the right; in square hands 0.1 at most


@dataclass(frozen=True, slots=True)
class Hand:
    """One scribe's way of writing notation.

    Lengths are in staff spaces unless the name says otherwise.

    Attributes
    ----------
    name, seed, style : str, int, str
        What the hand is called, and what it was sampled from.
    temper : str
        The family its measures were drawn from, one of `TEMPERS`, or the style's own.
    nib, nib_angle_deg : float
        Writing edge, and its angle.
    head_width, head_height, head_spread : float
        Head, and the relative spread of its size.
    lean, rise, turn : float
        Shear of a head's sides (top to the right) and of its top and bottom (right end up); and how far
        its corners turn clockwise, 0 square .. 1 diamond.
    rounding, bow_sides, bow_ends, taper, roughness : float
        Corner radius as a share of the head; outward bulge of sides and of top and bottom
        (negative = hollow); share by which the top is wider than the bottom; ragged edge.
    hairline, hairline_ink : float
        Width, and ink of thin strokes as a share of a head's.
    stem_side, stem_length, stem_spread, stem_up_p, stem_width : str, floats
        Tail of a virga; `stem_width` at its root.
    tails : str
        "asked": virgae where asked for; "always": single heads all get tails; "never".
    ticks, tick_length, tick_over, tick_p, detach : str, floats
        Thin strokes hanging from heads ("none", "right", "both"), how far they hang, how far
        they stand over the top, how often, and how far off the head they run.
    spur_p : float
        How often ink runs a little way along a staff line beside a head.
    touch, gap : str, float
        How heads of a neume meet: "gap", "corner", "hairline", "overlap"; and the gap.
    stack_p, stack_shift, stack_joint_p, push_steps, push_upper : float
        Pes: how often stacked, how far right the upper head stands (share of a head), how often
        a hairline joins them, how far stacked seconds are pushed apart, and the upper head's share of it.
    fall_push_steps, row_spread : float
        The same for falling seconds; general spread of heights, in spaces.
    clivis_stem_p, clivis_stem_length : float
        Left stem of a clivis.
    inclinatum, inclinatum_width, inclinatum_height, inclinatum_advance : str, floats
    inclinatum_turn_deg : float
        How far inclinata are turned from their design.
    oblique_thick, oblique_sag_steps, oblique_bow, oblique_taper, oblique_length, oblique_stem_p : float
    quilisma, quilisma_teeth, quilisma_height, oriscus, stropha, liquescent : str, int, float, str, str, str
        Designs of the rarer heads; the height as a share of a head's.
    c_clef, f_clef, letter_clef, flat, natural, custos : str
        Designs; see `C_CLEFS` and its neighbours.
    clef_width, clef_height, flat_height, custos_size : float
    flat_bowl, flat_width, flat_weight, natural_size : float
        Half the height of a flat's bowl, its width; factors on the weight of an accidental's strokes
        and on the size of a natural.
    letter_size, letter_width, letter_weight, letter_slant : float
        Letter clefs: factor on their size, width of a minim distance as a share of the x-height,
        factor on the weight of their strokes, and slant.
    ink, ink_spread, pale, grain, dry : float
        Load of the pen 0..1, its spread from head to head, and how evenly it lies (`Flow`).
    patchy, bent_p : float
        Chance of a neume half flaked away; of a neume written in one bent stroke (pointed hands).
    """

    name: str
    seed: int
    style: Style
    temper: str
    nib: float
    nib_angle_deg: float
    head_width: float
    head_height: float
    head_spread: float
    lean: float
    rise: float
    turn: float
    rounding: float
    bow_sides: float
    bow_ends: float
    taper: float
    roughness: float
    hairline: float
    hairline_ink: float
    stem_side: str
    stem_length: float
    stem_spread: float
    stem_up_p: float
    stem_width: float
    tails: str
    ticks: str
    tick_length: float
    tick_over: float
    tick_p: float
    detach: float
    spur_p: float
    touch: str
    gap: float
    stack_p: float
    stack_shift: float
    stack_joint_p: float
    push_steps: float
    push_upper: float
    fall_push_steps: float
    row_spread: float
    clivis_stem_p: float
    clivis_stem_length: float
    inclinatum: str
    inclinatum_width: float
    inclinatum_height: float
    inclinatum_advance: float
    inclinatum_turn_deg: float
    oblique_thick: float
    oblique_sag_steps: float
    oblique_bow: float
    oblique_taper: float
    oblique_length: float
    oblique_stem_p: float
    quilisma: str
    quilisma_teeth: int
    quilisma_height: float
    oriscus: str
    stropha: str
    liquescent: str
    c_clef: str
    f_clef: str
    letter_clef: str
    flat: str
    natural: str
    custos: str
    clef_width: float
    clef_height: float
    flat_height: float
    custos_size: float
    flat_bowl: float
    flat_width: float
    flat_weight: float
    natural_size: float
    letter_size: float
    letter_width: float
    letter_weight: float
    letter_slant: float
    ink: float
    ink_spread: float
    pale: float
    grain: float
    dry: float
    patchy: float
    bent_p: float

    def flow(self, space_px: float) -> Flow:
        """How this hand's ink lies at a size of writing."""
        return Flow(self.pale, self.grain, self.dry, max(2.0, 0.3 * space_px))


_PRINTED: Final[dict[str, tuple[str, ...]]] = {
    "c_clef": ("bracket", "hooked", "blocks", "angular"),
    "f_clef": ("c-head", "virga", "c-head"),
    "flat": ("printed", "round", "tall"),
    "natural": ("even", "tailed", "closed"),
    "custos": ("slim", "slim", "small", "hairline"),
    "quilisma": ("saw", "slant", "teeth", "comb"),
    "oriscus": ("tilted", "zed", "bows", "wave"),
    "stropha": ("bent", "triangle", "tailed", "wedge"),
    "inclinatum": ("rhomb", "rhomb", "diamond"),
}
"""Designs that type founders chose most."""

# width, height, lean, rise, rounding, bow of sides, bow of ends, roughness
_HEADS: Final[dict[str, tuple[tuple[float, float], ...]]] = {
    "book": ((0.48, 0.75), (0.52, 0.76), (-0.06, 0.1), (-0.06, 0.08), (0.02, 0.18), (-0.02, 0.02),
             (-0.035, 0.04), (0.006, 0.024)),
    "narrow": ((0.36, 0.5), (0.5, 0.72), (-0.05, 0.14), (-0.05, 0.1), (0.02, 0.14), (-0.02, 0.02),
               (-0.04, 0.04), (0.01, 0.036)),
    "leaning": ((0.38, 0.6), (0.52, 0.8), (0.06, 0.3), (0.0, 0.24), (0.02, 0.22), (-0.03, 0.03),
                (-0.03, 0.07), (0.006, 0.024)),
    "fine": ((0.36, 0.52), (0.38, 0.56), (-0.1, 0.15), (-0.1, 0.12), (0.05, 0.4), (-0.01, 0.05),
             (-0.02, 0.05), (0.008, 0.03)),
    "broad": ((0.66, 0.96), (0.62, 0.86), (-0.05, 0.08), (-0.05, 0.05), (0.02, 0.16), (-0.03, 0.02),
              (-0.05, 0.03), (0.004, 0.018)),
    "printed": ((0.6, 0.8), (0.62, 0.84), (0.0, 0.0), (0.0, 0.0), (0.0, 0.18), (-0.015, 0.0),
                (-0.09, 0.02), (0.0, 0.007)),
    "late": ((0.42, 0.7), (0.55, 0.8), (-0.04, 0.12), (-0.05, 0.12), (0.02, 0.12), (-0.02, 0.02),
             (-0.03, 0.03), (0.006, 0.024)),
    "pointed": ((0.45, 0.75), (0.55, 0.85), (-0.1, 0.3), (-0.3, 0.5), (0.02, 0.2), (-0.05, 0.08),
                (-0.05, 0.08), (0.006, 0.024)),
}  # fmt: skip


def sample_hand(seed: int, style: str | None = None, temper: str | None = None) -> Hand:
    """Sample a hand; the same seed and style give the same hand.

    Parameters
    ----------
    seed : int
    style : str, optional
        "square", "pointed" or "staffless"; by default 85 % square, 15 % pointed.
    temper : str, optional
        One of `TEMPERS`, for a square hand; drawn where left out. "late": the long obliques and
        stems of song and polyphony.

    Returns
    -------
    Hand

    Raises
    ------
    ValueError
        If the style is none of the three.
    """
    rng = np.random.default_rng([seed, 11])
    if style is None:
        style = "pointed" if rng.random() < 0.15 else "square"
    if style not in ("square", "pointed", "staffless"):
        raise ValueError(f'no hand of style {style!r}: choose "square", "pointed" or "staffless"')
    drawn = str(rng.choice(TEMPERS, p=[0.27, 0.21, 0.17, 0.09, 0.11, 0.08, 0.07]))
    temper = drawn if temper is None else temper
    if style == "pointed":
        temper = "pointed"
    draw = _Draw(rng)
    return _assemble(f"{temper}-{seed}", seed, style, temper, draw)  # type: ignore[arg-type]


class _Draw:
    """Small vocabulary of draws, so that the tables below read as tables."""

    def __init__(self, rng: np.random.Generator) -> None:
        self.rng = rng

    def span(self, low: float, high: float) -> float:
        return float(self.rng.uniform(low, high))

    def pick(self, *options: str) -> str:
        return options[int(self.rng.integers(len(options)))]

    def chance(self, p: float) -> bool:
        return bool(self.rng.random() < p)


_WIDEST_PUSH: Final = 0.62
"""Steps by which stacked seconds stand further apart than a second, at most: singers had to tell them from
thirds. On three photographed leaves by four hands 103 stacked seconds stand 0.61 to 1.65 steps apart (median
1.32), thirds 1.45 to 2.28 (own measurements); taller heads touch or run into each other instead."""


def _assemble(name: str, seed: int, style: Style, temper: str, d: _Draw) -> Hand:
    printed, pointed, late = temper == "printed", temper == "pointed", temper == "late"
    width, height, lean, rise, rounding, bow_sides, bow_ends, roughness = (d.span(*x) for x in _HEADS[temper])
    seconds = max(0.0, 2 * height - 1.0)  # steps by which stacked seconds of this height must part
    bowl = d.span(0.24, 0.36) if d.chance(0.65) else d.span(0.34, 0.62)
    founts = {name: d.pick(*forms) for name, forms in _PRINTED.items()} if printed and d.chance(0.75) else {}
    ticks = "none" if printed else d.pick("none", "right", "right", "both", "none")
    hand = Hand(
        name=name,
        seed=seed,
        style=style,
        temper=temper,
        nib=d.span(0.3, 0.6) if not pointed else d.span(0.35, 0.55),
        nib_angle_deg=d.span(0, 40) if not pointed else d.span(30, 55),
        head_width=width,
        head_height=height,
        head_spread=0.015 if printed else d.span(0.03, 0.12),
        lean=lean,
        rise=rise,
        turn=0.0 if printed else d.span(-0.04, 0.04) if not pointed else d.span(0.3, 0.85),
        rounding=rounding,
        bow_sides=bow_sides,
        bow_ends=bow_ends,
        taper=0.0 if printed else d.span(-0.12, 0.12),
        roughness=roughness,
        hairline=d.span(0.035, 0.085) if not pointed else d.span(0.05, 0.12),
        hairline_ink=d.span(0.8, 1.0) if printed or d.chance(0.3) else d.span(0.25, 0.9),
        stem_side="left" if d.chance(0.12) else "right",
        stem_length=d.span(1.4, 3.0) if late else d.span(0.55, 1.1) if d.chance(0.5) else d.span(0.9, 2.3),
        stem_spread=d.span(0.05, 0.35),
        stem_up_p=0.0 if d.chance(0.6) else d.span(0.02, 0.25),
        stem_width=d.span(0.05, 0.12) if not pointed else d.span(0.12, 0.42),
        tails=d.pick("asked", "asked", "asked", "asked", "always", "never"),
        ticks=ticks,
        tick_length=d.span(0.04, 0.18),
        tick_over=d.span(0.0, 0.18) if d.chance(0.4) else 0.0,
        tick_p=d.span(0.3, 1.0),
        detach=d.span(0.02, 0.08) if d.chance(0.2) else 0.0,
        spur_p=d.span(0.1, 0.5) if d.chance(0.15) and not printed else 0.0,
        touch=d.pick("gap", "corner", "corner", "hairline", "hairline", "overlap"),
        gap=d.span(0.02, 0.2),
        stack_p=d.span(0.0, 0.5) if d.chance(0.7 if pointed else 0.22) else d.span(0.85, 1.0),
        stack_shift=d.span(-0.05, 0.12) if d.chance(0.6) else d.span(0.1, 0.6),
        stack_joint_p=1.0 if printed else d.span(0.2, 1.0),
        push_steps=min(_WIDEST_PUSH, seconds * d.span(0.5, 1.0) + (0.0 if printed else d.span(0.0, 0.35))),
        push_upper=d.span(0.6, 1.0) if d.chance(0.75) else d.span(0.0, 0.6),
        fall_push_steps=0.0 if printed else d.span(0.0, 0.45),
        row_spread=0.01 if printed else d.span(0.02, 0.09),
        clivis_stem_p=d.span(0.6, 1.0) if d.chance(0.5) else d.span(0.0, 0.3),
        clivis_stem_length=d.span(1.0, 2.8) if late else d.span(0.4, 1.6),
        inclinatum=d.pick("parallelogram", "tailed", "diamond") if pointed else d.pick(*INCLINATA),
        inclinatum_width=d.span(0.34, 0.62),
        inclinatum_height=d.span(0.55, 0.95),
        inclinatum_advance=d.span(0.4, 0.75),
        inclinatum_turn_deg=0.0 if d.chance(0.5) else d.span(-14, 14),
        oblique_thick=d.span(0.55, 0.85) if late else d.span(0.4, 0.75),
        oblique_sag_steps=0.0 if printed else d.span(0.0, 0.5),
        oblique_bow=d.span(-0.03, 0.12),
        oblique_taper=d.span(-0.35, 0.35),
        oblique_length=d.span(1.3, 3.6)
        if late
        else d.span(0.75, 1.3)
        if d.chance(0.88)
        else d.span(1.2, 2.4),
        oblique_stem_p=d.span(0.0, 1.0),
        quilisma=d.pick(*QUILISMATA),
        quilisma_teeth=int(d.rng.choice([2, 3, 3, 4, 5])),
        quilisma_height=d.span(0.7, 1.3),
        oriscus=d.pick(*ORISCI),
        stropha=d.pick(*STROPHAE),
        liquescent=d.pick(*LIQUESCENTS),
        c_clef="posts" if late and d.chance(0.45) else d.pick(*C_CLEFS),
        f_clef=d.pick(*F_CLEFS),
        letter_clef=d.pick(*LETTER_CLEFS),
        flat="slim" if late and d.chance(0.5) else d.pick(*FLATS),
        natural=d.pick(*NATURALS),
        custos=d.pick(*CUSTODES),
        clef_width=d.span(0.3, 0.65),
        clef_height=d.span(1.2, 1.9),
        flat_height=d.span(0.9, 1.6),
        custos_size=d.span(0.55, 1.0) if d.chance(0.4) else d.span(0.7, 1.6),
        flat_bowl=bowl,
        flat_width=max(0.32, bowl * d.span(1.1, 1.7)),
        flat_weight=d.span(0.6, 1.4),
        natural_size=d.span(0.8, 1.5),
        letter_size=d.span(0.75, 1.0) if d.chance(0.5) else d.span(0.9, 1.5),
        letter_width=d.span(0.48, 0.75),
        letter_weight=d.span(0.5, 1.1),
        letter_slant=0.0 if d.chance(0.6) else d.span(-0.1, 0.25),
        ink=d.span(0.9, 1.0) if printed or d.chance(0.7) else d.span(0.6, 0.9),
        ink_spread=0.02 if printed else d.span(0.02, 0.2),
        pale=0.0 if d.chance(0.5) else d.span(0.05, 0.35),
        grain=d.span(0.0, 0.1) if printed or d.chance(0.5) else d.span(0.1, 0.45),
        dry=0.0 if printed or d.chance(0.72) else d.span(0.02, 0.2) if d.chance(0.7) else d.span(0.2, 0.45),
        patchy=0.0 if printed or d.chance(0.55) else d.span(0.02, 0.3),
        bent_p=d.span(0.2, 0.9) if pointed and d.chance(0.6) else 0.0,
    )
    if pointed:  # heads whose turn is undone by their rise would be square ones
        hand = replace(hand, rise=min(hand.rise, _turned(hand) - _LEAST_FALL))
    return replace(hand, **founts)  # type: ignore[arg-type]


def _turned(hand: Hand) -> float:
    """How steeply a head's top falls to the right by the turn of its corners alone."""
    half = hand.turn / 2
    return half * hand.head_height / ((1 - half) * hand.head_width)
