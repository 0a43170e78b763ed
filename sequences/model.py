"""A sequence as read from its file: attributes are the file's keys, values are plain SI numbers."""

from __future__ import annotations

from typing import Annotated, Any, Literal

from pydantic import BeforeValidator, Field, WithJsonSchema, model_validator

from sequences.bench import Bench
from sequences.capture import Capture, Material, ResultKind
from sequences.fields import (
    Amount,
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
    Truth,
    Volts,
    complain,
    scalar,
)
from sequences.parameters import amount
from sequences.quantity import Quantity, QuantityError, Toleranced
from sequences.step import Step, StepItem

__all__ = [
    "PARTS",
    "Arm",
    "Bench",
    "Capture",
    "Duty",
    "FailurePolicy",
    "Indicator",
    "InvalidShot",
    "Parameter",
    "Requirement",
    "Sequence",
    "Specimen",
    "Toleranced",
    "Verification",
    "VerificationShots",
]

PARTS = ("initial_measurements", "each_shot", "final_measurements")
Judged = Literal["every shot", "first", "last", "mean", "largest", "change first to last"]
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


Wanted = Annotated[ImpulseSourceWanted | DigitiserWanted | LeakageMeterWanted, Field(discriminator="type")]


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


class Duty(Model):
    """What is done to the specimen."""

    shots: Count = Field(ge=1, le=100000, description="number of valid shots")
    interval: Seconds = Field(gt=0, description="least time from shot to shot, by a clock that no one sets")
    polarity: Literal["positive", "negative", "alternating"] = Field(
        "positive", description="alternating starts positive"
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


class Requirement(Model):
    """One limit, the clause it comes from and the rule it is applied by."""

    clause: Text | None = Field(None, description="where the limit stands")
    result: Name = Field(description="the result that is limited")
    judged: Judged = Field(description="which of the many values the limit means")
    at_most: Amount | None = Field(None, description="upper tolerance limit")
    at_least: Amount | None = Field(None, description="lower tolerance limit")
    must_be: Text | None = Field(None, description="state that an indicator must be in")
    rule: Rule | None = Field(None, description="decision rule for a numerical limit")


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
    duty: Duty = Field(description="what is done to the specimen")
    each_shot: Steps = Field(min_length=1, description="steps of each shot")
    invalid_shot: InvalidShot = Field(description="what follows a shot without a valid recording")
    failure_policy: FailurePolicy = Field(description="whether the duty goes on after a failure")
    final_measurements: Steps = Field((), description="steps after the duty")
    requirements: tuple[Requirement, ...] = Field((), description="the limits")

    def parts(self) -> dict[str, tuple[Step, ...]]:
        """The lists of steps by their key, in the order they are run."""
        return {part: getattr(self, part) for part in PARTS}

    def results(self) -> dict[str, ResultKind]:
        """Every result that a step of the sequence produces, by name; the verification's own are not among
        them."""
        found: dict[str, ResultKind] = {}
        for steps in self.parts().values():
            for step in steps:
                found.update(step.results(self))
        return found
