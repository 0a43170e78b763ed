"""One mount alone has the figures and the finding, to the last bit, that it has among several."""

import numpy as np
import pytest

from orchestrator.analysis.contact import FIGURES, FLAGS, cycle_figures, figures_of_codes
from orchestrator.analysis.diagnosis import CODE, Seen, diagnose
from orchestrator.analysis.waveform import Array
from tests.studies.cycle_records import CAUSES, GATE, LANTERN, Bench, drawn_cycle, record

EACH = 25
FIELDS = (*FIGURES, *FLAGS)


def assert_same(bench: Bench, volts: Array, amperes: Array) -> None:
    together = cycle_figures(volts, amperes, bench.layout, bench.criteria)
    supply_v = bench.supply_v
    seen = Seen(supply_v, 0.99 * supply_v, 0.98 * supply_v, supply_v)
    codes = diagnose(together, seen, bench.expected)
    for place in range(len(volts)):
        one = slice(place, place + 1)
        alone = cycle_figures(volts[one], amperes[one], bench.layout, bench.criteria)
        for name in FIELDS:
            found, wanted = getattr(alone, name), getattr(together, name)[one]
            assert found.dtype == wanted.dtype and found.shape == wanted.shape
            if bench.criteria.ac_hz and name in (
                "steady_a",
                "drop_v",
            ):  # a product of matrices: in another order
                assert found == pytest.approx(wanted, rel=1e-12)
            else:
                np.testing.assert_array_equal(found, wanted, err_msg=f"{name} of {place}")
        np.testing.assert_array_equal(alone.rows[:4], together.rows[:4, one])
        assert diagnose(alone, seen, bench.expected) == codes[one]


@pytest.mark.parametrize("bench", [GATE, LANTERN], ids=["direct", "alternating"])
@pytest.mark.parametrize("label", CAUSES)
def test_of_every_cause(bench: Bench, label: str) -> None:
    drawn = np.random.default_rng(CODE[label])
    pairs = [record(bench, drawn_cycle(bench, label, drawn), drawn) for _ in range(EACH)]
    assert_same(bench, *(np.stack(side) for side in zip(*pairs, strict=True)))


@pytest.mark.parametrize("bench", [GATE, LANTERN], ids=["direct", "alternating"])
def test_of_records_that_make_no_sense(bench: Bench) -> None:
    """Steps and slopes anywhere, noise about every level, and nothing at all."""
    drawn = np.random.default_rng(3)
    samples = bench.layout.samples
    steps = np.repeat(drawn.choice([0.0, 0.05, 7.9, 8.1, 30.0], (60, samples // 10)), 10, axis=1)
    slopes = np.cumsum(drawn.choice([-1.5, 0.0, 1.5], (60, samples)), axis=1)
    volts = np.concatenate((steps, slopes, np.zeros((1, samples)), np.full((1, samples), 24.0)))
    amperes = np.concatenate((slopes[::-1] / 10, steps[::-1] / 10, np.zeros((2, samples))))
    noise = drawn.standard_normal((2, *volts.shape))
    assert_same(bench, volts + 0.02 * noise[0], amperes + 0.005 * noise[1])


@pytest.mark.parametrize("mounts", [1, 3])
def test_codes_are_scaled_before_anything_else(mounts: int) -> None:
    drawn = np.random.default_rng(4)
    pairs = [record(GATE, drawn_cycle(GATE, "ok", drawn), drawn) for _ in range(mounts)]
    volts, amperes = (np.stack(side) for side in zip(*pairs, strict=True))
    per_v, per_a = 40.0 / 32768, 41.0 / 32768
    codes = np.stack((np.rint(volts / per_v), np.rint(amperes / per_a)), axis=1).astype(np.int16)
    found = figures_of_codes(codes, per_v, per_a, GATE.layout, GATE.criteria)
    wanted = cycle_figures(codes[:, 0] * per_v, codes[:, 1] * per_a, GATE.layout, GATE.criteria)
    np.testing.assert_array_equal(found.rows, wanted.rows)
    np.testing.assert_array_equal(found.flags, wanted.flags)
