"""The profiles that come along: all there, every number marked, every caution present."""

from __future__ import annotations

import tomllib

import pytest

from platebench.core.cautions import CAUTIONS, FIRST
from platebench.exposing.processing import HAZARDS
from platebench.printing.process import Process, Status
from platebench.printing.process_file import list_processes, load_process, process_folders

FOLDERS = process_folders(None, None)
NAMES = list_processes(FOLDERS)

# What each process works with, from memory of the processes themselves: silver salts coated by
# hand, chromium(VI) as the sensitiser, ferricyanide, salts of platinum metals.
WORKS_WITH = {
    "albumen": {"silver nitrate"},
    "carbon": {"dichromate"},
    "cyanotype-citrate": {"ferricyanide"},
    "cyanotype-oxalate": {"ferricyanide", "oxalate"},
    "gum": {"dichromate"},
    "kallitype": {"silver nitrate", "fixer"},
    "palladium": {"platinum salts"},
    "platinum": {"platinum salts"},
    "platinum-palladium": {"platinum salts"},
    "printing-out-paper": {"fixer"},
    "salted-paper": {"silver nitrate"},
    "silver-gelatin": {"developer", "fixer"},
    "silver-gelatin-filters": {"developer", "fixer"},
    "van-dyke-brown": {"silver nitrate"},
}


@pytest.fixture(params=NAMES)
def process(request: pytest.FixtureRequest) -> Process:
    return load_process(request.param, FOLDERS)


def test_every_process_asked_for_is_there() -> None:
    assert set(WORKS_WITH) == set(NAMES)


def test_every_number_has_a_status_and_sourced_ones_a_source(process: Process) -> None:
    for scale in process.scales:
        assert all(isinstance(status, Status) for status in scale.status)
        assert scale.marks()
        if {Status.FOUND, Status.SECOND_HAND} & set(scale.status):
            assert scale.source


def test_nothing_that_comes_along_claims_to_be_tested(process: Process) -> None:
    assert all(Status.TESTED not in scale.status for scale in process.scales)


def test_middles_are_middles(process: Process) -> None:
    for scale in process.scales:
        if scale.status[1] is Status.MIDDLE:
            assert scale.typical == pytest.approx((scale.low + scale.high) / 2, abs=1e-9)


def test_cautions_are_present(process: Process) -> None:
    assert WORKS_WITH[process.name] | {"glass"} <= set(process.hazards)
    if process.light == "ultraviolet":
        assert "ultraviolet" in process.hazards


def test_only_silver_papers_have_grades_and_print_by_blue_light(process: Process) -> None:
    graded = process.name.startswith("silver-gelatin")
    assert (process.light == "blue") is graded
    assert all(bool(scale.grade) is graded for scale in process.scales)


def test_files_say_how_to_replace_them(process: Process) -> None:
    text = process.path.read_text(encoding="utf-8")
    assert "docs/which-print.md" in text and tomllib.loads(text)["title"] == process.title


# The starting values of the project's research, whose own status is "from memory".
@pytest.mark.parametrize(
    ("name", "low", "high"),
    [
        ("salted-paper", 1.8, 2.2),
        ("albumen", 1.8, 2.1),
        ("printing-out-paper", 1.5, 1.9),
        ("cyanotype-citrate", 1.1, 1.5),
        ("cyanotype-oxalate", 1.6, 2.4),
        ("platinum", 1.4, 1.7),
        ("palladium", 1.8, 2.2),
        ("platinum-palladium", 1.6, 1.8),
        ("van-dyke-brown", 1.8, 2.2),
        ("kallitype", 1.5, 2.0),
        ("carbon", 1.0, 2.5),
        ("gum", 0.6, 1.1),
    ],
)
def test_starting_values(name: str, low: float, high: float) -> None:
    (scale,) = load_process(name, FOLDERS).scales
    assert (scale.low, scale.high) == (low, high)
    assert scale.status == (Status.MEMORY, Status.MIDDLE, Status.MEMORY)


def test_official_limits_have_a_source_and_what_has_none_says_so() -> None:
    for caution in CAUTIONS.values():
        assert bool(caution.limit) == bool(caution.source)
        assert caution.limit or "from memory" in caution.text
    # 29 CFR 1910.1000 table Z-1 as on OSHA's page; ICNIRP 2004, Health Physics 87:171.
    assert "0.01 mg/m³" in CAUTIONS["silver nitrate"].limit
    assert "0.005 mg/m³" in CAUTIONS["dichromate"].limit
    assert "30 J/m²" in CAUTIONS["ultraviolet"].limit
    assert "HCN" in CAUTIONS["ferricyanide"].text and "acid" in CAUTIONS["ferricyanide"].text
    assert "safety data sheet" in FIRST and "local rules" in FIRST


def test_where_limits_differ_the_stricter_is_named() -> None:
    # NIOSH REL of chromium(VI) and the unweighted limit of ultraviolet A: from memory, and say so.
    for hazard, number in (("dichromate", "0.0002 mg/m³"), ("ultraviolet", "10,000 J/m²")):
        caution = CAUTIONS[hazard]
        assert number in caution.stricter and "from memory" in caution.stricter
        assert any(caution.stricter in line for line in caution.lines())
    assert pytest.approx(25) == 0.005 / 0.0002  # as the caution says
    # ICNIRP 2004: 30 J/m² weighted; S(365 nm) = 0.00011, from memory. What 365 nm alone may reach:
    assert pytest.approx(27, abs=0.5) == 30 / 0.00011 / 10_000
    assert "27 times" in CAUTIONS["ultraviolet"].stricter
    assert "UV-blocking eyewear" in CAUTIONS["ultraviolet"].text


def test_developing_has_the_cautions_of_its_further_baths() -> None:
    assert {"stop bath", "fixer", "reducer", "intensifier"} <= set(HAZARDS)
    assert set(HAZARDS) <= set(CAUTIONS)
