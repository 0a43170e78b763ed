"""Local fits, scans over raw codes, wording and units: the parts the figures stand on."""

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st

from orchestrator.analysis.column_units import base_and_factor
from orchestrator.analysis.local_fit import fit
from orchestrator.analysis.trace import PIECE, Points, Trace
from orchestrator.analysis.wording import spoken


def test_a_cubic_is_read_exactly() -> None:
    x = np.arange(100.0, 141.0)
    cubic = fit(100.0, 0.001 * (x - 120.0) ** 3 + 0.5 * (x - 120.0) + 7.0, 3)

    assert cubic.value(123.4) == pytest.approx(0.001 * 3.4**3 + 0.5 * 3.4 + 7.0)
    assert cubic.slope(123.4) == pytest.approx(0.003 * 3.4**2 + 0.5)
    assert cubic.crossing(7.0, 119.0) == pytest.approx(120.0)
    assert cubic.crossing(1000.0, 119.0) is None
    assert cubic.residual_rms < 1e-9


def test_the_crest_of_a_parabola_lies_between_samples() -> None:
    x = np.arange(50.0)
    curve = fit(0.0, 10.0 - 0.01 * (x - 21.3) ** 2, 3)

    assert curve.crest() == pytest.approx(21.3, abs=1e-6)
    assert curve.value(curve.crest()) == pytest.approx(10.0)


def test_a_crest_at_the_end_of_the_window_is_the_end() -> None:
    assert fit(0.0, np.arange(10.0), 3).crest() == pytest.approx(9.0)


def test_the_noise_factor_is_what_noise_does() -> None:
    """2,000 seeded fits of pure noise against the covariance of the fit."""
    rng = np.random.default_rng(5)
    fits = [fit(0.0, rng.standard_normal(31), 3) for _ in range(2000)]

    for at in (15.0, 3.0, 30.0):
        spread = np.std([each.value(at) for each in fits])
        assert spread == pytest.approx(fits[0].noise_factor(at), rel=0.06)


def test_block_means_carry_the_same_figures_and_less_noise() -> None:
    x = np.arange(4000.0)
    values = np.sin(x / 3000.0)
    trace = Trace(values, 1.0, 0.0)
    whole, means = trace.points(0, 4000, 4000), trace.points(0, 4000, 100)

    assert (whole.block, means.block, len(means.values)) == (1, 40, 100)
    fine, coarse = fit(0.0, whole.values, 3), fit(means.first, means.values, 3, means.block)
    assert coarse.value(2000.0) == pytest.approx(fine.value(2000.0), abs=1e-4)
    assert coarse.noise_factor(2000.0) == pytest.approx(fine.noise_factor(2000.0), rel=0.02)


@pytest.mark.parametrize("sign", [1.0, -1.0])
@pytest.mark.parametrize("at", [0, 5, PIECE - 1, PIECE, PIECE + 1, 2 * PIECE + 7])
def test_scans_find_the_same_sample_wherever_a_piece_ends(sign: float, at: int) -> None:
    codes = np.zeros(2 * PIECE + 50, dtype=np.int16)
    codes[at] = round(sign * 90)
    trace = Trace(codes, sign, 0.0)

    assert trace.first_reaching(50.0, 0) == at
    assert trace.first_under(0.5, at) == at + 1
    assert trace.last_under(0.5, at + 1) == (at - 1 if at else None)
    assert trace.first_jump(50.0, 0, len(codes)) == (at if at else None)
    assert trace.first_mean_under(-1.0, 0, 8) is None
    assert trace.first_reaching(100.0, 0) is None


@given(st.integers(1, 40), st.floats(0.5, 30.0))
def test_a_moving_mean_keeps_a_straight_line(count: int, width: float) -> None:
    line = Points(0.0, 1, np.arange(float(count)))
    smoothed = line.smoothed(width).values
    half = int(width / 2)

    assert smoothed[half : count - half] == pytest.approx(line.values[half : count - half])


WORDS = [
    ((1699.26, "V", 9.21), "1.6993 kV +- 0.0092 kV"),
    ((-1699.26, "V", 92.1), "-1.699 kV +- 0.092 kV"),
    ((1.1842e-6, "s", 2.2e-8), "1.184 us +- 0.022 us"),
    ((0.33655, "1", 0.0055), "33.66 % +- 0.55 %"),
    ((52.37e-3, "C", None), "52.37 mC"),
    ((0.0, "1", None), "0 %"),
    ((0.0, "V", 0.5), "0 mV +- 500 mV"),
    ((999.9999, "A", None), "1000 A"),
    ((2e-15, "s", None), "0.002 ps"),
]


@pytest.mark.parametrize(("figure", "words"), WORDS)
def test_figures_are_written_as_a_laboratory_writes_them(
    figure: tuple[float, str, float | None], words: str
) -> None:
    assert spoken(*figure) == words


@pytest.mark.parametrize(
    ("unit", "base"),
    [("kV", ("V", 1e3)), ("us", ("s", 1e-6)), ("A", ("A", 1.0)), ("mH", ("mH", 1.0)), ("xV", ("xV", 1.0))],
)
def test_units(unit: str, base: tuple[str, float]) -> None:
    assert base_and_factor(unit) == base
