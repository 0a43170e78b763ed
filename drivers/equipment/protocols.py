"""What a sequence's equipment can do, whatever family the instrument is of.

Every call has one total deadline (2 s unless the implementation is told otherwise) and raises `LinkFault`
(the link) or `InstrumentFault` (the instrument answered, but not as it must). Nothing is ever tried twice.
"""

from __future__ import annotations

from dataclasses import dataclass
from typing import Literal, Protocol

import numpy as np
from numpy.typing import NDArray

Polarity = Literal["positive", "negative"]
InstrumentCode = Literal["wrong_instrument", "error_queue", "no_capture", "settings_changed"]


class InstrumentFault(Exception):
    """An instrument that answers, but not as it must: which one, what was asked of it, one sentence.

    `code` is one of
    `wrong_instrument`  the identity differs from the bench file's;
    `error_queue`       the instrument reported errors after a command group;
    `no_capture`        what it holds is not the capture that was asked for;
    `settings_changed`  a setting is not what it was when the capture began.
    """

    def __init__(self, code: InstrumentCode, instrument: str, group: str, sentence: str) -> None:
        super().__init__(f"{instrument}, {group}: {sentence}")
        self.code: InstrumentCode = code
        self.instrument = instrument
        self.group = group
        self.sentence = sentence


@dataclass(frozen=True)
class Identity:
    """The four fields of `*IDN?` (IEEE 488.2)."""

    maker: str
    model: str
    serial: str
    firmware: str = ""


@dataclass(frozen=True)
class DigitiserSettings:
    """One channel's capture. Volts are volts at the instrument's input."""

    channel: int
    range_v: float  # full scale either way
    sample_interval_s: float
    samples: int  # in all, those before the trigger included
    pre_trigger_samples: int
    trigger_source: str  # external, channel (the recorded one); read back, also the instrument's own word
    level_v: float
    slope: str  # rising, falling; read back, also the instrument's own word


@dataclass(frozen=True)
class WaitingProof:
    """Whether a digitiser waits for its trigger, by which method, and when the question was put."""

    waiting: bool
    method: str
    at_s: float  # by the link's clock, before the first question
    detail: str


@dataclass(frozen=True)
class RawTrace:
    """One channel's capture as the instrument holds it: codes, and what a code means."""

    codes: NDArray[np.int16]  # shape (samples,), native byte order
    volts_per_code: float  # volts at the input
    samples: int
    pre_trigger_samples: int
    sample_interval_s: float
    channel: int
    range_v: float
    lowest_code: int  # the rails: samples at these codes are clipped
    highest_code: int


class Instrument(Protocol):
    """What every instrument has."""

    name: str

    def open(self) -> Identity:
        """Open the link and identify: after this, and only after this, the instrument may be used."""

    def close(self) -> None:
        """Close the link. Never raises."""


class ImpulseSource(Instrument, Protocol):
    """A source that charges a store and fires it on a trigger."""

    def prepare(self, voltage_v: float, polarity: Polarity) -> None:
        """Trigger inhibited, polarity, charging voltage, trigger by command. Does not charge."""

    def read_back(self) -> dict[str, float | str]:
        """What it really took: `voltage_v`, `polarity`, `trigger_source`, `output` (on, off)."""

    def charge(self) -> None:
        """Start charging. Never tried again: a lost reply means it charges."""

    def charge_voltage_v(self) -> float:
        """The store's voltage as the instrument reads it."""

    def charging(self) -> bool:
        """Whether it still charges towards the set-point."""

    def enable_trigger(self) -> None:
        """From here a trigger fires it."""

    def waiting_for_trigger(self) -> bool:
        """Whether a trigger would fire it."""

    def trigger(self) -> None:
        """Fire. Never tried again: whatever this raises, assume that it fired."""

    def inhibit_trigger(self) -> None:
        """No trigger fires it any more."""

    def off(self) -> None:
        """Trigger inhibited, charging off, internal discharge closed."""


class Digitiser(Instrument, Protocol):
    """A recorder of one channel at a time that keeps raw codes."""

    def prepare(self, settings: DigitiserSettings) -> None:
        """Write the settings."""

    def read_back(self) -> DigitiserSettings:
        """What it really took."""

    def start(self) -> None:
        """Begin a capture: it fills its pre-trigger part, then waits for the trigger."""

    def waiting_for_trigger(self) -> WaitingProof:
        """Proof that it waits for its trigger, by the method that suits the family."""

    def done(self) -> bool:
        """Whether the capture is complete."""

    def fetch(self) -> RawTrace:
        """The capture asked for, or `InstrumentFault` no_capture or settings_changed."""

    def stop(self) -> None:
        """End the capture."""


class LeakageMeter(Instrument, Protocol):
    """A d.c. source of at most some ten volts with a current meter."""

    def prepare(self, voltage_v: float, range_a: float) -> None:
        """Output off, voltage, current range."""

    def read_back(self) -> dict[str, float | str]:
        """What it really took: `voltage_v`, `range_a`, `output` (on, off)."""

    def on(self) -> None:
        """Apply the voltage."""

    def current_a(self) -> float:
        """One reading in amperes; infinite where the meter is overloaded."""

    def off(self) -> None:
        """Remove the voltage."""
