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
