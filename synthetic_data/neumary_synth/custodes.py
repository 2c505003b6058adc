"""Custodes, one scribe's way: strokes, teeth, waves, small and slim heads with thin stems."""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass
from typing import Final

import numpy as np

from neumary_synth.drawn import Drawn, Stand
from neumary_synth.hand import Hand
from neumary_synth.inking import block_outline, lay, pen_load
from neumary_synth.outlines import DIAMOND
from neumary_synth.pen import U8, Ink, Nib, bend, ribbon


@dataclass(frozen=True, slots=True)
class _Brush:
    """What a design needs to know; lengths in px. A design adds ink and gives the mark's (row, col)."""

    ink: Ink
    hand: Hand
    rng: np.random.Generator
    row: float
    col: float
    space: float
    size: float
    thin: float
    load: float
    low: bool  # stands in the lower half of its staff

    def between(self, low: float, high: float) -> float:
        """A length drawn at random, staff spaces to px."""
        return float(self.rng.uniform(low, high)) * self.space

    def block(self, row: float, col: float, high: float, wide: float) -> None:
        """A head of the hand's shape."""
        outline = block_outline(self.hand, self.rng, row, col, self.space, high, wide)
        self.ink.fill(outline, self.load)

    def hair(self, *points: tuple[float, float], widths: tuple[float, float] = (1.4, 0.8)) -> None:
        """A thin stroke; widths in hairlines."""
        path = bend(points, 4) if len(points) > 2 else np.array(points)
        strength = max(0.5, self.load * self.hand.hairline_ink)
        self.ink.fill(ribbon(path, np.linspace(*widths, len(path)) * self.thin), strength)

    def way(self) -> float:
        """-1 up, 1 down: up from low places as a rule, to stay within the staff."""
        usual = -1.0 if self.low else 1.0
        return usual if self.rng.random() < 0.75 else -usual


def _flick(b: _Brush) -> tuple[float, float]:
    w, h = 0.6 * b.hand.head_width * b.space, 0.75 * b.hand.head_height * b.space
    reach, mid = float(b.rng.uniform(0.15, 0.55)) * b.size, b.col + w / 2
    b.block(b.row, mid, h, w)
    foot = mid + 0.3 * w
    b.hair((b.row, foot), (b.row - 0.6 * b.size, foot + 0.4 * reach), (b.row - 1.1 * b.size, foot + reach),
           widths=(1.6, 0.7))  # fmt: skip
    return b.row, mid


def _tick(b: _Brush) -> tuple[float, float]:
    """A check mark: short and broad down, long and thin up, or the same upside down."""
    up = 1.0 if b.rng.random() < 0.7 else -1.0
    wide, long = float(b.rng.uniform(0.45, 0.75)) * b.size, float(b.rng.uniform(0.6, 1.2)) * b.size
    path = np.array(
        [
            [b.row - up * 0.18 * b.size, b.col],
            [b.row + up * 0.14 * b.size, b.col + 0.24 * b.size],
            [b.row - up * long, b.col + wide],
        ]
    )
    b.ink.fill(ribbon(path[:2], np.array([0.7, 1.0]) * b.between(0.2, 0.34)), b.load)
    b.ink.fill(ribbon(path[1:], np.array([2.2, 0.8]) * b.thin), b.load)
    return b.row, b.col + 0.15 * b.size


def _hairline(b: _Brush) -> tuple[float, float]:
    """A very small head under a long straight hairline."""
    w, h = max(0.42 * b.hand.head_width, 0.2) * b.space, max(0.52 * b.hand.head_height, 0.28) * b.space
    mid, way = b.col + w / 2, b.way()
    b.block(b.row, mid, h, w)
    side = mid + float(b.rng.choice([-0.4, 0.0, 0.4])) * w
    b.hair((b.row, side), (b.row + way * float(b.rng.uniform(0.9, 1.6)) * b.size, side + 0.05 * b.size))
    return b.row, mid


def _bar(b: _Brush) -> tuple[float, float]:
    """A broad stroke lying along its line or space, wavy, with fine edges."""
    wide, thick = float(b.rng.uniform(0.8, 1.25)) * b.size, b.between(0.2, 0.46)
    t = np.linspace(0, 1, 14)
    path = np.stack([b.row + b.between(0, 0.12) * np.sin(2 * np.pi * t + 1), b.col + t * wide], axis=1)
    b.ink.fill(ribbon(path, thick), b.load)
    for at in (0.0, wide):
        b.hair((b.row - 0.8 * thick, b.col + at), (b.row + 0.8 * thick, b.col + at), widths=(0.9, 0.9))
    return b.row, b.col + wide / 2


def _teeth(b: _Brush) -> tuple[float, float]:
    """Two or three teeth lying flat, like a w, with or without a tail."""
    n = int(b.rng.integers(2, 4))
    pitch, deep = float(b.rng.uniform(0.26, 0.42)) * b.size, b.between(0.12, 0.28)
    zigzag = [(b.row + (deep if k % 2 else -deep), b.col + k * pitch / 2) for k in range(2 * n + 1)]
    b.ink.nib(np.array(zigzag), Nib(b.between(0.14, 0.3), 35, b.thin), b.load)
    if b.rng.random() < 0.7:
        end = zigzag[-1]
        b.hair(end, (b.row - b.between(0.2, 1.1) * b.hand.custos_size, end[1] + 0.25 * b.size))
    return b.row, b.col + n * pitch / 2


def _curly(b: _Brush) -> tuple[float, float]:
    """A round w: two bows and a tail up or away."""
    pitch, deep = float(b.rng.uniform(0.3, 0.5)) * b.size, b.between(0.16, 0.3)
    t = np.linspace(0, 2 * np.pi, 21)
    swing = np.abs(np.sin(t))
    path = np.stack([b.row + deep * (2 * swing - 1), b.col + t / np.pi * pitch], axis=1)
    b.ink.fill(ribbon(path, (0.07 + 0.13 * swing) * b.space), b.load)
    end = (float(path[-1, 0]), float(path[-1, 1]))
    b.hair(end, (end[0] - b.between(0.1, 0.8), end[1] + b.between(0.05, 0.4)))
    return b.row, b.col + pitch


def _lozenge(b: _Brush) -> tuple[float, float]:
    """Slanted, with a flick upward."""
    w, h = 0.6 * b.hand.head_width * b.space, 0.75 * b.hand.head_height * b.space
    slant, mid = b.between(0.1, 0.3), b.col + w / 2
    box = np.array([[0.1, -0.5], [-0.5, 0.1], [-0.1, 0.5], [0.5, -0.1]]) * [1.4 * h, 1.25 * w]
    box[:, 1] -= slant * box[:, 0] / max(h, 1.0)
    box += np.array([b.row, mid])
    b.ink.fill(box, b.load)
    top, reach = box[1], float(b.rng.uniform(0.2, 0.9)) * b.size
    b.hair((top[0] + 0.1 * h, top[1]), (top[0] - reach, top[1] + 0.4 * reach), widths=(1.7, 0.6))
    return b.row, mid


def _diamond(b: _Brush) -> tuple[float, float]:
    """A diamond with a long hairline from its tip, upright or aslant."""
    h, w = b.between(0.4, 0.75), b.between(0.3, 0.6)
    mid, way, lean = b.col + w / 2, b.way(), float(b.rng.uniform(-0.1, 0.45))
    b.ink.fill(DIAMOND * [h, w] + [b.row, mid], b.load)
    length = float(b.rng.uniform(0.8, 1.9)) * b.size
    tip = (b.row + way * 0.4 * h, mid + float(b.rng.choice([0.0, 0.3])) * w)
    b.hair(tip, (b.row + way * length, tip[1] + lean * length), widths=(1.3, 0.7))
    return b.row, mid


def _wave(b: _Brush) -> tuple[float, float]:
    t = np.linspace(0, 1, 16)
    rows = b.row - 0.14 * b.size * np.sin(3 * np.pi * t) - 0.1 * b.size * t
    path = np.stack([rows, b.col + t * 0.7 * b.size], axis=1)
    b.ink.fill(ribbon(path, 0.16 * b.space * (0.6 + 0.6 * np.sin(np.pi * t))), b.load)
    return b.row - 0.05 * b.size, b.col + 0.35 * b.size


def _slim(b: _Brush) -> tuple[float, float]:
    """A narrow upright head with a thin stem flush with its side, as prints have it."""
    w, h = b.between(0.2, 0.38), b.between(0.5, 0.86)
    mid, way = b.col + w / 2, b.way()
    b.block(b.row, mid, h, w)
    edge = mid + (0.5 if b.rng.random() < 0.7 else -0.5) * (w - 0.9 * b.thin)
    far = b.row + way * (h / 2 + b.between(0.45, 1.9))
    b.ink.fill(ribbon(np.array([[b.row, edge], [far, edge]]), b.thin * np.array([1.2, 0.9])), b.load)
    return b.row, mid


def _dash(b: _Brush) -> tuple[float, float]:
    """A short slanted stroke of the full nib, its upper end drawn out thin."""
    long, lean = b.between(0.5, 0.95), float(b.rng.uniform(0.25, 0.8))
    ends = np.array([[b.row + 0.45 * long, b.col], [b.row - 0.45 * long, b.col + lean * long]])
    b.ink.fill(ribbon(ends, np.array([0.8, 1.0]) * b.between(0.16, 0.3)), b.load)
    if b.rng.random() < 0.75:
        reach = b.between(0.2, 0.9)
        tip = (float(ends[1, 0]), float(ends[1, 1]))
        b.hair(
            tip, (tip[0] - reach, tip[1] + lean * reach * float(b.rng.uniform(0.4, 1.2))), widths=(1.8, 0.7)
        )
    return b.row, b.col + 0.5 * lean * long


def _small(b: _Brush) -> tuple[float, float]:
    """A head like a small note's, with a thin stem on either side."""
    share = float(b.rng.uniform(0.45, 0.7))
    w, h = share * max(b.hand.head_width, 0.4) * b.space, share * b.hand.head_height * b.space
    mid, way = b.col + w / 2, b.way()
    b.block(b.row, mid, h, w)
    edge = mid + float(b.rng.choice([-0.45, 0.45])) * w
    lean = float(b.rng.normal(0, 0.12))
    far = float(b.rng.uniform(0.6, 1.3)) * b.size
    b.hair((b.row, edge), (b.row + way * far, edge + lean * far))
    return b.row, mid


def _tailed(b: _Brush) -> tuple[float, float]:
    w, h = 0.6 * b.hand.head_width * b.space, 0.75 * b.hand.head_height * b.space
    mid, edge = b.col + w / 2, b.col + w - b.thin / 2
    b.block(b.row, mid, h, w)
    b.hair((b.row, edge), (b.row + 0.9 * b.size, edge - 0.1 * b.size))
    return b.row, mid


_DESIGNS: Final[dict[str, Callable[[_Brush], tuple[float, float]]]] = {
    "flick": _flick, "tick": _tick, "hairline": _hairline, "bar": _bar, "teeth": _teeth, "curly": _curly,
    "lozenge": _lozenge, "diamond": _diamond, "wave": _wave, "slim": _slim, "dash": _dash, "small": _small,
    "tailed": _tailed,
}  # fmt: skip


def draw_custos(
    mask: U8, hand: Hand, rng: np.random.Generator, stand: Stand, col: float, step: int
) -> tuple[Drawn, float]:
    """Draw a custos on a step, in place.

    Returns
    -------
    drawn : Drawn
        On the middle of its head (of a wave or check mark: of the part that marks the step).
    right : float
        Right edge of the ink, px.
    """
    space, ink = stand.space_px, Ink()
    brush = _Brush(
        ink, hand, rng,
        row=stand.row_of(step, col) + float(rng.normal(0, hand.row_spread)) * space,
        col=col, space=space, size=hand.custos_size * space * float(rng.uniform(0.9, 1.1)),
        thin=max(0.8, 1.1 * hand.hairline * space), load=pen_load(hand, rng), low=step <= stand.n_lines - 1,
    )  # fmt: skip
    row, middle = _DESIGNS[hand.custos](brush)
    return lay(ink, mask, hand, rng, stand, "custos", row, step, middle)
