"""Documents of anybody's making: numbers out of all bounds are refused, not met much later."""

from __future__ import annotations

import json
import shutil
from pathlib import Path

import pytest
from click.testing import CliRunner

from platebench.cli import main
from platebench.core.errors import ExitCode
from platebench.core.plain_json import read_json
from platebench.session.convert_session import convert_session

from ..session_files import write_session

HUGE = "9" * 400
STRANGE = {
    "a huge number": HUGE,
    "a negative one": f"-{HUGE}",
    "thousands of figures": "9" * 5000,
    "beyond a float": "1e400",
    "no number": "NaN",
    "infinity": "-Infinity",
    "deep": "[" * 100_000,
    "cut off": "{",
}


@pytest.mark.parametrize("text", STRANGE.values(), ids=STRANGE)
def test_each_is_a_value_error(text: str) -> None:
    with pytest.raises(ValueError):
        read_json(text)
    with pytest.raises(ValueError):
        read_json(b'{"a": [1, ' + text.encode() + b"]}")


def test_what_is_in_order_reads_as_the_library_reads_it() -> None:
    text = '{"a": [0, -1, 1.5, 1e308, 123456789012345678901234567890, true, null, "\\u00fc"]}'
    assert read_json(text) == json.loads(text) == read_json(text.encode("utf-16"))
    assert isinstance(read_json("12"), int)


@pytest.fixture(scope="module")
def converted(tmp_path_factory: pytest.TempPathFactory) -> Path:
    folder = write_session(tmp_path_factory.mktemp("numbers") / "shelf", names=("wide",))
    convert_session(folder, workers=1)
    return folder


@pytest.mark.parametrize("text", [HUGE, "1e400", "NaN", "[" * 100_000], ids=lambda text: text[:5])
@pytest.mark.parametrize(
    "args",
    [
        ("which-print", "."),
        ("print-plate", ".", "wide", "--process", "albumen"),
        ("print-negative", ".", "wide", "--process", "albumen", "--ppi", "100"),
        ("share", "."),
        ("archive", ".", "--no-masters"),
        ("convert", "."),
    ],
    ids=lambda args: args[0],
)
def test_a_record_with_such_a_number_is_no_record(
    args: tuple[str, ...],
    text: str,
    converted: Path,
    tmp_path: Path,
    monkeypatch: pytest.MonkeyPatch,
) -> None:
    session = Path(shutil.copytree(converted, tmp_path / "shelf"))
    record = session / "converted" / "plates" / "wide.json"
    document = json.loads(record.read_bytes())
    document["result"]["densities"]["d_min"] = "here"
    record.write_text(json.dumps(document).replace('"here"', text), encoding="utf-8")
    monkeypatch.chdir(session)
    result = CliRunner().invoke(main, list(args))
    assert result.exception is None or isinstance(result.exception, SystemExit)
    assert result.exit_code in (ExitCode.OK, ExitCode.INPUT), result.output
    if args[0] in ("which-print", "print-plate"):
        assert "is no record of densities" in result.stderr
