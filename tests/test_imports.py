"""Imports point one way, without circles, and each heavy library has one door."""

from __future__ import annotations

import ast
import re
from functools import cache
from graphlib import TopologicalSorter
from pathlib import Path

SOURCE = Path(__file__).parents[1] / "src" / "platebench"
MODULES = sorted(SOURCE.rglob("*.py"))
# Packages, lowest first. A module may import from its own package and from those below.
ORDER = [
    "core",
    *("plate_log", "read", "tone", "sensitometry"),
    *("exposing", "plate", "write", "synthetic"),
    *("measure", "master", "printing"),
    *("session", "verbs", "archive", "review", "exhibit"),
    *("cli", "__main__"),
]
DOORS = {
    "click": {"cli/"},
    "rawpy": {"read/raw.py"},
    "tifffile": {"write/tiff.py", "read/scan.py", "synthetic/write_dng.py"},
    "sqlite3": {"archive/catalogue", "archive/audit"},
    "tomlkit": {"session/draft_file.py", "session/edit_file.py", "printing/process_write.py"},
    "reportlab": {"write"},
    "starlette": {"review/app.py", "review/front_app.py"},
    "uvicorn": {"review/serve.py", "review/door.py"},
    "pypdfium2": {"write"},
    "pyvips": {"exhibit/deep_picture.py"},
    "iiif_prezi3": {"exhibit/manifests.py"},
    "dask": {"session/cluster.py"},
    "distributed": {"session/cluster.py"},
}


@cache
def nodes(path: Path) -> list[ast.AST]:
    return list(ast.walk(ast.parse(path.read_text(encoding="utf-8"))))


@cache
def imports(path: Path) -> list[str]:
    """Return the dotted names a module imports, those for types alone included."""
    found: list[str] = []
    for node in nodes(path):
        if isinstance(node, ast.Import):
            found += [name.name for name in node.names]
        elif isinstance(node, ast.ImportFrom) and node.module:
            assert node.level == 0, f"{path.name}: relative import"
            found += [f"{node.module}.{name.name}" for name in node.names]
    return found


def package_of(path: Path) -> str:
    return path.relative_to(SOURCE).parts[0].removesuffix(".py")


def module_named(dotted: str) -> Path | None:
    """Return the file of ours that a dotted name, or the name before its last dot, stands for."""
    parts = dotted.split(".")
    if parts[0] != "platebench":
        return None
    for end in (len(parts), len(parts) - 1):
        path = SOURCE.joinpath(*parts[1:end])
        for found in (path.with_suffix(".py"), path / "__init__.py"):
            if end > 1 and found.is_file():
                return found
    return None


def test_every_package_has_its_place() -> None:
    packages = {package_of(path) for path in MODULES} - {"__init__"}
    assert packages == set(ORDER)


def test_imports_point_down() -> None:
    up = [
        f"{path.relative_to(SOURCE)} imports {name}"
        for path in MODULES
        if path != SOURCE / "__init__.py"
        for name in imports(path)
        if (found := module_named(name)) is not None
        if ORDER.index(package_of(found)) >= ORDER.index(package_of(path))
        if package_of(found) != package_of(path)
    ]
    assert up == []


def test_no_circles() -> None:
    """Counted with imports for types; graphlib's sorting fails on a circle and names it."""
    graph = {
        path: {found for name in imports(path) if (found := module_named(name)) not in (None, path)}
        for path in MODULES
        if path != SOURCE / "__init__.py"
    }
    assert len(list(TopologicalSorter(graph).static_order())) >= len(graph)


def test_heavy_libraries_have_one_door() -> None:
    found = {
        (name.split(".")[0], path.relative_to(SOURCE).as_posix())
        for path in MODULES
        for name in imports(path)
    }
    assert DOORS.keys() <= {library for library, _ in found}
    assert [
        (library, where)
        for library, where in sorted(found)
        if library in DOORS and not where.startswith(tuple(DOORS[library]))
    ] == []


def test_the_ground_needs_no_numbers() -> None:
    for path in (SOURCE / "core").glob("*.py"):
        if path.stem == "image":
            continue
        for imported in imports(path):
            assert imported.split(".")[0] not in ("numpy", "cv2", "scipy"), f"{path}: {imported}"


def test_the_library_never_prints_nor_configures_logging() -> None:
    for path in MODULES:
        if package_of(path) == "cli":
            continue
        for node in nodes(path):
            if isinstance(node, ast.Call):
                called = ast.unparse(node.func)
                assert called not in ("print", "logging.basicConfig"), f"{path.name}: {called}"


def test_the_library_names_no_option() -> None:
    """Errors name settings; the command line has the options, the page its own controls."""
    for path in MODULES:
        if package_of(path) == "cli":
            continue
        for node in nodes(path):
            if isinstance(node, ast.Constant) and isinstance(node.value, str):
                assert not re.search(r"(?<![\w-])--[a-z]", node.value), f"{path}: {node.value}"
