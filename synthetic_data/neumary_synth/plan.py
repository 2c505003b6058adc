"""Page plans: where staves, text and pictures stand, and how the page is written.

Proportions follow measurements on photographed choir and song books of the 13th to
15th century (own measurements): staves 5.3 to 6.5 spaces apart, lyrics with an
x-height of 0.6 to 1.0 space on a baseline 1.6 to 2.5 spaces below the bottom line.
"""

from __future__ import annotations

from dataclasses import dataclass, replace
from typing import Final, cast

import numpy as np

from neumary_synth.habits import Habits, sample_habits
from neumary_synth.sheets import Rgb

KINDS: Final = (
    "square",
    "pointed",
    "five-line",
    "two-line",
    "one-line",
    "letters",
    "staffless",
    "layered",
    "songbook",
    "empty-staves",
    "text-only",
)
COLOURED_KINDS: Final = ("two-line", "one-line", "letters")
"""Kinds whose heads keep to a grid of which only some lines, or none, are inked."""

_KIND_WEIGHTS: Final = (0.44, 0.1, 0.08, 0.05, 0.03, 0.03, 0.04, 0.04, 0.12, 0.04, 0.03)

# Ink colours as they look on parchment, with the spread they are drawn from. The reds
# and darks span the 10th to 90th percentile measured on photographed leaves.
_LINE_INKS: Final[dict[str, tuple[Rgb, Rgb]]] = {
    "red": ((150, 58, 38), (216, 125, 95)),
    "black": ((42, 36, 30), (85, 75, 64)),
    "brown": ((100, 72, 48), (150, 118, 84)),
    "yellow": ((190, 150, 50), (222, 190, 110)),
    "blue": ((60, 84, 130), (110, 130, 170)),
    "grey": ((120, 112, 100), (165, 155, 140)),
}
_GUIDED: Final = {"pointed": 0.2, "square": 0.07, "five-line": 0.04, "songbook": 0.02}
"""Share of books of full staves with a red F line (common practice, no source for the shares)."""
_MAX_CANVAS_PX: Final = 9_000_000


BoxPx = tuple[float, float, float, float]


@dataclass(frozen=True, slots=True)
class Style:
    """Habits of one page; lengths in staff spaces unless named otherwise."""

    notation: str  # "square", "pointed" or "staffless"
    n_lines: int
    line_colours: tuple[str, ...]  # bottom line first
    line_inks: tuple[Rgb, ...]
    guides: dict[str, Rgb]  # paints of the F lines and the C lines of full staves, beside plain ones
    line_thickness: float
    line_strength: float  # density of their ink, 1.0 = usual
    line_gaps: float  # chance of a break in a line
    line_wave: float  # waviness shared by a staff
    line_wobble: float  # waviness of each line for itself
    ragged: float  # how far line ends differ
    gap_spread: float  # unequal spaces, share of a space
    pitch: float  # staff to staff
    baseline: float  # lyrics' baseline below the bottom line
    xheight: float
    word_gap: float
    neume_gap: float
    spread: float  # extra air between syllables
    clef_offset: float  # of the clef against the lines' left end
    custos: bool
    hairlines: float  # chance of a stroke at a word's end
    divisions: float
    music_ink: Rgb
    text_ink: Rgb
    rubric_ink: Rgb
    dip: float  # how much a dip of the pen runs dry, 0..0.7
    habits: Habits


@dataclass(frozen=True, slots=True)
class StaffSlot:
    """Room for one staff; px of the flat canvas."""

    column: int
    row: float  # bottom line
    left: float
    right: float
    initial: tuple[float, float, float, float] | None = None
    starts_chant: bool = False
    empty: bool = False


@dataclass(frozen=True, slots=True)
class TextSlot:
    """Room for one block of running text."""

    row: float  # first baseline
    left: float
    right: float
    n_lines: int
    leading: float
    initial: bool = False


@dataclass(frozen=True, slots=True)
class Plan:
    """A page before anything is written on it."""

    kind: str
    space_px: float
    height: int
    width: int
    leaf: tuple[float, float, float, float]
    frame: tuple[float, float, float, float]  # the written area
    style: Style
    staves: tuple[StaffSlot, ...]
    texts: tuple[TextSlot, ...]
    pictures: tuple[tuple[float, float, float, float], ...]
    columns: tuple[tuple[float, float], ...]


def halved(plan: Plan) -> Plan:
    """The same page at half its size, for what is only seen through the leaf."""

    def half(values: tuple[float, ...]) -> tuple[float, ...]:
        return tuple(v / 2 for v in values)

    staves = tuple(
        replace(
            x, row=x.row / 2, left=x.left / 2, right=x.right / 2,
            initial=None if x.initial is None else cast("BoxPx", half(x.initial)),
        )
        for x in plan.staves
    )  # fmt: skip
    texts = tuple(
        replace(x, row=x.row / 2, left=x.left / 2, right=x.right / 2, leading=x.leading / 2)
        for x in plan.texts
    )
    return replace(
        plan, space_px=plan.space_px / 2, height=plan.height // 2 + 1, width=plan.width // 2 + 1,
        leaf=cast("BoxPx", half(plan.leaf)), frame=cast("BoxPx", half(plan.frame)), staves=staves,
        texts=texts, pictures=tuple(cast("BoxPx", half(x)) for x in plan.pictures),
        columns=tuple((a / 2, b / 2) for a, b in plan.columns),
    )  # fmt: skip


def sample_kind(rng: np.random.Generator) -> str:
    """Draw a kind of page, square notation most often."""
    return str(rng.choice(KINDS, p=_KIND_WEIGHTS))


def ink(rng: np.random.Generator, low: Rgb, high: Rgb) -> Rgb:
    """Draw a colour between two others, its channels moving together."""
    t = rng.uniform(0, 1) + rng.normal(0, 0.05, 3)
    mixed = np.array(low) + np.clip(t, 0, 1) * (np.array(high) - np.array(low))
    red, green, blue = np.round(mixed).astype(int)
    return int(red), int(green), int(blue)


def line_ink(rng: np.random.Generator, colour: str) -> Rgb:
    """Draw the ink of a staff line of a named colour."""
    return ink(rng, *_LINE_INKS[colour])


def _line_colours(rng: np.random.Generator, kind: str, n_lines: int) -> tuple[str, ...]:
    if kind in COLOURED_KINDS:  # F lines red, C lines yellow or faded; see `Scribe.rule`
        second = str(rng.choice(["yellow", "grey"], p=[0.75, 0.25]))
        return ("red", second, "red", second)
    if kind == "layered":
        return (str(rng.choice(["black", "red"], p=[0.8, 0.2])),) * n_lines
    names = ["red", "black", "brown", "yellow", "blue", "grey"]
    one = str(rng.choice(names, p=[0.74, 0.1, 0.08, 0.03, 0.02, 0.03]))
    return (one,) * n_lines


def _guides(rng: np.random.Generator, kind: str, n_lines: int) -> dict[str, Rgb]:
    """Paints of the lines that stand for F, red, and in half of the books for C, yellow.

    On few lines and on full staves that still keep them (common practice, after medieval theory).
    """
    if kind in COLOURED_KINDS or n_lines < 4 or rng.random() >= _GUIDED.get(kind, 0.0):
        return {}
    names = ("red", "yellow") if rng.random() < 0.5 else ("red",)
    return {name: line_ink(rng, name) for name in names}


def _n_lines(rng: np.random.Generator, kind: str) -> int:
    if kind == "five-line":
        return 5
    if kind == "staffless":
        return 1  # its slots are rows of signs
    if kind in COLOURED_KINDS:
        return 4  # the grid the scribe thinks in; few or none of its lines are inked
    if kind == "pointed":
        return int(rng.choice([4, 5, 3], p=[0.75, 0.2, 0.05]))
    return int(rng.choice([4, 3, 5], p=[0.94, 0.02, 0.04]))


def sample_style(rng: np.random.Generator, kind: str) -> Style:
    """Draw the habits of a page of some kind."""
    n_lines = _n_lines(rng, kind)
    guides = _guides(rng, kind, n_lines)
    if guides:
        colours: tuple[str, ...] = (str(rng.choice(["black", "brown"])),) * n_lines
    else:
        colours = _line_colours(rng, kind, n_lines)
    by_name = {name: line_ink(rng, name) for name in sorted(set(colours))}
    dark = ink(rng, (36, 30, 26), (74, 62, 50))
    if rng.random() < 0.25:  # iron-gall ink gone brown
        dark = ink(rng, (70, 50, 32), (125, 92, 62))
    same = rng.random() < 0.6
    text = dark if same else ink(rng, (40, 32, 26), (110, 82, 56))
    pitch = rng.uniform(5.3, 6.5) + (1.0 if n_lines == 5 else 0.0)
    baseline = rng.uniform(1.6, 2.3) if rng.random() < 0.75 else rng.uniform(1.25, 1.7)
    if kind == "staffless":
        pitch, baseline = rng.uniform(3.0, 4.2), rng.uniform(1.5, 1.9)
    if kind == "layered":
        pitch, baseline = pitch + rng.uniform(3.6, 5.0), rng.uniform(3.9, 4.5)
    notation = {"pointed": "pointed", "staffless": "staffless"}.get(kind, "square")
    if kind in COLOURED_KINDS:
        notation = str(rng.choice(["pointed", "square"], p=[0.6, 0.4]))
    habits = sample_habits(rng, kind)
    style = Style(
        notation=notation,
        n_lines=n_lines,
        line_colours=colours,
        line_inks=tuple(by_name[name] for name in colours),
        guides=guides,
        line_thickness=float(np.clip(rng.lognormal(np.log(0.069), 0.3), 0.035, 0.14)),
        line_strength=1.0 if rng.random() < 0.75 else rng.uniform(0.35, 1.0),
        line_gaps=0.0 if rng.random() < 0.7 else rng.uniform(0.05, 0.5),
        line_wave=rng.uniform(0.0, 0.12),
        line_wobble=rng.uniform(0.005, 0.045),
        ragged=rng.uniform(0.1, 1.2),
        gap_spread=rng.uniform(0.01, 0.08),
        pitch=pitch,
        baseline=baseline,
        xheight=rng.uniform(0.62, 1.05),
        word_gap=rng.uniform(0.35, 1.0),
        neume_gap=rng.uniform(0.3, 0.9),
        spread=float(rng.choice([0.0, rng.uniform(0, 0.8)])),
        clef_offset=rng.uniform(-0.5, 0.6),
        custos=bool(rng.random() < 0.85),
        hairlines=float(rng.choice([0.0, rng.uniform(0.1, 0.9)], p=[0.65, 0.35])),
        divisions=float(rng.choice([0.0, rng.uniform(0.02, 0.12)], p=[0.6, 0.4])),
        music_ink=dark,
        text_ink=text,
        rubric_ink=ink(rng, (150, 40, 30), (205, 80, 55)),
        dip=float(
            rng.choice(
                [rng.uniform(0, 0.1), rng.uniform(0.1, 0.45), rng.uniform(0.45, 0.7)], p=[0.5, 0.35, 0.15]
            )
        ),
        habits=replace(habits, clef_moves=0.0) if guides else habits,
    )
    if kind == "layered" or style.habits.printed:  # a printed book: even lines, even ink
        black = ink(rng, (24, 22, 22), (52, 48, 46))
        return replace(
            style, line_wave=0.0, line_wobble=0.004, gap_spread=0.004, ragged=0.05, dip=0.0,
            music_ink=black, text_ink=black,
        )  # fmt: skip
    return style


def plan_page(rng: np.random.Generator, kind: str, space_px: float) -> Plan:
    """Lay out a page.

    Parameters
    ----------
    rng : numpy Generator
    kind : str
        One of `KINDS`.
    space_px : float
        Staff space to draw at.

    Returns
    -------
    Plan
        All places in px of the flat canvas.

    Raises
    ------
    ValueError
        If the kind is unknown.
    """
    if kind not in KINDS:
        raise ValueError(f"no page kind {kind!r}; the kinds are {', '.join(KINDS)}")
    style = sample_style(rng, kind)
    n_columns = (
        2 if kind == "songbook" or (kind in ("text-only", "empty-staves") and rng.random() < 0.5) else 1
    )
    if kind in ("square", "five-line", "pointed") and rng.random() < 0.2:
        n_columns = 2
    form = str(rng.choice(["choir", "small", "fragment"], p=[0.6, 0.25, 0.15]))
    width = {"choir": rng.uniform(34, 50), "small": rng.uniform(24, 38), "fragment": rng.uniform(18, 42)}[
        form
    ]
    rows = {"choir": rng.uniform(7, 12), "small": rng.uniform(5, 10), "fragment": rng.uniform(1.5, 5)}[form]
    if n_columns == 2:
        width, rows = rng.uniform(40, 60), rng.uniform(7, 11) if rng.random() < 0.75 else rng.uniform(11, 20)
    tall = rows * style.pitch
    area_limit = _MAX_CANVAS_PX / space_px**2
    shrink = min(1.0, np.sqrt(area_limit / ((width + 12) * (tall + 14))))
    width, tall = max(width * shrink, 14.0), max(tall * shrink, style.pitch * 1.2)
    margin = _margins(rng, form)
    around = _surround(rng, form)
    top, left = (around[0] + margin[0]) * space_px, (around[3] + margin[3]) * space_px
    frame = (top, left, top + tall * space_px, left + width * space_px)
    leaf = (
        around[0] * space_px,
        around[3] * space_px,
        frame[2] + margin[2] * space_px,
        frame[3] + margin[1] * space_px,
    )
    height, total = round(leaf[2] + around[2] * space_px), round(leaf[3] + around[1] * space_px)
    gutter = rng.uniform(1.3, 3.0) * space_px
    written = width * space_px - gutter * (n_columns - 1)
    columns: tuple[tuple[float, float], ...] = ((left, left + written),)
    if n_columns == 2:
        middle = left + written * (rng.uniform(0.32, 0.68) if rng.random() < 0.25 else 0.5)
        columns = ((left, middle), (middle + gutter, left + written + gutter))
    staves, texts, pictures = _fill_columns(rng, kind, style, space_px, frame, columns)
    return Plan(
        kind, space_px, height, total, leaf, frame, style,
        tuple(staves), tuple(texts), tuple(pictures), columns,
    )  # fmt: skip


def _margins(rng: np.random.Generator, form: str) -> tuple[float, float, float, float]:
    """Top, right, bottom, left, in spaces."""
    if form == "fragment":
        return tuple(rng.uniform(0.8, 4, 4))
    return (rng.uniform(2.2, 7), rng.uniform(1.5, 7), rng.uniform(2, 12), rng.uniform(2.2, 8))


def _surround(rng: np.random.Generator, form: str) -> tuple[float, float, float, float]:
    """What the photograph shows beyond the leaf: top, right, bottom, left, in spaces."""
    if rng.random() < (0.35 if form != "fragment" else 0.6):
        return (0.0, 0.0, 0.0, 0.0)
    return tuple(np.maximum(0.0, rng.uniform(-0.8, 4.0, 4)))


def _fill_columns(
    rng: np.random.Generator,
    kind: str,
    style: Style,
    space_px: float,
    frame: tuple[float, float, float, float],
    columns: tuple[tuple[float, float], ...],
) -> tuple[list[StaffSlot], list[TextSlot], list[tuple[float, float, float, float]]]:
    staves: list[StaffSlot] = []
    texts: list[TextSlot] = []
    pictures: list[tuple[float, float, float, float]] = []
    leading = style.xheight * rng.uniform(2.1, 3.0) * space_px
    height = (style.n_lines - 1) * space_px
    wordy = int(rng.integers(len(columns))) if len(columns) == 2 and rng.random() < 0.18 else -1
    for number, (left, right) in enumerate(columns):
        row = frame[0] + rng.uniform(-0.3, 0.3) * space_px
        if number and rng.random() < 0.5:  # staves side by side, at other heights
            row += rng.uniform(0.0, style.pitch) * space_px
        if rng.random() < (0.3 if kind == "songbook" else 0.03) and frame[2] - row > 18 * space_px:
            tall = rng.uniform(6, 13) * space_px
            wide = rng.uniform(0.6, 1.0) * (right - left)
            pictures.append((row, left, row + tall, left + wide))
            row += tall + rng.uniform(0.5, 1.0) * space_px
        fresh = True
        while True:
            as_text = kind == "text-only" or (kind == "songbook" and rng.random() < 0.14)
            if not as_text and rng.random() < (
                0.85 if number == wordy else 0.0 if kind == "songbook" else 0.04
            ):
                as_text = True
            if as_text:
                n_lines = int(rng.integers(3, 14))
                n_lines = min(n_lines, int((frame[2] - row) / leading))
                if n_lines < 1:
                    break
                texts.append(TextSlot(row + leading * 0.8, left, right, n_lines, leading, rng.random() < 0.6))
                row += n_lines * leading + rng.uniform(0.2, 0.8) * space_px
                fresh = True
                continue
            if row + height + style.baseline * space_px > frame[2]:
                break
            bottom = row + height
            starts = fresh or rng.random() < 0.08
            initial = None
            if starts and rng.random() < (0.75 if fresh else 0.4):
                size = rng.uniform(3.0, 6.0) * space_px
                top = row - rng.uniform(0.2, 1.2) * space_px
                initial = (
                    top,
                    left - rng.uniform(0, 0.6) * space_px,
                    bottom + style.baseline * space_px,
                    left + size,
                )
            indent = 0.0 if initial is None else (initial[3] - left) * rng.uniform(0.4, 1.05)
            staves.append(
                StaffSlot(number, bottom, left + indent, right, initial, starts, kind == "empty-staves")
            )
            fresh = False
            row += style.pitch * space_px * rng.uniform(0.985, 1.015)
    return staves, texts, pictures
