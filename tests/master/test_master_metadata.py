"""What a master says of itself, read by exiv2: an independent metadata library."""

from __future__ import annotations

import json
import re
from datetime import datetime
from io import BytesIO
from pathlib import Path

import exifread
import exiv2
import numpy as np
import pytest
from click.testing import CliRunner
from PIL import Image as PillowImage

from platebench.cli import main
from platebench.plate_log.entry import LogEntry, StepNoted
from platebench.write.xmp import PLATE_NAMESPACE, HistoryStep, PictureNote, xmp_packet

from ..session_files import write_session

ENTRY = LogEntry(
    plate_id="box-4-07",
    title="Mill & weir <east>",
    place="Mühlgasse",
    date="1893-05",
    holder="No. 2",
    emulsion="bromide",
    batch="14",
    coated_on="1893~",
    light="clear sky",
    metered_s=0.5,
    given_s=1.0,
    f_number=16.0,
    lens="rapid rectilinear",
    bellows_mm=205.0,
    developer="metol",
    dilution="1+9",
    temperature_c=20.0,
    develop_s=300.0,
    fixing="5 min",
    washing="15 min",
    notes="first of\nthe batch",
    more=(("shelf", "A 3"),),
    steps=(StepNoted(name="develop", time_s=300, temperature_c=20, day="1893-05-12"),),
)
NOTE = PictureNote(
    identifier="box-4-07",
    title=ENTRY.title,
    description="Archive master",
    role="master",
    tool="platebench 0.2.0",
    digitised=datetime(2026, 3, 4, 15, 6, 7),
    camera="bench camera",
    exposure_s=0.125,
    f_number=5.6,
    iso=100.0,
    focal_length_mm=90.0,
    ppi=1999.75,
    plate_format="13x18 cm",
    base_fog=0.21,
    d_max=1.74,
    formula="D = -log10(value / 60000)",
    pixels_sha256="0" * 64,
    sources=(("a.dng", "1" * 64),),
    flags=("corner chipped",),
    settings={"light": "blank"},
    entry=ENTRY,
    history=(
        HistoryStep(
            action="created", parameters="capture", agent="bench camera", when="2026-03-04T15:06:07"
        ),
        HistoryStep(action="cropped", parameters="cut", agent="platebench 0.2.0"),
    ),
)


@pytest.fixture(scope="module", autouse=True)
def our_namespace() -> None:
    exiv2.XmpProperties.registerNs(PLATE_NAMESPACE, "plate")


def opened(packet: bytes) -> exiv2.Image:
    """Return a picture that holds a packet, as exiv2 reads it."""
    stream = BytesIO()
    pixel = PillowImage.fromarray(np.zeros((1, 1), np.uint16))
    pixel.save(stream, "TIFF", tiffinfo={700: packet})
    image = exiv2.ImageFactory.open(stream.getvalue())
    image.readMetadata()
    return image


def said(packet: bytes) -> dict[str, str]:
    return {datum.key(): datum.toString() for datum in opened(packet).xmpData()}


LISTS = {exiv2.TypeId.xmpBag: "Bag", exiv2.TypeId.xmpSeq: "Seq"}


def test_every_property_of_a_standard_has_the_type_the_standard_s_list_gives() -> None:
    """exiv2 carries the property lists of the XMP, IPTC and Exif specifications."""
    listed = []
    image = opened(xmp_packet(NOTE))
    for datum in image.xmpData():
        key = datum.key()
        if key.startswith("Xmp.plate.") or "[" in key:  # ours; parts of a structure
            continue
        assert exiv2.XmpProperties.propertyInfo(exiv2.XmpKey(key)) is not None, key
        expected = exiv2.XmpProperties.propertyType(exiv2.XmpKey(key))
        if datum.toString().startswith("type="):  # a list of structures
            assert datum.toString() == f'type="{LISTS[expected]}"', key
        else:
            assert datum.typeId() == expected, key
        listed.append(key)
    assert len(listed) == 17


def test_the_plate_s_date_and_the_digitising_s_are_never_mixed_up() -> None:
    found = said(xmp_packet(NOTE))
    historic = {key for key, value in found.items() if value.startswith("1893")}
    digital = {key for key, value in found.items() if value.startswith("2026")}
    assert historic == {
        "Xmp.photoshop.DateCreated",  # IPTC: when the content was created
        "Xmp.iptcExt.ArtworkOrObject[1]/Iptc4xmpExt:AODateCreated",
        "Xmp.plate.DateExposed",
        "Xmp.plate.DateCoated",
    }
    assert digital == {
        "Xmp.xmp.CreateDate",
        "Xmp.exif.DateTimeDigitized",
        "Xmp.xmpMM.History[1]/stEvt:when",
    }
    assert not [key for key in found if "DateTimeOriginal" in key or key == "Xmp.dc.date"]


def test_every_field_is_documented() -> None:
    documented = (Path(__file__).parents[2] / "docs" / "xmp-fields.md").read_text(encoding="utf-8")
    uncertain = PictureNote(identifier="p", entry=LogEntry(plate_id="p", date="1893~"))
    packets = xmp_packet(NOTE) + xmp_packet(uncertain)
    written = set(re.findall(r"<((?!x:|rdf:)\w+:\w+)", packets.decode()))
    assert len(written) > 50
    assert sorted(name for name in written if f"`{name}`" not in documented) == []


@pytest.mark.parametrize("date", ["1893~", "189X", "1893?/1895", "../1895"])
def test_an_uncertain_date_stands_only_where_text_may(date: str) -> None:
    entry = LogEntry(plate_id="p", date=date)
    found = said(xmp_packet(PictureNote(identifier="p", entry=entry)))
    assert {key for key, value in found.items() if value == date} == {
        "Xmp.iptcExt.ArtworkOrObject[1]/Iptc4xmpExt:AOCircaDateCreated",
        "Xmp.plate.DateExposed",
    }
    assert "Xmp.photoshop.DateCreated" not in found


def test_every_field_of_the_log_travels() -> None:
    text = xmp_packet(NOTE).decode()
    found = said(xmp_packet(NOTE))
    ours = {key.removeprefix("Xmp.plate."): value for key, value in found.items()}
    assert ours["GivenSeconds"] == "1" and ours["MeteredSeconds"] == "0.5"
    assert ours["FNumber"] == "16" and ours["BellowsMillimetres"] == "205"
    assert ours["DeveloperCelsius"] == "20" and ours["DevelopedSeconds"] == "300"
    assert ours["Notes"] == "first of\nthe batch"
    assert ours["LogColumns"] == "shelf = A 3"
    assert ours["ProcessingSteps"] == "develop, 300 s, 20 C, 1893-05-12"
    assert found["Xmp.iptc.Location"] == "Mühlgasse"
    assert found["Xmp.dc.title"] == 'lang="x-default" Mill & weir <east>'
    for key, value in ENTRY.to_json().items():
        if isinstance(value, str) and key != "plate_id":
            plain = value.replace("&", "&amp;").replace("<", "&lt;").replace(">", "&gt;")
            assert f">{plain}<" in text, key


def test_a_session_s_masters_are_read_by_others(tmp_path: Path) -> None:
    session = write_session(tmp_path / "shelf", names=("tall",))
    (session / "plates.csv").write_text("plate id;title;date\ntall;Mühle;1893~\n", "utf-8-sig")
    result = CliRunner().invoke(main, ["master", str(session), "--jobs", "1", "--json"])
    assert result.exit_code == 0, result.output
    path = session / "masters" / "tall.tif"
    image = exiv2.ImageFactory.open(str(path))
    image.readMetadata()
    exif = {datum.key(): datum.toString() for datum in image.exifData()}
    xmp = {datum.key(): datum.toString() for datum in image.xmpData()}
    record = json.loads(path.with_suffix(".json").read_text(encoding="utf-8"))
    formula = "D = -log10(value / 60000)"
    assert formula in exif["Exif.Image.ImageDescription"]
    assert (
        xmp["Xmp.dc.description"].removeprefix('lang="x-default" ')
        == (exif["Exif.Image.ImageDescription"])
    )
    assert xmp["Xmp.plate.DensityFormula"] == record["master"]["density"] == formula
    assert xmp["Xmp.plate.PixelsSHA256"] == record["master"]["pixels_sha256"]
    assert xmp["Xmp.dc.title"] == 'lang="x-default" Mühle'
    assert exif["Exif.Image.DocumentName"] == "tall"
    assert exif["Exif.Image.DateTime"] == "2026:03:01 12:01:00"  # as write_session took it
    assert xmp["Xmp.xmp.CreateDate"] == "2026-03-01T12:01:00"
    # TIFF 6.0 baseline greyscale: 16 bits, not compressed, black is zero, one picture.
    assert (exif["Exif.Image.BitsPerSample"], exif["Exif.Image.Compression"]) == ("16", "1")
    assert exif["Exif.Image.PhotometricInterpretation"] == "1"
    with path.open("rb") as stream:
        assert path.read_bytes()[:4] == b"II*\0"  # classic, not BigTIFF
        tags = exifread.process_file(stream, details=False)
    assert tags["Image Model"].values == exif["Exif.Image.Model"]
    sources = dict(re.findall(r"(\w+\.dng) = ([0-9a-f]{64})", xmp["Xmp.plate.SourcesSHA256"]))
    assert sources == record["inputs"]
    assert [event["eventType"] for event in record["events"]][:2] == ["capture", "modification"]
    assert record["events"][0]["eventDateTime"] == "2026-03-01T12:01:00"
    assert not [e for e in record["events"][1:] if "eventDateTime" in e]


def test_masters_that_are_unchanged_stay_and_those_of_somebody_are_kept(tmp_path: Path) -> None:
    session = write_session(tmp_path / "shelf", names=("tall",))
    run = ["master", str(session), "--jobs", "1"]
    assert "1 written" in CliRunner().invoke(main, run).output
    path = session / "masters" / "tall.tif"
    stamp = path.stat().st_mtime_ns
    assert "1 unchanged" in CliRunner().invoke(main, run).output
    assert path.stat().st_mtime_ns == stamp
    path.write_bytes(path.read_bytes() + b"somebody's own")
    refused = CliRunner().invoke(main, run)
    assert refused.exit_code == 12
    assert "it has been changed since it was made, and is left as it is" in refused.output
    assert path.read_bytes().endswith(b"somebody's own")
    assert "1 written" in CliRunner().invoke(main, [*run, "--force"]).output
    assert not path.read_bytes().endswith(b"somebody's own")


def test_a_run_that_was_killed_is_taken_up_and_other_files_of_the_name_are_kept(
    tmp_path: Path,
) -> None:
    session = write_session(tmp_path / "shelf", names=("tall",))
    run = ["master", str(session), "--jobs", "1"]
    assert CliRunner().invoke(main, run).exit_code == 0
    record = session / "masters" / "tall.json"
    before = record.read_bytes()
    record.unlink()  # killed between master and record
    assert "1 written" in CliRunner().invoke(main, run).output
    assert record.read_bytes() == before
    elsewhere = tmp_path / "elsewhere"
    elsewhere.mkdir()
    (elsewhere / "tall.jpg").write_bytes(b"somebody's own")
    refused = CliRunner().invoke(main, [*run, "--output", str(elsewhere)])
    assert refused.exit_code == 12
    assert [path.name for path in elsewhere.iterdir()] == ["tall.jpg"]
    # A failure leaves master and record of the earlier run as they were.
    (session / "tall.dng").write_bytes(b"")
    assert CliRunner().invoke(main, run).exit_code == 10
    assert record.read_bytes() == before
