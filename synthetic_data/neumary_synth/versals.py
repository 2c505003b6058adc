"""Large letters: skeletons of versal capitals, and strokes that swell along a path."""

from __future__ import annotations

from typing import Final

import numpy as np
import numpy.typing as npt

from neumary_synth.pen import fill
from neumary_synth.sheets import U8

Path = npt.NDArray[np.float64]

LETTERS: Final = "ABCDEFGHILMNOPQRSTUV"


def _line(*points: tuple[float, float]) -> Path:
    return np.array(points, dtype=np.float64)


def _arc(row: float, col: float, high: float, wide: float, start_deg: float, end_deg: float) -> Path:
    """Part of an ellipse; 0 degrees points right, 90 down."""
    t = np.deg2rad(np.linspace(start_deg, end_deg, 28))
    return np.stack([row + high * np.sin(t), col + wide * np.cos(t)], axis=1)


def _curve(*points: tuple[float, float]) -> Path:
    """A Bezier curve through its first and last control point."""
    control = np.array(points, dtype=np.float64)
    t = np.linspace(0, 1, 24)[:, None]
    while len(control.shape) == 2:
        control = np.repeat(control[:, None, :], len(t), axis=1)
    while len(control) > 1:
        control = control[:-1] * (1 - t) + control[1:] * t
    return np.asarray(control[0])


_STEM_L, _STEM_R = 0.16, 0.84
_FORMS: Final[dict[str, tuple[tuple[str, Path], ...]]] = {
    "A": (("stem", _line((1, 0.08), (0, 0.45))), ("stem", _line((0, 0.45), (1, 0.9))),
          ("hair", _line((0.62, 0.22), (0.62, 0.75))), ("hair", _line((0, 0.15), (0, 0.7)))),
    "B": (("stem", _line((0, _STEM_L), (1, _STEM_L))), ("bowl", _arc(0.25, 0.16, 0.25, 0.6, -90, 90)),
          ("bowl", _arc(0.74, 0.16, 0.26, 0.72, -90, 90))),
    "C": (("bowl", _arc(0.5, 0.6, 0.5, 0.52, 50, 310)), ("hair", _line((0.08, 0.9), (0.92, 0.9)))),
    "D": (("stem", _line((0.02, _STEM_L), (0.98, _STEM_L))), ("bowl", _arc(0.5, 0.16, 0.5, 0.74, -90, 90))),
    "E": (("bowl", _arc(0.5, 0.6, 0.5, 0.52, 60, 300)), ("hair", _line((0.5, 0.1), (0.5, 0.9))),
          ("hair", _line((0.06, 0.88), (0.94, 0.88)))),
    "F": (("stem", _line((0, 0.2), (1, 0.2))), ("bowl", _curve((0, 0.2), (-0.1, 0.6), (0.05, 0.9))),
          ("hair", _line((0.48, 0.2), (0.48, 0.75)))),
    "G": (("bowl", _arc(0.5, 0.55, 0.5, 0.5, 30, 310)),
          ("bowl", _curve((0.5, 0.7), (0.55, 0.95), (0.95, 0.85)))),
    "H": (("stem", _line((0, 0.14), (1, 0.14))), ("bowl", _curve((0.45, 0.14), (0.3, 0.95), (1.0, 0.8)))),
    "I": (("stem", _line((0, 0.5), (1, 0.5))), ("hair", _line((0, 0.25), (0, 0.75))),
          ("hair", _line((1, 0.25), (1, 0.75)))),
    "L": (("stem", _line((0, 0.2), (1, 0.2))), ("bowl", _curve((0.95, 0.2), (1.05, 0.6), (0.8, 0.95)))),
    "M": (("bowl", _arc(0.55, 0.28, 0.45, 0.26, 90, 290)), ("stem", _line((0.1, 0.5), (1, 0.5))),
          ("bowl", _arc(0.55, 0.72, 0.45, 0.26, 250, 450))),
    "N": (("stem", _line((0, 0.14), (1, 0.14))), ("bowl", _curve((0.05, 0.14), (0.0, 0.95), (1.0, _STEM_R)))),
    "O": (("bowl", _arc(0.5, 0.5, 0.5, 0.48, 80, 285)), ("bowl", _arc(0.5, 0.5, 0.5, 0.48, -80, 100))),
    "P": (("stem", _line((0, _STEM_L), (1, _STEM_L))), ("bowl", _arc(0.28, 0.16, 0.28, 0.68, -90, 90))),
    "Q": (("bowl", _arc(0.46, 0.5, 0.46, 0.48, 80, 285)), ("bowl", _arc(0.46, 0.5, 0.46, 0.48, -80, 100)),
          ("bowl", _curve((0.8, 0.5), (0.95, 0.7), (1.1, 1.0)))),
    "R": (("stem", _line((0, _STEM_L), (1, _STEM_L))), ("bowl", _arc(0.26, 0.16, 0.26, 0.64, -90, 90)),
          ("bowl", _curve((0.5, 0.4), (0.65, 0.7), (1.0, 0.95)))),
    "S": (("bowl", _curve((0.12, 0.9), (-0.15, 0.1), (0.38, -0.1), (0.6, 1.1), (1.1, 0.9), (0.88, 0.08))),
          ("hair", _line((0.02, 0.86), (0.24, 0.86))), ("hair", _line((0.78, 0.1), (0.98, 0.1)))),
    "T": (("bowl", _arc(0.55, 0.55, 0.45, 0.42, 40, 250)), ("stem", _line((0.04, 0.1), (0.0, 0.95)))),
    "U": (("bowl", _curve((0.02, 0.12), (0.6, -0.05), (1.15, 0.35), (0.85, 0.75))),
          ("stem", _line((0, 0.78), (1, 0.82))), ("hair", _line((0.01, 0.0), (0.01, 0.3)))),
    "V": (("bowl", _curve((0, 0.1), (0.5, 0.1), (1.1, 0.5))), ("stem", _line((0, 0.85), (1, 0.5)))),
}  # fmt: skip


def swell(mask: U8, path: Path, half_px: npt.NDArray[np.floating] | float, strength: int = 255) -> None:
    """Draw a stroke whose half width changes along its path, in place.

    Parameters
    ----------
    mask : ndarray of uint8, shape (H, W)
    path : ndarray of float, shape (n, 2)
        (row, col) px of the stroke's middle.
    half_px : float or ndarray of shape (n,)
        Half of the stroke's width.
    strength : int
        Coverage to write, 0..255.
    """
    along = np.gradient(path, axis=0)
    length = np.maximum(np.hypot(along[:, 0], along[:, 1]), 1e-6)
    normal = np.stack([-along[:, 1], along[:, 0]], axis=1) / length[:, None]
    half = np.broadcast_to(np.asarray(half_px, dtype=np.float64), (len(path),))[:, None]
    left, right = path + normal * half, path - normal * half
    for i in range(len(path) - 1):  # piece by piece: an outline that crosses itself leaves holes
        fill(mask, np.stack([left[i], left[i + 1], right[i + 1], right[i]]), strength)


def _densify(path: Path, n: int = 12) -> Path:
    if len(path) > 4:
        return path
    at = np.linspace(0, len(path) - 1, n)
    steps = np.arange(len(path))
    return np.stack([np.interp(at, steps, path[:, k]) for k in (0, 1)], axis=1)


def versal_paths(letter: str) -> list[tuple[str, Path]]:
    """Strokes of a capital in a unit box: ("stem" | "bowl" | "hair", (row, col) path) each."""
    return [(form, _densify(path)) for form, path in _FORMS[letter]]


def draw_versal(
    mask: U8, letter: str, box: tuple[float, float, float, float], weight: float, strength: int = 255
) -> None:
    """Draw a capital with swelling stems and bowls, in place.

    Parameters
    ----------
    mask : ndarray of uint8, shape (H, W)
    letter : str
        One of `LETTERS`.
    box : tuple of float
        top, left, bottom, right, px.
    weight : float
        Half width of a stem as a share of the box's smaller side.
    strength : int
        Coverage to write.
    """
    top, left, bottom, right = box
    size = np.array([bottom - top, right - left])
    half = weight * float(size.min())
    for form, unit in versal_paths(letter):
        path = unit * size + (top, left)
        t = np.linspace(-1, 1, len(path))
        if form == "bowl":
            width = half * (0.25 + 1.0 * np.cos(t * np.pi / 2) ** 0.8)
        elif form == "stem":
            width = half * (0.75 + 0.4 * np.abs(t) ** 2)
        else:
            width = half * (0.22 + 0.25 * np.abs(t) ** 3)
        swell(mask, path, width, strength)
