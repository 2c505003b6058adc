"""The direction of dependencies, read from the source: every import, also those inside functions."""

from __future__ import annotations

import ast
from collections.abc import Iterator
from graphlib import CycleError, TopologicalSorter
from pathlib import Path

import pytest

ROOT = Path(__file__).parents[1]
SOURCES = {
    "neumary": ROOT / "ocr",
    "neumary_models": ROOT / "models",
    "neumary_synth": ROOT / "synthetic_data",
    "neumary_training": ROOT / "training",
}

BOTTOM = {"types", "errors"}
STAGES = {"ink", "staves", "glyphs", "read", "pitch", "decide", "neumes", "syllables"}
BATCH = {"worker", "plan", "batch"}
TOP = {"cli", "commands", "commands_read", "progress", "__main__"}


def _modules(package: str) -> dict[str, Path]:
    folder = SOURCES[package]
    return {
        ".".join(path.relative_to(folder).with_suffix("").parts).removesuffix(".__init__"): path
        for path in sorted((folder / package).rglob("*.py"))
    }


ALL = {name: path for package in SOURCES for name, path in _modules(package).items()}


def _named(node: ast.AST) -> Iterator[str]:
    if isinstance(node, ast.Import):
        yield from (alias.name for alias in node.names)
    elif isinstance(node, ast.ImportFrom):
        assert node.level == 0, "imports are absolute"
        for alias in node.names:
            deeper = f"{node.module}.{alias.name}"
            yield deeper if deeper in ALL else str(node.module)


def _imports(path: Path) -> set[str]:
    """Our own modules that a file imports, anywhere in it."""
    tree = ast.parse(path.read_text(encoding="utf-8"))
    named = {name for node in ast.walk(tree) for name in _named(node)}
    return {name for name in named if name.split(".")[0] in SOURCES}


GRAPH = {name: _imports(path) for name, path in ALL.items()}


def _inside(name: str) -> str:
    """Name within its package: "neumary.scan" gives "scan"."""
    return name.partition(".")[2]


def test_the_test_sees_the_code() -> None:
    assert {"neumary.cli", "neumary_models.labels", "neumary_synth.render"} <= set(ALL)
    assert "neumary.batch" in GRAPH["neumary.commands_read"]  # an import inside a function


@pytest.mark.parametrize("name", [name for name in ALL if name.startswith("neumary_models")])
def test_models_import_nothing_of_ours(name: str) -> None:
    assert {other for other in GRAPH[name] if not other.startswith("neumary_models")} == set()


@pytest.mark.parametrize("name", [name for name in ALL if name.startswith("neumary_synth")])
def test_the_renderer_imports_types_store_and_labels_only(name: str) -> None:
    others = {other for other in GRAPH[name] if not other.startswith("neumary_synth")}
    assert others <= {"neumary.types", "neumary.store", "neumary_models.labels"}


@pytest.mark.parametrize("name", [name for name in ALL if not name.startswith("neumary_training")])
def test_nothing_imports_training(name: str) -> None:
    assert not {other for other in GRAPH[name] if other.startswith("neumary_training")}


def test_types_and_errors_stand_at_the_bottom() -> None:
    for name in BOTTOM:
        assert GRAPH[f"neumary.{name}"] <= {f"neumary.{other}" for other in BOTTOM}


@pytest.mark.parametrize("name", [name for name in ALL if name.startswith("neumary.")])
def test_lower_layers_do_not_know_the_upper_ones(name: str) -> None:
    layer = _inside(name).split(".")[0]
    above: set[str] = set()
    if layer not in TOP:
        above |= TOP | {"review"} - {layer}
    if layer not in TOP | {"batch", "review"}:
        above |= {"batch"}
    if layer not in TOP | BATCH | {"review"}:
        above |= BATCH | {"pipeline"}
    assert not {_inside(other).split(".")[0] for other in GRAPH[name]} & (above - {layer})


@pytest.mark.parametrize("stage", sorted(STAGES))
def test_stages_do_not_import_each_other(stage: str) -> None:
    name = f"neumary.{stage}"
    if name not in ALL:
        pytest.skip(f"{name} does not exist yet")
    assert not {_inside(other) for other in GRAPH[name]} & (STAGES - {stage})


def test_only_the_command_line_draws_pages() -> None:
    users = {name for name, others in GRAPH.items() if any(o.startswith("neumary_synth") for o in others)}
    assert {name for name in users if name.startswith("neumary.")} <= {"neumary.commands"}


def test_no_cycles() -> None:
    try:
        TopologicalSorter(GRAPH).prepare()
    except CycleError as error:
        pytest.fail(f"modules import each other in a circle: {' < '.join(error.args[1])}")


def test_heavy_packages_are_not_imported_at_start() -> None:
    """`neumary -h` must answer at once: nothing the command line imports at its top may be heavy."""
    heavy = {"numpy", "cv2", "scipy", "onnxruntime", "PIL", "lxml", "rich"}
    reached, todo = set(), ["neumary.cli", "neumary.commands"]
    while todo:
        name = todo.pop()
        if name in reached:
            continue
        reached.add(name)
        body = ast.parse(ALL[name].read_text(encoding="utf-8")).body  # not what stands under TYPE_CHECKING
        named = {other for node in body for other in _named(node)}
        assert not {other.split(".")[0] for other in named} & heavy, name
        todo += [other for other in named if other in ALL]
