"""A sequence as read from its file: attributes are the file's keys, values are plain SI numbers."""

from __future__ import annotations

from typing import Annotated, Any, Literal

from pydantic import BeforeValidator, Field, WithJsonSchema, model_validator

from sequences.bench import Bench
from sequences.capture import CYCLE_COUNTS, CYCLE_FIGURES, Capture, Material, ResultKind
from sequences.duty_models import (
    Attended,
    CycleDuty,
    Duty,
    EachCycle,
    IntermediateMeasurements,
    InvalidShot,
    MountFailure,
    Mounts,
    ShotDuty,
    TracePolicy,
    TrendLimit,
)
from sequences.fields import (
    Amperes,
    Count,
    Language,
    Model,
    Name,
    Seconds,
    Text,
    TolerancedAmount,
    TolerancedOhms,
    TolerancedVolts,
    Volts,
    complain,
    scalar,
)
from sequences.parameters import amount
from sequences.places import Path_
from sequences.quantity import Quantity, QuantityError, Toleranced
from sequences.requirement import COUNTS, Requirement
from sequences.step import Step, Steps
from sequences.wanted import (
    ActuatorWanted,
    ContactRecorderWanted,
    DigitiserWanted,
    ImpulseSourceWanted,
    LeakageMeterWanted,
    LoadWanted,
    Wanted,
)

__all__ = [
    "COUNTS",
    "PARTS",
    "STEPS_AT",
    "ActuatorWanted",
    "Arm",
    "Attended",
    "Bench",
    "Capture",
    "ContactRecorderWanted",
    "CycleDuty",
    "DigitiserWanted",
    "Duty",
    "EachCycle",
    "FailurePolicy",
    "ImpulseSourceWanted",
    "Indicator",
    "IntermediateMeasurements",
    "InvalidShot",
    "LeakageMeterWanted",
    "LoadWanted",
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


class FailurePolicy(Model):
    """Whether the duty goes on after a failure."""

    limit: Literal["go on", "stop"] = Field(description="after a limit was exceeded")
    indicator: Literal["go on", "stop"] = Field(description="after the indicator was marked")


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
