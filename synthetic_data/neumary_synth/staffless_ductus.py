"""How one scribe moves the pen in staffless signs: slant, turns, dots, ticks.

Staffless neumes are mostly one running stroke: it rises on a slant, turns, falls, rises
again. A `Ductus` holds how a hand does that; `paths` builds any sign from rises and falls.
The ranges were set by eye after accent neumes of the 10th to 12th century (common
practice, no source).
"""

from __future__ import annotations

from dataclasses import dataclass
from functools import lru_cache
from typing import Final

import numpy as np

from neumary_synth.pen import F64, bend

DOTS: Final = ("flat", "round", "slanting", "lozenge")


@dataclass(frozen=True, slots=True)
class Ductus:
    """One hand's way; lengths in heights of a virga, directions in columns per row.

    Attributes
    ----------
    rise, fall : float
        Columns to the right for each row up a rising, and down a falling stroke.
    turn : float
        Width of a turn; `angular` hands turn in a point.
    hook : float
        How far the top of a virga bends to the right.
    swell : float
        How much broader the pen presses at the top of a virga than at its foot.
    leg : float
        Length of the inner strokes of a running sign.
    foot : str
        How a pes begins: "round", "check" or "stroke".
    dot, dot_width, dot_gap, dot_fall : str, floats
    wave, n_waves : float, int
        Height and number of a quilisma's waves.
    tick, tick_tilt : float
        Length and tilt of an episema.
    nib, nib_angle_deg, edge : float
        Broad edge, its angle, and the width of the thinnest stroke.
    wobble : float
    letter : float
        x-height of significative letters.
    bow : float
        How far rising and falling strokes bend out to the right, half-way.
    """

    rise: float
    fall: float
    turn: float
    angular: bool
    hook: float
    swell: float
    leg: float
    foot: str
    dot: str
    dot_width: float
    dot_gap: float
    dot_fall: float
    wave: float
    n_waves: int
    tick: float
    tick_tilt: float
    stropha: str
    nib: float
    nib_angle_deg: float
    edge: float
    wobble: float
    letter: float
    bow: float


@lru_cache(maxsize=64)
def ductus_of(seed: int) -> Ductus:
    """The ductus of a hand's seed."""
    rng = np.random.default_rng([seed, 31])
    u = rng.uniform
    rise = u(0.3, 0.8) if rng.random() < 0.7 else u(0.02, 0.4)
    nib = u(0.09, 0.19) if rng.random() < 0.85 else u(0.05, 0.1)
    return Ductus(
        rise=rise,
        fall=u(-0.1, 0.35) if rng.random() < 0.7 else u(0.2, 0.6),
        turn=u(0.12, 0.3) if rng.random() < 0.65 else u(0.28, 0.5),
        angular=bool(rng.random() < 0.2),
        hook=u(0.0, 0.12) if rng.random() < 0.4 else u(0.1, 0.35),
        swell=u(1.0, 1.9),
        leg=u(0.42, 0.95),
        foot=str(rng.choice(["round", "check", "stroke"], p=[0.5, 0.3, 0.2])),
        dot=str(rng.choice(DOTS)),
        dot_width=u(0.08, 0.22),
        dot_gap=u(0.24, 0.38),
        dot_fall=u(0.22, 0.4),
        wave=u(0.25, 0.55),
        n_waves=2 if rng.random() < 0.6 else 3,
        tick=u(0.25, 0.65),
        tick_tilt=u(-0.25, 0.15),
        stropha=str(rng.choice(["comma", "seven", "hook"])),
        nib=nib,
        nib_angle_deg=u(15, 65),
        edge=nib * u(0.35, 0.85),
        wobble=u(0.008, 0.03),
        letter=u(0.28, 0.66),
        bow=float(np.clip(rng.normal(0.0, 0.06), -0.12, 0.14)),
    )


class Pen:
    """A pen on its way through one sign; (row, col) from the start, rows grow downwards."""

    def __init__(self, ductus: Ductus, rng: np.random.Generator) -> None:
        self.d, self.rng = ductus, rng
        self.strokes: list[tuple[list[tuple[float, float]], bool, float]] = []
        self.row = self.col = 0.0
        self._now: list[tuple[float, float]] = []
        self._swell = 1.0

    # -- strokes ----------------------------------------------------------------

    def put(self, row: float, col: float) -> Pen:
        """Set the pen down at a place, lifting it first."""
        self.lift()
        self.row, self.col = row, col
        self._now = [(row, col)]
        return self

    def lift(self, swell: float | None = None) -> Pen:
        """End the stroke."""
        if len(self._now) > 1:
            self.strokes.append((self._now, self.d.angular, self._swell if swell is None else swell))
        self._now, self._swell = [], 1.0
        return self

    def by(self, d_row: float, d_col: float) -> Pen:
        """Move by so much."""
        if not self._now:
            self._now = [(self.row, self.col)]
        self.row, self.col = self.row + d_row, self.col + d_col
        self._now.append((self.row, self.col))
        return self

    def rise(self, height: float = 1.0, slope: float = 1.0) -> Pen:
        """A rising stroke, a little bowed; `slope` makes inner strokes steeper."""
        h = height * self.rng.uniform(0.88, 1.12)
        bow = self.d.bow * h
        self.by(-0.5 * h, self.d.rise * 0.42 * h * slope + bow)
        return self.by(-0.5 * h, self.d.rise * 0.58 * h * slope - bow)

    def top(self) -> Pen:
        """A turn from rising to falling."""
        if self.d.angular:
            return self.by(0.02, 0.35 * self.d.turn)
        return self.by(-0.06, 0.5 * self.d.turn).by(0.06, 0.5 * self.d.turn)

    def drop(self, height: float = 1.0) -> Pen:
        """A falling stroke."""
        h = height * self.rng.uniform(0.88, 1.12)
        bow = abs(self.d.bow) * h
        return self.by(0.5 * h, self.d.fall * 0.5 * h + bow).by(0.5 * h, self.d.fall * 0.5 * h - bow)

    def bottom(self) -> Pen:
        """A turn from falling to rising."""
        if self.d.angular:
            return self
        return self.by(0.06, 0.45 * self.d.turn).by(-0.06, 0.5 * self.d.turn)

    def virga(self, height: float = 1.0) -> Pen:
        """A virga from its foot."""
        self.rise(0.9 * height)
        self.by(-0.1 * height, self.d.rise * 0.08 + 0.6 * self.d.hook)
        if self.d.hook > 0.12:
            self.by(0.02, 0.4 * self.d.hook)
        return self.lift(self.d.swell)

    def foot(self) -> Pen:
        """How a rising figure sets out from its low note."""
        if self.d.foot == "round":
            return self.by(0.14, -0.04).by(0.1, 0.08).by(-0.04, 0.12)
        if self.d.foot == "check":
            return self.by(0.2, 0.14).by(-0.02, 0.05)
        return self.by(0.06, 0.16)

    def curl(self) -> Pen:
        """The small round ending of a liquescent."""
        w = self.rng.uniform(0.18, 0.3)
        return self.by(-0.05, 0.5 * w).by(0.1, 0.5 * w).by(0.16, -0.25 * w).by(0.02, -0.6 * w)

    def curl_up(self) -> Pen:
        """The same at the end of a rise that bends down again."""
        w = self.rng.uniform(0.15, 0.3)
        return self.by(-0.04, 0.5 * w).by(0.12, 0.5 * w).by(0.14, -0.1 * w)

    def dot(self, row: float, col: float) -> Pen:
        """A punctum."""
        w = self.d.dot_width * self.rng.uniform(0.8, 1.25)
        tilt = {"flat": 0.0, "round": 0.3, "slanting": -0.6, "lozenge": 0.8}[self.d.dot]
        self.put(row - 0.5 * w * tilt, col)
        self.by(w * tilt, w if self.d.dot != "round" else 0.5 * w)
        return self.lift(1.3 if self.d.dot in ("round", "lozenge") else 1.1)

    def bar(self, row: float, col: float, length: float) -> Pen:
        """A level stroke: tractulus."""
        tilt = self.rng.normal(0, 0.06)
        self.put(row, col).by(tilt * length, length)
        return self.lift(1.15)

    def episema(self, row: float, col: float) -> Pen:
        """The tick at the end of a stroke."""
        length = self.d.tick * self.rng.uniform(0.75, 1.25)
        back = self.rng.uniform(0.1, 0.5) * length
        self.put(row - self.d.tick_tilt * back, col - back).by(self.d.tick_tilt * length, length)
        return self.lift(1.1)

    def stropha(self, row: float, col: float) -> Pen:
        """A comma-like stroke."""
        k = self.rng.uniform(0.85, 1.15)
        if self.d.stropha == "comma":
            self.put(row - 0.12 * k, col + 0.02).by(0.04, 0.12 * k).by(0.26 * k, -0.12 * k)
        elif self.d.stropha == "seven":
            self.put(row - 0.12 * k, col).by(-0.03, 0.16 * k).by(0.12 * k, 0.03).by(0.22 * k, -0.14 * k)
        else:
            self.put(row - 0.05 * k, col).by(-0.1 * k, 0.1).by(0.08 * k, 0.08).by(0.28 * k, -0.1 * k)
        return self.lift(1.1)

    def waves(self, n: int) -> Pen:
        """The waves of a quilisma, each a hook open at the top."""
        w, wide = self.d.wave, 0.2 + 0.25 * self.d.rise * self.d.wave
        for _ in range(n):
            self.by(0.75 * w, -0.04).by(0.25 * w, 0.35 * wide).by(-0.3 * w, 0.35 * wide)
            self.by(-0.7 * w, 0.3 * wide)
        return self

    def paths(self) -> list[tuple[F64, float]]:
        """All strokes as (path (n, 2), swell at the end), wobbled and bent."""
        self.lift()
        out = []
        for points, angular, swell in self.strokes:
            shaken = np.array(points) + self.rng.normal(0, self.d.wobble, (len(points), 2))
            out.append((bend(shaken, 2 if angular or len(points) < 3 else 5), swell))
        return out
