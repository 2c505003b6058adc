"""What stands on leaves beside notes and words: initials, bars, ruling, later additions.

Every function draws into the sheets of a `FlatPage`, in the layer "decoration" (words
and numbers into "text"), and takes boxes as (top, left, bottom, right) px.
"""

from __future__ import annotations

from typing import TYPE_CHECKING

import cv2
import numpy as np

from neumary_synth.paints import (
    BLACK,
    WHITE,
    BoxPx,
    circle,
    grow,
    ink_sheet,
    page_inks,
    rect,
    shade,
    thin,
    vine,
)
from neumary_synth.pen import fill
from neumary_synth.script import Script, draw_text, sample_latin, sample_script
from neumary_synth.sheets import FlatPage, Rgb, Sheet
from neumary_synth.strapwork import draw_cadel
from neumary_synth.versals import LETTERS, draw_versal, swell

if TYPE_CHECKING:
    from neumary_synth.plan import Plan


def draw_initial(page: FlatPage, rng: np.random.Generator, box: BoxPx, space_px: float) -> None:
    """Draw the initial that opens a chant: flourished, painted on a field, or plain."""
    form = rng.choice(["flourished", "painted", "plain", "cadel"], p=[0.45, 0.17, 0.25, 0.13])
    letter = str(rng.choice(list(LETTERS)))
    if form == "painted":
        _painted(page, rng, letter, box, space_px)
    elif form == "cadel":
        draw_cadel(page, rng, box, space_px, shade(rng, BLACK, 14))
    else:
        _lombard(page, rng, letter, box, space_px, flourished=form == "flourished")


def draw_capital(page: FlatPage, rng: np.random.Generator, box: BoxPx, space_px: float, ink: Rgb) -> None:
    """Draw a smaller capital inside a staff: a strapwork letter in text ink, or a coloured one."""
    if rng.random() < 0.6:
        draw_cadel(page, rng, box, space_px, ink)
    else:
        letter = str(rng.choice(list(LETTERS)))
        _lombard(page, rng, letter, box, space_px, flourished=rng.random() < 0.5)


def _lombard(
    page: FlatPage, rng: np.random.Generator, letter: str, box: BoxPx, space_px: float, flourished: bool
) -> None:
    inks = page_inks(page, rng)
    body, pen = ("blue", "red") if rng.random() < 0.5 else ("red", "blue")
    if flourished:
        _flourish(page.sheet("decoration", inks[pen]), rng, box, space_px)
    draw_versal(page.sheet("decoration", inks[body], True).mask, letter, box, rng.uniform(0.11, 0.17))


def _medallion(
    sheet: Sheet, rng: np.random.Generator, row: float, col: float, radius: float, fine: float
) -> None:
    """A filled roundel with petals left bare."""
    if rng.random() < 0.6:
        fill(sheet.mask, circle(row, col, radius))
        n = int(rng.integers(4, 8))
        for centre in circle(row, col, radius * 0.58, n):
            fill(sheet.mask, circle(centre[0], centre[1], radius * rng.uniform(0.2, 0.3), 10), 0)
        fill(sheet.mask, circle(row, col, radius * 0.22, 10), 0)
    thin(sheet, circle(row, col, radius * 1.15), fine, True)


def _flourish(sheet: Sheet, rng: np.random.Generator, box: BoxPx, space_px: float) -> None:
    """Fine pen work in and around a letter: roundels, leaves, pearls, lines into the margin."""
    top, left, bottom, right = box
    s, fine = space_px, max(rng.uniform(0.03, 0.06) * space_px, 0.7)
    wide, high = right - left, bottom - top
    for _ in range(int(rng.integers(1, 4))):
        row = rng.uniform(top + 0.25 * high, bottom - 0.2 * high)
        col = rng.uniform(left + 0.35 * wide, right - 0.25 * wide)
        _medallion(sheet, rng, row, col, min(rng.uniform(0.35, 0.8) * s, 0.25 * wide), fine)
    for row in np.arange(top + 0.2 * high, bottom - 0.2 * high, rng.uniform(0.28, 0.45) * s):  # leaves
        for side in (-1, 1):
            col = left + 0.55 * wide
            t = np.linspace(0, 1, 6)
            leaf = np.stack([row - 0.2 * s * t, col + side * 0.35 * s * t], 1)
            swell(sheet.mask, leaf, (0.06 + 0.08 * np.sin(np.pi * t)) * s, int(rng.uniform(160, 255)))
    pearl = rng.uniform(0.1, 0.22) * s
    for row in np.arange(top, bottom, pearl * rng.uniform(2.0, 2.6)):
        if rng.random() < 0.9:
            thin(sheet, circle(row, left - 1.4 * pearl, pearl, 10), fine, True)
    for col in np.arange(left, right, pearl * 2.3):
        if rng.random() < 0.6:
            thin(sheet, circle(top - 1.4 * pearl, col, pearl, 10), fine, True)
    for off in rng.uniform(0.1, 0.35, 3).cumsum()[: int(rng.integers(1, 4))] * s + 2.2 * pearl:
        frame = np.array(
            [[top - off, right - 0.2 * s], [top - off, left - off], [bottom + 0.3 * off, left - off]]
        )
        thin(sheet, frame, fine)
    for _ in range(int(rng.integers(1, 4))):
        below = rng.random() < 0.6
        start, heading = (bottom, rng.uniform(70, 110)) if below else (top, rng.uniform(-110, -70))
        thin(sheet, vine(rng, start, left - 0.3 * s, rng.uniform(2, 12) * s, heading), fine)
    for _ in range(int(rng.integers(0, 3))):
        thin(sheet, vine(rng, top, right - 0.3 * s, rng.uniform(1, 4) * s, rng.uniform(-60, 20)), fine)


def _painted(page: FlatPage, rng: np.random.Generator, letter: str, box: BoxPx, space_px: float) -> None:
    """A gilded letter on a coloured field with white vine work; often a bar down the margin."""
    inks, s = page_inks(page, rng), space_px
    names = ["blue", "pink", "gold", "red", "green"]
    rng.shuffle(names)
    field, inner, body = names[:3]
    outline = page.sheet("decoration", BLACK, True)
    rim = max(0.06 * s, 1.0)
    top, left, bottom, right = box
    if rng.random() < 0.6:  # in the margin, clear of the clefs below, as on photographed leaves
        beside = left - (1.4 if rng.random() < 0.9 else 0.0) * s
        draw_border_bar(page, rng, (bottom, beside, bottom + rng.uniform(2, 18) * s, beside + 0.6 * s), s)
    fill(outline.mask, rect(grow(box, rim)))
    for name in (field, inner, body):  # later sheets lie on top of earlier ones
        page.sheet("decoration", inks[name], True)
    _paint(page, inks[field], rect(box))
    mid = (top + bottom) / 2, (left + right) / 2
    radius = 0.3 * min(bottom - top, right - left)
    _paint(page, inks[inner], circle(mid[0], mid[1], radius, 28))
    inset = grow(box, -0.12 * min(bottom - top, right - left))
    edge, letter_mask = np.zeros_like(outline.mask), np.zeros_like(outline.mask)
    weight = rng.uniform(0.10, 0.15)
    draw_versal(edge, letter, inset, weight + 0.02)
    draw_versal(letter_mask, letter, inset, weight)
    _paint_mask(page, BLACK, edge)
    _paint_mask(page, inks[body], letter_mask)
    white = page.sheet("decoration", WHITE, True)
    for _ in range(int(rng.integers(3, 9))):
        row, col = rng.uniform(top, bottom), rng.uniform(left, right)
        t = np.linspace(0, rng.uniform(2, 6), 16)
        size = rng.uniform(0.05, 0.11) * s
        curl = np.stack([row + t * size * np.sin(t), col + t * size * np.cos(t)], 1)
        thin(white, np.clip(curl, (top, left), (bottom, right)), max(0.04 * s, 0.7), strength=200)


def _paint(page: FlatPage, colour: Rgb, outline: np.ndarray) -> None:
    """Fill with body colour, taking away the other body colours beneath."""
    low, high = np.floor(outline.min(axis=0)).astype(int) - 2, np.ceil(outline.max(axis=0)).astype(int) + 3
    top, left = max(int(low[0]), 0), max(int(low[1]), 0)
    bottom, right = min(int(high[0]), page.height), min(int(high[1]), page.width)
    if bottom <= top or right <= left:
        return
    mask = np.zeros((bottom - top, right - left), np.uint8)
    fill(mask, outline - (top, left))
    _paint_mask(page, colour, mask, (top, left))


def _paint_mask(page: FlatPage, colour: Rgb, mask: np.ndarray, at: tuple[int, int] = (0, 0)) -> None:
    col, row, wide, high = cv2.boundingRect(mask)
    if not wide:
        return
    new = mask[row : row + high, col : col + wide]
    row, col = row + at[0], col + at[1]
    part = np.s_[row : row + high, col : col + wide]
    for sheet in page.sheets:
        if sheet.opaque:
            sheet.mask[part] = cv2.multiply(sheet.mask[part], 255 - new, scale=1 / 255)
    target = page.sheet("decoration", colour, True)
    np.maximum(target.mask[part], new, out=target.mask[part])


def draw_border_bar(page: FlatPage, rng: np.random.Generator, box: BoxPx, space_px: float) -> None:
    """Draw a painted bar down the margin, with a curled end."""
    inks = page_inks(page, rng)
    fill(page.sheet("decoration", BLACK, True).mask, rect(grow(box, max(0.06 * space_px, 1))))
    mid = (box[1] + box[3]) / 2
    _paint(page, inks["pink" if rng.random() < 0.5 else "blue"], rect((box[0], box[1], box[2], mid)))
    _paint(page, inks["gold"], rect((box[0], mid, box[2], box[3])))
    t = np.linspace(0, 5, 24)
    radius = 0.16 * space_px * t
    curl = np.stack([box[2] + radius * np.sin(t), mid + radius * np.cos(t)], 1)
    swell(page.sheet("decoration", inks["blue"], True).mask, curl, np.linspace(0.3, 0.1, 24) * space_px)


def draw_filler(
    page: FlatPage, rng: np.random.Generator, box: BoxPx, space_px: float, n_bars: int | None = None
) -> None:
    """Fill the rest of a line with red and blue pen bars: one to three of them, or as many as asked for."""
    inks = page_inks(page, rng)
    top, left, bottom, right = box
    n = n_bars or int(rng.integers(1, 4))
    cols = np.linspace(left + 0.3 * space_px, right, 40)
    spindle = np.sin(np.pi * np.linspace(0, 1, 40)) if rng.random() < 0.4 else np.ones(40)
    for k in range(n):
        row = top + (k + 0.5) * (bottom - top) / n
        wave = 0.08 * space_px * np.sin(cols / space_px * rng.uniform(1, 5) + k)
        ink = inks["blue" if (k + int(rng.integers(2))) % 2 else "red"]
        half = np.maximum(spindle * rng.uniform(0.03, 0.12), 0.02) * space_px
        swell(page.sheet("decoration", ink).mask, np.stack([row + wave, cols], 1), half)


def draw_picture(page: FlatPage, rng: np.random.Generator, box: BoxPx, space_px: float) -> None:
    """Draw a painted picture block: frame, ground, and shapes with outlines (no scene is meant)."""
    inks, s = page_inks(page, rng), space_px
    _paint(page, BLACK, rect(grow(box, 0.1 * s)))
    _paint(page, inks["gold"], rect(box))
    inside = grow(box, -0.4 * s)
    _paint(page, inks["blue" if rng.random() < 0.6 else "pink"], rect(inside))
    for _ in range(int(rng.integers(8, 26))):
        row, col = rng.uniform(inside[0], inside[2]), rng.uniform(inside[1], inside[3])
        n = int(rng.integers(5, 10))
        radius = rng.uniform(0.3, 1.8) * s * rng.uniform(0.5, 1.2, n)
        t = np.sort(rng.uniform(0, 2 * np.pi, n))
        shape = _rounded(
            np.stack([row + rng.uniform(0.7, 2) * radius * np.sin(t), col + radius * np.cos(t)], 1)
        )
        shape = np.clip(shape, (inside[0], inside[1]), (inside[2], inside[3]))
        name = str(rng.choice(["red", "blue", "gold", "pink", "green"]))
        middle = shape.mean(0)
        _paint(page, BLACK, middle + (shape - middle) * 1.08)
        _paint(page, inks[name], shape)
        if rng.random() < 0.6:  # folds
            fold = np.stack([np.linspace(shape[0], middle, 8), np.linspace(shape[n // 2], middle, 8)])
            for line in fold:
                thin(page.sheet("decoration", BLACK, True), line, max(0.05 * s, 0.8))


def _rounded(outline: np.ndarray) -> np.ndarray:
    """Cut a polygon's corners twice (Chaikin's scheme)."""
    for _ in range(2):
        ahead = np.roll(outline, -1, axis=0)
        outline = np.stack([0.75 * outline + 0.25 * ahead, 0.25 * outline + 0.75 * ahead], 1).reshape(-1, 2)
    return outline


def draw_ruling(page: FlatPage, rng: np.random.Generator, plan: Plan) -> None:
    """Draw the layout's thin lines and the prick marks they were ruled by."""
    s = plan.space_px
    if rng.random() < 0.3:
        return
    ink = shade(rng, (168, 150, 124), 10)
    sheet = page.sheet("decoration", ink)
    fine = max(rng.uniform(0.02, 0.045) * s, 0.6)
    weak = int(rng.uniform(60, 200))
    top, left, bottom, right = plan.leaf
    dotted = rng.random() < 0.3
    for columns in plan.columns:
        for col in columns:
            if dotted and rng.random() < 0.7:
                _dots(page, rng, col + rng.normal(0, 0.2) * s, (top, bottom), s)
                continue
            for off in (0.0, 0.5 * s)[: int(rng.integers(1, 3))]:
                lean = rng.normal(0, 0.15) * s
                thin(sheet, np.array([[top, col + off], [bottom, col + off + lean]]), fine, strength=weak)
    rows = [slot.row + plan.style.baseline * s for slot in plan.staves]
    if rng.random() < 0.5:
        rows += [slot.row + (plan.style.baseline - plan.style.xheight) * s for slot in plan.staves]
    for text in plan.texts:
        rows += [text.row + i * text.leading for i in range(text.n_lines)]
    reach = rng.uniform(-1, 2.5) * s
    for row in rows:
        start = plan.frame[1] - max(reach, -0.5 * s)
        end = plan.frame[3] + reach
        middle = row + rng.normal(0, 0.05) * s
        thin(sheet, np.array([[row, start], [middle, (start + end) / 2], [row, end]]), fine, strength=weak)
    if rng.random() < 0.4:
        dark = page.sheet("decoration", shade(rng, (70, 58, 46), 8))
        for edge in (left + rng.uniform(0.3, 1) * s, right - rng.uniform(0.3, 1) * s):
            for row in rows:
                fill(dark.mask, circle(row, edge + rng.normal(0, 0.05) * s, max(0.06 * s, 0.8), 8))


def _dots(
    page: FlatPage, rng: np.random.Generator, col: float, rows: tuple[float, float], space_px: float
) -> None:
    """A vertical line broken into dots and dashes, as a worn lead or a wheel leaves it."""
    s = space_px
    sheet = ink_sheet(page, rng, "decoration", (96, 78, 58))
    lean, half = rng.normal(0, 0.004), max(rng.uniform(0.015, 0.035) * s, 0.4)
    weak, row = int(rng.uniform(70, 210)), rows[0]
    while row < rows[1]:
        long = rng.uniform(0.03, 0.25) * s
        at = col + lean * (row - rows[0]) + rng.normal(0, 0.015) * s
        fill(sheet.mask, rect((row, at - half, row + long, at + half)), weak)
        row += long + rng.uniform(0.08, 0.4) * s


def draw_extras(page: FlatPage, rng: np.random.Generator, plan: Plan, script: Script) -> None:
    """Draw folio numbers, margin notes by a later hand, marginal pen lines, and stray marks."""
    s = plan.space_px
    top, left, bottom, right = plan.leaf
    xheight = plan.style.xheight * s
    if rng.random() < 0.35:
        number = str(rng.choice(["xvij", "lxij", "cxx", "iiij", "xxxix", "cciij", "lxx", "xlvj"]))
        col = right - rng.uniform(2.5, 5) * s if rng.random() < 0.6 else (left + right) / 2
        sheet = page.sheet("text", plan.style.rubric_ink if rng.random() < 0.5 else plan.style.text_ink)
        draw_text(sheet.mask, script, rng, number, top + rng.uniform(0.8, 1.6) * s, col, xheight * 0.7)
    if rng.random() < 0.3:  # a later reader
        ink = shade(rng, (140, 112, 80), 16)
        later = sample_script(int(rng.integers(2**31)))
        sheet = page.sheet("text", ink)
        row, size = rng.uniform(top + s, bottom - s), xheight * rng.uniform(0.4, 0.9)
        start = plan.frame[3] + 0.5 * s if rng.random() < 0.5 else left + 0.3 * s
        stop = right - 0.3 * s if start > left + s else plan.frame[1] - 0.4 * s
        for i in range(int(rng.integers(1, 5))):
            col = start
            while col < stop - 2.5 * size:
                word = "".join(sample_latin(rng, 1)[0])[: max(int((stop - col) / (0.6 * size)), 1)]
                _, col = draw_text(sheet.mask, later, rng, word, row + i * 2 * size, col, size)
                col += 0.6 * size
    if rng.random() < 0.3:  # pen lines down the margin
        inks = page_inks(page, rng)
        for _ in range(int(rng.integers(1, 4))):
            column = plan.columns[int(rng.integers(len(plan.columns)))]
            col, row = column[0] - rng.uniform(0.4, 1.2) * s, rng.uniform(top, bottom)
            sheet = page.sheet("decoration", inks[str(rng.choice(["red", "blue"]))])
            thin(
                sheet, vine(rng, row, col, rng.uniform(4, 25) * s, rng.choice([88, -88])), max(0.05 * s, 0.8)
            )
    dots = page.sheet("decoration", shade(rng, (80, 64, 46), 10))
    for _ in range(int(rng.integers(0, 14))):
        row, col = rng.uniform(top, bottom), rng.uniform(left, right)
        fill(dots.mask, circle(row, col, rng.uniform(0.02, 0.1) * s + 0.4, 8), int(rng.uniform(80, 255)))
