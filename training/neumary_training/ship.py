"""Put finished runs in the place of the shipped models.

    python -m neumary_training.ship [--strip RUN/model] [--leaf RUN/model] [--staffless RUN/model]

Writes the weights and their entries of ``registry.toml``; models that are not named stay as they are. The
reader of signs is shipped twice: with 8-bit weights (`strip`), and as floats stored in 16 bits
(`strip-float`). Cards are written by hand from what the run's folder and the measurements say.
"""

from __future__ import annotations

import argparse
import hashlib
import json
import shutil
import tempfile
from dataclasses import replace
from pathlib import Path
from typing import Final

from neumary_models import zoo
from neumary_training.export import registry_entry, store_halves
from neumary_training.quantise import quantise

_ORDER: Final = ("strip", "strip-float", "leaf", "staffless")


def ship(runs: dict[str, Path], home: Path = zoo.HOME) -> dict[str, dict[str, float]]:
    """Quantise finished models and enter them.

    Parameters
    ----------
    runs : dict of str to Path
        Model folders of finished runs, by "strip", "leaf" or "staffless".
    home : Path
        Folder with ``registry.toml`` and ``weights/``.

    Returns
    -------
    dict
        Of each model, what its 8 bits cost and gain; see `neumary_training.quantise.quantise`.
    """
    registry = home / "registry.toml"
    entries = zoo.registered(registry)
    figures = {}
    with tempfile.TemporaryDirectory() as folder:
        for name, run in runs.items():
            model = run / f"{name}.onnx"
            figures[name] = quantise(model, name, Path(folder) / name)
            made = zoo.find_file(Path(folder) / name / f"{name}.onnx")
            entries[name] = replace(made, about=entries[name].about)
            shutil.copyfile(made.path, home / "weights" / f"{name}.onnx")
            if name == "strip":
                halves = home / "weights" / "strip-float.onnx"
                store_halves(model, halves)
                digest = hashlib.sha256(halves.read_bytes()).hexdigest()
                whole = zoo.find_file(model)
                about = entries["strip-float"].about
                entries["strip-float"] = replace(whole, name="strip-float", sha256=digest, about=about)
    rows = [
        registry_entry(n, e.about, e.sha256, e.calibration, e.labels, e.role)
        for n, e in ((name, entries[name]) for name in sorted(entries, key=_place))
    ]
    fresh = registry.with_suffix(".part")
    fresh.write_text("\n".join(rows), encoding="utf-8")
    fresh.replace(registry)
    return figures


def _place(name: str) -> tuple[int, str]:
    return (_ORDER.index(name) if name in _ORDER else len(_ORDER), name)


def main() -> None:
    """Command line."""
    parser = argparse.ArgumentParser(description="Put finished runs in the place of the shipped models.")
    for name in ("strip", "leaf", "staffless"):
        parser.add_argument(f"--{name}", type=Path, help="model folder of a finished run")
    parser.add_argument("--home", type=Path, default=zoo.HOME, help="folder of registry.toml")
    options = parser.parse_args()
    given = {name: getattr(options, name) for name in ("strip", "leaf", "staffless")}
    print(json.dumps(ship({n: run for n, run in given.items() if run}, options.home), indent=1))


if __name__ == "__main__":
    main()
