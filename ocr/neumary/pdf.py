"""Pages of a PDF as pictures, at the resolution they were scanned in.

A scanned book in a PDF is one picture a page; that picture is taken out as it is. Only a
page made of several pieces, or turned by a crooked matrix, is drawn anew, at the density
of its largest piece.
"""

from __future__ import annotations

from collections.abc import Iterator
from contextlib import contextmanager
from dataclasses import dataclass
from pathlib import Path
from typing import TYPE_CHECKING, Any, Final

from neumary.errors import ScanError

if TYPE_CHECKING:
    import pypdfium2

    from neumary.types import U8

POINTS_PER_INCH: Final = 72.0  # PDF 1.7, 8.3.2.3: default user space
BORN_DIGITAL_DPI: Final = 300.0
"""Density at which a page without any picture is drawn."""

_WHOLE_PAGE: Final = 0.5  # a picture on more than this share of the page is the page
_CROOKED: Final = 1e-3  # share of its length by which an edge may leave the horizontal


@dataclass(frozen=True, slots=True)
class PdfPicture:
    """One page of a PDF.

    Attributes
    ----------
    jpeg : bytes
        The embedded JPEG itself, where that is what the page shows; else b"".
    rgb : ndarray of uint8, shape (H, W, 3), or None
        Pixels, where there is no `jpeg`.
    quarter_turns : int
        Clockwise turns that set `jpeg` upright.
    dpi : float or None
    notes : tuple of str
        What a reader should know.
    """

    jpeg: bytes = b""
    rgb: U8 | None = None
    quarter_turns: int = 0
    dpi: float | None = None
    notes: tuple[str, ...] = ()


@dataclass(frozen=True, slots=True)
class _Placed:
    """A picture on a page: where its edges lie (points) and what it measures (px)."""

    item: Any
    along: tuple[float, float]
    up: tuple[float, float]
    size_px: tuple[int, int]

    @property
    def area(self) -> float:
        """Square points."""
        return abs(self.along[0] * self.up[1] - self.along[1] * self.up[0])

    @property
    def upright(self) -> bool:
        """Neither mirrored nor turned nor crooked."""
        (a, b), (c, d) = self.along, self.up
        return a > 0 and d > 0 and abs(b) < _CROOKED * a and abs(c) < _CROOKED * d

    @property
    def px_per_point(self) -> float:
        """Density along its rows."""
        length = (self.along[0] ** 2 + self.along[1] ** 2) ** 0.5
        return self.size_px[0] / length if length > 0 else 0.0


def count_pages(path: Path) -> int:
    """Pages of a PDF.

    Raises
    ------
    ScanError
        If it has none, is locked or damaged.
    """
    with _opened(path) as document:
        pages = len(document)
    if pages == 0:
        raise ScanError(f"{path} is a PDF without pages.", "Check where it came from.")
    return pages


def load_picture(path: Path, page_index: int, limit_megapixels: float) -> PdfPicture:
    """Take the picture out of a page.

    Parameters
    ----------
    path : Path
    page_index : int
        0-based.
    limit_megapixels : float
        Larger pictures are refused before they are decoded.

    Returns
    -------
    PdfPicture

    Raises
    ------
    ScanError
    """
    with _opened(path) as document:
        if page_index >= len(document):
            raise ScanError(f"{path} has no page number {page_index + 1}.", "Copy it again.")
        page = document[page_index]
        pieces = sorted(_pictures(page), key=lambda piece: -piece.area)
        whole = bool(pieces) and pieces[0].area >= _WHOLE_PAGE * page.get_width() * page.get_height()
        alone = whole and all(piece.area < 0.02 * pieces[0].area for piece in pieces[1:])
        if alone and pieces[0].upright:
            _refuse_size(pieces[0].size_px, path, page_index, limit_megapixels)
            return _taken_out(pieces[0], page.get_rotation() // 90)
        return _drawn(page, pieces, path, page_index, limit_megapixels)


@contextmanager
def _opened(path: Path) -> Iterator[pypdfium2.PdfDocument]:
    import pypdfium2

    try:
        document = pypdfium2.PdfDocument(path)
    except pypdfium2.PdfiumError as error:
        if "password" in str(error).lower():
            raise ScanError(f"{path} is a PDF locked with a password.", "Save it without one.") from None
        raise ScanError(
            f"{path} is damaged or has no pages.", "Open it in a viewer, or copy it again."
        ) from None
    except OSError as error:
        raise ScanError(f"{path} cannot be read: {error.strerror}.", "Check the disk or the share.") from None
    try:
        yield document
    except pypdfium2.PdfiumError as error:
        said = " ".join(str(error).split()).rstrip(".")
        raise ScanError(f"{path} is damaged: {said}.", "Copy it again.") from None
    finally:
        document.close()


def _pictures(page: Any) -> Iterator[_Placed]:
    import pypdfium2.raw as pdfium

    for item in page.get_objects(filter=[pdfium.FPDF_PAGEOBJ_IMAGE]):
        a, b, c, d, _, _ = item.get_matrix().get()
        width, height = item.get_px_size()
        if width and height:
            yield _Placed(item, (a, b), (c, d), (width, height))


def _taken_out(piece: _Placed, quarter_turns: int) -> PdfPicture:
    import numpy as np

    dpi = piece.px_per_point * POINTS_PER_INCH
    if list(piece.item.get_filters()) == ["DCTDecode"]:
        jpeg = bytes(piece.item.get_data())
        if _components(jpeg) in (1, 3):
            return PdfPicture(jpeg, None, quarter_turns, dpi)
    pixels = piece.item.get_bitmap(render=False)
    rgb = np.rot90(_rgb(pixels), -quarter_turns)
    return PdfPicture(b"", rgb, 0, dpi)


def _components(jpeg: bytes) -> int:
    """Colour components by the frame header (ITU-T T.81, B.2.2); 0 where there is none.

    Four are printing inks, whose polarity the PDF states elsewhere; they are left to it.
    """
    at = 2
    while at + 10 <= len(jpeg) and jpeg[at] == 0xFF:
        marker = jpeg[at + 1]
        if 0xC0 <= marker <= 0xCF and marker not in (0xC4, 0xC8, 0xCC):
            return jpeg[at + 9]
        at += 2 + int.from_bytes(jpeg[at + 2 : at + 4], "big")
    return 0


def _drawn(page: Any, pieces: list[_Placed], path: Path, index: int, limit_megapixels: float) -> PdfPicture:
    scale = max((piece.px_per_point for piece in pieces), default=0.0)
    note = "a PDF page of several pieces: drawn anew at the density of its sharpest one"
    if not pieces or scale <= 0:
        scale = BORN_DIGITAL_DPI / POINTS_PER_INCH
        note = f"a PDF page without a photograph: drawn at {BORN_DIGITAL_DPI:.0f} dots per inch"
    size = round(page.get_width() * scale), round(page.get_height() * scale)
    _refuse_size(size, path, index, limit_megapixels)
    return PdfPicture(b"", _rgb(page.render(scale=scale)), 0, scale * POINTS_PER_INCH, (note,))


def _refuse_size(size: tuple[int, int], path: Path, index: int, limit_megapixels: float) -> None:
    megapixels = size[0] * size[1] / 1e6
    if megapixels > limit_megapixels:
        raise ScanError(
            f"{path}, page {index + 1}, has {size[0]} x {size[1]} pixels ({megapixels:.0f} megapixels), over "
            f"the limit of {limit_megapixels:g}.",
            "Scale it down, or raise the limit with --megapixels.",
        )


def _rgb(bitmap: Any) -> U8:
    """Pixels of a PDFium bitmap; transparency has been laid on white by then."""
    import numpy as np

    pixels = np.asarray(bitmap.to_pil().convert("RGB"), dtype=np.uint8).copy()
    bitmap.close()
    return pixels
