"""Pixels of an opened picture to upright RGB uint8, whatever depth and colours it has."""

from __future__ import annotations

import io
import os
import re
import sys
import tempfile
from collections.abc import Iterator
from contextlib import contextmanager
from pathlib import Path
from typing import IO, TYPE_CHECKING, Final

from neumary.errors import ScanError

if TYPE_CHECKING:
    from PIL import Image

    from neumary.types import U8

_MODES: Final = frozenset({"L", "RGB", "1", "P", "CMYK", "YCbCr", "LAB", "LA", "RGBA", "PA"})

# What libjpeg (jerror.h) and libtiff's decompressors say of damaged pixels.
_COMPLAINT = re.compile(
    r"Corrupt JPEG|Premature end|Invalid SOS|Inconsistent progression|"
    r"^tempfile\.tif: |"  # the name under which Pillow shows libtiff its bytes
    r"^(Fax|JPEG|JPEGLib|LZW|OJPEG|PackBits|ZIP|PixarLog|ThunderDecode|TIFFFill|TIFFRead)\w*: (?!Warning)"
)
_CHATTER = re.compile(r"^(libpng|TIFF\w*|\w*JPEG\w*|Warning)\b.*[: ]")  # words about headers only
_COMPLAINTS_KEPT: Final = 5


@contextmanager
def hearing() -> Iterator[list[str]]:
    """Hear what decoders written in C print on standard error about damaged pixels.

    OpenCV reads a JPEG with a hole in it without an error; libjpeg's line on standard
    error is the only sign. Lines of other origin are passed on.

    Yields
    ------
    list of str
        Complaints, each once; filled when the context ends.
    """
    heard: list[str] = []
    try:
        terminal = os.dup(2)
    except OSError:  # no standard error at all
        yield heard
        return
    with _scratch_file() as file:
        sys.stderr.flush()
        os.dup2(file.fileno(), 2)
        try:
            yield heard
        finally:
            sys.stderr.flush()
            os.dup2(terminal, 2)
            os.close(terminal)
            file.seek(0)
            _sort_out(file.read(100_000).decode("utf-8", "replace"), heard)


def _scratch_file() -> IO[bytes]:
    """In memory where the system has such files: a full disk must not stop reading."""
    if hasattr(os, "memfd_create"):
        return os.fdopen(os.memfd_create("heard"), "w+b")
    return tempfile.TemporaryFile()


def _sort_out(text: str, heard: list[str]) -> None:
    for line in text.splitlines(keepends=True):
        said = line.strip()
        if _COMPLAINT.search(said):
            if said not in heard and len(heard) < _COMPLAINTS_KEPT:
                heard.append(said)
        elif said and not _CHATTER.search(said):
            os.write(2, line.encode())


def decode_image(image: Image.Image, kind: str, data: bytes, path: Path) -> tuple[U8, list[str]]:
    """Decode an opened image to upright RGB.

    Parameters
    ----------
    image : PIL.Image.Image
        Header read, turned to the page wanted.
    kind : str
        From `neumary.scan.sniff`.
    data : bytes
        The file's content, where it has been read; needed for JPEG and PNG.
    path : Path
        For error messages.

    Returns
    -------
    rgb : ndarray of uint8, shape (H, W, 3)
    notes : list of str
        What had to be mended.

    Raises
    ------
    ScanError
        If the pixels cannot be had.
    """
    import numpy as np
    from PIL import ImageOps

    deep = image.mode.startswith("I") or image.mode == "F"
    if image.mode in ("L", "RGB") and kind in ("JPEG", "PNG"):
        return _turn(_decode_fast(data, path), int(image.getexif().get(0x0112, 1))), []
    image.load()
    upright = ImageOps.exif_transpose(image)
    if deep:
        grey, notes = _to_8_bits(np.asarray(upright), path)
        return np.repeat(grey[:, :, None], 3, axis=2), notes
    if upright.mode not in _MODES:
        raise ScanError(
            f"{path} stores colours as {upright.mode}, which is not supported.", "Save it as RGB."
        )
    return np.asarray(_to_rgb(upright)), []


def _decode_fast(data: bytes, path: Path) -> U8:
    """Decode 8-bit JPEG or PNG with OpenCV, whose libjpeg-turbo build is the quickest at hand."""
    import cv2
    import numpy as np

    flags = cv2.IMREAD_COLOR_RGB | cv2.IMREAD_IGNORE_ORIENTATION
    rgb = cv2.imdecode(np.frombuffer(data, np.uint8), flags)
    if rgb is None:
        raise ScanError(f"{path} is damaged: it cannot be decoded.", "Copy it again.")
    return np.asarray(rgb, dtype=np.uint8)


def _turn(rgb: U8, orientation: int) -> U8:
    """Set an image upright by its EXIF orientation, 1..8 (EXIF 2.32, tag 0x0112)."""
    if orientation in (2, 5, 7, 4):
        rgb = rgb[:, ::-1]
    quarter_turns = {3: 2, 4: 2, 5: 1, 6: 3, 7: 3, 8: 1}.get(orientation, 0)
    return set_upright(rgb, -quarter_turns)


def set_upright(rgb: U8, quarter_turns: int) -> U8:
    """Turn an image clockwise by quarters."""
    if quarter_turns % 4:
        import numpy as np

        rgb = np.rot90(rgb, -quarter_turns)
    return rgb


def _to_8_bits(values: object, path: Path) -> tuple[U8, list[str]]:
    """Grey values of more than 8 bits to uint8; 12-bit data in a 16-bit file is stretched, and said so."""
    import numpy as np

    grey = np.asarray(values)
    if grey.ndim != 2 or not np.issubdtype(grey.dtype, np.integer):
        raise ScanError(f"{path} stores decimal grey values, which is not supported.", "Save it in 8 bits.")
    top = int(grey.max(initial=0))
    if top > 65535 or int(grey.min(initial=0)) < 0:
        raise ScanError(f"{path} stores grey values outside 0..65535.", "Save it in 8 or 16 bits.")
    if 255 < top < 4096:
        stretched = grey.astype(np.uint32) * 255 // 4095
        return stretched.astype(np.uint8), [f"16-bit file whose values end at {top}: read as 12-bit"]
    return (grey.astype(np.uint32) // 257).astype(np.uint8), []


def _to_rgb(image: Image.Image) -> Image.Image:
    from PIL import Image

    if image.mode in ("CMYK", "LAB"):
        return _through_profile(image)
    if "transparency" in image.info or image.mode in ("LA", "PA", "RGBA"):
        layer = image.convert("RGBA")
        white = Image.new("RGBA", layer.size, (255, 255, 255, 255))
        return Image.alpha_composite(white, layer).convert("RGB")
    return image.convert("RGB")


def _through_profile(image: Image.Image) -> Image.Image:
    """CMYK or CIE L*a*b* to sRGB: by the file's own profile, else by the plain definition."""
    from PIL import ImageCms

    profile = image.info.get("icc_profile")
    target = ImageCms.createProfile("sRGB")
    turned = None
    if profile and image.mode == "CMYK":
        try:
            source = ImageCms.ImageCmsProfile(io.BytesIO(profile))
            turned = ImageCms.profileToProfile(image, source, target, outputMode="RGB")
        except ImageCms.PyCMSError:
            turned = None  # a broken profile: the plain formula is near enough for ink
    elif image.mode == "LAB":
        lab = ImageCms.createProfile("LAB")
        turned = ImageCms.profileToProfile(image, lab, target, outputMode="RGB")
    return turned if turned is not None else image.convert("RGB")
