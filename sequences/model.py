"""A sequence as read from its file: attributes are the file's keys, values are plain SI numbers."""

from __future__ import annotations

from typing import Annotated, Any, ClassVar, Literal

from pydantic import (
    BeforeValidator,
    ConfigDict,
    Discriminator,
    Field,
    Tag,
    ValidationInfo,
    WithJsonSchema,
    model_validator,
)

from sequences.bench import Bench
from sequences.capture import CYCLE_COUNTS, CYCLE_FIGURES, Capture, Material, ResultKind
from sequences.fields import (
    NAME,
    Amount,
    Amperes,
    Count,
    Hertz,
    Language,
    MetresPerSecond,
    Model,
    Name,
    PerSecond,
    Reading,
    Seconds,
    Text,
    TolerancedAmount,
    TolerancedAmperes,
    TolerancedOhms,
    TolerancedVolts,
    Truth,
    Volts,
    complain,
    scalar,
    tag_of,
    told,
)
from sequences.parameters import amount
from sequences.places import Path_
from sequences.quantity import Quantity, QuantityError, Toleranced, number, pattern
from sequences.step import Step, StepItem

__all__ = [
    "PARTS",
    "STEPS_AT",
    "Arm",
    "Attended",
    "Bench",
    "Capture",
    "CycleDuty",
    "Duty",
    "EachCycle",
    "FailurePolicy",
    "Indicator",
    "IntermediateMeasurements",
    "InvalidShot",
    "MountFailure",
    "Mounts",
    "Parameter",
    "Requirement",
    "Sequence",
    "ShotDuty",
    "Specimen",
    "Toleranced",
    "TracePolicy",
    "TrendLimit",
    "Verification",
    "VerificationShots",
]

PARTS = ("initial_measurements", "each_shot", "intermediate_measurements", "final_measurements")
STEPS_AT: dict[str, Path_] = {
    part: (part, "steps") if part == "intermediate_measurements" else (part,) for part in PARTS
}
"""Where in the file the list of steps of each part stands."""
Judged = Literal[
    "every shot",
    "every cycle",
    "every measurement",
    "count",
    "first",
    "last",
    "mean",
    "largest",
    "change first to last",
]
Rule = Literal["simple_acceptance", "guard_band"]
Steps = tuple[StepItem, ...]


class Specimen(Model):
    """The thing under test, and what it is made for."""

    type: Text = Field(description="what it is")
    rated_voltage: Volts | None = Field(None, gt=0, description="its rated voltage")
    rated_current: Amperes | None = Field(None, gt=0, description="its rated current")
    highest_impulse: Volts | None = Field(
        None, gt=0, description="no charging voltage above this is ever applied to it"
    )
    condition: Text | None = Field(None, description="as it has to arrive, as in `new`")
    after_a_stop: Literal["may go on", "is spent"] = Field(
        "is spent", description="whether a new run may use it after a run was stopped"
    )


class Indicator(Model):
    """What shows ignition or a breakdown to ground."""

    material: Material = Field(description="what it is made of")
    layers: Count = Field(1, ge=1, le=8, description="layers in contact with the specimen")
    fresh_for: Literal["each specimen", "each shot"] = Field(
        description="when a new one has to be put in place"
    )
    observe_at_least: Seconds = Field(
        ge=0, le=3600, description="no observation may be shorter; late ignition happens"
    )


class ImpulseSourceWanted(Model):
    """An impulse source."""

    type: Literal["impulse source"] = Field(description="type of equipment")
    charging_voltage: Volts = Field(gt=0, description="highest charging voltage that the sequence uses")


class DigitiserWanted(Model):
    """A digitiser."""

    type: Literal["digitiser"] = Field(description="type of equipment")
    channels: tuple[Name, ...] = Field(min_length=1, description="the channels that the sequence uses")


class LeakageMeterWanted(Model):
    """A leakage meter with its own supply."""

    type: Literal["leakage meter"] = Field(description="type of equipment")
    highest: Amperes = Field(gt=0, description="highest current that has to be measured")


class ActuatorWanted(Model):
    """An actuator."""

    type: Literal["actuator"] = Field(description="type of equipment")
    positions: tuple[Name, ...] = Field(min_length=1, description="the positions that the sequence uses")


class LoadWanted(Model):
    """A load with its supply."""

    type: Literal["load"] = Field(description="type of equipment")
    kind: Literal["resistive", "motor", "tungsten", "inductive"] = Field(description="what it has to be")
    supply: Volts = Field(gt=0, description="voltage that it has to be supplied with")
    frequency: Hertz = Field(ge=0, le=1000, description="frequency of the supply, 0 Hz for direct current")
    current: Amperes = Field(gt=0, description="rated current that it has to take")
    banks: Count = Field(1, ge=1, le=64, description="banks that have to take turns")


class ContactRecorderWanted(Model):
    """A contact recorder; it has to carry every mount."""

    type: Literal["contact recorder"] = Field(description="type of equipment")
    temperatures: tuple[Name, ...] = Field((), description="its thermocouples that the sequence uses")


Wanted = Annotated[
    ImpulseSourceWanted
    | DigitiserWanted
    | LeakageMeterWanted
    | ActuatorWanted
    | LoadWanted
    | ContactRecorderWanted,
    Field(discriminator="type"),
]


def _bound(value: Any) -> Quantity:
    try:
        return amount(scalar(value))
    except QuantityError as error:
        complain(error.code, error.what, error.help)


Bound = Annotated[
    Quantity,
    BeforeValidator(_bound),
    WithJsonSchema(
        {
            "type": ["number", "string"],
            "description": "a plain number or a quantity, as in `45 s`",
            "examples": ["45 s"],
        }
    ),
]


class Parameter(Model):
    """A value that may be set at the start, within bounds."""

    usual: Bound = Field(description="taken if nothing is given at the start")
    lowest: Bound = Field(description="lowest value that may be given")
    highest: Bound = Field(description="highest value that may be given")

    @model_validator(mode="after")
    def _in_order(self) -> Parameter:
        if not self.usual.unit == self.lowest.unit == self.highest.unit:
            complain(
                "parameter-bounds",
                "The three values are not of one kind.",
                "give all three the same kind of unit",
            )
        if not self.lowest <= self.usual <= self.highest:
            complain(
                "parameter-bounds",
                "The usual value does not lie between the lowest and the highest.",
                "set it between them",
            )
        return self


class Lapse(Model):
    """When a verification is no longer good."""

    time: Seconds = Field(gt=0, description="after this time")
    shots: Count = Field(
        ge=1, description="after this many shots of the source, those of the verification included"
    )


class VerificationShots(Model):
    """Shots without the specimen and what they have to give."""

    shots: Count = Field(ge=1, le=50, description="number of shots")
    capture: Capture = Field(description="what is recorded")
    accept: dict[Name, TolerancedAmount] = Field(
        min_length=1, description="results that every shot has to meet"
    )


class Verification(Model):
    """Proof of the circuit without the specimen; it gates the duty."""

    source: Name = Field(description="the equipment that gives the shots")
    charging_voltage: TolerancedVolts = Field(
        description="charging voltage and the window it has to be in before the trigger"
    )
    interval: Seconds = Field(gt=0, description="least time from shot to shot")
    open_circuit: VerificationShots | None = Field(None, description="shots into an open circuit")
    short_circuit: VerificationShots | None = Field(None, description="shots into a short circuit")
    effective_impedance: TolerancedOhms | None = Field(
        None, description="open-circuit peak voltage over short-circuit peak current"
    )
    lapses_after: Lapse = Field(description="when it has to be done again")


class Arm(Model):
    """A person's act before energy; asked for again after any interlock has opened."""

    confirm: tuple[Text, ...] = Field(
        min_length=1, description="what the person confirms, each with one answer"
    )
    lapses_after: Seconds = Field(gt=0, le=28800, description="asked for again after this time")


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


class FailurePolicy(Model):
    """Whether the duty goes on after a failure."""

    limit: Literal["go on", "stop"] = Field(description="after a limit was exceeded")
    indicator: Literal["go on", "stop"] = Field(description="after the indicator was marked")


COUNTS = {name for name, kind in (CYCLE_FIGURES | CYCLE_COUNTS).items() if not kind.unit}
"""Results of a duty of cycles that are plain numbers."""


def _limit(value: Any, info: ValidationInfo) -> Any:
    """A plain number for a count, otherwise as any amount."""
    counted = info.data.get("judged") == "count" or info.data.get("result") in COUNTS
    if not counted or not isinstance(value, str):
        return value
    text = value.strip()
    reading = info.context
    known = reading.parameters if isinstance(reading, Reading) else {}
    try:
        plain = Quantity(number(known.get(text, text)), "", known.get(text, text))
    except QuantityError:
        return value
    if isinstance(reading, Reading) and text in known:
        reading.used.add(text)
    return plain


Limit = Annotated[
    Amount,
    BeforeValidator(_limit),
    WithJsonSchema(
        {
            "type": ["number", "string"],
            "pattern": f"^(?:[-+0-9.eE]+|{pattern()}|{NAME})$",
            "description": "a quantity, as in `310 V`, a plain number for a count, or a parameter's name",
            "examples": ["310 V"],
        }
    ),
]


def _unless_a_count(schema: dict[str, Any]) -> None:
    """For editors: a plain number is good for a count alone, and everything else needs its unit."""
    of_count = {"enum": sorted(COUNTS), "description": "a count"}
    as_count = {"const": "count", "description": "judged as a count"}
    limit = {
        "type": "string",
        "pattern": f"^(?:{pattern()}|{NAME})$",
        "description": "a quantity with its unit",
    }
    counted = [{"properties": {"result": of_count}}, {"properties": {"judged": as_count}}]
    schema["if"] = {"anyOf": counted}
    schema["else"] = {"properties": {"at_most": limit, "at_least": limit}}


class Requirement(Model):
    """One limit, the clause it comes from and the rule it is applied by."""

    model_config = ConfigDict(json_schema_extra=_unless_a_count)

    clause: Text | None = Field(None, description="where the limit stands")
    result: Name = Field(description="the result that is limited")
    judged: Judged = Field(description="which of the many values the limit means")
    at_most: Limit | None = Field(None, description="upper tolerance limit; for a count a plain number")
    at_least: Limit | None = Field(None, description="lower tolerance limit; with at_most it makes a range")
    must_be: Text | None = Field(None, description="state that an indicator must be in")
    rule: Rule | None = Field(None, description="decision rule for a numerical limit")


_LISTS = ("initial_measurements", "each_shot", "final_measurements")


class Sequence(Model):
    """A test sequence."""

    language: Language = Field(description="version of the language")
    title: Text = Field(description="what the sequence does, in one line")
    scenario: Text | None = Field(None, description="name of the scenario it belongs to")
    specimen: Specimen = Field(description="the thing under test")
    indicator: Indicator | None = Field(None, description="what shows ignition")
    equipment: dict[Name, Wanted] = Field(
        min_length=1, description="what the sequence asks for; the bench file says which unit gives it"
    )
    set_at_start: dict[Name, Parameter] = Field(
        default_factory=dict, description="all that a technician may change, and how far"
    )
    interlock: tuple[Name, ...] = Field(
        (), description="interlocks that have to be closed before and during energy"
    )
    verification: Verification | None = Field(None, description="proof of the circuit without the specimen")
    initial_measurements: Steps = Field((), description="steps before the duty")
    arm: Arm = Field(description="a person's act before energy")
    mounts: Mounts | None = Field(
        None, description="places for specimens; needed with a duty of cycles, and with that alone"
    )
    duty: Duty = Field(description="what is done to the specimen: shots or cycles")
    each_shot: Steps = Field(
        (), min_length=1, description="steps of each shot; needed with a duty of shots, and with that alone"
    )
    invalid_shot: InvalidShot | None = Field(
        None,
        description="what follows a shot without a valid recording; needed with a duty of shots, and with that alone",
    )
    each_cycle: EachCycle | None = Field(
        None, description="what a cycle is; needed with a duty of cycles, and with that alone"
    )
    intermediate_measurements: IntermediateMeasurements | None = Field(
        None, description="steps after every so many cycles; with a duty of cycles alone"
    )
    trend_limits: tuple[TrendLimit, ...] = Field(
        (), description="warnings before a limit is reached; with a duty of cycles alone"
    )
    attended: Attended | None = Field(
        None, description="cycles that somebody has to watch; with a duty of cycles alone"
    )
    failure_policy: FailurePolicy = Field(description="whether the duty goes on after a failure")
    final_measurements: Steps = Field((), description="steps after the duty")
    requirements: tuple[Requirement, ...] = Field((), description="the limits")

    def parts(self) -> dict[str, tuple[Step, ...]]:
        """The lists of steps by their key, in the order they are run."""
        between = self.intermediate_measurements
        found: dict[str, tuple[Step, ...]] = {part: getattr(self, part) for part in PARTS if part in _LISTS}
        found["intermediate_measurements"] = between.steps if between else ()
        return {part: found[part] for part in PARTS}

    def duty_results(self) -> dict[str, ResultKind]:
        """What a duty of cycles produces by itself; nothing for one of shots, whose results are those of its
        steps."""
        return {**CYCLE_FIGURES, **CYCLE_COUNTS} if isinstance(self.duty, CycleDuty) else {}

    def results(self) -> dict[str, ResultKind]:
        """Every result that the duty or a step of the sequence produces, by name; the verification's own are not
        among them."""
        found = self.duty_results()
        for steps in self.parts().values():
            for step in steps:
                found.update(step.results(self))
        return found
