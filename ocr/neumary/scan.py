"""A picture file to upright RGB pages.

The header is judged before a pixel is decoded, and a file that ends too early is an
error: half a page in grey must never be read as if the rest of the leaf were blank.
Nothing here looks at the suffix; the first bytes say what a file is.
"""

from __future__ import annotations

import hashlib
import io
import re
import warnings
import zlib
from collections.abc import Iterator
from contextlib import contextmanager
from dataclasses import dataclass
from pathlib import Path
from typing import TYPE_CHECKING, Final

from neumary.decode import decode_image
from neumary.errors import ScanError

if TYPE_CHECKING:
    from PIL import Image

    from neumary.types import Scan

LIMIT_MEGAPIXELS: Final = 200.0
"""Largest picture accepted by default. A folio scan at 600 dpi has about 80 megapixels."""

SMALLEST_SIDE_PX: Final = 16
"""A staff cannot be drawn in fewer rows or columns than this."""

_JPEG2000_BOX: Final = b"\x00\x00\x00\x0cjP  \r\n\x87\n"
_PNG: Final = b"\x89PNG\r\n\x1a\n"
_MAGIC: Final[tuple[tuple[bytes, str], ...]] = (
    (b"\xff\xd8\xff", "JPEG"),
    (_PNG, "PNG"),
    (b"II*\x00", "TIFF"),
    (b"MM\x00*", "TIFF"),
    (b"II+\x00", "TIFF"),  # BigTIFF
    (b"MM\x00+", "TIFF"),
    (_JPEG2000_BOX, "JPEG 2000"),
    (b"\xff\x4f\xff\x51", "JPEG 2000"),  # bare codestream
    (b"%PDF", "PDF"),
)
_KINDS: Final = "JPEG, PNG, TIFF, WebP or JPEG 2000"
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
    """

    source: Path
    frame: int
    page_id: str


def read_bytes(path: Path) -> bytes:
    """Bytes of a file, or a `ScanError` that says why there are none."""
    try:
        data = path.read_bytes()
    except FileNotFoundError:
        raise ScanError(f"{path} does not exist.", "Check the name, and quote it if it has spaces.") from None
    except IsADirectoryError:
        raise ScanError(f"{path} is a folder, not a picture.", "Give the pictures in it.") from None
    except PermissionError:
        raise ScanError(f"{path} may not be opened by you.", "Ask for the right to read it.") from None
    except OSError as error:
        raise ScanError(f"{path} cannot be read: {error.strerror}.", "Check the disk or the share.") from None
    if not data:
        raise ScanError(f"{path} is empty (0 bytes).", "Copy or photograph it again.")
    return data


def sniff(head: bytes) -> str:
    """Kind of picture by its first bytes; "" when it is none we know."""
    for magic, kind in _MAGIC:
        if head.startswith(magic):
            return kind
    if head[:4] == b"RIFF" and head[8:12] == b"WEBP":
        return "WebP"
    return ""


def find_pages(path: Path) -> list[PageRef]:
    """List the pages of a file without decoding them.

    Only TIFF holds several pages; its reduced copies and masks are no pages.

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
    kind = _kind_of(path)
    if kind != "TIFF":
        return [PageRef(path, 0, path.stem)]
    with _opened(path, path) as (image, _):
        frames = [i for i in range(getattr(image, "n_frames", 1)) if _is_page(image, i)]
    if len(frames) <= 1:
        return [PageRef(path, frame, path.stem) for frame in frames or [0]]
    return [PageRef(path, frame, f"{path.stem}-p{n:04d}") for n, frame in enumerate(frames, 1)]


def read_scans(path: Path, *, limit_megapixels: float = LIMIT_MEGAPIXELS) -> Iterator[Scan]:
    """All pages of a picture file, one after the other."""
    for ref in find_pages(path):
        yield load_scan(ref, limit_megapixels=limit_megapixels)


def load_scan(ref: PageRef, *, sha256: str = "", limit_megapixels: float = LIMIT_MEGAPIXELS) -> Scan:
    """Decode one page.

    EXIF and TIFF rotation is obeyed, transparency is laid on white, 16-bit values are
    brought to 8 bits, CMYK goes through its colour profile where it has one.

    Parameters
    ----------
    ref : PageRef
        Which page of which file.
    sha256 : str
        Hash of the file where it is known already: a TIFF of many pages is then not
        read from end to end for each of them.
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
    kind = _kind_of(path)
    data = b"" if kind == "TIFF" and sha256 else read_bytes(path)
    _refuse_cut_short(path, kind, data)
    with _opened(io.BytesIO(data) if data else path, path) as (image, caught):
        if ref.frame:
            _seek(image, ref.frame, path)
        _refuse_size(image.size, path, limit_megapixels)
        raw_dpi = image.info.get("dpi")
        rgb, notes = decode_image(image, kind, data, path)
    repairs = [_repair(str(item.message), path) for item in caught]
    return Scan(
        page_id=ref.page_id,
        rgb=rgb,
        source=str(path),
        sha256=hashlib.sha256(data).hexdigest() if data else sha256,
        dpi=_dpi(raw_dpi),
        repairs=tuple(dict.fromkeys(repairs + notes)),
    )


# --- refusing -----------------------------------------------------------------------


def _kind_of(path: Path) -> str:
    try:
        with path.open("rb") as file:
            head = file.read(4096)
    except OSError:
        head = read_bytes(path)  # says what is wrong
    kind = sniff(head)
    _refuse_other_kinds(path, kind, head)
    return kind


def _refuse_other_kinds(path: Path, kind: str, head: bytes) -> None:
    if kind == "PDF":
        raise ScanError(f"{path} is a PDF; PDF is not supported yet.", "Give its pages as pictures.")
    if kind:
        return
    if not head:
        raise ScanError(f"{path} is empty (0 bytes).", "Copy or photograph it again.")
    if b"iiif.io/api/presentation" in head[:4096]:
        raise ScanError(f"{path} is a IIIF manifest; IIIF is not supported yet.", "Download the pictures.")
    looks = "text" if _is_text(head[:512]) else "no known picture format"
    raise ScanError(f"{path} is not a picture: its content is {looks}.", f"Give a {_KINDS} file.")


def _is_text(head: bytes) -> bool:
    try:
        return head.decode("utf-8", errors="strict").isprintable() or (b"\n" in head and b"\x00" not in head)
    except UnicodeDecodeError:
        return False


def _refuse_cut_short(path: Path, kind: str, data: bytes) -> None:
    if kind == "JPEG" and _jpeg_end(data) is None:
        raise ScanError(f"{path} is cut short: the JPEG has no end marker.", "Copy it again.")
    if kind == "PNG":
        fault = _png_fault(data)
        if fault:
            raise ScanError(f"{path} is damaged: {fault}.", "Copy it again.")


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


_JPEG_MARKER = re.compile(rb"\xff[^\x00\xff\xd0-\xd7]")


def _jpeg_end(data: bytes) -> int | None:
    """Offset of the end-of-image marker of the outer JPEG stream (ITU-T T.81, annex B).

    The segments are walked: an EXIF thumbnail has an end marker of its own.
    """
    at = 2
    while True:
        found = _JPEG_MARKER.search(data, at)
        if found is None:
            return None
        at = found.start()
        marker = data[at + 1]
        if marker == 0xD9:
            return at
        if marker == 0x01:
            at += 2
            continue
        if at + 4 > len(data):
            return None
        at += 2 + int.from_bytes(data[at + 2 : at + 4], "big")


def _png_fault(data: bytes) -> str:
    """What is wrong with the chunks of a PNG (ISO/IEC 15948, 5.3); "" when nothing is."""
    at = len(_PNG)
    while at + 12 <= len(data):
        length = int.from_bytes(data[at : at + 4], "big")
        end = at + 8 + length
        if end + 4 > len(data):
            return "the PNG is cut short"
        if zlib.crc32(data[at + 4 : end]) != int.from_bytes(data[end : end + 4], "big"):
            return "a checksum inside the PNG does not agree"
        if data[at + 4 : at + 8] == b"IEND":
            return ""
        at = end + 4
    return "the PNG is cut short"


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
    if "truncated" in line.lower():
        raise ScanError(f"{path} is cut short: {line}.", "Copy it again.")
    return f"the decoder reported: {line}"
