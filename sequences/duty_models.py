"""What is done to the specimen: shots or cycles, and all that belongs to either."""

from __future__ import annotations

from typing import Annotated, Any, ClassVar, Literal

from pydantic import Discriminator, Field, Tag

from sequences.fields import (
    Amount,
    Count,
    MetresPerSecond,
    Model,
    Name,
    PerSecond,
    Seconds,
    TolerancedAmperes,
    Truth,
    Volts,
    tag_of,
    told,
)
from sequences.step import Steps


class ShotDuty(Model):
    """A duty of shots: single applications of energy."""

    told_by: ClassVar[str] = "shots"

    shots: Count = Field(ge=1, le=100000, description="number of valid shots")
    interval: Seconds = Field(gt=0, description="least time from shot to shot, by a clock that no one sets")
    polarity: Literal["positive", "negative", "alternating"] = Field(
        "positive", description="alternating starts positive"
    )


class CycleDuty(Model):
    """A duty of cycles: one make and one break each, at a rate. What a cycle is stands under `each_cycle`."""

    told_by: ClassVar[str] = "cycles"

    cycles: Count = Field(
        ge=1,
        le=10_000_000,
        description="declared number of cycles, for each mount; confirmed ones alone count",
    )
    rate: PerSecond = Field(gt=0, le=50, description="highest rate; the bench may take longer, never less")
    on_time: Seconds = Field(
        gt=0, le=3600, description="time from the confirmed on position to the command back"
    )
    bank_off_at_least: Seconds | None = Field(
        None,
        gt=0,
        le=3600,
        description="least time that each bank of the load is off between two of its turns",
    )


_DUTIES = (ShotDuty, CycleDuty)


def _duty_of(value: Any) -> str:
    if isinstance(value, _DUTIES):
        return tag_of(type(value))
    return tag_of(told(_DUTIES, value if isinstance(value, dict) else ()))


Duty = Annotated[
    Annotated[ShotDuty, Tag(tag_of(ShotDuty))] | Annotated[CycleDuty, Tag(tag_of(CycleDuty))],
    Discriminator(_duty_of),
]


class TracePolicy(Model):
    """Of which cycles the waveforms are kept; the figures of every cycle are."""

    first: Count = Field(ge=0, le=1000, description="of so many at the beginning, and after each resume")
    last: Count = Field(ge=0, le=1000, description="of so many at the end, whatever ended the run")
    every: Count = Field(ge=1, le=10_000_000, description="of every so many-th")
    around_anomaly: Count = Field(
        ge=0, le=100, description="of every anomaly, and of so many before and behind it"
    )


class EachCycle(Model):
    """One cycle: the actuator goes on, stays, and goes off; the recorder takes the make and the break."""

    actuator: Name = Field(description="the actuator that operates the specimen")
    off: Name = Field(description="position in which the contact is open")
    on: Name = Field(description="position in which the contact is closed")
    switches_at: Name | None = Field(
        None,
        description="position at which the contact switches: both records begin as the actuator passes it; half way "
        "between off and on where it is not given",
    )
    speed: MetresPerSecond = Field(gt=0, description="speed of both moves")
    load: Name = Field(description="the load that the specimen switches")
    recorder: Name = Field(description="the contact recorder")
    open_above: Volts = Field(
        gt=0,
        description="contact voltage above which the contact counts as open; choose it between the boiling voltage "
        "and the least arc voltage of the contact material, so that an arc is not taken for an open contact",
    )
    current: TolerancedAmperes = Field(
        description="steady current and how far it may be off; outside, load, supply or contact is at fault"
    )
    traces: TracePolicy = Field(description="of which cycles the waveforms are kept")


class MountFailure(Model):
    """When a mount has failed. A failed mount is not judged further; the others go on."""

    rule: Literal["first", "nth", "consecutive"] = Field(
        description="at its first malfunction, at its so many-th, or at so many in a row"
    )
    times: Count | None = Field(None, ge=2, le=1000, description="how many, for nth and for consecutive")


class Mounts(Model):
    """Places for specimens that are operated together, each with its own count, verdict and failure."""

    count: Count = Field(ge=1, le=64, description="how many specimens; the start gives their names")
    failure: MountFailure = Field(description="when a mount has failed")


class IntermediateMeasurements(Model):
    """Steps between two cycles, again and again; everything is off and proven before and after."""

    every: Count = Field(ge=1, le=10_000_000, description="after every so many cycles")
    steps: Steps = Field(min_length=1, description="the steps")


class TrendLimit(Model):
    """A warning before a limit is reached. It never stops a run."""

    result: Name = Field(description="the figure of the cycles that is watched")
    warn_above: Amount | None = Field(None, description="warned of when the median is above this")
    grows_by: Amount | None = Field(
        None, description="warned of when the median has grown by this since the first window"
    )
    over: Count = Field(ge=2, le=100_000, description="cycles of the window whose median is taken")


class Attended(Model):
    """Cycles during which somebody has to watch."""

    cycles: Count = Field(
        ge=1,
        le=100_000,
        description="the first so many after a start or a resume: a person says that they watch",
    )


class InvalidShot(Model):
    """What follows a shot that gave no valid recording."""

    repeat_at_most: Count = Field(ge=0, le=10, description="how often a shot may be repeated")
    counted_on_specimen: Truth = Field(
        description="whether an invalid shot counts as one that the specimen has had"
    )
