"""A picture file to upright RGB pages.

The header is judged before a pixel is decoded, and a file that ends too early is an
error (see `neumary.formats`). What the decoders mended or complained about is kept.
"""

from __future__ import annotations

import hashlib
import io
import warnings
from collections.abc import Iterator
from contextlib import contextmanager
from dataclasses import dataclass
from pathlib import Path
from typing import TYPE_CHECKING, Final

from neumary.decode import decode_image, hearing, set_upright
from neumary.errors import ScanError
from neumary.formats import kind_of, read_bytes, refuse_cut_pdf, refuse_cut_short, shown

if TYPE_CHECKING:
    from PIL import Image

    from neumary.types import U8, Scan

LIMIT_MEGAPIXELS: Final = 200.0
"""Largest picture accepted by default. A folio scan at 600 dpi has about 80 megapixels."""

SMALLEST_SIDE_PX: Final = 16
"""A staff cannot be drawn in fewer rows or columns than this."""

_TIFF_SUBFILE: Final = 254  # NewSubfileType, TIFF 6.0 p. 36
_REDUCED_OR_MASK: Final = 1 | 4


@dataclass(frozen=True, slots=True)
class PageRef:
    """One page of one file, before it is decoded.

    Attributes
    ----------
    source : Path
        The file, as the user gave it.
    frame : int
        0-based index of the picture inside the file.
    page_id : str
        File stem, plus ``-pNNNN`` (counted from 1) for files of several pages.
    url : str
        Address it is fetched from first, for pages of a IIIF manifest; else "".
    """

    source: Path
    frame: int
    page_id: str
    url: str = ""

    @property
    def origin(self) -> str:
        """Where the page comes from, for good: its address, or its file's absolute path."""
        return self.url or shown(self.source.absolute())


def numbered_id(stem: str, number: int) -> str:
    """Page id within a source of several pages; counted from 1."""
    return f"{stem}-p{number:04d}"


def find_pages(path: Path) -> list[PageRef]:
    """List the pages of a file without decoding them.

    TIFF and PDF hold several; reduced copies and masks in a TIFF are no pages.

    Parameters
    ----------
    path : Path
        A picture file.

    Returns
    -------
    list of PageRef
        At least one.

    Raises
    ------
    ScanError
        If the file cannot be opened or is no picture.
    """
    frames = _frames(path)
    if len(frames) == 1:
        return [PageRef(path, frames[0], path.stem)]
    return [PageRef(path, frame, numbered_id(path.stem, n)) for n, frame in enumerate(frames, 1)]


def _frames(path: Path) -> list[int]:
    kind = kind_of(path)
    if kind == "PDF":
        from neumary.pdf import count_pages

        refuse_cut_pdf(path)
        return list(range(count_pages(path)))
    if kind != "TIFF":
        return [0]
    with _opened(path, path) as (image, _):
        return [i for i in range(getattr(image, "n_frames", 1)) if _is_page(image, i)] or [0]


def read_scans(path: Path, *, limit_megapixels: float = LIMIT_MEGAPIXELS) -> Iterator[Scan]:
    """All pages of a picture file, one after the other."""
    for ref in find_pages(path):
        yield load_scan(ref, limit_megapixels=limit_megapixels)


def load_scan(ref: PageRef, *, sha256: str = "", limit_megapixels: float = LIMIT_MEGAPIXELS) -> Scan:
    """Decode one page.

    EXIF and TIFF rotation is obeyed, transparency is laid on white, 16-bit values are
    brought to 8 bits, CMYK and Lab go through a colour profile.

    Parameters
    ----------
    ref : PageRef
        Which page of which file.
    sha256 : str
        Hash of the file where it is known already: a TIFF or PDF of many pages is then
        not read from end to end for each of them.
    limit_megapixels : float
        Larger pictures are refused before they are decoded.

    Returns
    -------
    Scan
        Upright, RGB uint8.

    Raises
    ------
    ScanError
        If the file is missing, damaged, cut short, too large, too small or no picture.
    """
    from neumary.types import Scan

    path = ref.source
    kind = kind_of(path)
    data = b"" if kind in ("TIFF", "PDF") and sha256 else read_bytes(path)
    refuse_cut_short(path, kind, data)
    with hearing() as heard:
        if kind == "PDF":
            rgb, dpi, notes = _pdf_page(ref, limit_megapixels)
        else:
            rgb, dpi, notes = _picture(ref, kind, data, limit_megapixels)
    notes += [_repair(message, path) for message in heard]
    return Scan(
        page_id=ref.page_id,
        rgb=rgb,
        source=shown(path),
        sha256=hashlib.sha256(data).hexdigest() if data else sha256,
        dpi=dpi,
        repairs=tuple(dict.fromkeys(notes)),
    )


def _picture(
    ref: PageRef, kind: str, data: bytes, limit_megapixels: float
) -> tuple[U8, float | None, list[str]]:
    """Pixels, dots per inch and notes of a page of any picture file but PDF."""
    path = ref.source
    with _opened(io.BytesIO(data) if data else path, path) as (image, caught):
        if ref.frame:
            _seek(image, ref.frame, path)
        _refuse_size(image.size, path, limit_megapixels)
        dpi = _dpi(image.info.get("dpi"))
        rgb, notes = decode_image(image, kind, data, path)
    return rgb, dpi, notes + [_repair(str(item.message), path) for item in caught]


def _pdf_page(ref: PageRef, limit_megapixels: float) -> tuple[U8, float | None, list[str]]:
    from neumary.pdf import load_picture

    picture = load_picture(ref.source, ref.frame, limit_megapixels)
    if picture.rgb is not None:
        height, width, _ = picture.rgb.shape
        _refuse_size((width, height), ref.source, limit_megapixels)
        return picture.rgb, picture.dpi, list(picture.notes)
    refuse_cut_short(ref.source, "JPEG", picture.jpeg)
    rgb, _, notes = _picture(PageRef(ref.source, 0, ""), "JPEG", picture.jpeg, limit_megapixels)
    return set_upright(rgb, picture.quarter_turns), picture.dpi, [*picture.notes, *notes]


# --- refusing -----------------------------------------------------------------------


def _refuse_size(size: tuple[int, int], path: Path, limit_megapixels: float) -> None:
    width, height = size
    megapixels = width * height / 1e6
    if megapixels > limit_megapixels:
        raise ScanError(
            f"{path} has {width} x {height} pixels ({megapixels:.0f} megapixels), over the limit of "
            f"{limit_megapixels:g}.",
            "Scale it down, or raise the limit with --megapixels.",
        )
    if min(width, height) < SMALLEST_SIDE_PX:
        raise ScanError(f"{path} has only {width} x {height} pixels.", "Give the picture of a whole page.")


# --- opening ------------------------------------------------------------------------


@contextmanager
def _opened(
    file: Path | io.BytesIO, path: Path
) -> Iterator[tuple[Image.Image, list[warnings.WarningMessage]]]:
    """A Pillow image with its header read, and what Pillow has to say about it.

    Pillow's own pixel limit gives way to ours.
    """
    from PIL import Image, UnidentifiedImageError

    before = Image.MAX_IMAGE_PIXELS
    Image.MAX_IMAGE_PIXELS = None
    try:
        with warnings.catch_warnings(record=True) as caught:
            warnings.simplefilter("always")
            with Image.open(file) as image:
                yield image, caught
    except ScanError:
        raise
    except UnidentifiedImageError:
        raise ScanError(f"{path} is damaged: its header makes no sense.", "Copy it again.") from None
    except MemoryError:
        raise ScanError(f"{path} does not fit into memory.", "Scale it down.") from None
    except Exception as error:  # Pillow and its codecs raise almost anything on damaged files
        why = " ".join(str(error).split()).rstrip(".") or type(error).__name__
        raise ScanError(f"{path} is damaged: {why}.", "Copy it again.") from error
    finally:
        Image.MAX_IMAGE_PIXELS = before


def _is_page(image: Image.Image, frame: int) -> bool:
    image.seek(frame)
    tags = getattr(image, "tag_v2", {})
    return not int(tags.get(_TIFF_SUBFILE, 0)) & _REDUCED_OR_MASK


def _seek(image: Image.Image, frame: int, path: Path) -> None:
    try:
        image.seek(frame)
    except EOFError:
        raise ScanError(f"{path} has no picture number {frame + 1}.", "Copy it again.") from None


def _dpi(value: object) -> float | None:
    if not isinstance(value, tuple) or len(value) != 2:
        return None
    dpi = float(value[1])
    return dpi if 1 < dpi < 100_000 else None


def _repair(message: str, path: Path) -> str:
    """Turn a decoder's warning into one line; a file it read short is refused after all."""
    line = " ".join(message.split()).rstrip(".")
    if "truncated" in line.lower() or "premature end of jpeg" in line.lower():
        raise ScanError(f"{path} is cut short: {line}.", "Copy it again.")
    return f"the decoder reported: {line}"
