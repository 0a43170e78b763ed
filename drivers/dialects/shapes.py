"""What a dialect file holds: one frozen dataclass per table, its fields are the file's keys."""

from __future__ import annotations

from dataclasses import dataclass, field
from typing import Literal


@dataclass(frozen=True)
class Off:
    """The way to safe: program messages, then a question whose answer proves that they were carried out."""

    messages: tuple[str, ...]
    question: str
    answer: str


@dataclass(frozen=True)
class SourceHeaders:
    """Headers of an impulse source."""

    voltage: str
    polarity: str
    output: str
    charge_voltage: str
    trigger_source: str
    enable_trigger: str
    inhibit_trigger: str
    trigger: str
    status: str


@dataclass(frozen=True)
class SourceWords:
    """Character data of an impulse source."""

    positive: str
    negative: str
    by_command: str


@dataclass(frozen=True)
class SourceBits:
    """Bits of an impulse source's operation status."""

    charging: int
    waiting: int


@dataclass(frozen=True)
class ImpulseSourceDialect:
    """Wording of a family of impulse sources."""

    equipment: Literal["impulse source"]
    title: str
    headers: SourceHeaders
    words: SourceWords
    bits: SourceBits
    off: Off
    compound_messages: bool = True


@dataclass(frozen=True)
class DigitiserHeaders:
    """Headers of a digitiser."""

    range: str
    coupling: str
    samples: str
    interval: str
    offset: str
    trigger_source: str
    trigger_level: str
    trigger_slope: str
    format: str
    byte_order: str
    start: str
    stop: str
    status: str
    trace: str
    trace_points: str


@dataclass(frozen=True)
class ChannelSuffix:
    """Which node of a header bears the channel's number; empty: none does."""

    range: str = ""
    coupling: str = ""
    trigger_level: str = ""


@dataclass(frozen=True)
class DigitiserWords:
    """Character data of a digitiser; `byte_order` is empty where the order is fixed."""

    coupling: str
    external: str
    channel: str
    rising: str
    falling: str
    format: str
    byte_order: str = ""


@dataclass(frozen=True)
class TraceFormat:
    """How a family names and codes a trace."""

    name: str
    byte_order: Literal["little", "big"]
    full_scale_code: int
    lowest_code: int
    highest_code: int


@dataclass(frozen=True)
class DigitiserBits:
    """Bits of a digitiser's operation status."""

    measuring: int


@dataclass(frozen=True)
class Waiting:
    """How a family proves that it waits for its trigger."""

    method: Literal["status bit", "sample count"]
    bit: int = -1  # for the status bit
    points: str = ""  # for the sample count: the parameter of the points question


@dataclass(frozen=True)
class DigitiserDialect:
    """Wording of a family of digitisers."""

    equipment: Literal["digitiser"]
    title: str
    headers: DigitiserHeaders
    words: DigitiserWords
    trace: TraceFormat
    bits: DigitiserBits
    waiting: Waiting
    off: Off
    channel_suffix: ChannelSuffix = field(default_factory=ChannelSuffix)
    compound_messages: bool = True


@dataclass(frozen=True)
class MeterHeaders:
    """Headers of a leakage meter."""

    voltage: str
    output: str
    range: str
    current: str


@dataclass(frozen=True)
class LeakageMeterDialect:
    """Wording of a family of leakage meters."""

    equipment: Literal["leakage meter"]
    title: str
    headers: MeterHeaders
    off: Off
    compound_messages: bool = True


# --------------------------------------------------------------------------- actuator


@dataclass(frozen=True)
class SerialLine:
    """The serial line's format that the family speaks."""

    baud: int
    data_bits: int = 8
    parity: Literal["N", "E", "O"] = "N"
    stop_bits: int = 1


@dataclass(frozen=True)
class MotionLine:
    """How a message is written and how its end is learned."""

    number: str  # what stands before the number of a message
    numbered: Literal["in front, answers too", "behind, motions only"]
    checksum: Literal["xor", "none"]  # of the bytes before *, decimal, behind it
    completion: Literal["announced", "asked for"]  # of a motion


@dataclass(frozen=True)
class MotionWords:
    """What opens a message."""

    identity: str  # a question, as all here that end in a question mark or carry no values
    state: str
    limits: str
    limits_question: str
    acceleration: str
    acceleration_question: str
    move: str
    home: str
    touch_off: str
    points: str
    bring_to_rest: str
    stop_at_once: str
    clear_alarm: str


@dataclass(frozen=True)
class MotionValues:
    """What stands before a value, sent or answered."""

    target: str
    speed: str
    lowest: str
    highest: str
    acceleration: str


@dataclass(frozen=True)
class MotionAnswers:
    """What opens an answer; empty: the values of an answer stand alone."""

    taken: str
    refused: str
    done: str = ""
    alarm: str = ""
    state: str = ""
    limits: str = ""
    acceleration: str = ""
    points: str = ""
    identity: str = ""


@dataclass(frozen=True)
class StateValues:
    """What stands before each value of the state."""

    line: str
    done: str
    commanded: str
    encoder: str
    moving: str
    homed: str
    alarm: str


@dataclass(frozen=True)
class AlarmWords:
    """A family's words for what an alarm or a refusal means; another word is told as it is."""

    none: str
    limit: str
    not_homed: str


@dataclass(frozen=True)
class ActuatorDialect:
    """Wording of a family of motion controllers of one axis, in millimetres."""

    equipment: Literal["actuator"]
    title: str
    speed_unit: Literal["mm/s", "mm/min"]
    serial: SerialLine
    line: MotionLine
    words: MotionWords
    values: MotionValues
    answers: MotionAnswers
    state: StateValues
    alarms: AlarmWords


# --------------------------------------------------------------------------- contact recorder


@dataclass(frozen=True)
class ContactHeaders:
    """Headers of a contact recorder."""

    layout: str
    voltage_range: str
    current_range: str
    interval: str
    trigger_level: str
    start: str
    stop: str
    status: str
    cycle: str
    bank: str
    bank_state: str
    temperature: str
    contact: str


@dataclass(frozen=True)
class ContactBits:
    """Bits of a contact recorder's operation status."""

    waiting: int


@dataclass(frozen=True)
class ContactRecord:
    """How a family codes a cycle."""

    full_scale_code: int


@dataclass(frozen=True)
class ContactRecorderDialect:
    """Wording of a family of contact recorders."""

    equipment: Literal["contact recorder"]
    title: str
    headers: ContactHeaders
    bits: ContactBits
    record: ContactRecord
    off: Off
    compound_messages: bool = True
