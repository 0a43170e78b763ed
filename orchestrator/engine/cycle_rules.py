"""From the files to what the analysis of a cycle takes: layout, criteria, expectations, uncertainties."""

from __future__ import annotations

import math
from collections.abc import Callable
from dataclasses import asdict
from typing import TYPE_CHECKING, Any

from orchestrator.analysis.contact import Criteria, RecordLayout
from orchestrator.analysis.diagnosis import Expected, Seen

if TYPE_CHECKING:
    from drivers.equipment.protocols import CycleRecord
    from orchestrator.analysis.contact import CycleFigures
    from orchestrator.engine.mounts import Mounts

COVERAGE = 2.0
DROP_BAD_PART = 0.05  # of the supply: a closed contact that keeps so much for itself is no contact


def layout_of(recorder: Any) -> RecordLayout:
    """How a record is laid out, by the bench file."""
    return RecordLayout(
        make_samples=recorder.make_samples,
        break_samples=recorder.break_samples,
        make_pre=recorder.make_pre,
        break_pre=recorder.break_pre,
        interval_s=1.0 / recorder.sample_rate,
    )


def criteria_of(each: Any, load: Any) -> Criteria:
    """When a contact counts as open, and what flows when it is closed."""
    return Criteria(
        open_above_v=float(each.open_above), rated_a=float(load.current), ac_hz=float(load.frequency)
    )


def expected_of(each: Any, load: Any) -> Expected:
    """What a sound supply, load and contact show."""
    return Expected(
        supply_v=float(load.supply),
        current_low_a=float(each.current.low),
        current_high_a=float(each.current.high),
        drop_bad_v=DROP_BAD_PART * float(load.supply),
    )


def seen_of(record: CycleRecord, figures: CycleFigures) -> Seen:
    """What the recorder's slow channels saw beside the contacts; the position was confirmed before.

    It has one channel for the load. With several mounts each load has what its own contact leaves it of the supply.
    """
    several = figures.mounts > 1
    return Seen(
        supply_before_v=record.supply_before_v,
        supply_on_v=record.supply_on_v,
        load_on_v=record.supply_on_v - figures.drop_v if several else record.load_on_v,
        supply_after_v=record.supply_after_v,
        position_ok=True,
    )


Uncertainty = Callable[[float], tuple[float, float]]


def uncertainties_of(recorder: Any) -> dict[str, Uncertainty]:
    """Expanded uncertainty of each figure of a cycle by the recorder's stated accuracy, coverage factor 2.

    Times: two rectangular halves of a sample each. Voltage and current: gain of the reading and offset of the range,
    both rectangular. (JCGM 100, 4.3.7.)
    """
    time_u = COVERAGE * math.sqrt(2) * (0.5 / recorder.sample_rate) / math.sqrt(3)

    def of_time(value: float) -> tuple[float, float]:
        return time_u, COVERAGE

    return {
        **dict.fromkeys(("make_time", "bounce_time", "break_time", "arcing_time"), of_time),
        "contact_drop": _of_channel(recorder.voltage),
        "inrush": _of_channel(recorder.current),
        "steady_current": _of_channel(recorder.current),
    }


def _of_channel(channel: Any) -> Uncertainty:
    offset = channel.accuracy.offset * float(channel.range)

    def of(value: float) -> tuple[float, float]:
        return COVERAGE * math.hypot(channel.accuracy.gain * value, offset) / math.sqrt(3), COVERAGE

    return of


def lifetime_of(mounts: Mounts) -> dict[str, Any] | None:
    """The statement on life that the counts allow; None before any cycle."""
    from orchestrator.analysis.lifetime import statement

    done = [int(each) for each in mounts.done]
    if not done or not min(done):
        return None
    said = statement(done, [bool(each) for each in mounts.failed_at])
    return {"estimate": type(said).__name__, "in_words": said.in_words, **asdict(said)}
