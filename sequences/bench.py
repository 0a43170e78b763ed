"""A bench as read from its file: safety input and output, outputs, instruments, and the equipment they make
up."""

from __future__ import annotations

import warnings
from typing import Annotated, Any, Literal

from pydantic import BeforeValidator, Field, WithJsonSchema

from sequences.fields import (
    Amount,
    Amperes,
    Count,
    Date,
    Fraction,
    Hertz,
    Kelvins,
    Language,
    Metres,
    MetresPerSecond,
    MetresPerSecondSquared,
    Model,
    Name,
    Newtons,
    Number,
    Ohms,
    Resource,
    Seconds,
    Text,
    Truth,
    Volts,
    complain,
    scalar,
)

Address = Annotated[
    Count, Field(ge=0, le=65535, description="address on the safety input and output, from 0")
]


with warnings.catch_warnings():
    # `register` is Modbus's word and the file's key; that every abstract class has a method of that name is
    # no clash.
    warnings.filterwarnings("ignore", 'Field name "register"', UserWarning)

    class Watchdog(Model):
        """The timer in the safety output that drops power by itself."""

        register: Address = Field(description="holding register that is written to renew it")
        time: Seconds = Field(gt=0, le=2, description="power drops this long after the last renewal")

    class ScaledVoltage(Model):
        """An independent voltage measurement."""

        register: Address = Field(description="input register")
        scale: Volts = Field(gt=0, description="voltage of one count")

    class ScaledAmount(Model):
        """An ambient measurement."""

        register: Address = Field(description="input register")
        scale: Amount = Field(description="value of one count")


class SafetyInput(Model):
    """An interlock."""

    channels: tuple[Address, ...] = Field(description="discrete inputs, one or two, closed means safe")
    prove_within: Seconds = Field(
        gt=0, description="has to have changed once within this time, or it counts as stuck"
    )


class Signals(Model):
    """Signal lamps and horn (EN 50191: green and red mean that alone)."""

    red: Address = Field(description="coil of the red lamp")
    green: Address = Field(description="coil of the green lamp")
    horn: Address = Field(description="coil of the horn")


class SafetyIo(Model):
    """The safety input and output, and how the interlock monitor watches it."""

    resource: Resource = Field(description="its address, Modbus TCP")
    unit: Count = Field(ge=0, le=247, description="Modbus unit identifier")
    poll: Seconds = Field(gt=0, le=0.1, description="time from poll to poll")
    fresh_within: Seconds = Field(gt=0, le=1, description="an older snapshot proves nothing")
    channels_agree_within: Seconds = Field(
        gt=0, le=2, description="two channels that differ for longer are a fault"
    )
    watchdog: Watchdog = Field(description="timer in the safety output")
    inputs: dict[Name, SafetyInput] = Field(min_length=1, description="interlocks by their meaning")
    feedback: dict[Name, Address] = Field(min_length=1, description="discrete inputs that prove a state")
    voltages: dict[Name, ScaledVoltage] = Field(
        description="independent voltages at every energy store and at the specimen"
    )
    ambient: dict[Name, ScaledAmount] = Field(
        default_factory=dict, description="ambient measurements for the record"
    )
    signals: Signals = Field(description="coils of lamps and horn")


def _stop_category(value: Any) -> int:
    text = str(value) if isinstance(value, int) else scalar(value)
    if text not in ("0", "1"):
        complain(
            "not-a-choice",
            f'"{text}" is not a stop category of this program.',
            "write 0 (cut now) or 1 (come to rest, then cut)",
        )
    return int(text)


StopCategory = Annotated[int, BeforeValidator(_stop_category), WithJsonSchema({"enum": [0, 1, "0", "1"]})]


class Output(Model):
    """A named output: coil on means that energy is possible."""

    coil: Address = Field(description="coil that makes energy possible")
    off_feedback: Name = Field(description="feedback that proves it is off")
    lifts: tuple[Name, ...] = Field(
        (), description="what is lifted for the block and closed again on leaving it"
    )
    stop_category: StopCategory = Field(description="0: cut now; 1: come to rest, then cut (IEC 60204-1)")
    deadline: Seconds = Field(
        ge=0, le=30, description="category 1: cut after this time, whatever the actuator does"
    )
    warning: Seconds = Field(ge=0, le=60, description="horn before energy")
    highest: Volts = Field(gt=0, description="highest voltage this output may carry")


class Lifted(Model):
    """An earthing or discharge device: coil on lifts it, off closes it."""

    coil: Address = Field(description="coil that lifts it")
    closed_feedback: Name = Field(description="feedback that proves it is closed")


class Identity(Model):
    """What an instrument has to answer to the question who it is."""

    maker: Text = Field(description="maker")
    model: Text = Field(description="model")


class Instrument(Model):
    """One instrument."""

    dialect: Text = Field(description="the wording it understands")
    resource: Resource = Field(description="its address")
    identity: Identity = Field(description="maker and model it has to report")
    serial: Text = Field(description="serial number it has to report")
    calibration_due: Date = Field(description="calibrated until")


class ChargingRange(Model):
    """What a source can be set to."""

    lowest: Volts = Field(gt=0, description="lowest charging voltage")
    highest: Volts = Field(gt=0, description="highest charging voltage")


class ImpulseSource(Model):
    """An impulse source."""

    type: Literal["impulse source"] = Field(description="type of equipment")
    instrument: Name = Field(description="the instrument that controls it")
    output: Name = Field(description="the output it works through")
    charging_voltage: ChargingRange = Field(description="what it can be set to")
    effective_impedance: Ohms = Field(
        gt=0, description="open-circuit peak voltage over short-circuit peak current"
    )
    charge_within: Seconds = Field(gt=0, le=600, description="longest time to charge")


class ChannelAccuracy(Model):
    """Stated accuracy of a channel with its probe, as half-widths."""

    gain: Fraction = Field(ge=0, description="of the reading")
    offset: Fraction = Field(ge=0, description="of the range")
    timebase: Fraction = Field(ge=0, description="of a time")


class Channel(Model):
    """One channel of a digitiser with its probe."""

    instrument: Name = Field(description="the instrument it belongs to")
    channel: Count = Field(ge=1, le=64, description="its number on the instrument")
    probe_ratio: Number = Field(gt=0, description="V or A at the specimen for one V at the input")
    quantity: Literal["V", "A"] = Field(description="what the probe senses")
    ranges: tuple[Volts, ...] = Field(min_length=1, description="full scale either way, at the input")
    bits: Count = Field(ge=4, le=24, description="resolution")
    accuracy: ChannelAccuracy = Field(description="stated accuracy")

    def full_scales(self) -> tuple[float, ...]:
        """Full scale of each range at the specimen, in V or A, ascending."""
        return tuple(sorted(self.probe_ratio * volts for volts in self.ranges))


class Digitiser(Model):
    """A digitiser, of one instrument or several triggered together."""

    type: Literal["digitiser"] = Field(description="type of equipment")
    sample_rate: Hertz = Field(gt=0, description="samples in a second")
    samples: Count = Field(ge=10, le=100_000_000, description="samples of a recording")
    pre_trigger: Fraction = Field(ge=0, lt=1, description="part of the recording before the trigger")
    channels: dict[Name, Channel] = Field(min_length=1, description="its channels by name")


class MeterAccuracy(Model):
    """Stated accuracy of a meter, as half-widths."""

    gain: Fraction = Field(ge=0, description="of the reading")
    offset: Amperes = Field(ge=0, description="added to it")


class LeakageMeter(Model):
    """A leakage meter with its own supply."""

    type: Literal["leakage meter"] = Field(description="type of equipment")
    instrument: Name = Field(description="the instrument it is")
    output: Name = Field(description="the output it works through")
    highest: Amperes = Field(gt=0, description="highest current it measures")
    accuracy: MeterAccuracy = Field(description="stated accuracy")


class SoftLimits(Model):
    """How far an actuator may be sent; its controller is given them too."""

    lowest: Metres = Field(description="lowest position")
    highest: Metres = Field(description="highest position")


class DriveForce(Model):
    """What a drive can press with."""

    highest: Newtons = Field(gt=0, description="highest force, reached in a touch-off at most")


class Actuator(Model):
    """A serial actuator that moves along one axis, sent to positions by their names."""

    type: Literal["actuator"] = Field(description="type of equipment")
    instrument: Name = Field(description="the instrument that controls it")
    soft_limits: SoftLimits = Field(description="no position outside of these is ever commanded")
    home: Metres = Field(description="position of its reference switch, taken up when it homes")
    positions: dict[Name, Metres] = Field(
        min_length=1, description="positions by name, as taught at this bench with this fixture"
    )
    highest_speed: MetresPerSecond = Field(gt=0, description="highest speed that it reaches")
    acceleration: MetresPerSecondSquared = Field(
        gt=0, description="acceleration and deceleration of every move"
    )
    confirm_within: Metres = Field(
        gt=0, description="read-back and encoder may be this far from the target, no further"
    )
    move_within: Seconds = Field(gt=0, le=60, description="longest time of one move, all in all")
    force: DriveForce = Field(description="what it can press with")


class Load(Model):
    """A load with its supply, switched by the specimen."""

    type: Literal["load"] = Field(description="type of equipment")
    output: Name = Field(description="the output that connects the load's supply")
    check_output: Name = Field(
        description="the output that connects a low-energy supply in its place, for checks and dry runs"
    )
    kind: Literal["resistive", "motor", "tungsten", "inductive"] = Field(
        description="what it is; its inrush goes by it"
    )
    supply: Volts = Field(gt=0, description="voltage of its supply; of alternating current the r.m.s. value")
    frequency: Hertz = Field(ge=0, le=1000, description="frequency of its supply, 0 Hz for direct current")
    current: Amperes = Field(gt=0, description="rated current of each bank; the r.m.s. value")
    banks: Count = Field(1, ge=1, le=64, description="banks that take turns, one a cycle (a commutator)")


class RecorderAccuracy(Model):
    """Stated accuracy of a quantity that a contact recorder takes, as half-widths."""

    gain: Fraction = Field(ge=0, description="of the reading")
    offset: Fraction = Field(ge=0, description="of the range")


class RecordedVoltage(Model):
    """How a contact recorder takes the voltage across the contact."""

    range: Volts = Field(gt=0, description="full scale either way")
    bits: Count = Field(ge=4, le=16, description="resolution")
    accuracy: RecorderAccuracy = Field(description="stated accuracy")


class RecordedCurrent(Model):
    """How a contact recorder takes the current."""

    range: Amperes = Field(gt=0, description="full scale either way")
    bits: Count = Field(ge=4, le=16, description="resolution")
    accuracy: RecorderAccuracy = Field(description="stated accuracy")


class RecordedTemperature(Model):
    """The thermocouples of a contact recorder."""

    channels: dict[Name, Count] = Field(min_length=1, description="its channels by what they are fixed to")
    accuracy: Kelvins = Field(ge=0, description="stated accuracy, as a half-width")


class ContactRecorder(Model):
    """A contact recorder: voltage and current of every mount around each make and each break.

    Make and break records begin as the actuator passes the position at which the contact switches.
    """

    type: Literal["contact recorder"] = Field(description="type of equipment")
    instrument: Name = Field(description="the instrument it is")
    mounts: Count = Field(ge=1, le=64, description="mounts that it is wired to")
    sample_rate: Hertz = Field(gt=0, le=10e6, description="samples in a second")
    make_samples: Count = Field(ge=10, le=100_000, description="samples of the record of a make")
    break_samples: Count = Field(ge=10, le=100_000, description="samples of the record of a break")
    make_pre: Count = Field(ge=0, description="samples of the record of a make that lie before its trigger")
    break_pre: Count = Field(ge=0, description="samples of the record of a break that lie before its trigger")
    voltage: RecordedVoltage = Field(description="the voltage across the contact")
    current: RecordedCurrent = Field(description="the current")
    temperature: RecordedTemperature | None = Field(None, description="its thermocouples")

    def make_record_s(self) -> float:
        """How long a make is recorded after its trigger."""
        return (self.make_samples - self.make_pre) / self.sample_rate

    def break_record_s(self) -> float:
        """How long a break is recorded after its trigger."""
        return (self.break_samples - self.break_pre) / self.sample_rate


Equipment = Annotated[
    ImpulseSource | Digitiser | LeakageMeter | Actuator | Load | ContactRecorder, Field(discriminator="type")
]


def instruments_of(equipment: Equipment) -> dict[tuple[str, ...], str]:
    """The instruments that make up a piece of equipment, by the keys that name them."""
    if isinstance(equipment, Digitiser):
        return {("channels", name, "instrument"): one.instrument for name, one in equipment.channels.items()}
    return {} if isinstance(equipment, Load) else {("instrument",): equipment.instrument}


def outputs_of(equipment: Equipment) -> dict[str, str]:
    """The outputs that a piece of equipment works through, by the keys that name them."""
    if isinstance(equipment, Load):
        return {"output": equipment.output, "check_output": equipment.check_output}
    return {"output": equipment.output} if isinstance(equipment, (ImpulseSource, LeakageMeter)) else {}


class BenchPerson(Model):
    """Somebody who works at the bench."""

    name: Text = Field(description="as on the badge; declared where an account is shared")
    user: Text | None = Field(None, description="user name on the computer, where that tells who it is")
    roles: tuple[Literal["viewer", "technician", "engineer", "witness", "test operator in charge"], ...] = (
        Field(min_length=1, description="what the person is to the bench")
    )


class BenchArming(Model):
    """Who has to take part in arming, beside the person who arms."""

    two_people: Truth = Field(False, description="whether a second person has to make sure and confirm")
    witness: Truth = Field(False, description="whether a witness has to say that they are ready")


class Bench(Model):
    """A bench."""

    language: Language = Field(description="version of the language")
    name: Text = Field(description="the bench's name")
    laboratory: Text = Field(description="the laboratory it belongs to")
    location: Text = Field(description="where it stands")
    group: Text | None = Field(
        None, description="operating-system group whose members may talk to the daemon"
    )
    people: tuple[BenchPerson, ...] = Field(
        (), description="who may do what; without anybody named, everybody may do everything"
    )
    arming: BenchArming = Field(
        default_factory=BenchArming, description="who takes part in arming; one person where it is not given"
    )
    safety_io: SafetyIo = Field(description="safety input and output")
    touch_safe: Volts = Field(
        gt=0,
        le=120,
        description="below this voltage a part counts as safe to touch; the laboratory's own limit",
    )
    discharge_time: Seconds = Field(gt=0, le=600, description="time from off to below touch_safe")
    recharge_time: Seconds = Field(ge=0, le=600, description="least time from off to the next charge")
    outputs: dict[Name, Output] = Field(
        min_length=1, description="named outputs; every coil off is the safe state"
    )
    lifted: dict[Name, Lifted] = Field(default_factory=dict, description="earthing and discharge devices")
    instruments: dict[Name, Instrument] = Field(min_length=1, description="instruments by name")
    equipment: dict[Name, Equipment] = Field(min_length=1, description="what the bench gives to a sequence")

    def _load(self) -> Load | None:
        return next((one for one in self.equipment.values() if isinstance(one, Load)), None)

    def load_output(self) -> str | None:
        """The output of the bench's load; None for a bench without one."""
        load = self._load()
        return load.output if load else None

    def check_output(self) -> str | None:
        """The output that gives low energy in place of the load's supply; None for a bench without a load."""
        load = self._load()
        return load.check_output if load else None

    def monitor_rules(self) -> dict[str, Any]:
        """All that the interlock monitor needs, as plain data for its own process: times in s, voltages in
        V."""
        io = self.safety_io
        return {
            "resource": io.resource,
            "unit": io.unit,
            "poll_s": io.poll,
            "fresh_s": io.fresh_within,
            "agree_s": io.channels_agree_within,
            "watchdog": {"register": io.watchdog.register, "time_s": io.watchdog.time},
            "touch_safe_v": self.touch_safe,
            "discharge_s": self.discharge_time,
            "inputs": [
                {"name": name, "channels": list(one.channels), "prove_within_s": one.prove_within}
                for name, one in io.inputs.items()
            ],
            "feedback": dict(io.feedback),
            "voltages": {
                name: {"register": one.register, "scale": one.scale} for name, one in io.voltages.items()
            },
            "ambient": {
                name: {"register": one.register, "scale": float(one.scale), "unit": one.scale.unit}
                for name, one in io.ambient.items()
            },
            "signals": {"red": io.signals.red, "green": io.signals.green, "horn": io.signals.horn},
            "outputs": [
                {
                    "name": name,
                    "coil": one.coil,
                    "off_feedback": one.off_feedback,
                    "lifts": list(one.lifts),
                    "stop_category": one.stop_category,
                    "deadline_s": one.deadline,
                    "warning_s": one.warning,
                }
                for name, one in self.outputs.items()
            ],
            "lifted": {
                name: {"coil": one.coil, "closed_feedback": one.closed_feedback}
                for name, one in self.lifted.items()
            },
        }
