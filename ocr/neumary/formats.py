"""What kind of file this is, and whether it is whole, by its bytes alone; nothing is decoded here.

The suffix never counts. A file that ends too early is an error: half a page in grey must
never be read as if the rest of the leaf were blank.
"""

from __future__ import annotations

import re
import stat
import zlib
from pathlib import Path
from typing import Final

from neumary.errors import ScanError

_JPEG2000_BOX: Final = b"\x00\x00\x00\x0cjP  \r\n\x87\n"
_PNG: Final = b"\x89PNG\r\n\x1a\n"
_MAGIC: Final[tuple[tuple[bytes, str], ...]] = (
    (b"\xff\xd8\xff", "JPEG"),
    (_PNG, "PNG"),
    (b"II*\x00", "TIFF"),
    (b"MM\x00*", "TIFF"),
    (b"II+\x00", "TIFF"),  # BigTIFF
    (_JPEG2000_BOX, "JPEG 2000"),
    (b"\xff\x4f\xff\x51", "JPEG 2000"),  # bare codestream
)
_KINDS: Final = "JPEG, PNG, TIFF, WebP, JPEG 2000 or PDF"
_PDF_HEAD: Final = 1024  # bytes within which a PDF says that it is one, and that it ends (PDF 1.7, app. H)


def shown(path: Path) -> str:
    """A path as text that can be stored anywhere; bytes that are no UTF-8 become escapes."""
    return str(path).encode("utf-8", "surrogateescape").decode("utf-8", "backslashreplace")


def read_bytes(path: Path) -> bytes:
    """Bytes of a file, or a `ScanError` that says why there are none."""
    try:
        _refuse_devices(path)
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
        raise _empty(path)
    return data


def sniff(head: bytes) -> str:
    """Kind of picture by its first bytes; "" when it is none we know."""
    for magic, kind in _MAGIC:
        if head.startswith(magic):
            return kind
    if head[:4] == b"RIFF" and head[8:12] == b"WEBP":
        return "WebP"
    return "PDF" if b"%PDF-" in head[:_PDF_HEAD] else ""


def kind_of(path: Path) -> str:
    """Kind of a file.

    Returns
    -------
    str
        "JPEG", "PNG", "TIFF", "WebP", "JPEG 2000" or "PDF".

    Raises
    ------
    ScanError
        If the file cannot be opened or is of no kind we read.
    """
    try:
        _refuse_devices(path)
        with path.open("rb") as file:
            head = file.read(4096)
    except OSError:
        head = read_bytes(path)  # says what is wrong
    kind = sniff(head)
    if kind:
        return kind
    if not head:
        raise _empty(path)
    if head.startswith(b"MM\x00+"):  # Pillow 12 knows only the other byte order
        raise ScanError(f"{path} is a BigTIFF in big-endian order, which is not read.", "Save it as TIFF.")
    looks = "text" if is_text(head[:512]) else "no known picture format"
    raise ScanError(f"{path} is not a picture: its content is {looks}.", f"Give a {_KINDS} file.")


def _refuse_devices(path: Path) -> None:
    """A named pipe would keep its reader waiting for ever."""
    mode = path.stat().st_mode
    if not stat.S_ISREG(mode) and not stat.S_ISDIR(mode):
        raise ScanError(f"{path} is a pipe or a device, not a file.", "Give a picture file.")


def _empty(path: Path) -> ScanError:
    return ScanError(f"{path} is empty (0 bytes).", "Copy or photograph it again.")


def is_text(head: bytes) -> bool:
    """Whether bytes look like something a person could read."""
    try:
        return head.decode("utf-8", errors="strict").isprintable() or (b"\n" in head and b"\x00" not in head)
    except UnicodeDecodeError:
        return False


def refuse_cut_short(path: Path, kind: str, data: bytes) -> None:
    """Refuse a JPEG or PNG without its end, and a PNG whose checksums do not agree.

    Parameters
    ----------
    path : Path
        For the message.
    kind : str
        From `kind_of`; other kinds are judged by their decoders.
    data : bytes
        The whole file.

    Raises
    ------
    ScanError
    """
    if kind == "JPEG" and _jpeg_end(data) is None:
        raise ScanError(f"{path} is cut short: the JPEG has no end marker.", "Copy it again.")
    if kind == "PNG":
        fault = _png_fault(data)
        if fault:
            raise ScanError(f"{path} is damaged: {fault}.", "Copy it again.")


def refuse_cut_pdf(path: Path) -> None:
    """Refuse a PDF without its end mark: the decoder would mend it, and lose pages without a word.

    Raises
    ------
    ScanError
    """
    with path.open("rb") as file:
        size = file.seek(0, 2)
        file.seek(max(0, size - _PDF_HEAD))
        if b"%%EOF" not in file.read():
            raise ScanError(f"{path} is cut short: the PDF has no end mark.", "Copy it again.")


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
