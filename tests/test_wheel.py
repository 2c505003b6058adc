"""What gets installed: all four packages, with everything they need beside their code."""

from __future__ import annotations

import ast
import importlib.resources
import re
import subprocess
import sys
import tomllib
from pathlib import Path

import pytest

ROOT = Path(__file__).parents[1]
PROJECT = tomllib.loads((ROOT / "pyproject.toml").read_text(encoding="utf-8"))
WHEEL = PROJECT["tool"]["hatch"]["build"]["targets"]["wheel"]
ROOTS = ("ocr", "models", "training", "synthetic_data")


def test_every_package_is_listed() -> None:
    packages = {
        str(path.parent.relative_to(ROOT)) for root in ROOTS for path in (ROOT / root).glob("*/__init__.py")
    }
    assert packages == set(WHEEL["packages"])


def test_packages_are_typed() -> None:
    for package in WHEEL["packages"]:
        assert (ROOT / package / "py.typed").is_file()


def test_the_version_stands_in_one_place() -> None:
    import neumary

    assert "version" in PROJECT["project"]["dynamic"]
    path = ROOT / PROJECT["tool"]["hatch"]["version"]["path"]
    assert path == Path(neumary.__file__)


def test_the_command_exists() -> None:
    module, _, function = PROJECT["project"]["scripts"]["neumary"].partition(":")
    assert callable(getattr(importlib.import_module(module), function))


@pytest.mark.parametrize("package", ["neumary_models"])
def test_registered_weights_and_cards_are_package_data(package: str) -> None:
    from neumary_models import zoo

    home = importlib.resources.files(package)
    entries = zoo.registered()
    assert entries
    for entry in entries.values():
        zoo.check(entry)
        assert entry.path.stat().st_size <= 4_000_000
        assert entry.card.is_file()
        assert entry.path.is_relative_to(str(home))


def test_nothing_shipped_is_ignored_by_git() -> None:
    """hatchling leaves out what git ignores, so an ignored weight file would be missing from the wheel."""
    if not (ROOT / ".git").exists():
        pytest.skip("not a git checkout")
    files = [
        str(path.relative_to(ROOT))
        for package in WHEEL["packages"]
        for path in (ROOT / package).rglob("*")
        if path.is_file() and "__pycache__" not in path.parts
    ]
    done = subprocess.run(
        ["git", "check-ignore", *files], cwd=ROOT, capture_output=True, text=True, check=False
    )
    assert done.stdout == ""


def test_no_runtime_import_is_undeclared() -> None:
    """Packages used outside training and tests are dependencies, not extras."""
    declared = {re.split(r"[<>=]", name)[0] for name in PROJECT["project"]["dependencies"]}
    names = {"opencv-python-headless": "cv2", "pillow": "PIL"}
    importable = {names.get(name, name) for name in declared}
    ours = {Path(package).name for package in WHEEL["packages"]}
    for package in ("ocr/neumary", "models/neumary_models", "synthetic_data/neumary_synth"):
        for path in (ROOT / package).rglob("*.py"):
            if path.name == "network.py":
                continue  # the network's definition: PyTorch, used by training alone
            tree = ast.parse(path.read_text(encoding="utf-8"))
            for node in ast.walk(tree):
                named = [node.module or ""] if isinstance(node, ast.ImportFrom) else []
                named += [alias.name for alias in node.names] if isinstance(node, ast.Import) else []
                outside = {name.split(".")[0] for name in named} - importable - ours - sys.stdlib_module_names
                assert not outside, path.name
