"""Files in, upright RGB out; everything else refused in one line. Pillow is the reference decoder."""

from __future__ import annotations

import hashlib
import io
import os
import zlib
from collections.abc import Callable
from pathlib import Path

import cv2
import numpy as np
import pytest
from PIL import Image, ImageOps

from neumary.errors import ScanError
from neumary.inputs import list_inputs
from neumary.scan import PageRef, find_pages, load_scan, read_scans

Make = Callable[..., Path]


def _only(path: Path, **limits: float) -> np.ndarray:
    (scan,) = read_scans(path, **limits)
    return scan.rgb


def _refusal(path: Path, **limits: float) -> str:
    with pytest.raises(ScanError) as caught:
        list(read_scans(path, **limits))
    message = str(caught.value)
    assert "\n" not in message
    assert path.name in message
    assert caught.value.advice
    return message


# --- what is read -------------------------------------------------------------------


@pytest.mark.parametrize("suffix", ["jpg", "png", "tif", "webp"])
@pytest.mark.parametrize("orientation", range(1, 9))
def test_orientation_is_obeyed(tmp_path: Path, speckled: np.ndarray, suffix: str, orientation: int) -> None:
    path = tmp_path / f"leaf.{suffix}"
    exif = Image.Exif()
    exif[0x0112] = orientation
    Image.fromarray(speckled).save(path, exif=exif)
    with Image.open(path) as image:
        upright = np.asarray(ImageOps.exif_transpose(image).convert("RGB")).astype(int)
    rgb = _only(path)
    assert rgb.shape == upright.shape
    assert np.abs(rgb - upright).max() <= 2  # two JPEG decoders may round differently


@pytest.mark.parametrize("name", ["leaf.png", "leaf.tif", "leaf.jp2", "leaf.j2k"])
def test_lossless_formats_keep_every_pixel(picture: Make, speckled: np.ndarray, name: str) -> None:
    speckled[:8, :8] = 0
    np.testing.assert_array_equal(_only(picture(name)), speckled)


def test_jpeg_is_near_the_original(picture: Make, speckled: np.ndarray) -> None:
    speckled[:8, :8] = 0
    assert np.abs(_only(picture("leaf.jpg")).astype(int) - speckled).mean() < 4


@pytest.mark.parametrize("name", ["deep.png", "deep.tif"])
def test_16_bit_colour(tmp_path: Path, speckled: np.ndarray, name: str) -> None:
    path = tmp_path / name
    assert cv2.imwrite(str(path), speckled[:, :, ::-1].astype(np.uint16) * 257)
    np.testing.assert_array_equal(_only(path), speckled)


@pytest.mark.parametrize("name", ["deep.png", "deep.tif", "deep.jp2"])
def test_16_bit_grey_uses_the_whole_range(tmp_path: Path, name: str) -> None:
    path = tmp_path / name
    ramp = np.linspace(0, 65535, 64 * 64).reshape(64, 64).astype(np.uint16)
    Image.fromarray(ramp).save(path)
    rgb = _only(path)
    np.testing.assert_array_equal(rgb[:, :, 0], ramp // 257)
    assert (rgb[:, :, 0] == rgb[:, :, 2]).all()


def test_12_bit_values_in_a_16_bit_file_are_stretched_and_said_so(tmp_path: Path) -> None:
    path = tmp_path / "twelve.tif"
    Image.fromarray(np.linspace(0, 4095, 64 * 64).reshape(64, 64).astype(np.uint16)).save(path)
    (scan,) = read_scans(path)
    assert scan.rgb.max() == 255
    assert any("12-bit" in repair for repair in scan.repairs)


@pytest.mark.parametrize("name", ["press.jpg", "press.tif"])
def test_cmyk(tmp_path: Path, speckled: np.ndarray, name: str) -> None:
    path = tmp_path / name
    Image.fromarray(speckled).convert("CMYK").save(path)
    assert np.abs(_only(path).astype(int) - speckled).mean() < 4


def test_lab_tiff(tmp_path: Path, speckled: np.ndarray) -> None:
    """CIE L*a*b* by scikit-image's formulas (D65 turned to D50 by the profile: a few levels apart)."""
    from PIL import ImageCms
    from skimage.color import rgb2lab

    path = tmp_path / "lab.tif"
    srgb, lab = ImageCms.createProfile("sRGB"), ImageCms.createProfile("LAB")
    image = ImageCms.profileToProfile(Image.fromarray(speckled), srgb, lab, outputMode="LAB")
    assert image is not None
    image.save(path)
    lightness = np.asarray(image)[:, :, 0].astype(float) / 255 * 100
    assert np.abs(lightness - rgb2lab(speckled)[:, :, 0]).mean() < 1.5  # the file says what we think it says
    assert np.abs(_only(path).astype(int) - speckled).mean() < 3


@pytest.mark.parametrize("compression", ["raw", "tiff_lzw", "tiff_adobe_deflate", "packbits", "jpeg"])
def test_tiff_of_every_packing(tmp_path: Path, speckled: np.ndarray, compression: str) -> None:
    path = tmp_path / "leaf.tif"
    Image.fromarray(speckled).save(path, compression=compression)
    assert np.abs(_only(path).astype(int) - speckled).mean() < (6 if compression == "jpeg" else 0.01)


@pytest.mark.parametrize("packing", [None, "zlib"])
def test_big_tiff(tmp_path: Path, speckled: np.ndarray, packing: str | None) -> None:
    tifffile = pytest.importorskip("tifffile", reason="comes with scikit-image")
    path = tmp_path / "leaf.tif"
    tifffile.imwrite(path, speckled, bigtiff=True, compression=packing, photometric="rgb")
    assert path.read_bytes()[2] == 43  # BigTIFF's version number; 42 is TIFF's
    np.testing.assert_array_equal(_only(path), speckled)
    tifffile.imwrite(path, speckled, bigtiff=True, byteorder=">", photometric="rgb")
    assert "big-endian" in _refusal(path)


def test_tiled_tiff(tmp_path: Path, speckled: np.ndarray) -> None:
    """Tags 322 and 323, TIFF 6.0 section 15; written by hand, as Pillow writes strips only."""
    import struct

    grey = np.ascontiguousarray(speckled[:96, :80, 0])
    tiles = [grey[r : r + 32, c : c + 16].tobytes() for r in range(0, 96, 32) for c in range(0, 80, 16)]
    data_at = 8 + 2 + 12 * 9 + 4
    tables_at = data_at + sum(map(len, tiles))
    offsets = [data_at + 512 * n for n in range(len(tiles))]
    tags = [(256, 3, 1, 80), (257, 3, 1, 96), (258, 3, 1, 8), (259, 3, 1, 1), (262, 3, 1, 1), (322, 3, 1, 16)]
    tags += [(323, 3, 1, 32), (324, 4, 15, tables_at), (325, 4, 15, tables_at + 60)]
    head = struct.pack("<2sHIH", b"II", 42, 8, 9)
    head += b"".join(struct.pack("<HHII", *tag) for tag in tags) + bytes(4)
    body = b"".join(tiles) + struct.pack("<15I", *offsets) + struct.pack("<15I", *[512] * 15)
    (tmp_path / "tiled.tif").write_bytes(head + body)
    np.testing.assert_array_equal(_only(tmp_path / "tiled.tif")[:, :, 1], grey)


def test_transparent_parts_are_white(tmp_path: Path) -> None:
    path = tmp_path / "cut-out.png"
    rgba = np.zeros((40, 40, 4), np.uint8)
    rgba[10:20, 10:20] = (200, 30, 30, 255)
    Image.fromarray(rgba).save(path)
    rgb = _only(path)
    assert rgb[0, 0].tolist() == [255, 255, 255]
    assert rgb[15, 15].tolist() == [200, 30, 30]


def test_bilevel_and_palette(tmp_path: Path, speckled: np.ndarray) -> None:
    for name, mode in (("one.tif", "1"), ("few.png", "P")):
        image = Image.fromarray(speckled).convert(mode)
        image.save(tmp_path / name)
        np.testing.assert_array_equal(_only(tmp_path / name), np.asarray(image.convert("RGB")))


def test_pages_of_a_tiff_and_none_of_its_reduced_copies(tmp_path: Path, speckled: np.ndarray) -> None:
    path = tmp_path / "book.tif"
    pages = [Image.fromarray(speckled), Image.fromarray(speckled[:20, :20]), Image.fromarray(speckled[::-1])]
    for page, subfile in zip(pages, (0, 1, 0), strict=True):  # NewSubfileType, TIFF 6.0 p. 36
        page.encoderinfo = {"tiffinfo": {254: subfile}}
    pages[0].save(path, save_all=True, append_images=pages[1:], tiffinfo={254: 0})
    refs = find_pages(path)
    assert [ref.page_id for ref in refs] == ["book-p0001", "book-p0002"]
    first, last = read_scans(path)
    np.testing.assert_array_equal(first.rgb, speckled)
    np.testing.assert_array_equal(last.rgb, speckled[::-1])
    assert first.sha256 == last.sha256 == hashlib.sha256(path.read_bytes()).hexdigest()


def test_what_a_scan_says_about_its_file(picture: Make, tmp_path: Path, speckled: np.ndarray) -> None:
    path = tmp_path / "f012v.jpg"
    Image.fromarray(speckled).save(path, dpi=(300, 300))
    scan = load_scan(find_pages(path)[0])
    assert (scan.page_id, scan.dpi, scan.source) == ("f012v", 300.0, str(path))
    assert scan.sha256 == hashlib.sha256(path.read_bytes()).hexdigest()
    assert not scan.rgb.flags.writeable


def test_content_counts_not_suffix(picture: Make, speckled: np.ndarray) -> None:
    path = picture("leaf.png")
    speckled[:8, :8] = 0
    np.testing.assert_array_equal(_only(path.rename(path.with_suffix(".jpg"))), speckled)


def test_real_leaves_equal_pillow(scans: Path) -> None:
    path = scans / "antiphoner_f043r.jpg"
    with Image.open(path) as image:
        reference = np.asarray(image.convert("RGB")).astype(int)
    assert np.abs(_only(path) - reference).max() <= 2


# --- what is refused ----------------------------------------------------------------

FORMATS = {
    "leaf.jpg": {},
    "later.jpg": {"progressive": True},
    "leaf.png": {},
    "leaf.webp": {},
    "plain.tif": {},
    "lzw.tif": {"compression": "tiff_lzw"},
    "jpeg.tif": {"compression": "jpeg"},
    "leaf.jp2": {},
    "rough.jp2": {"irreversible": True, "quality_mode": "rates", "quality_layers": [20, 5]},
}


@pytest.mark.parametrize("share", [0.05, 0.5, 0.9, 0.999])
@pytest.mark.parametrize("name", FORMATS)
def test_files_cut_short(tmp_path: Path, speckled: np.ndarray, name: str, share: float) -> None:
    buffer = io.BytesIO()
    picture = Image.fromarray(speckled)
    picture.save(buffer, format=Image.registered_extensions()[Path(name).suffix], **FORMATS[name])
    path = tmp_path / name
    path.write_bytes(buffer.getvalue())
    assert _only(path).shape == speckled.shape
    path.write_bytes(buffer.getvalue()[: int(len(buffer.getvalue()) * share)])
    _refusal(path)


def test_cut_jpeg_whose_thumbnail_is_whole(tmp_path: Path, speckled: np.ndarray) -> None:
    """The end marker of an EXIF thumbnail must not pass for that of the picture."""
    thumbnail = io.BytesIO()
    Image.fromarray(speckled[:40, :40]).save(thumbnail, "JPEG")
    whole = io.BytesIO()
    Image.fromarray(speckled).save(whole, "JPEG", exif=b"Exif\x00\x00" + thumbnail.getvalue())
    path = tmp_path / "camera.jpg"
    path.write_bytes(whole.getvalue())
    assert _only(path).shape == speckled.shape
    path.write_bytes(whole.getvalue()[:-40])
    assert "cut short" in _refusal(path)


def test_bytes_after_a_whole_jpeg_do_no_harm(picture: Make) -> None:
    path = picture("leaf.jpg")
    before = _only(path)
    path.write_bytes(path.read_bytes() + b"\x00" * 100)
    np.testing.assert_array_equal(_only(path), before)


def test_jpeg_with_a_hole_is_read_and_said_so(tmp_path: Path, speckled: np.ndarray) -> None:
    """The decoder goes on behind damaged data; the page must carry a word about it."""
    path = tmp_path / "leaf.jpg"
    Image.fromarray(speckled).save(path, quality=95)
    data = bytearray(path.read_bytes())
    middle = len(data) * 2 // 3
    data[middle : middle + 60] = bytes([0xFF, 0xD3]) * 30  # restart markers out of turn
    path.write_bytes(data)
    (scan,) = read_scans(path)
    assert any("Corrupt JPEG" in repair for repair in scan.repairs)


def test_png_with_one_flipped_bit(picture: Make) -> None:
    path = picture("leaf.png")
    data = bytearray(path.read_bytes())
    data[len(data) // 2] ^= 1
    path.write_bytes(data)
    assert "checksum" in _refusal(path)


def test_bomb_is_refused_by_its_header(tmp_path: Path) -> None:
    """The pixels of this file are nonsense: only its header can have been judged."""

    def chunk(kind: bytes, body: bytes) -> bytes:
        return len(body).to_bytes(4, "big") + kind + body + zlib.crc32(kind + body).to_bytes(4, "big")

    size = (60_000).to_bytes(4, "big") * 2
    bomb = b"\x89PNG\r\n\x1a\n" + chunk(b"IHDR", size + b"\x08\x02\x00\x00\x00")
    path = tmp_path / "bomb.png"
    path.write_bytes(bomb + chunk(b"IDAT", b"no pixels") + chunk(b"IEND", b""))
    assert "3600 megapixels" in _refusal(path)


def test_pixel_limit_can_be_set(picture: Make) -> None:
    path = picture("leaf.jpg")
    assert "over the limit" in _refusal(path, limit_megapixels=0.01)
    assert _only(path, limit_megapixels=0.011).size


@pytest.mark.parametrize(
    ("name", "content", "word"),
    [
        ("letter.jpg", b"Dear colleague,\nplease find attached\n", "text"),
        ("empty.jpg", b"", "empty"),
        ("noise.tif", bytes(range(256)), "not a picture"),
        ("book.pdf", b"%PDF-1.7\n", "cut short"),
        ("leaf.jpg", b"\xff\xd8\xff\xe0", "cut short"),
        ("head.tif", b"II*\x00\x08\x00\x00\x00", "damaged"),
    ],
)
def test_no_pictures(tmp_path: Path, name: str, content: bytes, word: str) -> None:
    path = tmp_path / name
    path.write_bytes(content)
    assert word in _refusal(path)


def test_missing_folder_and_tiny(tmp_path: Path) -> None:
    assert "does not exist" in _refusal(tmp_path / "nowhere.jpg")
    assert "is a folder" in _refusal(tmp_path)
    Image.new("RGB", (1, 1)).save(tmp_path / "dot.png")
    assert "1 x 1 pixels" in _refusal(tmp_path / "dot.png")


def test_decimal_grey_is_refused(tmp_path: Path) -> None:
    path = tmp_path / "floats.tif"
    Image.fromarray(np.zeros((40, 40), np.float32)).save(path)
    assert "decimal" in _refusal(path)


def test_page_that_is_not_there(picture: Make) -> None:
    with pytest.raises(ScanError, match="no picture number 4"):
        load_scan(PageRef(picture("one.tif"), 3, "one"))


def test_pillow_keeps_its_own_limit(picture: Make) -> None:
    before = Image.MAX_IMAGE_PIXELS
    _only(picture("leaf.jpg"))
    assert before == Image.MAX_IMAGE_PIXELS


# --- lists of inputs ----------------------------------------------------------------


def test_folders_are_sorted_deep_and_honest(tmp_path: Path) -> None:
    for name in ("b/2.JPG", "b/1.tif", "a.png", "notes.txt", ".hidden.jpg", ".cache/x.jpg", "book.pdf"):
        path = tmp_path / name
        path.parent.mkdir(exist_ok=True)
        path.touch()
    found = list_inputs([tmp_path])
    names = [str(path.relative_to(tmp_path)) for path in found.files]
    assert names == ["a.png", "book.pdf", "b/1.tif", "b/2.JPG"]
    assert {item.path.name for item in found.skipped} == {"notes.txt"}


def test_own_output_is_no_input(tmp_path: Path) -> None:
    (tmp_path / "out/f1").mkdir(parents=True)
    (tmp_path / "out/ledger.sqlite").touch()
    (tmp_path / "out/f1/overlay.jpg").touch()
    (tmp_path / "f1.jpg").touch()
    assert [path.name for path in list_inputs([tmp_path]).files] == ["f1.jpg"]


def test_list_files(tmp_path: Path) -> None:
    (tmp_path / "list.txt").write_text(f"# first quire\n{tmp_path / 'a.jpg'}\n\n {tmp_path / 'b c.jpg'} \n")
    assert [path.name for path in list_inputs([f"@{tmp_path / 'list.txt'}"]).files] == ["a.jpg", "b c.jpg"]
    (failed,) = list_inputs(["@nowhere.txt"]).failed
    assert "nowhere.txt" in str(failed)


def test_named_twice_is_read_once(tmp_path: Path) -> None:
    (tmp_path / "a.jpg").touch()
    found = list_inputs([tmp_path, tmp_path / "a.jpg"])
    assert len(found.files) == 1
    assert [item.why for item in found.skipped] == ["named twice"]


@pytest.mark.skipif(os.geteuid() == 0, reason="root may open every folder")
def test_closed_folder(tmp_path: Path) -> None:
    closed = tmp_path / "closed"
    closed.mkdir(mode=0)
    try:
        (failed,) = list_inputs([tmp_path]).failed
        assert "closed" in str(failed)
    finally:
        closed.chmod(0o700)
