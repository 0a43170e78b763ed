"""What the API takes and gives, for its description. Every act may name a person; without a name the user of the
socket is the person."""

from __future__ import annotations

from typing import Any

from pydantic import BaseModel, ConfigDict, Field


class Order(BaseModel):
    """An act of a person."""

    model_config = ConfigDict(extra="forbid", frozen=True)
    by: str | None = Field(
        None,
        description="who acts, where several share an account; recorded as declared",
        examples=["K. Lindqvist"],
    )


class StartOrder(Order):
    """A run to be started."""

    sequence: str = Field(
        description="path of the sequence file", examples=["/srv/sequences/tidewater/sequence.yaml"]
    )
    specimen: str = Field(description="the specimen's identity", examples=["TW-04"])
    more_specimens: list[str] = Field(
        default_factory=list,
        description="those of the second and further mounts, in their order",
        examples=[[]],
    )
    parameters: dict[str, str] = Field(
        default_factory=dict,
        description="values of set_at_start",
        examples=[{"shots": "12", "interval": "45 s"}],
    )
    group: str | None = Field(
        None, description="the group of specimens it belongs to", examples=["TW 2026-11"]
    )
    condition: str | None = Field(None, description="the specimen's condition on arrival", examples=["new"])
    firmware: str | None = Field(None, description="the firmware of the specimen", examples=["2.1"])
    indicator_lot: str | None = Field(None, description="the lot of the cloth", examples=["C-118"])
    remark: str | None = Field(None, description="a remark for the record")
    override_calibration: str | None = Field(
        None,
        description="why it may start although a calibration lapses before its planned end; recorded with the name",
        examples=["drift of the last three calibrations below 0.1 %"],
    )
    override_by: str | None = Field(
        None, description="who answers for that, where it is not who starts the run", examples=["O. Charge"]
    )


class GoOnOrder(Order):
    """A run of cycles to be gone on with, after it was paused, stopped or cut off."""

    run: str = Field(description="the earlier run", examples=["20261124-2301-WG-01"])
    override_calibration: str | None = Field(None, description="as for a start")
    override_by: str | None = Field(None, description="who answers for that")
    remark: str | None = Field(None, description="a remark for the record")


class ResumeOrder(Order):
    """A paused run is to go on."""

    override_calibration: str | None = Field(
        None, description="as for a start, where a calibration lapsed in the pause"
    )
    override_by: str | None = Field(None, description="who answers for that")


class AnswerOrder(Order):
    """An answer to the open question."""

    question: int | None = Field(
        None, description="its number; refused when another one is open", examples=[3]
    )
    yes: bool = Field(True, description="false stops the run")
    confirmed: list[str] = Field(
        default_factory=list,
        description="each thing confirmed",
        examples=[["cell is clear", "cloth in contact"]],
    )
    confirm_all: bool = Field(False, description="everything that is to be confirmed")
    choice: str | None = Field(None, description="what the indicator shows", examples=["unmarked"])
    photo: str | None = Field(None, description="path of a photo on the daemon's computer")
    remark: str | None = Field(None, description="a remark for the record")
    readings: dict[str, str] = Field(default_factory=dict, description="values read by eye")
    label: str | None = Field(
        None, description="the specimen's label as read again at the bench", examples=["TW-04"]
    )
    labels: list[str] = Field(
        default_factory=list,
        description="the labels of all mounts in their order, where there are several",
        examples=[[]],
    )
    group: str | None = Field(None, description="its group, as found when it is connected")
    condition: str | None = Field(None, description="its condition, as found when it is connected")
    firmware: str | None = Field(None, description="its firmware, as found when it is connected")


class ControlOrder(Order):
    """Control of the bench."""

    over: bool = Field(False, description="take it over from whoever has it; recorded")


class Done(BaseModel):
    """What was done."""

    model_config = ConfigDict(extra="allow")
    ok: bool = Field(description="true", examples=[True])
    sentence: str | None = Field(
        None, description="for a person", examples=["Answered by K. Lindqvist: cloth in contact."]
    )


class Started(Done):
    """A run that has begun."""

    run: str = Field(description="its name", examples=["20261124-2301-TW-04"])
    folder: str = Field(description="its record", examples=["/srv/benchward/20261124-2301-TW-04"])
    warnings: list[str] = Field(default_factory=list, description="what the check warns of")


class Controlled(Done):
    """Control was given."""

    control: str = Field(description="for the header x-benchward-control of every later order")
    number: int = Field(description="the status names the same one while this control holds", examples=[1])


class Refusal(BaseModel):
    """Something that was not done, and why."""

    model_config = ConfigDict(extra="allow")
    ok: bool = Field(False, examples=[False])
    code: str = Field(examples=["spent-specimen"])
    sentence: str = Field(
        examples=["Specimen TW-04 is spent: its duty was completed in run 20261123-0911-TW-04."]
    )
    help: str = Field(examples=["take a fresh specimen"])


class Entry(BaseModel):
    """May I go in?"""

    model_config = ConfigDict(extra="allow")
    answer: str = Field(description="no, not known, yes", examples=["no"])
    words: str = Field(examples=["NO. Do not enter: energy may be on."])
    state: str = Field(description="bench state (EN 50191)", examples=["in operation"])
    lamp: str = Field(examples=["red"])
    stored_v: float | None = Field(None, examples=[1690.0])
    terminals_v: float | None = Field(None, examples=[0.0])
    contactor: str = Field(examples=["closed"])
    earth: str = Field(examples=["off"])
    age_s: float | None = Field(None, description="age of the reading it rests on", examples=[0.04])
    proven: bool = Field(description="off is proven by that reading", examples=[False])


class Status(BaseModel):
    """The three questions and what belongs to them."""

    model_config = ConfigDict(extra="allow")
    may_i_go_in: Entry
    going_on: dict[str, Any] = Field(
        examples=[{"sentence": "Shot 7 of 12, negative: charging.", "details": []}]
    )
    do: dict[str, Any] = Field(examples=[{"sentence": "Nothing. Stay outside.", "abort": "benchward abort"}])
    interlocks: list[dict[str, Any]] = Field(default_factory=list)
