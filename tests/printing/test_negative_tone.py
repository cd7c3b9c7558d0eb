"""Tones of a print negative, followed through a simulated process back to the print."""

from pathlib import Path

import numpy as np
import pytest
from skimage.color import xyz2lab

from platebench.printing.negative_tone import (
    print_density,
    table_from_plate,
    table_from_positive,
    wedge_inks,
)
from platebench.printing.process import (
    ExposureScale,
    PrintResponse,
    Process,
    ProcessCalibration,
    Status,
    response_of,
)

INK = np.linspace(0, 1, 41)
# A process nobody told the code of: an S curve behind a printer that lays ink on unevenly.
S_CURVE = 1.45 / (1 + np.exp(9 * (INK**0.7 - 0.45)))
S_CURVE -= S_CURVE[-1]
MEASURED = PrintResponse(ink=tuple(INK), density=tuple(S_CURVE), calibrated=True)
CODES = np.arange(65536)
LUMINANCE = (CODES / 65535) ** 2.2


def process(calibrated: PrintResponse | None = None) -> Process:
    known = calibrated and ProcessCalibration(
        response=calibrated, prints=(), residual=0.0, noise=0.0, evenness=0.0
    )
    return Process(
        name="test",
        title="test",
        light="ultraviolet",
        scales=(ExposureScale(low=1.5, typical=1.6, high=1.7, status=(Status.TESTED,) * 3),),
        contrast="",
        hazards=(),
        cautions=(),
        path=Path("test.toml"),
        calibration=known,
    )


def lightness(luminance: np.ndarray) -> np.ndarray:
    """CIE L* by scikit-image: an independent hand on the same definition."""
    grey = np.asarray(luminance)[..., None] * np.array([0.9642, 1.0, 0.8251])
    return xyz2lab(grey, illuminant="D50")[..., 0]


def print_through(table: np.ndarray, response: PrintResponse) -> np.ndarray:
    """Density of the print: ink by the file's definition, then the measured curve's own points."""
    ink = 1 - table / 65535
    return np.interp(ink, INK, response.density_of(INK))


@pytest.mark.parametrize(
    "response", [MEASURED, response_of(process())], ids=["measured", "profile"]
)
def test_the_print_shows_the_positives_lightness_between_its_own_black_and_white(response):
    table = table_from_positive(LUMINANCE, response)
    printed = lightness(10 ** -response.density_of(1 - table / 65535))
    black = lightness(10**-response.d_max)
    wanted = black + (100 - black) * lightness(LUMINANCE) / 100
    assert np.abs(printed - wanted).max() < 0.1  # L*; contract of the loop: 2


def test_the_tables_ends_are_clear_film_and_held_back_white():
    table = table_from_positive(LUMINANCE, MEASURED)
    printed = print_through(table, MEASURED)
    assert printed[0] == pytest.approx(MEASURED.d_max, abs=0.002)
    assert printed[-1] == pytest.approx(0.0, abs=0.002)


def test_tables_never_turn_round_and_hold_enough_steps():
    for response in (MEASURED, response_of(process())):
        table = table_from_positive(LUMINANCE, response).astype(int)
        assert (np.diff(table) <= 0).all()
        assert np.unique(table).size >= 4000  # of a 16-bit positive


def test_ink_that_does_not_hold_white_maps_to_what_can_be_reached():
    weak = PrintResponse(ink=(0.0, 0.5, 1.0), density=(1.4, 0.8, 0.3))
    reached = print_density(np.array([0.0, 100.0]), weak)
    assert reached == pytest.approx([1.4, 0.3], abs=1e-9)
    inner = print_density(np.array([25.0, 50.0, 75.0]), weak)
    ends = lightness(10**-1.4), lightness(10**-0.3)
    assert lightness(10**-inner) == pytest.approx(np.interp([25, 50, 75], [0, 100], ends), abs=0.01)


def test_facsimile_makes_film_density_the_plates_own_where_nothing_is_calibrated():
    """Film density taken as proportional to ink: ink must be the plate's density, to scale."""
    density = np.linspace(0.0, 3.0, 65536)
    table = table_from_plate(10**-density, process(), black_at=0.4, white_at=1.9)
    ink = 1 - table / 65535
    assert ink == pytest.approx(np.clip((density - 0.4) / 1.5, 0, 1), abs=0.004)


def test_facsimile_through_a_measured_printer_prints_as_the_plate_would():
    """The process's own curve, at full black of the measured process, for shares of its scale."""
    share = np.linspace(0.0, 1.0, 65536)
    table = table_from_plate(10 ** -(0.3 + 1.2 * share), process(MEASURED),
                             black_at=0.3, white_at=1.5)  # fmt: skip
    printed = MEASURED.density_of(1 - table / 65535)
    curve = process().print_curve
    ideal = MEASURED.d_max * np.interp(1 - share, curve.exposure, curve.tone)
    assert np.abs(printed - ideal).max() < 0.02  # straight pieces against the smooth curve


def test_facsimile_needs_a_range():
    with pytest.raises(ValueError, match="white_at"):
        table_from_plate(np.ones(4), process(), black_at=1.0, white_at=1.0)


def test_the_wedge_runs_from_black_to_white_in_even_lightness():
    inks = wedge_inks(MEASURED)
    printed = lightness(10 ** -MEASURED.density_of(inks))
    assert inks[0] == 0 and inks[-1] == 1
    assert np.diff(printed)[1:-1] == pytest.approx(np.diff(printed)[1:-1].mean(), abs=0.2)
