"""What a sequence's equipment can do, whatever family the instrument is of.

Every call has one total deadline (2 s unless the implementation is told otherwise) and raises `LinkFault`
(the link) or `InstrumentFault` (the instrument answered, but not as it must). Nothing is ever tried twice.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from typing import Literal, Protocol

import numpy as np
from numpy.typing import NDArray

from drivers.equipment.off import OffWrite

Polarity = Literal["positive", "negative"]
InstrumentCode = Literal[
    "wrong_instrument",
    "error_queue",
    "no_capture",
    "settings_changed",
    "not_homed",
    "not_reached",
    "stale_encoder",
    "limit",
    "alarm",
    "outside_limits",
]


class InstrumentFault(Exception):
    """An instrument that answers, but not as it must: which one, what was asked of it, one sentence.

    `code` is one of
    `wrong_instrument`  the identity differs from the bench file's;
    `error_queue`       the instrument reported errors after a command group;
    `no_capture`        what it holds is not the capture that was asked for;
    `settings_changed`  a setting is not what it was when the capture began;
    `not_homed`         an actuator that does not know where it is: nothing moved;
    `not_reached`       it is at rest, but its read-back or its encoder is not at the target (the line was not
                        taken, it was stopped on the way, or it lost steps);
    `stale_encoder`     it says that it is at the target, and its encoder reads as it did before the move;
    `limit`             a limit switch ended the motion;
    `alarm`             any other alarm of the controller, named in the sentence;
    `outside_limits`    the target lies outside the soft limits, or none were set: nothing was sent.
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

    def read_back_for_trigger(self) -> dict[str, str]:
        """`polarity` and `trigger_source` once more, in one exchange."""

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


# --------------------------------------------------------------------------- endurance: the actuator


@dataclass(frozen=True)
class MotionLimits:
    """Between which positions an actuator may be sent, and how fast it may change its speed."""

    lowest_mm: float
    highest_mm: float
    acceleration_mm_s2: float


@dataclass(frozen=True)
class ActuatorState:
    """What a motion controller says of itself, in one answer."""

    line: int  # number of the last line it took; 0: none yet
    done: int  # number of the last line it has carried out to its end
    commanded_mm: float  # where it was sent to
    encoder_mm: float  # where its encoder says it is
    moving: bool
    homed: bool
    alarm: str  # empty: none; else the controller's word (limit, lost_steps, drive_off, overload)


@dataclass(frozen=True)
class TouchOff:
    """Force against position while it closed in slowly: the signature of one mounted specimen."""

    positions_mm: NDArray[np.float64]  # shape (points,), by the encoder, in the order of the motion
    forces_n: NDArray[np.float64]  # shape (points,)
    state: ActuatorState  # at rest, at the target


@dataclass(frozen=True)
class Recovered:
    """An actuator that was opened again, identified and brought to rest; what became of the last line."""

    state: ActuatorState  # at rest
    line: int  # number of the last motion that was sent before; 0: none was
    taken: bool  # the controller took it: it may have moved, and was brought to rest since
    done: bool  # and carried it out to its end


class Actuator(Instrument, Protocol):
    """One axis with an encoder, in millimetres.

    No motion is ever sent twice. Where an answer stays out, comes garbled or comes twice, the driver opens the
    line again, identifies, asks for the state and decides by it, within the same deadline: `move` returns when
    the motion is confirmed, or raises. After a `LinkFault` nothing is known: call `recover`.
    """

    off_write: OffWrite  # stop category 1, then the state until it says at rest

    def prepare(self, limits: MotionLimits) -> None:
        """Write soft limits and acceleration, read both back, compare: `InstrumentFault` settings_changed.

        From here `move` checks its target against them. It clears no alarm and moves nothing.
        """

    def read_back(self) -> MotionLimits:
        """What it really took."""

    def clear_alarm(self) -> None:
        """Acknowledge an alarm: a person's act. Raises `InstrumentFault` limit or alarm if it is still there."""

    def home(self) -> ActuatorState:
        """Find the reference; its own deadline (`home_within_s`). Raises as `move`."""

    def move(self, to_mm: float, speed_mm_s: float, confirm_within_mm: float | None = None) -> ActuatorState:
        """Go there; returns at rest, read-back and encoder confirmed. One total deadline.

        Raises before anything is sent: `InstrumentFault` outside_limits, not_homed (as far as it is known).
        Raises after: not_reached, stale_encoder, limit, alarm, not_homed (its own word); `LinkFault`.
        """

    def state(self) -> ActuatorState:
        """What it says of itself now."""

    def touch_off(self, to_mm: float, speed_mm_s: float) -> TouchOff:
        """As `move`, slowly, with the force taken on the way. Raises as `move`, and no_capture."""

    def bring_to_rest(self) -> ActuatorState:
        """Stop category 1: decelerate; returns at rest."""

    def stop_at_once(self) -> None:
        """Stop category 0: the drive without torque, at once. It is not homed afterwards."""

    def recover(self) -> Recovered:
        """Open again, identify, bring to rest, and say what became of the last line. Moves nothing."""


# --------------------------------------------------------------------------- endurance: the contact recorder


@dataclass(frozen=True)
class RecorderSettings:
    """How every cycle is recorded: for each mount contact voltage and current, around make and around break."""

    mounts: int
    make_samples: int
    break_samples: int
    make_pre: int  # of the make samples, those before its trigger
    break_pre: int
    voltage_range_v: float  # full scale either way
    current_range_a: float
    sample_interval_s: float
    trigger_level_mm: float  # of the drive's position output, at which both records begin


@dataclass(frozen=True)
class CycleRecord:
    """One cycle as the recorder holds it. Volts are volts at the contact, amperes through it."""

    number: int  # 1 is the first since `start`
    next_number: int  # the cycle it waits for now, or records
    bank: int  # of the load, while it was recorded
    complete: bool  # make and break were both triggered
    overload: bool  # a sample is at a rail
    codes: NDArray[np.int16]  # shape (mounts, 2, samples): 0 voltage, 1 current; make, then break
    volts_per_code: float
    amperes_per_code: float
    supply_before_v: float  # a.c.: rms
    supply_on_v: float
    load_on_v: float
    supply_after_v: float
    made_s: float  # the make trigger by the recorder's own clock


class ContactRecorder(Instrument, Protocol):
    """A recorder that is triggered by the drive's position, cycle after cycle, and selects the load's bank."""

    off_write: OffWrite  # recording ended, every bank open

    def prepare(self, settings: RecorderSettings) -> None:
        """Recording ended, settings written."""

    def read_back(self) -> RecorderSettings:
        """What it really took; records are scaled by it."""

    def start(self) -> None:
        """Begin: cycles are numbered from 1."""

    def waiting(self) -> WaitingProof:
        """Proof that it waits for its trigger."""

    def fetch(self, number: int) -> CycleRecord:
        """That cycle, in one exchange. Raises `InstrumentFault` no_capture where it does not hold it."""

    def choose_bank(self, number: int) -> None:
        """Close that bank of the load and open the others, and read it back."""

    def temperatures_c(self, channels: Sequence[int]) -> list[float]:
        """Degrees Celsius, in the order asked for; not a number where a channel has no sensor."""

    def contact_now(self) -> tuple[NDArray[np.float64], NDArray[np.float64]]:
        """Contact voltages (V) and currents (A) now, each of shape (mounts,)."""

    def stop(self) -> None:
        """End the recording."""
