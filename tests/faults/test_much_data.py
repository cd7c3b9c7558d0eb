"""Whatever a file says, what is shown of it is short, and a terminal has nothing to obey."""

from __future__ import annotations

import json
import shutil
from pathlib import Path

import pytest
from click.testing import CliRunner

from platebench.archive.pack_session import pack_session
from platebench.cli import main
from platebench.core.shown import shown
from platebench.session.convert_session import convert_session

from ..archive.conftest import NOW
from ..archive.packages import seal
from ..processes import needs_accents
from ..session_files import write_session

MOST = 20_000  # characters of a command's output
MUCH = "\x1b]0;mine\x07\x9b31m\r\u202e" + "x" * 1_000_000  # ECMA-48: ESC, BEL and CSI are orders
MUCH_TOML = json.dumps(MUCH)  # a basic string of TOML 1.0, too
BLANK = '[light]\nblank = ["blank.dng"]\n'
PLATE = '[[plate]]\nid = "tall"\ncaptures = ["tall.dng"]\n'
SETTINGS = {
    "title": f"title = {MUCH_TOML}\n{BLANK}{PLATE}",
    "key": f"{MUCH_TOML} = 1\n{BLANK}{PLATE}",
    "key of a plate": f"{BLANK}{PLATE}{MUCH_TOML} = 1\n",
    "table": f"{BLANK}{PLATE}[{MUCH_TOML}]\nx = 1\n",
    "table, twice": f"{BLANK}{PLATE}[{MUCH_TOML}]\nx = 1\n[{MUCH_TOML}]\ny = 1\n",
    "blank": f"[light]\nblank = [{MUCH_TOML}]\n{PLATE}",
    "blank that could be": f'[light]\nblank = ["{"y" * 1_000_000}"]\n{PLATE}',
    "id": f'{BLANK}[[plate]]\nid = {MUCH_TOML}\ncaptures = ["tall.dng"]\n',
    "id that could be": f'{BLANK}[[plate]]\nid = "{"y" * 1_000_000}"\ncaptures = ["tall.dng"]\n',
    "capture": f'{BLANK}[[plate]]\nid = "tall"\ncaptures = [{MUCH_TOML}]\n',
    "no list": f'{BLANK}[[plate]]\nid = "tall"\ncaptures = {MUCH_TOML}\n',
    **{
        f"{key}, {what}": f"{BLANK}{PLATE}{key} = {value}\n"
        for key in ("format", "tone", "note", "emulsion", "rotate", "corners", "print_stops")
        for what, value in (
            ("text", MUCH_TOML),
            ("plain", f'"{"y" * 1_000_000}"'),
            ("number", "9" * 4000),
            ("list", f"[{MUCH_TOML}]"),
        )
    },
    "many": BLANK + PLATE + "".join(f"k{n} = {n}\n" for n in range(20_000)),
    "no TOML": f"{BLANK}{PLATE}x = {MUCH}",
    "control character": f'{BLANK}{PLATE}note = "{MUCH}"\n',
}
TABLES = {
    "heading": f'plate,"{MUCH}"\ntall,x\n',
    "headings, twice": f'plate,"{MUCH}","{MUCH}"\ntall,x,y\n',
    "plate": f'plate,title\n"{MUCH}",x\n',
    "plate, twice": f'plate,title\n"{MUCH}",x\n"{MUCH}",y\n',
    "title": f'plate,title\ntall,"{MUCH}"\n',
    **{
        key: f'plate,{key}\ntall,"{MUCH}"\n' for key in ("date", "exposure", "temperature", "steps")
    },
}
STEPS = {
    "heading": f'step,"{MUCH}"\n1,2\n',
    "step": f'step,tablet_density,density\n"{MUCH}",0.05,1.8\n',
    "density": f'step,tablet_density,density\n1,0.05,"{MUCH}"\n',
    "step, twice": "step,tablet_density,density\n" + f'"{MUCH}",0.05,1.8\n' * 2,
}


def run(*args: str | Path) -> str:
    """Run a command; its output has to be short and plain, whatever becomes of it."""
    result = CliRunner().invoke(main, [str(arg) for arg in args])
    assert result.exception is None or isinstance(result.exception, SystemExit), result.exception
    assert len(result.output) < MOST, (len(result.output), result.output[:500])
    assert result.output.replace("\n", "").isprintable(), repr(result.output)[:2000]
    return result.output


@pytest.fixture(scope="module")
def converted(tmp_path_factory: pytest.TempPathFactory) -> Path:
    folder = write_session(tmp_path_factory.mktemp("original") / "shelf", names=("tall",))
    convert_session(folder, workers=1)
    return folder


@pytest.fixture
def session(converted: Path, tmp_path: Path) -> Path:
    return Path(shutil.copytree(converted, tmp_path / "shelf"))


@pytest.mark.big
@pytest.mark.parametrize("what", SETTINGS)
def test_settings(session: Path, what: str) -> None:
    (session / "session.toml").write_text(SETTINGS[what], encoding="utf-8")
    for command in ("convert", "check"):
        run(command, session)


@pytest.mark.parametrize("what", TABLES)
def test_the_plate_log(session: Path, what: str) -> None:
    (session / "plates.csv").write_text(TABLES[what], encoding="utf-8")
    run("convert", session)


@pytest.mark.parametrize("what", STEPS)
def test_readings_of_steps(tmp_path: Path, what: str) -> None:
    (tmp_path / "steps.csv").write_text(STEPS[what], encoding="utf-8")
    run("curve", tmp_path / "steps.csv")


@pytest.mark.parametrize("value", [MUCH, [MUCH], {MUCH: MUCH}, None])
def test_a_record(session: Path, value: object) -> None:
    """Other than json.loads would write it, as any program may."""
    path = session / "converted" / "plates" / "tall.json"
    record = json.loads(path.read_text(encoding="utf-8"))
    for change in ({"result": {**record["result"], "flags": [value]}}, {"plate": value}):
        path.write_text(json.dumps(record | change), encoding="utf-8")
        for command in ("which-print", "convert"):
            run(command, session)


@needs_accents
def test_names_of_files(session: Path) -> None:
    for name in ("a\x1b]0;mine\x07.dng", "b\x1b[31m.txt", "c\u202e.tif"):
        (session / name).write_bytes(b"no picture")
    (session / "session.toml").unlink()
    run("start", session)
    run("check", session / "a\x1b]0;mine\x07.dng")


@pytest.fixture(scope="module")
def packed(converted: Path, tmp_path_factory: pytest.TempPathFactory) -> Path:
    return pack_session(converted, now=NOW, to=tmp_path_factory.mktemp("packages"))[0].package


def put(path: Path, text: str) -> None:
    path.write_bytes(text.encode("utf-8", "surrogateescape"))


@pytest.mark.parametrize(
    "name",
    ["manifest-sha256.txt", "tagmanifest-sha512.txt", "bag-info.txt", "bagit.txt", "recipe.json"],
)
@pytest.mark.parametrize("path", ["../{}", "data/\x1b[2J{}"])
def test_a_package(packed: Path, tmp_path: Path, name: str, path: str) -> None:
    package = Path(shutil.copytree(packed, tmp_path / "c" / "shelf"))
    much, said = path.format("x" * 5_000_000), (package / "manifest-sha256.txt").read_text("utf-8")
    if name.endswith("512.txt"):
        put(package / name, f"{'0' * 128}  {much}\n")
    elif name.startswith("manifest"):
        put(package / name, f"{said}{'0' * 64}  {much}\n")
    elif name == "bag-info.txt":
        much = much[:900_000]
        put(package / name, f"External-Identifier: {much}\nPayload-Oxum: {much}\n{much}: x\n")
    elif name == "bagit.txt":
        line = "Tag-File-Character-Encoding: "
        put(package / name, f"BagIt-Version: {'9' * 90_000}.0\n{line}{much[:90_000]}\n")
    else:
        recipe = json.loads((package / "data" / name).read_text("utf-8"))
        for key in ("inputs", "versions", "outputs", "log", "shared_printing"):
            recipe[key] = {much: much}
        put(package / "data" / name, json.dumps(recipe))
    if not name.startswith("tag"):
        seal(package)
    for args in (("verify", package), ("verify", package, "--json")):
        run(*args)
    if name == "recipe.json":
        run("reproduce", package)
    for args in (("catalogue", "index"), ("catalogue", "find"), ("audit",)):
        run(*args, tmp_path / "c")


def test_a_text_is_cut_in_its_middle_and_says_so() -> None:
    text = shown("begin" + "x" * 50_000_000 + "end")
    assert text.startswith("begin") and text.endswith("end")
    assert "49999708 more" in text and len(text) < 350
    assert shown("plate 7, Süd") == "plate 7, Süd" and shown("\x1b[2J") == "\\x1b[2J"
