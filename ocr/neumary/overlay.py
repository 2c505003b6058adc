"""The scan with what was read drawn on it, for checking at a glance.

Every mark has a colour of the Okabe-Ito palette and a shape of its own, so that it
can be told apart without seeing colours:

============================ ============== =====================================
mark                         colour         shape
============================ ============== =====================================
staff line                   sky blue       thin line, dashed where little was seen
sure note                    blue           two corner ticks and its letter
sign read with doubt         vermillion     diamond around it
pitch not exact              vermillion     ring around it and ``?`` behind the letter
neume of several notes       reddish purple bracket below
clef, custos, flat, division bluish green   box and its name
staffless sign               orange         path through its notes from a dot, its name
significative letter         orange         broken frame
============================ ============== =====================================

The octave's number stands only at the first note of a staff and where it changes.
"""

from __future__ import annotations

from typing import Final

import cv2
import numpy as np
import numpy.typing as npt

from neumary.doubt import reasons_to_doubt
from neumary.errors import OutputError
from neumary.order import Event, staff_events
from neumary.overlay_free import ORANGE, is_free, letter_frames, sign_strokes
from neumary.overlay_labels import LabelPlacer
from neumary.overlay_view import BLUE, GREEN, PURPLE, SKY, VERMILLION, Colour, View, size_of, view_of
from neumary.overlay_words import sign_labels, staff_labels, write_words
from neumary.types import U8, Glyph, Page, Staff

_HALF: Final = 0.5  # above this scale every pixel counts without averaging, which takes six times as long
_INK_STEP_PX: Final = 2  # ink is measured at this fraction of the sheet's size
_FULL_INK: Final = 60  # grey levels below the surroundings that count as full ink
_PAPER: Final = 0.22  # how far the scan is faded towards white below the marks
_HEAD_SPACES: Final = 1.0  # marks around a sign are no larger than around a head
_SEEN_SHARE: Final = 0.5  # lines with less of their ink seen are dashed
_SHIFT: Final = 4  # cv2 draws in 1/16 px


def draw_overlay(page: Page, rgb: U8) -> U8:
    """Draw what was read on the scan.

    Parameters
    ----------
    page : Page
    rgb : ndarray of uint8, shape (H, W, 3)
        The page's own upright scan.

    Returns
    -------
    ndarray of uint8, shape (h, w, 3)
        A strip of words on top, the scan with its marks below. Large scans come out
        smaller and coarse ones larger, so that a staff space has at least 24 px
        wherever possible.

    Raises
    ------
    ValueError
        If the scan is not of the page's size.
    """
    if rgb.shape != (page.height, page.width, 3) or rgb.dtype != np.uint8:
        raise ValueError(
            f"page {page.page_id} is {page.height} x {page.width} px, the scan {rgb.dtype} {rgb.shape}"
        )
    view, canvas = _prepare(page, rgb)
    ink = _ink_map(canvas, view)
    placer = LabelPlacer(ink, top=view.top, step_px=_INK_STEP_PX)
    events = staff_events(page)
    for staff in page.staves:
        _draw_lines(canvas, view, staff)
    for staff in page.staves:
        for event in events[staff.id]:
            _draw_event(canvas, view, staff, event, placer)
    for dash in letter_frames(page.marks, view):
        _stroke(canvas, list(dash), ORANGE, view.pen_px)
    labels = sign_labels(page, view, events) + staff_labels(page, view)
    return write_words(canvas, view, page, placer.place(labels))


def overlay_point(page: Page, row: float, col: float) -> tuple[float, float]:
    """Place (row, col; px) on a page's overlay of a point of the original image.

    Parameters
    ----------
    page : Page
    row, col : float
        Original px.
    """
    return view_of(page).point(row, col)


def encode_jpeg(rgb: U8, limit_bytes: int = 1_900_000) -> bytes:
    """Encode an overlay as JPEG that is not larger than it must be.

    Parameters
    ----------
    rgb : ndarray of uint8, shape (H, W, 3)
    limit_bytes : int
        Quality is lowered step by step until the file fits; the lowest step is kept
        even if it does not.

    Returns
    -------
    bytes

    Raises
    ------
    OutputError
        If the picture cannot be encoded (a side above 65,500 px).
    """
    bgr = cv2.cvtColor(rgb, cv2.COLOR_RGB2BGR)
    data = b""
    for quality in (86, 78, 70, 60, 50):
        done, coded = cv2.imencode(".jpg", bgr, [cv2.IMWRITE_JPEG_QUALITY, quality])
        if not done:
            raise OutputError(f"An overlay of {rgb.shape[1]} x {rgb.shape[0]} px cannot be written as JPEG.")
        data = coded.tobytes()
        if len(data) <= limit_bytes:
            break
    return data


# --- the sheet ------------------------------------------------------------------------


def _prepare(page: Page, rgb: U8) -> tuple[View, U8]:
    """Fade the scan, and put an empty strip on top."""
    view = view_of(page)
    scale, strip = view.scale, view.top
    size = size_of(page, scale)
    how = cv2.INTER_AREA if scale < _HALF else cv2.INTER_LINEAR if scale < 1 else cv2.INTER_CUBIC
    sheet = rgb if scale == 1.0 else cv2.resize(rgb, size, interpolation=how)
    canvas = np.full((sheet.shape[0] + strip, sheet.shape[1], 3), 255, np.uint8)
    cv2.convertScaleAbs(sheet, canvas[strip:], 1 - _PAPER, _PAPER * 255)
    return view, canvas


def _ink_map(canvas: U8, view: View) -> npt.NDArray[np.float32]:
    """How much darker than its surroundings each place is, 0..1: where no letter should go.

    At half the sheet's size (`_INK_STEP_PX`), which is still twice as fine as letters are placed.
    """
    height, width = canvas.shape[0] // _INK_STEP_PX, canvas.shape[1] // _INK_STEP_PX
    whole = canvas[: height * _INK_STEP_PX, : width * _INK_STEP_PX]
    grey = cv2.cvtColor(cv2.resize(whole, (width, height), interpolation=cv2.INTER_AREA), cv2.COLOR_RGB2GRAY)
    size = 4 * view.letter_px // _INK_STEP_PX + 1
    dark = np.minimum(cv2.subtract(cv2.blur(grey, (size, size)), grey), _FULL_INK)  # 0 where lighter
    dark[: -(-view.top // _INK_STEP_PX)] = 0
    return np.multiply(dark, 1.0 / _FULL_INK, dtype=np.float32)


def _draw_lines(canvas: U8, view: View, staff: Staff) -> None:
    for line in staff.lines:
        points = [view.point(row, col) for row, col in zip(line.rows, line.cols, strict=True)]
        if line.seen < _SEEN_SHARE:
            points = _resampled(points, step_px=10.0)
            for start in range(0, len(points) - 1, 2):
                _stroke(canvas, points[start : start + 2], SKY, 1)
        else:
            _stroke(canvas, points, SKY, 1)


def _resampled(points: list[tuple[float, float]], step_px: float) -> list[tuple[float, float]]:
    cols = [col for _, col in points]
    even = np.arange(cols[0], cols[-1], step_px)
    return list(zip(np.interp(even, cols, [row for row, _ in points]), even, strict=True))


def _stroke(
    canvas: U8, points: list[tuple[float, float]], colour: Colour, pen_px: int, closed: bool = False
) -> None:
    """Draw a fine polyline through (row, col) points."""
    fine = 1 << _SHIFT
    at = np.array([(round(col * fine), round(row * fine)) for row, col in points], np.int32)
    cv2.polylines(canvas, [at], closed, colour, pen_px, cv2.LINE_AA, _SHIFT)


# --- signs ----------------------------------------------------------------------------


def _draw_event(canvas: U8, view: View, staff: Staff, event: Event, placer: LabelPlacer) -> None:
    if is_free(event):
        _draw_free(canvas, view, event, placer)
        return
    for glyph, reading in event.signs:
        colour = BLUE if event.is_neume else GREEN
        placer.forbid(view.box(glyph.box, view.pen_px))
        reasons = reasons_to_doubt(reading)
        if "confidence" in reasons or "inferred" in reasons:
            _draw_diamond(canvas, view, glyph, VERMILLION, staff.space_px)
        elif "pitch" in reasons and event.is_neume:
            _draw_ring(canvas, view, glyph, VERMILLION, staff.space_px)
        elif event.is_neume:
            _draw_ticks(canvas, view, glyph, colour)
        if not event.is_neume:
            top, left, bottom, right = view.box(glyph.box, view.pen_px + 1)
            corners = [(top, left), (top, right), (bottom, right), (bottom, left)]
            _stroke(canvas, corners, colour, view.pen_px, closed=True)
    if event.is_neume and len(event.signs) > 1:
        _draw_bracket(canvas, view, staff, event)


def _draw_free(canvas: U8, view: View, event: Event, placer: LabelPlacer) -> None:
    """Draw a staffless sign as one thing."""
    strokes = sign_strokes(event, view)
    placer.forbid(strokes.edges)
    for points, closed in strokes.lines:
        _stroke(canvas, list(points), ORANGE, view.pen_px + 1, closed)
    if strokes.diamond:
        top, left, bottom, right = strokes.edges
        row, col, tall, wide = (top + bottom) / 2, (left + right) / 2, bottom - top, right - left
        tall, wide = 0.75 * tall + 3, 0.75 * wide + 3
        corners = [(row - tall, col), (row, col + wide), (row + tall, col), (row, col - wide)]
        _stroke(canvas, corners, VERMILLION, view.pen_px, closed=True)


def _draw_ticks(canvas: U8, view: View, glyph: Glyph, colour: Colour) -> None:
    """Mark two opposite corners, outside the ink."""
    top, left, bottom, right = view.box(glyph.box, 1.0 + view.pen_px)
    arm = 0.3 * min(bottom - top, right - left)
    _stroke(canvas, [(top + arm, left), (top, left), (top, left + arm)], colour, view.pen_px)
    _stroke(canvas, [(bottom - arm, right), (bottom, right), (bottom, right - arm)], colour, view.pen_px)


def _draw_diamond(canvas: U8, view: View, glyph: Glyph, colour: Colour, space_px: float) -> None:
    row, col, tall, wide = _head(view, glyph, space_px)
    tall, wide = 1.7 * tall + 3, 1.7 * wide + 3
    corners = [(row - tall, col), (row, col + wide), (row + tall, col), (row, col - wide)]
    _stroke(canvas, corners, colour, view.pen_px + 1, closed=True)


def _draw_ring(canvas: U8, view: View, glyph: Glyph, colour: Colour, space_px: float) -> None:
    row, col, tall, wide = _head(view, glyph, space_px)
    angle = np.linspace(0, 2 * np.pi, 24, endpoint=False)
    rows = row + (1.3 * tall + 2) * np.sin(angle)
    cols = col + (1.3 * wide + 2) * np.cos(angle)
    _stroke(canvas, list(zip(rows, cols, strict=True)), colour, view.pen_px, closed=True)


def _head(view: View, glyph: Glyph, space_px: float) -> tuple[float, float, float, float]:
    """Middle (row, col) and half height and width of what marks a sign's place; overlay px.

    Of a sign larger than a head, such as a clef or a virga with its stem, that is the point by
    which it is read, with the size of a head.
    """
    top, left, bottom, right = view.box(glyph.box)
    row, col = (top + bottom) / 2, (left + right) / 2
    most = _HEAD_SPACES * space_px * view.scale / 2
    point = view.point(glyph.row, glyph.col)
    tall, wide = (bottom - top) / 2, (right - left) / 2
    return (
        row if tall <= most else point[0],
        col if wide <= most else point[1],
        min(tall, most),
        min(wide, most),
    )


def _draw_bracket(canvas: U8, view: View, staff: Staff, event: Event) -> None:
    """Hold the heads of a neume together from below."""
    edges = [view.box(glyph.box) for glyph, _ in event.signs]
    row = max(bottom for _, _, bottom, _ in edges) + 0.22 * staff.space_px * view.scale
    left = min(edge[1] for edge in edges)
    right = max(edge[3] for edge in edges)
    arm = 0.16 * staff.space_px * view.scale
    points = [(row - arm, left), (row, left), (row, right), (row - arm, right)]
    _stroke(canvas, points, PURPLE, view.pen_px + 1)
