"""Scan -> InkMap: the light evened out, ink told from parchment, the ruling measured.

Method
------
* Light: the bare parchment between the strokes is estimated on a small picture
  (four pixels a staff space) by a grey closing, kept only where it is as bright as the
  parchment around, spread over painted or missing places by normalised convolution
  (H. Knutsson and C.-F. Westin, "Normalized and differential convolution", CVPR 1993),
  and divided out.
* Ink: of the evened colours, ``dark = 255 - max(R, G, B)`` and
  ``coloured = max(R, G, B) - min(R, G, B)``. So ``dark + coloured = 255 - min(R, G, B)`` is
  all ink of whatever colour; black and brown strokes are strong in `dark`, red, yellow and
  blue ones in `coloured` (brown ink has a weaker share in it too).
* Ruling: lengths of vertical black and white runs, I. Fujinaga, "Staff detection and
  removal" (in: Visual perception of music notation, 2004), taken not from all ink but
  from strokes that go on level for some way, so that text does not outvote the staves.
"""

from __future__ import annotations

import math
from typing import Final

import cv2
import numpy as np
import numpy.typing as npt

from neumary import lines
from neumary.types import F32, U8, InkMap, Scan, Spacing

Ints = npt.NDArray[np.intp]

_SMALL_SPACE_PX: Final = 4.0  # staff space in the small picture on which the light is estimated
_SMALL_SIDE_PX: Final = 640  # its longest side at most
_SPACES_PER_SIDE: Final = 60.0  # assumed for the shorter side where the staff space is not known
_CLOSING_SPACES: Final = 3.0  # strokes narrower than this are ink, never parchment
_AROUND_SPACES: Final = 24.0  # reach within which parchment is compared with itself
_SIGMAS_SPACES: Final = (96.0, 24.0, 6.0, 2.0)  # widths of the smoothing, coarse to fine

WORKING_SPACE_PX: Final = 18.0  # staff space at working scale; 16 to 20 keeps a line 1 to 3 px thick
_LINE_SPACES: Final = 0.14  # usual thickness of a line, own measurements on photographed leaves
_SCALE_SLACK: Final = 0.2  # logarithm of an error in scale that the signs' reading bears
_MEASURING_SIDE_PX: Final = 1600  # about the longest side on which the ruling is measured
_MEASURING_STRIP_PX: Final = 6
_MEASURING_REACH: Final = 10.0  # strips
_LINE_LIKE: Final = 0.4  # coherence from which a place counts as on a line
_SAME_GAP: Final = 0.15  # two gaps are the same where they differ by less than this share
_CLEAR_LINE: Final = 0.75  # coherence of a line beyond doubt
_SECOND_SIZE: Final = 0.25  # share of the commonest gap's votes that makes another staff size
_LEAST_STRENGTH: Final = 0.02
_RUNS: Final = 2000
_LONE_LINES: Final = 3.3  # a "staff space" of so many stroke heights is none
_SPACE_PER_STROKE: Final = 1.4  # staff space against stroke height; own count on rendered pages
_LONE_SHARE: Final = 0.15  # share of the coloured strokes that must be such lines
_STRONG: Final = 0.1  # share from which a gap is a staff space without further question
_MOST_GAPS: Final = 5  # gaps in a row at most in a staff and a text line beside it
_LONE: Final = 0.65  # mean coherence of a lone line
_LONE_SPACES: Final = 8.0  # its least length


def flatten(rgb: U8, space_px: float | None = None) -> U8:
    """Even out the light: colours relative to the bare parchment around them.

    Parameters
    ----------
    rgb : ndarray of uint8, shape (H, W, 3)
        Any page or part of one, upright.
    space_px : float, optional
        Staff space in pixels of `rgb`; it sets all widths. Without it the shorter side is
        taken to be 60 spaces long. An error of a factor of two does little harm.

    Returns
    -------
    ndarray of uint8, shape (H, W, 3)
        ``255 * rgb / parchment``, channel by channel, cut off at 255: bare parchment is 255
        in all channels, ink keeps its hue. Photo background is as dark as it is.

    Notes
    -----
    Widths are fractions of the staff space, so the result at another resolution is, but for
    sampling, the same.
    """
    height, width = rgb.shape[:2]
    if height == 0 or width == 0:
        return rgb.copy()
    space = space_px if space_px else min(height, width) / _SPACES_PER_SIDE
    scale = min(1.0, _SMALL_SPACE_PX / max(space, 1e-6), _SMALL_SIDE_PX / max(height, width))
    size = (max(1, round(width * scale)), max(1, round(height * scale)))
    small = cv2.resize(rgb, size, interpolation=cv2.INTER_AREA)
    parchment = _parchment(np.asarray(small, dtype=np.uint8), space * scale)
    bare = cv2.resize(np.clip(np.rint(parchment), 1, 255).astype(np.uint8), (width, height))
    return np.asarray(cv2.divide(rgb, bare, scale=255.0), dtype=np.uint8)


def _parchment(small: U8, space: float) -> F32:
    """Colour of the bare parchment at every pixel of the small picture."""
    # One plane a colour: numpy is many times slower where colours lie side by side.
    planes = [np.asarray(plane, dtype=np.float32) for plane in cv2.split(small)]
    grey = np.minimum(np.minimum(*planes[:2]), planes[2])
    bright = grey >= np.percentile(grey, 60)
    tint = [np.maximum(np.median(plane[bright]), np.float32(1.0)) for plane in planes]
    ratios = [plane / one for plane, one in zip(planes, tint, strict=True)]
    level = np.minimum(np.minimum(*ratios[:2]), ratios[2])  # paint of any colour is low, shade is not
    bare = cv2.morphologyEx(level, cv2.MORPH_CLOSE, _block(_CLOSING_SPACES * space))
    around = cv2.dilate(bare, _block(_AROUND_SPACES * space))
    around = cv2.blur(around, _block(_AROUND_SPACES * space).shape, borderType=cv2.BORDER_REPLICATE)
    near_bare = np.clip((level / np.maximum(bare, 1e-3) - 0.88) / 0.08, 0.0, 1.0)
    not_paint = np.clip((bare / np.maximum(around, 1e-3) - 0.45) / 0.1, 0.0, 1.0)
    weight = (near_bare * not_paint).astype(np.float32)
    if float(weight.max()) <= 0.0:
        weight[:] = 1.0
    weighted = [plane * weight for plane in planes]
    total = weight.ravel()[:, None].sum(axis=0)
    estimate = [np.add.accumulate(plane.ravel())[-1:] / total for plane in weighted]
    stacked = np.asarray(cv2.merge([*weighted, weight]), dtype=np.float32)
    for sigma in _SIGMAS_SPACES:
        *colours, mass = cv2.split(_smooth(stacked, sigma * space))
        # A sixtieth of the neighbourhood being bare already outweighs the coarser estimate.
        mass = mass + 1.0 / 60.0
        estimate = [(one + coarse / 60.0) / mass for one, coarse in zip(colours, estimate, strict=True)]
    return np.asarray(cv2.merge(estimate), dtype=np.float32)


def _smooth(image: F32, sigma: float) -> F32:
    """Gaussian smoothing whose cost does not grow with its width."""
    height, width = image.shape[:2]
    step = max(1, int(sigma / 3.0))
    if step > 1:
        size = (max(1, width // step), max(1, height // step))
        coarse = cv2.resize(image, size, interpolation=cv2.INTER_AREA)
        coarse = cv2.GaussianBlur(coarse, (0, 0), max(sigma / step, 0.5), borderType=cv2.BORDER_REPLICATE)
        return np.asarray(
            cv2.resize(coarse, (width, height), interpolation=cv2.INTER_LINEAR), dtype=np.float32
        )
    return np.asarray(
        cv2.GaussianBlur(image, (0, 0), max(sigma, 0.5), borderType=cv2.BORDER_REPLICATE), dtype=np.float32
    )


def _block(side: float) -> U8:
    """Square structuring element of odd side."""
    odd = 2 * round(max(side, 1.0) / 2.0) + 1
    return np.ones((odd, odd), dtype=np.uint8)


def map_ink(scan: Scan, space_px: float | None = None) -> InkMap:
    """Even out the light of a page and tell ink from parchment, at working scale.

    Parameters
    ----------
    scan : Scan
        The upright page.
    space_px : float, optional
        Staff space in pixels of the scan, where it is known; measured where left out.

    Returns
    -------
    InkMap
        The smaller staves' space about 18 pixels, never larger than the original. Without any
        ruling (`spacing` is None) the scale is set by the size of the page alone.
    """
    rgb = scan.rgb
    spacing: Spacing | None
    if space_px is not None:
        smallest = space_px
        spacing = Spacing(space_px=space_px, line_px=_LINE_SPACES * space_px, strength=0.0)
    else:
        spacing, smallest = measure_spacing(rgb)
    if spacing is not None:
        scale = min(1.0, WORKING_SPACE_PX / smallest)
    else:
        scale = min(1.0, WORKING_SPACE_PX * _SPACES_PER_SIDE / max(1, min(scan.height, scan.width)))
    if scale < 1.0:
        size = (max(1, round(scan.width * scale)), max(1, round(scan.height * scale)))
        rgb = np.asarray(cv2.resize(rgb, size, interpolation=cv2.INTER_AREA), dtype=np.uint8)
    flat = flatten(rgb, spacing.space_px * scale if spacing else None)
    dark, coloured = _strengths(flat)
    return InkMap(scan.page_id, flat, dark, coloured, scale, spacing)


def mapped_for(ink: InkMap, space_px: float) -> bool:
    """Whether a map's scale suits a staff space, given in pixels of the scan."""
    return abs(math.log(min(1.0, WORKING_SPACE_PX / space_px) / ink.scale)) < _SCALE_SLACK


def _strengths(flat: U8) -> tuple[U8, U8]:
    """Strength of dark and of coloured ink; their sum is 255 - min(R, G, B)."""
    red, green, blue = cv2.split(flat)
    most = cv2.max(cv2.max(red, green), blue)
    least = cv2.min(cv2.min(red, green), blue)
    return np.asarray(cv2.bitwise_not(most), np.uint8), np.asarray(cv2.subtract(most, least), np.uint8)


def measure_spacing(rgb: U8) -> tuple[Spacing | None, float]:
    """Staff space and line thickness of the page's commonest ruling.

    Parameters
    ----------
    rgb : ndarray of uint8, shape (H, W, 3)

    Returns
    -------
    Spacing or None
        In pixels of `rgb`. None where no level strokes follow each other evenly.
    float
        The smallest staff space in good use on the page, in pixels; 0 with None.
    """
    reduce = max(1, max(rgb.shape[:2]) // _MEASURING_SIDE_PX)
    height, width = rgb.shape[0] // reduce, rgb.shape[1] // reduce
    if min(height, width) < 4 * _MEASURING_STRIP_PX:
        return None, 0.0
    whole = rgb[: height * reduce, : width * reduce]
    if reduce > 1:
        whole = np.asarray(cv2.resize(whole, (width, height), interpolation=cv2.INTER_AREA), dtype=np.uint8)
    dark, coloured = _strengths(flatten(whole))
    inks = np.asarray(cv2.add(dark, coloured), np.uint8), lines.pure_colour(dark, coloured)
    means = [lines.strip_means(ink, _MEASURING_STRIP_PX) for ink in inks]
    sharp = [lines.evidence(*(lines.ridges(mean, thick) for mean in means)) for thick in (2.0, 4.0)]
    likeness = lines.coherence(np.maximum(*sharp), _MEASURING_REACH)
    found = lines.peaks(likeness, 2.0, _LINE_LIKE)
    strips, rows = np.nonzero(found)
    clear = np.clip((likeness[found] - _LINE_LIKE) / (_CLEAR_LINE - _LINE_LIKE), 0.0, 1.0)
    modes = [mode for mode in _modes(strips, rows, clear) if mode[1] >= _LEAST_STRENGTH]
    strokes = lines.stroke_height(dark, _MEASURING_STRIP_PX, 1.2 * modes[0][0] if modes else 0.1 * height)
    weak = bool(modes) and modes[0][1] < _STRONG
    far = weak and modes[0][0] > _LONE_LINES * strokes and _endless(strips, rows, modes[0][0])
    if strokes > 0 and (far or not modes):
        # Lone lines with music and text between them: their distance is no staff space.
        share = _lone_lines(coloured, _SPACE_PER_STROKE * strokes)
        modes = [(_SPACE_PER_STROKE * strokes, share)] if share > _LONE_SHARE else []
    if not modes:
        return None, 0.0
    space = modes[0][0]
    smallest = min(size for size, share in modes if share >= _SECOND_SIZE * modes[0][1])
    cols = strips * _MEASURING_STRIP_PX + _MEASURING_STRIP_PX // 2
    thick = _thickness(rgb, rows * reduce, cols * reduce, clear, space * reduce)
    strength = min(1.0, sum(share for _, share in modes))
    spacing = Spacing(
        space_px=space * reduce, line_px=thick, strength=strength, smallest_px=smallest * reduce
    )
    return spacing, smallest * reduce


def _endless(strips: Ints, rows: Ints, space: float) -> bool:
    """Whether most strokes at this gap follow each other in longer runs than any staff's."""
    gaps = np.diff(rows)
    keeps = (strips[1:] == strips[:-1]) & (np.abs(gaps - space) <= 2 * _SAME_GAP * space)
    lengths = np.array([high - low for low, high in lines.runs(keeps)])
    return bool(lengths[lengths > _MOST_GAPS].sum() > 0.5 * lengths.sum()) if len(lengths) else False


def _lone_lines(coloured: U8, space: float) -> float:
    """Share of the level coloured strokes that are long unbroken lines; 0 if there are none."""
    ridge = lines.ridges(lines.strip_means(coloured, _MEASURING_STRIP_PX), 2.0)
    evidence = lines.evidence(ridge, ridge)
    likeness = lines.coherence(evidence, _MEASURING_REACH)
    found = lines.peaks(likeness, 2.0, _LINE_LIKE)
    least = max(round(_LONE_SPACES * space / _MEASURING_STRIP_PX), len(found) // 6)
    chains = lines.filaments(found, evidence, least, round(space / _MEASURING_STRIP_PX))
    lengths = [
        len(rows)
        for first, rows in chains
        if likeness[np.arange(first, first + len(rows)), rows].mean() > _LONE
    ]
    return sum(lengths) / max(1, int(found.sum()))


def _modes(strips: Ints, rows: Ints, clear: F32) -> list[tuple[float, float]]:
    """Gaps between level strokes that keep recurring, with their share of all strokes.

    Only three strokes in a row at equal gaps vote: text rarely does that. Strongest first.
    """
    if len(rows) < 3 or clear.sum() <= 0:
        return []
    gaps = np.diff(rows).astype(float)
    same_strip = strips[1:] == strips[:-1]
    first, second = gaps[:-1], gaps[1:]
    even = np.abs(first - second) <= _SAME_GAP * (first + second) / 2 + 0.5
    chosen = even & same_strip[1:] & same_strip[:-1]
    sizes = (first[chosen] + second[chosen]) / 2
    votes = np.minimum(np.minimum(clear[:-2], clear[1:-1]), clear[2:])[chosen] ** 2
    modes: list[tuple[float, float]] = []
    while len(sizes) and votes.sum() > 0 and len(modes) < 4:
        grid = np.unique(sizes)
        nearness = np.exp(-0.5 * (np.log(grid[:, None] / sizes[None, :]) / 0.07) ** 2)
        best = float(grid[int(np.argmax(nearness @ votes))])
        near = np.abs(np.log(sizes / best)) <= 0.2
        modes.append((_weighted_median(sizes[near], votes[near]), float(votes[near].sum() / clear.sum())))
        sizes, votes = sizes[~near], votes[~near]
    return sorted(modes, key=lambda mode: -mode[1])


def _weighted_median(values: npt.NDArray[np.float64], weights: F32) -> float:
    order = np.argsort(values, kind="stable")
    mass = np.cumsum(weights[order])
    return float(values[order][int(np.searchsorted(mass, 0.5 * mass[-1]))])


def _thickness(rgb: U8, rows: Ints, cols: Ints, clear: F32, space: float) -> float:
    """Median length of the black runs through the clearest lines, in pixels of `rgb`."""
    best = np.argsort(-clear, kind="stable")[:_RUNS]
    half = max(2, round(0.5 * space))
    at = np.clip(rows[best, None] + np.arange(-half, half + 1), 0, rgb.shape[0] - 1)
    colours = rgb[at, np.clip(cols[best], 0, rgb.shape[1] - 1)[:, None]]
    profile = 255.0 - np.minimum(np.minimum(colours[..., 0], colours[..., 1]), colours[..., 2])
    near = slice(half - max(1, half // 3), half + max(1, half // 3) + 1)
    top = near.start + profile[:, near].argmax(axis=1)
    each = np.arange(len(best))
    base = np.percentile(profile, 25, axis=1)
    inside = profile > (0.5 * (profile[each, top] + base))[:, None]
    places = np.arange(profile.shape[1])
    after = np.where(~inside & (places > top[:, None]), places, profile.shape[1]).min(axis=1)
    before = np.where(~inside & (places < top[:, None]), places, -1).max(axis=1)
    return float(np.clip(np.median(after - before - 1), 1.0, 0.4 * space))
