"""Imports point one way, and each heavy library has one door."""

from __future__ import annotations

import ast
from collections.abc import Iterator
from pathlib import Path

import pytest

SOURCE = Path(__file__).parents[1] / "src" / "platebench"
MODULES = sorted(SOURCE.rglob("*.py"))

GROUND = {
    "errors",
    "image",
    "settings",
    "formats",
    "fsio",
    "locks",
    "plate_names",
    "progress",
    "memory",
    "rounding",
    "camera_time",
    "shown",
}
# Layers, lowest first. A module may import from its own layer and from those below.
LAYERS: list[set[str]] = [
    GROUND | {"files", "plate_log", "plate_job", "profiles_folder", "cautions"},
    {"stages", "outputs"},
    {"quality", "synthetic", "exposures", "look", "framing", "convert", "plate_record"},
    {"session", "archive"},
    {"demo", "demo_log", "review"},
    {"cli", "__main__"},
]
WORK = 2  # the layer of every module not listed: it works on pictures, not on sessions
DOORS = {
    "rawpy": {"stages/reading/read_raw.py"},
    "tifffile": {
        *("outputs/tiff.py", "outputs/tiff_pixels.py"),
        *("stages/reading/read_scan.py", "synthetic/dng.py"),
    },
    "sqlite3": {"archive/catalogue"},
    "tomlkit": {"session/draft_file.py", "session/edit_file.py", "printing/process_write.py"},
    "reportlab": {"outputs"},
    "starlette": {"review/app.py"},
    "uvicorn": {"review/serve.py", "review/door.py"},
    "pypdfium2": {"outputs"},
    "filelock": {"locks.py"},
    "psutil": {"memory.py"},
}


def imports(path: Path, *, at_type_checking: bool = False) -> Iterator[str]:
    """Yield the dotted names a module imports when it runs."""
    hidden: set[ast.AST] = set()
    tree = ast.parse(path.read_text(encoding="utf-8"))
    for node in ast.walk(tree):
        if isinstance(node, ast.If) and getattr(node.test, "id", "") == "TYPE_CHECKING":
            hidden.update(ast.walk(node))
    for node in ast.walk(tree):
        if node in hidden and not at_type_checking:
            continue
        if isinstance(node, ast.Import):
            yield from (name.name for name in node.names)
        elif isinstance(node, ast.ImportFrom) and node.module:
            assert node.level == 0, f"{path.name}: relative import"
            if node.module == "platebench":
                yield from (f"platebench.{name.name}" for name in node.names)
            else:
                yield node.module


def layer_of(part: str) -> int:
    listed = (number for number, names in enumerate(LAYERS) if part in names)
    return next(listed, WORK)


def part_of(path: Path) -> str:
    first = path.relative_to(SOURCE).parts[0]
    return first.removesuffix(".py")


@pytest.mark.parametrize("path", MODULES, ids=lambda p: str(p.relative_to(SOURCE)))
def test_imports_point_down(path: Path) -> None:
    if path == SOURCE / "__init__.py":
        return
    here = layer_of(part_of(path))
    for name in imports(path):
        parts = name.split(".")
        if parts[0] != "platebench" or len(parts) == 1 or parts[1].startswith("__"):
            continue
        assert layer_of(parts[1]) <= here, f"{path.name} imports {name}, which lies above it"


@pytest.mark.parametrize("path", MODULES, ids=lambda p: str(p.relative_to(SOURCE)))
def test_heavy_libraries_have_one_door(path: Path) -> None:
    where = path.relative_to(SOURCE).as_posix()
    for name in imports(path):
        library = name.split(".")[0]
        if library == "click":
            assert where.startswith("cli/")
        if library in DOORS:
            assert any(where.startswith(door) for door in DOORS[library]), f"{where}: {library}"


def test_the_ground_needs_nothing_but_numpy() -> None:
    modules = [SOURCE / f"{name}.py" for name in GROUND - {"image"}]
    for path in [*modules, *(SOURCE / "files").glob("*.py")]:
        for imported in imports(path):
            assert imported.split(".")[0] not in ("numpy", "cv2", "scipy"), f"{path}: {imported}"


def test_the_library_never_prints_nor_configures_logging() -> None:
    for path in MODULES:
        if part_of(path) == "cli":
            continue
        for node in ast.walk(ast.parse(path.read_text(encoding="utf-8"))):
            if isinstance(node, ast.Call):
                called = ast.unparse(node.func)
                assert called not in ("print", "logging.basicConfig"), f"{path.name}: {called}"
