"""``python -m bench`` knows every benchmark, and docs/figures.md has a place for each."""

from __future__ import annotations

import importlib.util
from pathlib import Path
from types import ModuleType

import pytest

BENCH = Path(__file__).parents[1] / "bench"


@pytest.fixture(scope="module")
def bench() -> ModuleType:
    spec = importlib.util.spec_from_file_location("bench_main", BENCH / "__main__.py")
    assert spec is not None and spec.loader is not None
    module = importlib.util.module_from_spec(spec)
    spec.loader.exec_module(module)
    return module


def test_every_benchmark_is_run_and_has_its_place_on_the_page(bench: ModuleType) -> None:
    scripts = {path.stem for path in BENCH.glob("*.py")} - {"__main__", "one_core"}
    assert set(bench.BENCHES) == scripts
    page = bench.PAGE.read_text(encoding="utf-8")
    for name in scripts:
        rows = [{"what": "a", "value": "1", "aim": ""}]
        changed = bench.put(page, name, bench.section(name, rows, "today"))
        assert changed.count(f"<!-- {name} -->") == changed.count(f"<!-- end of {name} -->") == 1
        others = [mark for mark in scripts if mark != name]
        assert all(f"<!-- {mark} -->" in changed for mark in others)


def test_a_page_without_a_place_is_refused(bench: ModuleType) -> None:
    with pytest.raises(SystemExit):
        bench.put("# Figures\n", "convert", "new")
