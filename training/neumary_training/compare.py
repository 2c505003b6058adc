"""Two runs side by side.

    python -m neumary_training.compare DIR_A DIR_B

Shows every figure of both model folders, the difference, and what their settings do not share.
"""

from __future__ import annotations

import argparse
import json
import tomllib
from pathlib import Path
from typing import Any


def compare(a: Path, b: Path) -> list[tuple[str, Any, Any, float | None]]:
    """Rows (measure, value in a, value in b, b minus a) of two folders with ``metrics.json``.

    Raises
    ------
    FileNotFoundError
        If a folder holds no finished model.
    """
    one, two = (json.loads((folder / "metrics.json").read_text(encoding="utf-8")) for folder in (a, b))
    rows: list[tuple[str, Any, Any, float | None]] = []
    for name in sorted(one.keys() | two.keys()):
        left, right = one.get(name), two.get(name)
        numbers = isinstance(left, int | float) and isinstance(right, int | float)
        rows.append((name, left, right, float(right) - float(left) if numbers else None))
    return rows


def settings_apart(a: Path, b: Path) -> list[tuple[str, Any, Any]]:
    """Settings in which the two runs differ, from the configurations stored beside the weights."""
    one, two = (tomllib.loads((folder / "config.toml").read_text(encoding="utf-8")) for folder in (a, b))
    return [(k, one.get(k), two.get(k)) for k in sorted(one.keys() | two.keys()) if one.get(k) != two.get(k)]


def main() -> None:
    """Print the comparison."""
    parser = argparse.ArgumentParser(description="Compare two finished runs.")
    parser.add_argument("a", type=Path)
    parser.add_argument("b", type=Path)
    options = parser.parse_args()
    for name, left, right, gain in compare(options.a, options.b):
        change = "" if gain is None else f"{gain:+.4f}"
        print(f"{name:24} {left!s:>24} {right!s:>24} {change:>9}")
    for name, old, new in settings_apart(options.a, options.b):
        print(f"setting {name}: {old} -> {new}")


if __name__ == "__main__":
    main()
