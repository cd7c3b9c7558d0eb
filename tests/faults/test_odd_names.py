"""Names of any bytes, names a locale cannot spell, and streams closed before we were started."""

from __future__ import annotations

import json
import os
import shutil
import subprocess
import sys
from pathlib import Path

import pytest
from click.testing import CliRunner

from platebench.cli import main
from platebench.core.errors import ExitCode
from platebench.read.capture import read_capture
from platebench.session.convert_session import convert_session

from ..processes import command, environment
from ..review.served import served
from ..session_files import tree, write_session

pytestmark = pytest.mark.skipif(
    sys.platform != "linux" or sys.getfilesystemencoding() != "utf-8",
    reason="macOS and Windows take no such names; under another locale this one says nothing",
)
ODD = os.fsdecode(b"Platten \xff\xfe")
ASCII = {"LC_ALL": "C", "PYTHONUTF8": "0", "PYTHONCOERCECLOCALE": "0"}


@pytest.fixture(scope="module")
def original(tmp_path_factory: pytest.TempPathFactory) -> Path:
    folder = write_session(tmp_path_factory.mktemp("names") / "shelf", names=("wide",))
    convert_session(folder, workers=1)
    return folder


@pytest.fixture
def session(original: Path, tmp_path: Path) -> Path:
    """A session in a folder whose name is no UTF-8, and is itself one."""
    return Path(shutil.copytree(original, tmp_path / ODD / ODD))


@pytest.mark.parametrize(
    "args",
    [
        ("check", "--jobs", "1"),
        ("convert", "--jobs", "1", "--force", "--true-size"),
        ("share",),
        ("master", "--jobs", "1"),
        ("measure", "wide", "--grid", "2x2"),
        ("which-print",),
        ("print-negative", "wide", "--process", "albumen", "--ppi", "100"),
        ("print-plate", "wide", "--process", "albumen"),
        ("archive", "--name", "shelf", "--captures"),
    ],
    ids=lambda args: args[0],
)
def test_a_folder_whose_name_is_not_utf8_is_a_folder_like_any_other(
    args: tuple[str, ...], session: Path
) -> None:
    before = tree(session)
    result = CliRunner().invoke(main, [args[0], str(session), *args[1:], "--json"])
    assert result.exit_code == ExitCode.OK, result.output
    json.loads(result.stdout)
    after = tree(session)
    assert {name: after[name] for name in before if "converted" not in name} == {
        name: digest for name, digest in before.items() if "converted" not in name
    }


def test_a_raw_and_a_scan_are_read_the_same_under_any_name(
    session: Path, original: Path, tmp_path: Path
) -> None:
    """Uncompressed DNGs are read here, others by LibRaw, scans by tifffile and Pillow."""
    for source in (original / "wide.dng", original / "converted" / "positives" / "wide.tif"):
        odd = tmp_path / f"{ODD}{source.suffix}"
        shutil.copy(source, odd)
        assert (read_capture(odd).counts == read_capture(source).counts).all()
        assert read_capture(odd).info.taken == read_capture(source).info.taken


def test_start_says_which_capture_to_rename(session: Path) -> None:
    (session / "session.toml").unlink()
    (session / "wide.dng").rename(session / f"{ODD}.dng")
    result = CliRunner().invoke(main, ["start", str(session), "--jobs", "1"])
    assert result.exit_code == ExitCode.OK
    said = "its name is not UTF-8; rename it"
    assert said in result.stdout
    drafted = (session / "session.toml").read_text(encoding="utf-8")
    assert said in drafted and 'title = "Platten \ufffd\ufffd"' in drafted


def test_a_package_cannot_have_such_a_name(session: Path) -> None:
    result = CliRunner().invoke(main, ["archive", str(session)])
    assert result.exit_code == ExitCode.INPUT
    assert result.stderr.endswith("is not UTF-8; give it a name (--name)\n")


def test_the_review_table_shows_such_a_session(session: Path) -> None:
    with served(session) as table:
        assert table.json("api/session")["folder"] == "Platten \ufffd\ufffd"
        assert table.json(table.plate("wide"))
        (session / "session.toml").write_text("[", encoding="utf-8")
        status, _, content = table.get(table.plate("wide"))
        assert status != 500, content


def in_ascii(*args: str | Path, **more: str) -> subprocess.CompletedProcess[str]:
    return subprocess.run(
        command(*args), capture_output=True, encoding="utf-8", env=environment(**ASCII, **more)
    )


@pytest.mark.big
def test_under_an_ascii_locale_names_with_accents_are_read_or_refused_in_a_line(
    original: Path, tmp_path: Path
) -> None:
    session = Path(shutil.copytree(original, tmp_path / "Süd"))
    done = in_ascii("check", session, "--jobs", "1", "--json")
    assert (done.returncode, done.stderr) == (ExitCode.OK, ""), done.stderr
    settings = session / "session.toml"
    text = settings.read_text(encoding="utf-8")
    settings.write_text(text.replace('"wide.dng"', '"wäde.dng"'), encoding="utf-8")
    (session / "wide.dng").rename(session / "wäde.dng")
    done = in_ascii("convert", session, "--jobs", "1")
    assert done.returncode == ExitCode.SETTINGS and "Traceback" not in done.stderr
    assert done.stderr.count("\n") == 1 and "set LC_ALL=C.UTF-8" in done.stderr
    settings.unlink()
    done = in_ascii("start", session, "--jobs", "1")
    assert done.returncode == ExitCode.OK and "set LC_ALL=C.UTF-8" in done.stdout
    assert 'title = "Süd"' in settings.read_text(encoding="utf-8")


def closed(*args: str | Path, streams: str) -> subprocess.CompletedProcess[bytes]:
    shell = ["sh", "-c", f'exec "$@" {streams}', "sh", *command(*args)]
    return subprocess.run(shell, capture_output=True, env=environment())


@pytest.mark.big
@pytest.mark.parametrize("streams", ["2>&-", ">&- 2>&-", "<&- >&- 2>&-", ">&-"])
def test_closed_streams_change_nothing_but_what_is_shown(
    streams: str, original: Path, tmp_path: Path
) -> None:
    session = Path(shutil.copytree(original, tmp_path / "shelf"))
    done = closed("convert", session, "--jobs", "2", "--force", streams=streams)
    assert done.returncode == ExitCode.OK
    assert (b"1 converted" in done.stdout) == (streams == "2>&-")
    assert tree(session / "converted") == tree(original / "converted")
    done = closed("convert", tmp_path / "none", streams=streams)
    assert done.returncode == ExitCode.INPUT
    assert bool(done.stderr) == (streams == ">&-")


def test_what_a_library_complains_of_is_written_into_no_file(tmp_path: Path) -> None:
    """A file opened while descriptor 2 is closed is descriptor 2: C code would write into it."""
    picture = tmp_path / "picture"
    work = (
        "import os\n"
        "from platebench.cli.ending import open_closed_streams\n"
        "open_closed_streams()\n"
        f"with open({str(picture)!r}, 'wb') as stream:\n"
        "    os.write(2, b'complaint')\n"
        "    stream.write(b'pixels')\n"
    )
    shell = ["sh", "-c", 'exec "$@" 2>&-', "sh", sys.executable, "-c", work]
    assert subprocess.run(shell, env=environment()).returncode == 0
    assert picture.read_bytes() == b"pixels"
