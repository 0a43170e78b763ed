"""What a sequence asks for: equipment by its type, for the bench file to say which unit gives it."""

from __future__ import annotations

from typing import Annotated, Literal

from pydantic import Field

from sequences.fields import Amperes, Count, Hertz, Model, Name, Volts


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
