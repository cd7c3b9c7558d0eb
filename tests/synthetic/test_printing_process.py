"""The simulated printer, process and scan: known formulas, known truth, the same every time."""

from __future__ import annotations

from dataclasses import replace

import numpy as np
import pytest

from platebench.synthetic.printing_process import (
    NO_FAULTS,
    PrinterModel,
    PrintFaults,
    PrintingProcess,
    ScanModel,
    simulate_print,
    simulate_scan,
)

RAMP = np.tile(np.linspace(0, 65535, 160).astype(np.uint16), (120, 1))
RAMP[:30, :40] = 65535  # not symmetrical in any way


def test_plain_dots_follow_murray_and_davies() -> None:
    # Half the film covered with ink of density 2: T = 0.5 + 0.5 * 0.01 = 0.505, D = 0.2967.
    printer = PrinterModel(full_density=2.0, spread=0.0, scatter=1.0)
    assert printer.film_density(0.5) == pytest.approx(0.29671, abs=5e-6)


def test_scatter_and_spread_add_density_and_keep_the_ends() -> None:
    ink = np.linspace(0, 1, 101)
    plain = PrinterModel(full_density=2.0, spread=0.0, scatter=1.0).film_density(ink)
    for other in (PrinterModel(full_density=2.0, spread=0.15, scatter=1.0),
                  PrinterModel(full_density=2.0, spread=0.0, scatter=2.0)):  # fmt: skip
        density = other.film_density(ink)
        assert (density[1:-1] > plain[1:-1]).all() and (np.diff(density) > 0).all()
        assert density[[0, -1]] == pytest.approx((0.0, 2.0))


def test_the_curve_has_its_slope_and_its_ends() -> None:
    process = PrintingProcess(d_max=1.5, scale=1.2, toe=20, shoulder=20)
    x = np.linspace(-4, 6, 5001)
    density = process.density_at(x)
    assert (np.diff(density) >= -1e-9).all()
    assert density[0] == pytest.approx(0, abs=1e-6) and density[-1] == pytest.approx(1.5, abs=1e-6)
    middle = (process.density_at(0.61) - process.density_at(0.59)) / 0.02
    assert middle == pytest.approx(1.5 / 1.2, rel=1e-3)  # sharp ends: a straight line between


def test_a_perfect_print_is_the_process_itself_turned_over() -> None:
    process = PrintingProcess()
    density = simulate_print(RAMP, 150, process, seed=1, faults=NO_FAULTS)
    assert np.allclose(density, process.print_density(1 - RAMP[:, ::-1] / 65535))
    wrong = simulate_print(RAMP, 150, process, seed=1, faults=NO_FAULTS, ink_side_on_paper=False)
    assert np.allclose(wrong, density[:, ::-1])


def test_the_same_seed_prints_and_scans_the_same() -> None:
    first, again, other = (
        simulate_print(RAMP, 150, PrintingProcess(), seed=seed) for seed in (3, 3, 4)
    )
    assert (first == again).all() and (first != other).mean() > 0.9
    assert (simulate_scan(first, 150, seed=3) == simulate_scan(again, 150, seed=3)).all()


def test_effects_do_not_disturb_one_another() -> None:
    with_specks = simulate_print(RAMP, 150, PrintingProcess(), seed=3)
    without = simulate_print(
        RAMP, 150, PrintingProcess(), seed=3, faults=replace(PrintFaults(), specks=0)
    )
    assert (with_specks == without).mean() > 0.5


def test_texture_has_the_strength_asked_for() -> None:
    even = np.full((300, 400), 30_000, np.uint16)
    faults = replace(NO_FAULTS, texture=0.03)
    density = simulate_print(even, 150, PrintingProcess(), seed=3, faults=faults)
    assert density.std() == pytest.approx(0.03, rel=0.02)


def test_tape_keeps_the_paper_white() -> None:
    mask = np.zeros(RAMP.shape, np.bool_)
    mask[80:, 100:] = True
    density = simulate_print(RAMP, 150, PrintingProcess(), seed=3, faults=NO_FAULTS, covered=mask)
    assert (density[mask] == 0).all() and density[~mask].max() > 1


@pytest.mark.parametrize(("bits", "dtype"), [(8, np.uint8), (16, np.uint16)])
def test_a_scan_is_coded_as_told(bits: int, dtype: type) -> None:
    scan = ScanModel(turn_deg=0, askew=0, margin_mm=2, noise=0, bits=bits, paper=0.8)
    codes = simulate_scan(np.full((100, 140), 0.5), 150, scan, seed=1)
    # Reflectance 0.8 * 10^-0.5 = 0.25298, coded with exponent 1 / 2.2: 0.53539 of full scale.
    assert codes.dtype == dtype
    full = np.iinfo(dtype).max
    assert codes[60, 70] / full == pytest.approx(0.25298221 ** (1 / 2.2), abs=0.6 / full)
    mirrored = simulate_scan(np.full((100, 140), 0.5), 150, replace(scan, mirrored=True), seed=1)
    assert (mirrored == codes[:, ::-1]).all()
