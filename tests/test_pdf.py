"""Pages of PDF files: the embedded picture itself, at its own resolution. Pillow writes the files."""

from __future__ import annotations

from collections.abc import Callable
from pathlib import Path

import numpy as np
import pytest
import stand_ins
from PIL import Image

from neumary.batch import Run, read_all
from neumary.errors import ExitCode, ScanError
from neumary.executor import InProcess
from neumary.inputs import list_inputs
from neumary.plan import hash_file
from neumary.scan import find_pages, load_scan, read_scans
from neumary.settings import ReadSettings
from neumary.store import load_page
from neumary.worker import read_to_files

Make = Callable[..., Path]


def _pdf(objects: list[bytes], path: Path) -> Path:
    """A PDF of numbered objects, the first its catalogue (PDF 1.7, 7.5)."""
    data, places = b"%PDF-1.7\n", []
    for number, body in enumerate(objects, 1):
        places.append(len(data))
        data += b"%d 0 obj\n%s\nendobj\n" % (number, body)
    table = b"".join(b"%010d 00000 n \n" % place for place in places)
    size = len(objects) + 1
    end = b"xref\n0 %d\n0000000000 65535 f \n%s" % (size, table)
    end += b"trailer << /Size %d /Root 1 0 R >>\nstartxref\n%d\n%%%%EOF\n" % (size, len(data))
    path.write_bytes(data + end)
    return path


def _stream(words: bytes, body: bytes) -> bytes:
    return b"<< %s /Length %d >>\nstream\n%s\nendstream" % (words, len(body), body)


def _page(content: bytes, pixels: np.ndarray, path: Path, more: bytes = b"") -> Path:
    """One page of 200 x 100 points that draws the picture /I as the content says."""
    height, width = pixels.shape[:2]
    image = b"/Type /XObject /Subtype /Image /Width %d /Height %d" % (width, height)
    image += b" /ColorSpace /DeviceRGB /BitsPerComponent 8"
    return _pdf(
        [
            b"<< /Type /Catalog /Pages 2 0 R >>",
            b"<< /Type /Pages /Kids [3 0 R] /Count 1 >>",
            b"<< /Type /Page /Parent 2 0 R /MediaBox [0 0 200 100] /Contents 4 0 R %s"
            b" /Resources << /XObject << /I 5 0 R >> >> >>" % more,
            _stream(b"", content),
            _stream(image, pixels.tobytes()),
        ],
        path,
    )


@pytest.mark.parametrize("mode", ["RGB", "L", "1"])
def test_pages_are_the_embedded_pictures(tmp_path: Path, speckled: np.ndarray, mode: str) -> None:
    path = tmp_path / "book.pdf"
    pages = [Image.fromarray(speckled).convert(mode), Image.fromarray(speckled[::-1, :60]).convert(mode)]
    pages[0].save(path, save_all=True, append_images=pages[1:], resolution=150)
    assert [ref.page_id for ref in find_pages(path)] == ["book-p0001", "book-p0002"]
    for scan, page in zip(read_scans(path), pages, strict=True):
        assert (scan.width, scan.height) == page.size  # native, whatever the page measures in points
        away = np.abs(scan.rgb.astype(int) - np.asarray(page.convert("RGB")))
        assert away.mean() < (0.01 if mode == "1" else 5)  # JPEG but for 1 bit
        assert scan.dpi == pytest.approx(150, rel=0.02)


def test_embedded_jpeg_is_decoded_as_the_file_itself(tmp_path: Path, picture: Make) -> None:
    path = picture("leaf.jpg")
    jpeg = path.read_bytes()
    image = b"/Type /XObject /Subtype /Image /Width 90 /Height 120 /ColorSpace /DeviceRGB"
    objects = [
        b"<< /Type /Catalog /Pages 2 0 R >>",
        b"<< /Type /Pages /Kids [3 0 R] /Count 1 >>",
        b"<< /Type /Page /Parent 2 0 R /MediaBox [0 0 90 120] /Contents 4 0 R"
        b" /Resources << /XObject << /I 5 0 R >> >> >>",
        _stream(b"", b"q 90 0 0 120 0 0 cm /I Do Q"),
        _stream(image + b" /BitsPerComponent 8 /Filter /DCTDecode", jpeg),
    ]
    pdf = _pdf(objects, tmp_path / "leaf.pdf")
    (from_pdf,) = read_scans(pdf)
    (from_jpeg,) = read_scans(path)
    np.testing.assert_array_equal(from_pdf.rgb, from_jpeg.rgb)
    assert from_pdf.repairs == ()


@pytest.mark.parametrize("turn", [0, 90, 180, 270])
def test_turned_pages(tmp_path: Path, speckled: np.ndarray, turn: int) -> None:
    """/Rotate is clockwise (PDF 1.7, table 30)."""
    path = _page(b"q 200 0 0 100 0 0 cm /I Do Q", speckled, tmp_path / "a.pdf", b"/Rotate %d" % turn)
    (scan,) = read_scans(path)
    np.testing.assert_array_equal(scan.rgb, np.rot90(speckled, -turn // 90))


def test_a_page_of_pieces_is_drawn_and_said_so(tmp_path: Path, speckled: np.ndarray) -> None:
    """Upper and lower half as two pictures; the same pixels twice."""
    content = b"q 200 0 0 50 0 50 cm /I Do Q q 200 0 0 50 0 0 cm /I Do Q"
    (scan,) = read_scans(_page(content, speckled, tmp_path / "a.pdf"))
    assert scan.width == 90  # 90 px on 200 points across
    assert any("several pieces" in note for note in scan.repairs)
    half = scan.height // 2
    assert np.abs(scan.rgb[: half - 1].astype(int) - scan.rgb[half : 2 * half - 1]).mean() < 12


def test_mirrored_picture_is_drawn_as_the_page_shows_it(tmp_path: Path, speckled: np.ndarray) -> None:
    content = b"q -200 0 0 100 200 0 cm /I Do Q"
    (scan,) = read_scans(_page(content, speckled, tmp_path / "a.pdf"))
    small = np.asarray(Image.fromarray(speckled[:, ::-1]).resize((scan.width, scan.height)))
    assert np.abs(scan.rgb.astype(int) - small).mean() < 12


def test_page_without_a_picture(tmp_path: Path) -> None:
    objects = [b"<< /Type /Catalog /Pages 2 0 R >>", b"<< /Type /Pages /Kids [3 0 R] /Count 1 >>"]
    objects.append(b"<< /Type /Page /Parent 2 0 R /MediaBox [0 0 72 144] >>")
    (scan,) = read_scans(_pdf(objects, tmp_path / "a.pdf"))
    assert (scan.width, scan.height) == (300, 600)
    assert any("without a photograph" in note for note in scan.repairs)


@pytest.mark.parametrize("fault", ["no pages", "locked", "cut", "scrambled", "bomb"])
def test_refused(tmp_path: Path, speckled: np.ndarray, fault: str) -> None:
    path = _page(b"q 200 0 0 100 0 0 cm /I Do Q", speckled, tmp_path / "a.pdf")
    data = path.read_bytes()
    word = {"no pages": "no pages", "locked": "password", "cut": "cut short", "scrambled": "damaged"}
    if fault == "no pages":
        _pdf([b"<< /Type /Catalog /Pages 2 0 R >>", b"<< /Type /Pages /Kids [] /Count 0 >>"], path)
    elif fault == "locked":
        lock = b"/Encrypt << /Filter /Standard /V 1 /R 2 /P -4 /O <%s> /U <%s> >>" % (b"41" * 32, b"42" * 32)
        path.write_bytes(data.replace(b"/Root", lock + b" /ID [<41> <41>] /Root"))
    elif fault == "cut":
        path.write_bytes(data[:-500])
    elif fault == "scrambled":
        path.write_bytes(b"%PDF-1.7\n" + bytes(500) + b"%%EOF\n")
    elif fault == "bomb":
        path.write_bytes(data.replace(b"/Width 90 /Height 120", b"/Width 90000 /Height 90000"))
    with pytest.raises(ScanError, match=word.get(fault, "over the limit")) as caught:
        list(read_scans(path))
    assert "\n" not in str(caught.value)
    assert caught.value.advice


def test_hash_known_means_not_read_from_end_to_end(tmp_path: Path, speckled: np.ndarray) -> None:
    path = _page(b"q 200 0 0 100 0 0 cm /I Do Q", speckled, tmp_path / "a.pdf")
    assert load_scan(find_pages(path)[0], sha256="ab" * 32).sha256 == "ab" * 32


def test_a_book_in_one_file_is_read_page_by_page(tmp_path: Path, speckled: np.ndarray) -> None:
    leaves = [Image.fromarray(np.roll(speckled, n, axis=0)) for n in range(3)]
    leaves[0].save(tmp_path / "gradual.pdf", save_all=True, append_images=leaves[1:])
    run = Run(tmp_path / "out", ReadSettings(), reader=stand_ins.read_quickly)
    report = read_all(list_inputs([tmp_path]), run, executor=InProcess(read_to_files))
    assert [page.page_id for page in report.pages] == ["gradual-p0001", "gradual-p0002", "gradual-p0003"]
    assert report.exit_code(strict=True) == ExitCode.OK
    page = load_page(tmp_path / "out/gradual-p0002/page.json")
    assert (page.width, page.height) == leaves[1].size
    assert page.sha256 == hash_file(tmp_path / "gradual.pdf")
    again = read_all(list_inputs([tmp_path]), run, executor=InProcess(read_to_files))
    assert again.count("already") == 3
