"""Figures of operating cycles, all mounts at once: against known instants, and mount by mount the same."""

import math

import numpy as np
import pytest

from orchestrator.analysis.contact import (
    FIGURES,
    FLAGS,
    Criteria,
    CycleFigures,
    RecordLayout,
    cycle_figures,
)
from orchestrator.analysis.waveform import Array
from tests.contact_records import Circuit, break_record, make_record

LAYOUT = RecordLayout(300, 200, 20, 80, 50e-6)
LAMP_LAYOUT = RecordLayout(300, 200, 20, 60, 100e-6)
MOTOR = Circuit(inrush=5.0, decay_s=2e-3, arc_v=13.0)
CRITERIA = Criteria(8.0, 3.6)
LAMP_CRITERIA = Criteria(8.0, 0.9, 50.0)
NEVER = 9.0


def cycle(
    circuit: Circuit,
    makes_s: tuple[float, ...] = (2e-3, 2.9e-3),
    opens_s: tuple[float, ...] = (2.4e-3,),
    parts_s: float = 1e-3,
    ends_s: float = 2e-3,
    layout: RecordLayout = LAYOUT,
    noise: float = 2e-4,
    seed: int = 0,
) -> tuple[Array, Array]:
    """One row each of voltage and current; times are from the triggers."""
    rng = np.random.default_rng(seed)
    make_s = (np.arange(layout.make_samples) - layout.make_pre + 0.4) * layout.interval_s
    break_s = (np.arange(layout.break_samples) - layout.break_pre + 0.4) * layout.interval_s
    first = make_record(make_s, circuit, makes_s, opens_s)
    second = break_record(break_s, circuit, parts_s, ends_s)
    volts, amperes = (np.concatenate(pair) for pair in zip(first, second, strict=True))
    noisy = (values + noise * 40.0 * rng.standard_normal(len(values)) for values in (volts, amperes))
    volts, amperes = noisy
    return volts, amperes


def figures(*rows: tuple[Array, Array], alternating: bool = False) -> CycleFigures:
    volts, amperes = (np.stack(side) for side in zip(*rows, strict=True))
    layout, criteria = (LAMP_LAYOUT, LAMP_CRITERIA) if alternating else (LAYOUT, CRITERIA)
    return cycle_figures(volts, amperes, layout, criteria)


def test_a_good_cycle() -> None:
    found = figures(cycle(MOTOR))

    half = LAYOUT.interval_s / 2
    assert found.make_time_s[0] == pytest.approx(2e-3, abs=half)
    assert found.bounce_time_s[0] == pytest.approx(0.9e-3, abs=2 * half)
    assert found.bounce_count[0] == 1
    assert found.break_time_s[0] == pytest.approx(2e-3, abs=half)
    assert found.arcing_s[0] == pytest.approx(1e-3, abs=2 * half)
    assert found.steady_a[0] == pytest.approx(3.6, rel=2e-3)
    assert found.drop_v[0] == pytest.approx(0.08, abs=5e-3)
    assert found.inrush_a[0] == pytest.approx(18.0, rel=0.03)
    flags = (found.open_before, found.made, found.parted, found.broke)
    assert all(flag[0] for flag in flags)
    assert not found.flowing_before[0] and not found.flowing_after[0]


@pytest.mark.parametrize("zero_ms", np.arange(0.0, 10.0, 0.65).tolist())
def test_a_good_lamp_cycle_at_every_phase(zero_ms: float) -> None:
    """The contact is open where its voltage passes through zero, and closed where its current does."""
    lamp = Circuit(110.0, 50.0, 0.9, 10.0, 6e-3, 0.05, 15.0, zero_s=zero_ms * 1e-3)
    parts_s = 1.5e-3
    ends_s = lamp.zero_s + 10e-3 * math.ceil((parts_s - lamp.zero_s) / 10e-3 + 1e-9)
    row = cycle(lamp, (4e-3,), (), parts_s, ends_s, LAMP_LAYOUT)
    found = figures(row, alternating=True)

    assert found.open_before[0] and found.made[0] and found.bounce_count[0] == 0
    assert found.make_time_s[0] == pytest.approx(4e-3, abs=3e-4)
    assert found.steady_a[0] == pytest.approx(0.9, rel=0.02)
    assert found.drop_v[0] == pytest.approx(0.05, abs=0.01)
    assert found.parted[0] and found.broke[0] and not found.flowing_after[0]
    assert found.break_time_s[0] == pytest.approx(ends_s, abs=2e-4)


def test_a_contact_that_never_makes() -> None:
    found = figures(cycle(MOTOR, makes_s=(NEVER,), opens_s=()))

    assert math.isnan(found.make_time_s[0]) and math.isnan(found.bounce_time_s[0])
    assert not found.made[0] and found.open_before[0]
    assert found.bounce_count[0] == 0


def test_a_weld_flows_after_and_has_no_break() -> None:
    found = figures(cycle(MOTOR, parts_s=NEVER, ends_s=NEVER))

    assert found.flowing_after[0] and not found.parted[0] and not found.broke[0]
    assert math.isnan(found.break_time_s[0]) and math.isnan(found.arcing_s[0])
    assert found.made[0] and found.make_time_s[0] > 0.0


def test_a_contact_closed_before_flows_before() -> None:
    found = figures(cycle(MOTOR, makes_s=(-1.0,), opens_s=()))

    assert found.flowing_before[0] and not found.open_before[0]
    assert math.isnan(found.make_time_s[0]) and found.bounce_count[0] == 0


@pytest.mark.parametrize("alternating", [False, True])
def test_without_a_load_the_contact_parts_and_no_current_ends(alternating: bool) -> None:
    """As recorded with a burnt lamp: contact voltage alone, and the noise of the current."""
    circuit = Circuit(110.0, 50.0, 0.0) if alternating else Circuit(current_a=0.0)
    layout = LAMP_LAYOUT if alternating else LAYOUT
    found = figures(cycle(circuit, parts_s=1e-3, ends_s=1e-3, layout=layout), alternating=alternating)

    assert found.parted[0] and found.broke[0] and not found.flowing_after[0]
    assert math.isnan(found.break_time_s[0]) and math.isnan(found.arcing_s[0])


def test_an_alternating_arc_just_before_the_end_of_the_record_has_ended() -> None:
    """Its last half period ends 0.5 ms before the record does; a weld flows on through every zero."""
    end_s = (LAMP_LAYOUT.break_samples - LAMP_LAYOUT.break_pre - 5) * LAMP_LAYOUT.interval_s
    lamp = Circuit(110.0, 50.0, 0.9, 10.0, 6e-3, 0.05, 15.0, zero_s=end_s)
    ended = figures(cycle(lamp, (4e-3,), (), end_s - 9e-3, end_s, LAMP_LAYOUT), alternating=True)
    welded = figures(cycle(lamp, (4e-3,), (), NEVER, NEVER, LAMP_LAYOUT), alternating=True)

    assert ended.broke[0] and ended.arcing_s[0] == pytest.approx(9e-3, abs=4e-4)
    assert welded.flowing_after[0] and not welded.parted[0]


def test_an_arc_that_outlasts_the_record_parted_but_did_not_break() -> None:
    found = figures(cycle(MOTOR, ends_s=NEVER))

    assert found.parted[0] and found.flowing_after[0] and not found.broke[0]
    assert math.isnan(found.arcing_s[0])


def test_a_bounce_that_outlasts_the_record_has_no_end() -> None:
    makes_s = tuple(2e-3 + 0.8e-3 * k for k in range(20))
    found = figures(cycle(MOTOR, makes_s, tuple(at + 0.5e-3 for at in makes_s)))

    assert math.isfinite(found.make_time_s[0])
    assert math.isnan(found.bounce_time_s[0]) or found.bounce_count[0] > 10


def test_a_drop_out_while_on_is_not_made() -> None:
    volts, amperes = cycle(MOTOR)
    on = slice(LAYOUT.make_samples, LAYOUT.make_samples + LAYOUT.break_pre)
    volts[on], amperes[on] = 24.0, 0.0

    assert not figures((volts, amperes)).made[0]


def test_many_mounts_are_each_what_they_are_alone() -> None:
    rows = [cycle(MOTOR, makes_s=(1e-3 + 5e-5 * k,), opens_s=(), seed=k) for k in range(40)]
    rows += [
        cycle(MOTOR, makes_s=(NEVER,), opens_s=()),
        cycle(MOTOR, parts_s=NEVER, ends_s=NEVER),
        cycle(MOTOR, makes_s=(-1.0,), opens_s=()),
        cycle(Circuit(drop_v=0.5, current_a=1.0)),
    ]
    together, alone = figures(*rows), [figures(row) for row in rows]

    for name in (*FIGURES, *FLAGS):
        one_by_one = np.concatenate([getattr(each, name) for each in alone])
        np.testing.assert_array_equal(getattr(together, name), one_by_one, err_msg=name)


def test_many_lamps_are_each_what_they_are_alone() -> None:
    lamps = [Circuit(110.0, 50.0, 0.9, 10.0, 6e-3, 0.05, zero_s=1e-3 * k) for k in range(12)]
    rows = [cycle(lamp, (4e-3,), (), 1.5e-3, 1.5e-3, LAMP_LAYOUT, seed=k) for k, lamp in enumerate(lamps)]
    together = figures(*rows, alternating=True)

    for k, row in enumerate(rows):
        alone = figures(row, alternating=True)
        assert together.make_time_s[k] == alone.make_time_s[0]
        assert together.drop_v[k] == pytest.approx(alone.drop_v[0], rel=1e-12)


def test_polarity_does_not_matter() -> None:
    volts, amperes = cycle(MOTOR)
    plus, minus = figures((volts, amperes)), figures((-volts, -amperes))

    for name in (*FIGURES, *FLAGS):
        np.testing.assert_array_equal(getattr(plus, name), getattr(minus, name), err_msg=name)


def test_a_record_of_another_shape_is_an_error() -> None:
    volts = np.zeros((1, 499))
    with pytest.raises(ValueError, match="do not fit 500 samples"):
        cycle_figures(volts, volts, LAYOUT, CRITERIA)
