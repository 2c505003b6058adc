"""Rendering a page: plan, write, age, photograph, and tell the truth about it."""

from __future__ import annotations

from concurrent.futures import ProcessPoolExecutor
from dataclasses import dataclass, replace
from functools import partial
from multiprocessing import get_context
from pathlib import Path
from typing import Final

import cv2
import numpy as np

from neumary.types import U8, Page, Staff
from neumary_synth.ageing import Ageing, as_print, sample_ageing
from neumary_synth.compose import compose, lens_noise
from neumary_synth.framing import framed
from neumary_synth.parchment import field
from neumary_synth.plan import Plan, halved, plan_page, sample_kind
from neumary_synth.sheets import as_u8
from neumary_synth.staffless_photo import bent_signs
from neumary_synth.staffless_truth import FreeSign
from neumary_synth.truth import page_truth, ruled_staves
from neumary_synth.warp import Warp, apply_warp, make_warp
from neumary_synth.writing import write_page

_STAVES_BEHIND: Final = 0.3  # of the pages of words alone with a verso shining through
MIN_DRAWN_SPACE_PX: Final = 18.0
"""Pages are drawn at least this large and scaled down, so that fine pen work survives."""


@dataclass(frozen=True, slots=True, eq=False)
class Rendered:
    """A rendered page.

    Attributes
    ----------
    page : Page
        The exact truth.
    rgb : ndarray of uint8, shape (H, W, 3)
    masks : dict of str to ndarray of uint8, shape (H, W)
        Coverage of the layers "line", "music", "text", "decoration", "bleed".
    signs : tuple of FreeSign
        Staffless signs and significative letters, whole.
    ruled : tuple of Staff
        All staves of which anything may be seen, with their lines where these run beyond the picture's
        upper and lower edge, too; `page` keeps to lines in the picture.
    """

    page: Page
    rgb: U8
    masks: dict[str, U8]
    signs: tuple[FreeSign, ...] = ()
    ruled: tuple[Staff, ...] = ()


def _sample_space(rng: np.random.Generator) -> float:
    if rng.random() < 0.72:
        return float(rng.uniform(16, 26))
    return float(rng.choice([rng.uniform(10, 16), rng.uniform(26, 40)], p=[0.6, 0.4]))


def render_page(
    seed: int, kind: str | None = None, *, ageing: Ageing | None = None, space_px: float | None = None
) -> Rendered:
    """Render one page.

    Parameters
    ----------
    seed : int
        Same seed and arguments, same bytes.
    kind : str, optional
        One of `neumary_synth.plan.KINDS`; drawn at random where left out.
    ageing : Ageing, optional
        Drawn at random where left out; `Ageing()` gives a clean page, cut by no edge of the picture.
    space_px : float, optional
        Staff space in the photograph; drawn from 10..40 px, mostly 16..26.

    Returns
    -------
    Rendered
    """
    choice, planning, writing, wearing, laying, bending, shooting, back = (
        np.random.default_rng([seed, i]) for i in range(8)
    )
    kind = kind or sample_kind(choice)
    space = space_px or _sample_space(choice)
    wear = ageing or sample_ageing(wearing)
    drawn_space = max(space, MIN_DRAWN_SPACE_PX)
    scale = space / drawn_space
    plan = plan_page(planning, kind, drawn_space)
    if ageing is None and (kind == "layered" or plan.style.habits.printed):
        wear = as_print(wear, wearing)
    flat = write_page(plan, writing)
    verso = None
    if wear.bleed:
        verso = write_page(halved(_verso_of(plan, back)), back)
    rgb, masks, hidden = compose(laying, flat, verso, wear)
    warp = make_warp(
        bending, (flat.height, flat.width), scale,
        rotation_deg=wear.rotation_deg, perspective=wear.perspective,
        waves_px=wear.waves_spaces * drawn_space, wave_length_px=bending.uniform(12, 34) * drawn_space,
        curl_px=wear.curl_spaces * drawn_space, gutter=wear.gutter,
    )  # fmt: skip
    if ageing is None:
        warp = framed(np.random.default_rng([seed, 8]), warp, flat, scale)
    bent, layers = _bend(rgb, masks, warp, scale, wear)
    photo = _photograph(shooting, bent, wear)
    settings: dict[str, str | int | float | bool] = {"seed": seed, "kind": kind, "space_px": round(space, 3)}
    page = page_truth(flat, warp, layers, hidden, f"synth-{seed:08d}", scale, settings)
    ruled = ruled_staves(flat, warp, hidden, scale)
    return Rendered(page, photo, layers, bent_signs(flat.free, warp, hidden, scale), ruled)


def _verso_of(plan: Plan, rng: np.random.Generator) -> Plan:
    """A like page; behind words alone sometimes staves, which shine through where none are."""
    if plan.kind == "text-only" and rng.random() < _STAVES_BEHIND:
        return replace(plan_page(rng, "square", plan.space_px), pictures=())
    return replace(plan, pictures=())


def _bend(rgb: U8, masks: dict[str, U8], warp: Warp, scale: float, wear: Ageing) -> tuple[U8, dict[str, U8]]:
    maps = warp.maps()
    names = list(masks)
    stack = as_u8(cv2.merge([masks[name] for name in names[:4]]))
    last = masks[names[4]]
    if scale < 0.95:
        sigma = 0.42 * np.sqrt(1 / scale**2 - 1)
        rgb, stack, last = (as_u8(cv2.GaussianBlur(x, (0, 0), sigma)) for x in (rgb, stack, last))
    bent = apply_warp(rgb, maps, wear.background)
    split = [as_u8(mask) for mask in cv2.split(apply_warp(stack, maps))]
    return bent, dict(zip(names, [*split, apply_warp(last, maps)], strict=True))


def _photograph(rng: np.random.Generator, rgb: U8, wear: Ageing) -> U8:
    """Steps 7 to 10 of the order given in `ageing`."""
    height, width = rgb.shape[:2]
    if wear.uneven_light or wear.shadow:
        rgb = _light(rng, rgb, wear)
    if wear.blur_px > 0.15:
        rgb = as_u8(cv2.GaussianBlur(rgb, (0, 0), wear.blur_px))
    if wear.sharpen:
        soft = cv2.GaussianBlur(rgb, (0, 0), 1.4)
        rgb = as_u8(cv2.addWeighted(rgb, 1 + wear.sharpen, soft, -wear.sharpen, 0))
    if wear.grey:
        grey = cv2.cvtColor(rgb, cv2.COLOR_RGB2GRAY)
        rgb = as_u8(cv2.merge([grey, grey, grey]))
    if wear.exposure != 1 or wear.contrast != 1 or wear.white_balance != (1.0, 1.0, 1.0):
        level = (
            np.arange(256)[:, None]
            / 255
            * wear.exposure
            * (1.0 if wear.grey else np.array(wear.white_balance))
        )
        level = np.clip((level - 0.55) * wear.contrast + 0.55, 0, 1) * np.ones(3)
        rgb = as_u8(cv2.LUT(rgb, np.round(255 * level).astype(np.uint8).reshape(256, 1, 3)))
    if wear.noise:
        rgb = lens_noise(rng, rgb, wear.noise)
    if wear.jpeg_quality:
        done, data = cv2.imencode(".jpg", rgb[..., ::-1], [cv2.IMWRITE_JPEG_QUALITY, wear.jpeg_quality])
        if not done:
            raise ValueError(f"a picture of {height} x {width} px cannot be written as JPEG")
        rgb = as_u8(cv2.imdecode(data, cv2.IMREAD_COLOR))[..., ::-1]
    return np.ascontiguousarray(rgb)


def _light(rng: np.random.Generator, rgb: U8, wear: Ageing) -> U8:
    height, width = rgb.shape[:2]
    small = (max(height // 16, 2), max(width // 16, 2))
    down, across = np.meshgrid(np.linspace(-1, 1, small[0]), np.linspace(-1, 1, small[1]), indexing="ij")
    turn = rng.uniform(0, 2 * np.pi)
    gain = 1 - wear.uneven_light * (
        0.4 * (np.sin(turn) * down + np.cos(turn) * across) + 0.3 * (down**2 + across**2)
    )
    gain += 0.15 * wear.uneven_light * field(rng, small, max(small[1] / 4, 2))
    if wear.shadow and wear.gutter:
        away = (across + 1) / 2 if wear.gutter < 0 else (1 - across) / 2
        gain *= 1 - wear.shadow * np.exp(-away / rng.uniform(0.02, 0.1))
    level = np.clip(gain * 200, 0, 255).astype(np.uint8)
    big = cv2.resize(level, (width, height), interpolation=cv2.INTER_LINEAR)
    return np.asarray(cv2.multiply(rgb, cv2.merge([big, big, big]), scale=1 / 200))


def write_rendered(rendered: Rendered, out_dir: Path, *, lossless: bool = False) -> Path:
    """Write a page's picture and truth; give the picture's path.

    Parameters
    ----------
    rendered : Rendered
    out_dir : Path
        Must exist.
    lossless : bool
        PNG instead of JPEG.
    """
    import hashlib

    import msgspec

    from neumary.store import save_page

    suffix = ".png" if lossless else ".jpg"
    options = [] if lossless else [cv2.IMWRITE_JPEG_QUALITY, 95]
    done, data = cv2.imencode(suffix, rendered.rgb[..., ::-1], options)
    if not done:
        raise ValueError(f"page {rendered.page.page_id} cannot be written as {suffix}")
    picture = out_dir / f"{rendered.page.page_id}{suffix}"
    picture.write_bytes(data.tobytes())
    digest = hashlib.sha256(data.tobytes()).hexdigest()
    page = msgspec.structs.replace(rendered.page, source=picture.name, sha256=digest)
    save_page(page, out_dir / f"{rendered.page.page_id}.page.json")
    return picture


def _render_one(seed: int, kind: str | None, out_dir: Path, lossless: bool) -> str:
    cv2.setNumThreads(1)
    return write_rendered(render_page(seed, kind), out_dir, lossless=lossless).name


def render_many(
    n: int, out_dir: Path, seed: int = 0, kind: str | None = None, jobs: int = 1, *, lossless: bool = False
) -> list[Path]:
    """Render pages into a folder: `<id>.jpg` (or .png) and `<id>.page.json`.

    Parameters
    ----------
    n : int
        How many; their seeds are seed, seed + 1, ...
    out_dir : Path
        Made where it is missing.
    seed : int
    kind : str, optional
        One kind for all; a random one for each where left out.
    jobs : int
        Processes; the files do not depend on it.
    lossless : bool
        PNG instead of JPEG.

    Returns
    -------
    list of Path
        The pictures, in order of their seeds.
    """
    out_dir = Path(out_dir)
    out_dir.mkdir(parents=True, exist_ok=True)
    task = partial(_render_one, kind=kind, out_dir=out_dir, lossless=lossless)
    seeds = range(seed, seed + n)
    if jobs <= 1:
        return [out_dir / task(one) for one in seeds]
    with ProcessPoolExecutor(jobs, mp_context=get_context("spawn")) as pool:
        return [out_dir / name for name in pool.map(task, seeds)]
