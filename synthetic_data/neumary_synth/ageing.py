"""What time and the camera do to a page.

The effects act in this order, each steered by its own field of `Ageing` and absent
at the field's default:

1. parchment: colour, mottling, grain, follicles, darkened edges, stains
2. show-through of the verso (`bleed`)
3. inks: fading (`fade`), heads fuller and drier (`flow`), flaking (`flaking`)
4. rubbed patches (`erasures`) and holes
5. surroundings: background, the opposite page, book block, colour chart
6. geometry: rotation, perspective, waves, curl at the gutter, scale
7. light: uneven light, gutter shadow
8. lens blur, sharpening
9. exposure, white balance, contrast, grey film
10. sensor noise, JPEG
"""

from __future__ import annotations

from dataclasses import dataclass, replace

import numpy as np

from neumary_synth.sheets import Rgb


@dataclass(frozen=True, slots=True)
class Ageing:
    """Every effect's strength; the defaults leave a clean, flat page.

    Attributes
    ----------
    parchment : tuple of int
        RGB of bare parchment.
    mottle, grain : float
        Standard deviations in grey levels: slow patches, fine texture.
    follicles : float
        Share of the leaf covered with hair-follicle dots, 0..1.
    edge_dark : float
        How much the leaf's edges darken, 0..1.
    stains : int
        Number of stains.
    bleed : float
        Strength of the verso's ink, 0..1.
    bleed_blur_spaces : float
        Blur of the verso, standard deviation.
    fade : float
        Share of ink strength lost overall, 0..1.
    flow : float
        Unevenness of ink strength within a page, 0..1.
    flaking : float
        Share of ink flaked off in bad patches, 0..1.
    erasures, holes : int
        Number of rubbed patches and of holes.
    background : tuple of int
        RGB around the leaf.
    opposite : bool
        Whether the opposite page shows at the gutter.
    chart : bool
        Whether a colour chart lies beside the leaf.
    rotation_deg, perspective : float
        Skew in degrees; far side's shrinking as a share.
    waves_spaces, curl_spaces : float
        Waves of the parchment; bend at the gutter.
    gutter : int
        Side of the gutter: -1 left, 1 right, 0 none.
    shadow : float
        Depth of the gutter's shadow, 0..1.
    uneven_light : float
        Unevenness of the light, 0..1.
    blur_px : float
        Lens blur of the final image, standard deviation.
    sharpen : float
        Sharpening by the camera, 0..1.
    exposure, contrast : float
        Factors; 1 = neutral.
    white_balance : tuple of float
        Factors for R, G, B.
    grey : bool
        Photographed on black-and-white film.
    noise : float
        Standard deviation of sensor noise, grey levels.
    jpeg_quality : int
        1..100; 0 = not compressed.
    """

    parchment: Rgb = (226, 214, 190)
    mottle: float = 0.0
    grain: float = 0.0
    follicles: float = 0.0
    edge_dark: float = 0.0
    stains: int = 0
    bleed: float = 0.0
    bleed_blur_spaces: float = 0.08
    fade: float = 0.0
    flow: float = 0.0
    flaking: float = 0.0
    erasures: int = 0
    holes: int = 0
    background: Rgb = (18, 18, 20)
    opposite: bool = False
    chart: bool = False
    rotation_deg: float = 0.0
    perspective: float = 0.0
    waves_spaces: float = 0.0
    curl_spaces: float = 0.0
    gutter: int = 0
    shadow: float = 0.0
    uneven_light: float = 0.0
    blur_px: float = 0.0
    sharpen: float = 0.0
    exposure: float = 1.0
    contrast: float = 1.0
    white_balance: tuple[float, float, float] = (1.0, 1.0, 1.0)
    grey: bool = False
    noise: float = 0.0
    jpeg_quality: int = 0


def _sometimes(rng: np.random.Generator, chance: float, low: float, high: float) -> float:
    return float(rng.uniform(low, high)) if rng.random() < chance else 0.0


def sample_ageing(rng: np.random.Generator) -> Ageing:
    """Draw how a page has aged and how it was photographed.

    Parchment colours span what was measured on photographed leaves (10th to 90th
    percentile about 179..226, 164..214, 128..198), widened a little on both sides.

    Parameters
    ----------
    rng : numpy Generator

    Returns
    -------
    Ageing
    """
    rough = rng.random() ** 1.3  # most pages are kept well, some are not
    light = rng.uniform(176, 238)
    warm = rng.uniform(0.0, 1.0)
    tint = rng.normal(0, 1.6, 3)
    parchment = np.array([light, light * (0.965 - 0.04 * warm), light * (0.89 - 0.15 * warm)]) + tint
    red, green, blue = np.clip(parchment, 100, 247).astype(int)
    backgrounds = ((14, 14, 16), (238, 238, 236), (120, 118, 115), (96, 74, 52), (60, 62, 68))
    background = backgrounds[int(rng.choice(5, p=[0.45, 0.28, 0.1, 0.1, 0.07]))]
    gutter = int(rng.choice([-1, 0, 1], p=[0.4, 0.2, 0.4]))
    level = rng.random() < 0.65
    strong = _sometimes(rng, 0.12, 0.35, 0.85)  # the verso nearly as dark as the page itself
    return Ageing(
        parchment=(int(red), int(green), int(blue)),
        mottle=rng.uniform(1.5, 5) + 4 * rough * rng.random(),
        grain=rng.uniform(0.8, 3.2),
        follicles=_sometimes(rng, 0.3, 0.05, 0.5),
        edge_dark=_sometimes(rng, 0.7, 0.03, 0.3),
        stains=int(rng.poisson(1.5 + 5.0 * rough)),
        bleed=strong or _sometimes(rng, 0.72, 0.04, 0.14 + 0.4 * rough),
        bleed_blur_spaces=rng.uniform(0.03, 0.14),
        fade=_sometimes(rng, 0.4, 0.02, 0.12 + 0.4 * rough**2),
        flow=rng.uniform(0.05, 0.35 + 0.3 * rough),
        flaking=_sometimes(rng, 0.35, 0.05, 0.2 + 0.6 * rough),
        erasures=int(rng.poisson(0.25)),
        holes=int(rng.poisson(0.25)),
        background=background,
        opposite=bool(rng.random() < 0.45),
        chart=bool(rng.random() < 0.15),
        rotation_deg=float(np.clip(rng.normal(0, 0.6 if level else 2.8), -8, 8)),
        perspective=_sometimes(rng, 0.6, 0.0, 0.03 if level else 0.09),
        waves_spaces=rng.uniform(0.02, 0.12) + _sometimes(rng, 0.3, 0.0, 0.4),
        curl_spaces=_sometimes(rng, 0.5, -0.7, 0.7),
        gutter=gutter,
        shadow=_sometimes(rng, 0.6, 0.05, 0.5),
        uneven_light=rng.uniform(0.02, 0.12) + _sometimes(rng, 0.25, 0.0, 0.3),
        blur_px=rng.uniform(0.25, 0.65) + _sometimes(rng, 0.22, 0.1, 0.8),
        sharpen=_sometimes(rng, 0.3, 0.2, 0.9),
        exposure=rng.uniform(0.86, 1.05),
        contrast=rng.uniform(0.9, 1.18),
        white_balance=tuple(float(x) for x in rng.normal(1, 0.011, 3)),  # type: ignore[arg-type]
        grey=bool(rng.random() < 0.04),
        noise=rng.uniform(0.4, 2.2) + _sometimes(rng, 0.15, 0.5, 4),
        jpeg_quality=int(rng.integers(45, 97)),
    )


def as_print(ageing: Ageing, rng: np.random.Generator) -> Ageing:
    """The same photograph of a printed book: even paper, little wear."""
    light = int(rng.integers(225, 250))
    return replace(
        ageing,
        parchment=(light, light - int(rng.integers(2, 8)), light - int(rng.integers(8, 28))),
        mottle=0.4 * ageing.mottle,
        follicles=0.0,
        stains=min(ageing.stains, 1),
        bleed=0.4 * ageing.bleed,
        fade=0.3 * ageing.fade,
        flow=0.3 * ageing.flow,
        flaking=0.0,
        erasures=0,
    )
