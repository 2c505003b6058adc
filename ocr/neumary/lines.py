"""Line evidence and line tracing, shared by the stages `ink` and `staves`.

The page is cut into narrow upright strips; each strip is averaged to one column of
numbers, so that a level stroke stays sharp while letters and notes wash out. In these
columns thin ridges are found (`ridges`), and their evidence is carried along paths that
may climb by one row a strip, left to right and back (`coherence`): the running form of the
stable paths of J. dos Santos Cardoso et al., "Staff detection with stable paths", IEEE
TPAMI 31(6), 2009. Single lines are then followed by dynamic programming (`follow`).
"""

from __future__ import annotations

from itertools import pairwise
from typing import Final

import cv2
import numpy as np
import numpy.typing as npt

from neumary.types import F32, U8, Bool

Floats = npt.NDArray[np.float64]


_FULL_DARK: Final = 60.0  # grey level the strongest ink must reach
_FEW_RUNS: Final = 50  # fewer runs tell no height
_FADED: Final = 0.2  # mean evidence under which a chain has ended


def runs(on: Bool) -> list[tuple[int, int]]:
    """First and one past last index of each unbroken run of true values."""
    edges = np.flatnonzero(np.diff(np.concatenate([[0], on.astype(np.int8), [0]])))
    return list(zip(edges[::2].tolist(), edges[1::2].tolist(), strict=True))


def smooth_columns(values: Floats, reach: int) -> Floats:
    """Mean of each value and its `reach` neighbours either way."""
    smooth = cv2.blur(values[None].astype(np.float64), (2 * reach + 1, 1), borderType=cv2.BORDER_REPLICATE)
    return np.asarray(smooth[0], dtype=np.float64)


def strip_means(image: U8, strip_px: int) -> F32:
    """Average an image over upright strips.

    Parameters
    ----------
    image : ndarray of uint8, shape (H, W)
    strip_px : int
        Width of a strip in pixels; the last, narrower rest of the width is dropped.

    Returns
    -------
    ndarray of float32, shape (n_strips, H)
        One row per strip, so that a strip lies together in memory.
    """
    height, width = image.shape
    n_strips = width // strip_px
    if n_strips == 0 or height == 0:
        return np.zeros((0, height), dtype=np.float32)
    means = cv2.resize(image[:, : n_strips * strip_px], (n_strips, height), interpolation=cv2.INTER_AREA)
    return np.ascontiguousarray(means.T, dtype=np.float32)


def stroke_height(dark: U8, strip_px: int, longest: float) -> float:
    """Height of heads and small letters: the middling dark vertical run.

    Parameters
    ----------
    dark : ndarray of uint8, shape (H, W)
    strip_px : int
        Width of the strips in which runs are taken.
    longest : float
        Rows; longer runs do not count.

    Returns
    -------
    float
        Rows, runs counting by their length; 0 if there are hardly any.
    """
    means = strip_means(dark, strip_px)
    if not means.size:
        return 0.0
    means = np.asarray(cv2.blur(means, (3, 1)), dtype=np.float32)  # specks of noise are no strokes
    full = float(np.percentile(means[::2, ::2], 99.5))
    if full < _FULL_DARK:
        return 0.0
    on = np.pad((means > 0.5 * full).astype(np.int8), ((0, 0), (1, 1)))
    edges = np.diff(on, axis=1).ravel()
    lengths = np.flatnonzero(edges == -1) - np.flatnonzero(edges == 1)
    lengths = np.sort(lengths[(lengths >= 3) & (lengths <= longest)])
    if len(lengths) < _FEW_RUNS:
        return 0.0
    mass = np.cumsum(lengths)
    return float(lengths[int(np.searchsorted(mass, 0.5 * mass[-1]))])


def ridges(strips: F32, line_px: float) -> F32:
    """How far each place stands out from the parchment above and below it.

    Parameters
    ----------
    strips : ndarray of float32, shape (n_strips, H)
        From `strip_means`.
    line_px : float
        Thickness of the ridges looked for, in pixels.

    Returns
    -------
    ndarray of float32, shape (n_strips, H)
        Grey levels, 0 where nothing stands out. The brighter of the two sides counts, so
        that edges of broad things give nothing.
    """
    thick = max(1, round(line_px))
    away = max(2, round(1.5 * line_px + 0.5))
    centre = cv2.blur(strips, (thick, 1), borderType=cv2.BORDER_REPLICATE) if thick > 1 else strips
    padded = cv2.copyMakeBorder(centre, 0, 0, away, away, cv2.BORDER_REPLICATE)
    beside = np.maximum(padded[:, : -2 * away], padded[:, 2 * away :])
    return np.maximum(centre - beside, 0.0)


def pure_colour(dark: U8, coloured: U8) -> U8:
    """Coloured ink without the tinge of brown and faded black, which are darker than coloured."""
    return np.asarray(cv2.addWeighted(coloured, 1.0, dark, -0.4, 0.0), dtype=np.uint8)


def both_ridges(dark: U8, coloured: U8, strip_px: int, line_px: float) -> tuple[F32, F32]:
    """Ridges in all ink and in coloured ink alone.

    Parameters
    ----------
    dark, coloured : ndarray of uint8, shape (H, W)
        Ink strengths of an `InkMap`.
    strip_px : int
        Width of a strip in pixels.
    line_px : float
        Thickness of the strokes looked for, in pixels.

    Returns
    -------
    every, colour : ndarray of float32, shape (n_strips, H)
        Grey levels, from `ridges`.
    """
    every = ridges(strip_means(np.asarray(cv2.add(dark, coloured), np.uint8), strip_px), line_px)
    return every, ridges(strip_means(pure_colour(dark, coloured), strip_px), line_px)


def evidence(every: F32, colour: F32) -> F32:
    """How likely each place lies on a thin level stroke, whatever its colour.

    Parameters
    ----------
    every, colour : ndarray of float32, shape (n_strips, H)
        From `both_ridges`.

    Returns
    -------
    ndarray of float32, shape (n_strips, H)
        0..1. Contrast saturates early, so a faint unbroken line beats strong broken text.
    """
    high = np.maximum(every, colour)
    half = max(4.0, 1.5 * float(np.percentile(high[::4, ::2], 75)) if high.size else 4.0)
    return np.asarray(high / (high + half), dtype=np.float32)


def coherence(evidence: F32, reach: float, turn: float = 0.97) -> F32:
    """Evidence gathered along the best nearly level path through each place.

    Parameters
    ----------
    evidence : ndarray of float32, shape (n_strips, H)
        Evidence 0..1 for a line.
    reach : float
        Strips after which a gathered value has fallen to 1/e; > 1.
    turn : float
        Factor for a step up or down by one row.

    Returns
    -------
    ndarray of float32, shape (n_strips, H)
        0..1; 1 in the middle of a long unbroken line, about a half at its ends.
    """
    keep = 1.0 - 1.0 / reach
    forward = _gather(evidence, keep, turn)
    backward = _gather(evidence[::-1], keep, turn)[::-1]
    return np.asarray((forward + backward - evidence) * ((1.0 - keep) / (1.0 + keep)), dtype=np.float32)


def _gather(evidence: F32, keep: float, turn: float) -> F32:
    gathered = np.array(evidence, dtype=np.float32)
    best = np.empty(evidence.shape[1], dtype=np.float32)
    turned = np.empty_like(best)
    for i in range(1, len(gathered)):
        before = gathered[i - 1]
        np.multiply(before, keep * turn, out=turned)
        np.multiply(before, keep, out=best)
        np.maximum(best[1:], turned[:-1], out=best[1:])
        np.maximum(best[:-1], turned[1:], out=best[:-1])
        gathered[i] += best
    return gathered


def peaks(values: F32, apart_px: float, least: float) -> Bool:
    """Places that are the highest of their strip within `apart_px` either way.

    Returns
    -------
    ndarray of bool, shape of `values`
    """
    half = max(1, round(apart_px))
    highest = cv2.dilate(values, np.ones((1, 2 * half + 1), dtype=np.uint8))
    found = (values >= highest) & (values > least)
    found[:, 1:] &= values[:, 1:] > values[:, :-1]  # of equal neighbours the first
    return np.asarray(found)


def follow(gain: F32, stiffness: float) -> npt.NDArray[np.intp]:
    """Follow many lines at once by dynamic programming.

    Parameters
    ----------
    gain : ndarray of float32, shape (n_lines, n_strips, n_places)
        Evidence for each line at each strip, over a window of places around it.
    stiffness : float
        Cost of moving by one place from one strip to the next.

    Returns
    -------
    ndarray of int, shape (n_lines, n_strips)
        Place of each line at each strip, the path of greatest total gain.
    """
    n_lines, n_strips, n_places = gain.shape
    # Walls of -inf on both sides spare the edges a treatment of their own.
    total = np.full((n_strips, n_lines, n_places + 2), -np.inf, dtype=np.float32)
    total[:, :, 1:-1] = gain.transpose(1, 0, 2)
    moved = np.empty((n_lines, n_places + 2), dtype=np.float32)
    best = np.empty((n_lines, n_places), dtype=np.float32)
    for i in range(1, n_strips):
        before = total[i - 1]
        np.subtract(before, stiffness, out=moved)
        np.maximum(moved[:, :-2], moved[:, 2:], out=best)
        np.maximum(best, before[:, 1:-1], out=best)
        total[i, :, 1:-1] += best
    stay, up, down = total[..., 1:-1], total[..., :-2] - stiffness, total[..., 2:] - stiffness
    came = np.where(stay >= np.maximum(up, down), 0, np.where(up >= down, -1, 1))
    path = np.empty((n_lines, n_strips), dtype=np.intp)
    path[:, -1] = stay[-1].argmax(axis=1)
    each = np.arange(n_lines)
    for i in range(n_strips - 2, -1, -1):
        path[:, i] = path[:, i + 1] + came[i, each, path[:, i + 1]]
    return path


def filaments(
    found: Bool, evidence: F32, least_strips: int, reach: int
) -> list[tuple[int, npt.NDArray[np.intp]]]:
    """Chains of peaks that touch from strip to strip.

    Parameters
    ----------
    found : ndarray of bool, shape (n_strips, H)
        From `peaks`.
    evidence : ndarray of float32, shape (n_strips, H)
        From `evidence`; a chain is cut where it fades out over `reach` strips either way.
    least_strips : int
        Shorter chains are left out.
    reach : int

    Returns
    -------
    list of (first strip, rows)
        `rows` holds the row of the chain in each strip from the first on.
    """
    n_chains, labels = cv2.connectedComponents(found.astype(np.uint8), connectivity=8)
    strips, rows = np.nonzero(found)
    names = labels[strips, rows]
    order = np.lexsort((rows, strips, names))
    strips, rows, names = strips[order], rows[order], names[order]
    bounds = np.searchsorted(names, np.arange(1, n_chains + 1))
    chains = []
    for low, high in pairwise(bounds):
        if high - low < least_strips:
            continue
        every, where = np.unique(strips[low:high], return_index=True)
        path = rows[low:high][where]
        lit = evidence[every, path][None].astype(np.float32)
        lit = cv2.blur(lit, (2 * reach + 1, 1), borderType=cv2.BORDER_REPLICATE)[0]
        parts = runs(lit >= _FADED)
        chains += [(int(every[a]), path[a:b].astype(np.intp)) for a, b in parts if b - a >= least_strips]
    return chains


def weighted_smooth(values: Floats, weight: npt.NDArray[np.floating], sigma: float) -> Floats:
    """Smooth along strips by local straight lines; places without weight are filled in.

    Parameters
    ----------
    values, weight : ndarray of float64, shape (n_lines, n_strips)
    sigma : float
        Width of the Gaussian window, in strips.

    Returns
    -------
    ndarray of float64, shape (n_lines, n_strips)
    """
    half = max(1, round(3 * sigma))
    shift = np.arange(-half, half + 1)
    kernel = np.exp(-0.5 * (shift / sigma) ** 2)
    mass = np.asarray(weight, dtype=np.float64) + 1e-4
    moments = [
        _convolve(mass * values**k1, kernel * shift.astype(float) ** k2)
        for k1, k2 in ((0, 0), (0, 1), (0, 2), (1, 0), (1, 1))
    ]
    s0, s1, s2, t0, t1 = moments
    spread = s0 * s2 - s1**2
    line = np.where(spread > 1e-9 * s0 * s2, (s2 * t0 - s1 * t1) / np.where(spread > 0, spread, 1.0), t0 / s0)
    return np.asarray(line, dtype=np.float64)


def _convolve(values: Floats, kernel: Floats) -> Floats:
    """Correlate each row with a kernel, nothing beyond the ends."""
    return np.asarray(
        cv2.filter2D(values, cv2.CV_64F, kernel[None, :], borderType=cv2.BORDER_CONSTANT), dtype=np.float64
    )
