"""Staffless neume signs: running strokes written over the words.

Shapes after the accent neumes of the 10th to 12th century (common practice, no source).
No pitch stands behind them. Each hand has its own ductus (`neumary_synth.staffless_ductus`).
"""

from __future__ import annotations

from collections.abc import Callable
from typing import Final

import numpy as np

from neumary_synth.clefs import stem
from neumary_synth.drawn import Drawn
from neumary_synth.hand import Hand
from neumary_synth.letters import LETTERS
from neumary_synth.pen import U8, Ink, Nib, bend
from neumary_synth.staffless_ductus import Ductus, Pen, ductus_of

_Build = Callable[[Pen], object]


def _clivis(p: Pen, episema: bool = False) -> None:
    p.rise(slope=0.85).top()
    at = p.row, p.col - 0.3 * p.d.turn
    p.drop(p.d.leg if p.rng.random() < 0.5 else 1.0).lift()
    if episema:
        p.episema(*at)


def _pes(p: Pen, height: float = 0.85) -> None:
    p.foot().rise(height).by(-0.06, 0.5 * p.d.hook).lift(p.d.swell)


def _two_pedes(p: Pen) -> None:
    _pes(p)
    p.put(p.row - 0.2, p.col + 0.05)
    _pes(p, 0.6)


def _torculus(p: Pen, foot: float = 1.0) -> None:
    p.by(0.1 * foot, 0.02).by(0.04, 0.1).by(-0.06, 0.08).rise(0.8, 0.75).top().drop(p.d.leg)


def _torculus_resupinus(p: Pen) -> None:
    _torculus(p)
    p.bottom().rise(p.d.leg)


def _run_down(p: Pen, n: int) -> None:
    """Points that fall to the right from the top of what is written."""
    row = p.row + p.rng.uniform(0.3, 0.45)
    col = p.col + p.rng.uniform(0.05, 0.25)
    p.lift(p.d.swell)
    for k in range(n):
        last = k == n - 1 and p.rng.random() < 0.15
        at = row + k * p.d.dot_fall, col + k * p.d.dot_gap * p.rng.uniform(0.6, 0.9)
        if last:
            p.bar(*at, 0.3)
        else:
            p.dot(*at)


def _run_up(p: Pen, n: int) -> None:
    """Points that climb to the right; leaves the place for what follows."""
    lean = p.rng.uniform(0.5, 0.95) * p.d.dot_gap
    for k in range(n):
        p.dot(-k * p.d.dot_fall, k * lean)
    p.put(-(n - 0.4) * p.d.dot_fall, n * lean)


def _virga(p: Pen, episema: bool = False, height: float = 1.0) -> None:
    p.virga(height)
    if episema:
        p.episema(p.row + 0.02, p.col)


def _climacus(p: Pen, n: int = 2, episema: bool = False) -> None:
    p.virga()
    top = p.row, p.col
    _run_down(p, n)
    if episema:
        p.episema(*top)


def _scandicus(p: Pen, n: int = 2, flexed: bool = False) -> None:
    _run_up(p, n)
    if flexed:
        p.rise(0.6).top().drop(0.6)
    else:
        p.virga(p.rng.uniform(0.45, 0.75))


def _quilisma(p: Pen, flexed: bool = False, liquescent: bool = False) -> None:
    p.waves(p.d.n_waves)
    p.by(0.6 * p.d.wave, -0.02).by(0.15, 0.1).rise(p.rng.uniform(0.6, 0.95))
    if liquescent:
        p.curl()
    elif flexed:
        p.top().drop(0.7)
    else:
        p.by(-0.04, 0.5 * p.d.hook).lift(p.d.swell)


def _plain_waves(p: Pen) -> None:
    """A quilisma of which the last wave only rises a little."""
    p.waves(p.d.n_waves).by(0.75 * p.d.wave, -0.04).by(0.2 * p.d.wave, 0.08).by(-1.3 * p.d.wave, 0.16)


def _several(p: Pen, n: int, one: Callable[[Pen, float, float], object], gap: float) -> None:
    climb = p.rng.normal(0, 0.04)
    for k in range(n):
        one(p, k * climb, k * gap * p.rng.uniform(0.9, 1.1))


def _strophae(p: Pen, n: int, episema: bool = False) -> None:
    _several(p, n, lambda q, row, col: q.stropha(row, col), p.rng.uniform(0.27, 0.42))
    if episema:
        p.by(0.02, 0.25).lift()


def _virgae(p: Pen, n: int) -> None:
    def one(q: Pen, row: float, col: float) -> None:
        q.put(row, col).virga(0.85)

    _several(p, n, one, p.rng.uniform(0.35, 0.5))


def _trigon(p: Pen) -> None:
    gap = p.d.dot_gap * p.rng.uniform(0.8, 1.1)
    p.dot(0, 0).dot(-p.rng.uniform(0.0, 0.35) * gap, gap).dot(0.9 * p.d.dot_fall, 1.25 * gap)


def _oriscus(p: Pen) -> None:
    k = p.rng.uniform(0.8, 1.2)
    p.by(-0.16 * k, 0.08).by(0.08 * k, 0.12).by(0.06 * k, 0.1).by(-0.18 * k, 0.1)
    if p.rng.random() < 0.6:
        p.by(0.1 * k, 0.1).by(0.24 * k, -0.02)


def _pressus(p: Pen) -> None:
    p.rise(0.85).by(-0.04, 0.1).by(0.1, 0.1).by(-0.08, 0.12).by(0.12, 0.1).lift()
    p.dot(p.row + p.rng.uniform(0.3, 0.5), p.col + p.rng.uniform(-0.05, 0.12))


def _salicus(p: Pen) -> None:
    p.dot(0, 0).put(-p.d.dot_fall, 0.8 * p.d.dot_gap)
    p.by(-0.12, 0.08).by(0.1, 0.12).by(-0.1, 0.08).lift()
    p.put(p.row - 0.15, p.col + 0.02).virga(0.6)


def _porrectus(p: Pen, flexed: bool = False, episema: bool = False) -> None:
    p.rise(0.9, 0.8).top().drop(p.d.leg).bottom().rise(p.d.leg, 0.7)
    if flexed:
        p.top()
        at = p.row, p.col - 0.3 * p.d.turn
        p.drop(p.d.leg).lift()
        if episema:
            p.episema(*at)
    else:
        p.by(-0.04, 0.5 * p.d.hook).lift(p.d.swell)


_BUILD: Final[dict[str, _Build]] = {
    "virga": lambda p: _virga(p, height=p.rng.uniform(0.7, 1.05)),
    "virga with episema": lambda p: _virga(p, episema=True),
    "punctum": lambda p: p.dot(0, 0),
    "tractulus": lambda p: p.bar(0, 0, p.rng.uniform(0.28, 0.6)),
    "pes": _pes,
    "clivis": _clivis,
    "clivis with episema": lambda p: _clivis(p, episema=True),
    "torculus": _torculus,
    "porrectus": _porrectus,
    "scandicus": _scandicus,
    "climacus": _climacus,
    "climacus with episema": lambda p: _climacus(p, episema=True),
    "quilisma": lambda p: _quilisma(p) if p.rng.random() < 0.6 else _plain_waves(p),
    "oriscus": _oriscus,
    "pressus": _pressus,
    "stropha": lambda p: _strophae(p, 1),
    "distropha": lambda p: _strophae(p, 2),
    "tristropha": lambda p: _strophae(p, 3),
    "tristropha with episema": lambda p: _strophae(p, 3, episema=True),
    "trigon": _trigon,
    "cephalicus": lambda p: p.rise().curl(),
    "epiphonus": lambda p: p.foot().rise(0.7).curl_up(),
    "porrectus flexus": lambda p: _porrectus(p, flexed=True),
    "porrectus flexus with episema": lambda p: _porrectus(p, flexed=True, episema=True),
    "torculus resupinus": _torculus_resupinus,
    "pes subbipunctis": lambda p: _run_down(p.foot().rise(0.8), 2),
    "scandicus flexus": lambda p: _scandicus(p, flexed=True),
    "salicus": _salicus,
    "bivirga": lambda p: _virgae(p, 2),
    "trivirga": lambda p: _virgae(p, 3),
    # compound signs: what no common name covers
    "compound climacus": lambda p: _climacus(p, 3),
    "compound scandicus": lambda p: _scandicus(p, 3),
    "compound quilisma": lambda p: _quilisma(p, flexed=True),
    "compound torculus": lambda p: _torculus(p.dot(0, -0.3).put(-0.25, 0.0)),
    "compound pes": _two_pedes,
    "liquescent quilisma": lambda p: _quilisma(p, liquescent=True),
    "liquescent torculus": lambda p: (p.foot().rise(0.8), p.curl()),
}
SIGNS: Final[tuple[str, ...]] = tuple(_BUILD)
SIGNIFICATIVE_LETTERS: Final = tuple("acehltxmpsfivdrngo")


def draw_staffless(
    mask: U8, hand: Hand, rng: np.random.Generator, row: float, col: float, size_px: float, name: str
) -> tuple[Drawn, float]:
    """Draw a staffless sign or a significative letter, in place.

    Parameters
    ----------
    mask : ndarray of uint8, shape (H, W)
        Ink coverage.
    row : float
        Middle of the sign, px.
    col : float
        Left edge, px.
    size_px : float
        Height of a virga.
    name : str
        One of `SIGNS`, or "letter x" with one of `SIGNIFICATIVE_LETTERS`.

    Returns
    -------
    drawn : Drawn
        Its label is `name`, its step 0.
    right : float
        Right edge of the ink, px.

    Raises
    ------
    ValueError
        If the name is not known.
    """
    ink, d = Ink(), ductus_of(hand.seed)
    load = float(np.clip(rng.normal(hand.ink, hand.ink_spread), 0.45, 1))
    build = _BUILD.get(name)
    if build is not None:
        pen = Pen(d, rng)
        build(pen)
        strokes = pen.paths()
        nib = Nib(size_px * d.nib, d.nib_angle_deg, max(0.9, d.edge * size_px))
    else:
        strokes = _letter(d, rng, name)
        nib = Nib(
            size_px * d.nib * rng.uniform(0.45, 0.85), d.nib_angle_deg, max(0.8, 0.5 * d.edge * size_px)
        )
    points = np.concatenate([path for path, _ in strokes])
    middle = (points[:, 0].min() + points[:, 0].max()) / 2
    shift = np.array([row - middle * size_px, col - points[:, 1].min() * size_px + nib.width_px / 2])
    for path, swell in strokes:
        pressure = np.linspace(1 / np.sqrt(swell), np.sqrt(swell), len(path))
        ink.nib(path * size_px + shift, nib, load, pressure)
    ink.lay(mask, rng, hand.flow(size_px / 2))
    top, left, bottom, right = ink.box()
    return Drawn(name, (top + bottom) / 2, (left + right) / 2, top, left, bottom, right, 0, True), right


def _letter(d: Ductus, rng: np.random.Generator, name: str) -> list[tuple[np.ndarray, float]]:
    letter = name.removeprefix("letter ")
    if letter not in SIGNIFICATIVE_LETTERS or letter == name:
        raise ValueError(f"no staffless sign {name!r}: choose one of {', '.join(SIGNS)}")
    tall, wide = d.letter * rng.uniform(0.8, 1.2), d.letter * rng.uniform(0.5, 0.9)
    lean = 0.35 * d.rise + rng.normal(0, 0.05)
    form = "ſ" if letter == "s" and rng.random() < 0.5 else letter
    strokes = [stem(s) if isinstance(s, str) else s for s in LETTERS[form][1]]
    if letter == "t" and rng.random() < 0.6:  # "hold", with its long thin bar
        reach = rng.uniform(0.6, 1.8)
        strokes = [
            [(-0.95, 0.45), (-0.5, 0.2), (-0.05, 0.45), (-0.1, 0.85)],
            [(-0.92, -0.3 * reach), (-1.02, 0.3), (-0.97, reach)],
        ]
    if letter == "e" and rng.random() < 0.35:  # "level", its tongue drawn out
        strokes = [*strokes, [(-0.5, 0.3), (-0.55, 0.9), (-0.5, rng.uniform(1.2, 2.6))]]
    out = []
    for stroke in strokes:
        points = np.array(stroke, dtype=np.float64) + rng.normal(0, 0.03, (len(stroke), 2))
        rows = points[:, 0] * tall
        out.append((bend(np.stack([rows, points[:, 1] * wide - lean * rows], axis=1), 4), 1.0))
    return out
