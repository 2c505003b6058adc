"""Fixtures all tests share: the folders beside the checkout, and small pictures."""

from __future__ import annotations

import sys
from collections.abc import Callable
from pathlib import Path

import numpy as np
import pytest
from PIL import Image

ROOT = Path(__file__).parents[1]
SHARED = ROOT.parent / "shared"

sys.path.insert(0, str(Path(__file__).parent / "fakes"))  # worker processes import stand-ins from here


def _shared(name: str) -> Path:
    folder = SHARED / name
    if not folder.is_dir():
        pytest.skip(f"needs the folder {folder}, which is not part of the project")
    return folder


@pytest.fixture(scope="session")
def root() -> Path:
    """The checkout."""
    return ROOT


@pytest.fixture(scope="session")
def scans() -> Path:
    """Folder of real leaves; the test is skipped where it is absent."""
    return _shared("scans")


@pytest.fixture(scope="session")
def standards() -> Path:
    """Folder of published schemas; the test is skipped where it is absent."""
    return _shared("standards")


@pytest.fixture(scope="session")
def reference() -> Path:
    """Folder of handbook tables; the test is skipped where it is absent."""
    return _shared("reference")


@pytest.fixture
def speckled() -> np.ndarray:
    """RGB picture of smooth noise, 120 rows by 90 columns: no two rows or columns alike."""
    coarse = np.random.default_rng(7).integers(0, 256, (12, 9, 3), dtype=np.uint8)
    return np.array(Image.fromarray(coarse).resize((90, 120), Image.Resampling.BICUBIC))


@pytest.fixture
def picture(tmp_path: Path, speckled: np.ndarray) -> Callable[..., Path]:
    """Makes a small picture file: ``picture("a.jpg")``; a grey level changes its bytes."""

    def make(name: str, grey: int = 0, folder: Path | None = None) -> Path:
        path = (folder or tmp_path) / name
        path.parent.mkdir(parents=True, exist_ok=True)
        rgb = speckled.copy()
        rgb[:8, :8] = grey
        Image.fromarray(rgb).save(path)
        return path

    return make
