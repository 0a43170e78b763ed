"""What makes each key of a sequence or a bench file weaker: one table, and nothing that is not in it is judged.

Common practice of a test laboratory, no source: the table says which way a key loosens a limit, a safeguard, a
verification or the stress on the specimen. A key without such a way is "other", for a person to look at.
"""

from __future__ import annotations

from dataclasses import dataclass
from typing import Literal

Verdict = Literal["weaker", "stronger", "other"]
Way = Literal["less", "more", "window", "level", "order", "judged", "named", "points", "channels", "other"]


@dataclass(frozen=True, slots=True)
class Rule:
    """How a key's change is judged.

    `way`: what weakens it: `less` or `more` of a number, a wider `window`, a lower or wider `level`, an earlier
    place in `order` (weakest first), `judged` for that key alone, `named` for what is only present or not; `points`
    may be reworded, `channels` may be put elsewhere; `other` cannot be told. `why` is the consequence of weakening,
    in a few words. `gone` and `come`: what it means that the key, or an entry of it, is removed or added.
    """

    way: Way
    why: str = ""
    order: tuple[str, ...] = ()
    gone: Verdict = "weaker"
    come: Verdict = "stronger"


def _less(why: str) -> Rule:
    return Rule("less", why)


def _more(why: str) -> Rule:
    return Rule("more", why)


def _order(why: str, *order: str) -> Rule:
    return Rule("order", why, order)


def _named(why: str) -> Rule:
    return Rule("named", why)


OTHER = Rule("other", gone="other", come="other")
_ASKED_FOR = Rule("other")  # its value cannot be ranked; without it less is asked for
_WINDOW = Rule("window", "more is accepted")
_LEVEL = Rule("level", "the specimen is stressed less, or less surely")
_POINT = Rule("points", "nobody confirms it any more")
_SHARPNESS = ("ignited", "holed", "scorched", "open", "unmarked", "intact")

SEQUENCE: dict[str, Rule] = {
    "Sequence.language": OTHER,
    "Sequence.title": OTHER,
    "Sequence.scenario": OTHER,
    "Sequence.specimen": _ASKED_FOR,
    "Sequence.indicator": _named("nothing shows ignition any more"),
    "Sequence.equipment": _ASKED_FOR,
    "Sequence.set_at_start": OTHER,
    "Sequence.interlock": _named("energy no longer depends on it"),
    "Sequence.verification": _named("nothing proves the circuit before the specimen is spent"),
    "Sequence.initial_measurements": _named("the step is no longer done"),
    "Sequence.arm": _ASKED_FOR,
    "Sequence.mounts": _ASKED_FOR,
    "Sequence.duty": _ASKED_FOR,
    "Sequence.each_shot": _named("the step is no longer done"),
    "Sequence.invalid_shot": _ASKED_FOR,
    "Sequence.each_cycle": _ASKED_FOR,
    "Sequence.intermediate_measurements": _named("nothing is measured between the cycles any more"),
    "Sequence.trend_limits": _named("nothing warns before the limit is reached"),
    "Sequence.attended": _named("nobody has to watch the first cycles"),
    "Sequence.failure_policy": _ASKED_FOR,
    "Sequence.final_measurements": _named("the step is no longer done"),
    "Sequence.requirements": _named("the specimen no longer has to meet it"),
    "Specimen.type": _ASKED_FOR,
    "Specimen.rated_voltage": OTHER,
    "Specimen.rated_current": OTHER,
    "Specimen.highest_impulse": _more("a higher voltage may be applied to the specimen"),
    "Specimen.condition": _ASKED_FOR,
    "Specimen.after_a_stop": _order(
        "a specimen from a stopped run may be used again", "may go on", "is spent"
    ),
    "Indicator.material": OTHER,
    "Indicator.layers": OTHER,
    "Indicator.fresh_for": _order("it is renewed less often", "each specimen", "each shot"),
    "Indicator.observe_at_least": _less("late ignition may be missed"),
    "ImpulseSourceWanted.type": OTHER,
    "ImpulseSourceWanted.charging_voltage": OTHER,
    "DigitiserWanted.type": OTHER,
    "DigitiserWanted.channels": _named("the bench need not have it"),
    "LeakageMeterWanted.type": OTHER,
    "LeakageMeterWanted.highest": OTHER,
    "ActuatorWanted.type": OTHER,
    "ActuatorWanted.positions": _named("the bench need not have it"),
    "LoadWanted.type": OTHER,
    "LoadWanted.kind": OTHER,
    "LoadWanted.supply": OTHER,
    "LoadWanted.frequency": OTHER,
    "LoadWanted.current": OTHER,
    "LoadWanted.banks": OTHER,
    "ContactRecorderWanted.type": OTHER,
    "ContactRecorderWanted.temperatures": _named("the bench need not have it"),
    "Parameter.usual": OTHER,  # judged by what the parameter stands for
    "Parameter.lowest": OTHER,
    "Parameter.highest": OTHER,
    "Lapse.time": _more("an older verification still counts"),
    "Lapse.shots": _more("a verification counts for more shots"),
    "VerificationShots.shots": _less("the circuit is proved by fewer shots"),
    "VerificationShots.capture": _ASKED_FOR,
    "VerificationShots.accept": _named("the verification no longer looks at it"),
    "VerificationShots.accept[]": _WINDOW,
    "Verification.source": OTHER,
    "Verification.charging_voltage": Rule("level", "the circuit is proved lower, or less exactly"),
    "Verification.interval": _less("the source has less time between shots"),
    "Verification.open_circuit": _named("the open circuit is no longer proved"),
    "Verification.short_circuit": _named("the short circuit is no longer proved"),
    "Verification.effective_impedance": _WINDOW,
    "Verification.lapses_after": _ASKED_FOR,
    "Arm.confirm": _POINT,
    "Arm.lapses_after": _more("arming stays good for longer"),
    "ShotDuty.shots": _less("the specimen is stressed less often"),
    "ShotDuty.interval": _less("specimen and bench have less time between shots"),
    "ShotDuty.polarity": OTHER,
    "CycleDuty.cycles": _less("the specimen is operated less often"),
    "CycleDuty.rate": _more("specimen and load have less time between two cycles"),
    "CycleDuty.on_time": _less("the specimen carries the current for less time"),
    "CycleDuty.bank_off_at_least": _less("a lamp that is still warm takes less inrush"),
    "Mounts.count": _less("fewer specimens are tested"),
    "Mounts.failure": _ASKED_FOR,
    "MountFailure.rule": _order("more malfunctions are forgiven", "consecutive", "nth", "first"),
    "MountFailure.times": Rule("more", "more malfunctions are forgiven", gone="other", come="other"),
    "EachCycle.actuator": OTHER,
    "EachCycle.off": OTHER,
    "EachCycle.on": OTHER,
    "EachCycle.switches_at": OTHER,
    "EachCycle.speed": OTHER,
    "EachCycle.load": OTHER,
    "EachCycle.recorder": OTHER,
    "EachCycle.open_above": _more("a contact that has opened may count as closed"),
    "EachCycle.current": _WINDOW,
    "EachCycle.traces": _ASKED_FOR,
    "TracePolicy.first": _less("fewer waveforms are kept"),
    "TracePolicy.last": _less("fewer waveforms are kept"),
    "TracePolicy.every": _more("fewer waveforms are kept"),
    "TracePolicy.around_anomaly": _less("fewer waveforms are kept"),
    "IntermediateMeasurements.every": _more("the specimen is measured less often"),
    "IntermediateMeasurements.steps": _named("the step is no longer done"),
    "TrendLimit.result": OTHER,
    "TrendLimit.warn_above": _more("it is warned of later"),
    "TrendLimit.grows_by": _more("it is warned of later"),
    "TrendLimit.over": _more("it is warned of later"),
    "Attended.cycles": _less("fewer cycles are watched"),
    "InvalidShot.repeat_at_most": _more("more shots without a recording are forgiven"),
    "InvalidShot.counted_on_specimen": _order(
        "stress that the specimen has had is no longer counted", "false", "true"
    ),
    "FailurePolicy.limit": _order("the run goes on after a limit was exceeded", "go on", "stop"),
    "FailurePolicy.indicator": _order("the run goes on after the indicator was marked", "go on", "stop"),
    "Requirement.clause": OTHER,
    "Requirement.result": OTHER,
    "Requirement.judged": Rule("judged", "fewer values have to meet the limit"),
    "Requirement.at_most": _more("the limit is loosened"),
    "Requirement.at_least": _less("the limit is loosened"),
    "Requirement.must_be": _order("a worse state is accepted", *_SHARPNESS),
    "Requirement.rule": _order("nothing is kept for the uncertainty", "simple_acceptance", "guard_band"),
    "Capture.method": OTHER,
    "Capture.channels": _named("it is no longer recorded"),
    "Capture.proof_age": _more("an older proof of waiting still counts"),
    "CaptureChannel.expected_peak": OTHER,
}

# Step kinds by the names of their classes: this package does not know the classes themselves.
STEPS: dict[str, Rule] = {
    "CheckContact.result": OTHER,
    "CheckContact.after": OTHER,
    "DryRun.cycles": _less("fewer cycles show that the contact follows the position"),
    "DryRun.speed": OTHER,
    "Dwell.time": _less("the state is kept for less time"),
    "Energise.source": OTHER,
    "Energise.charging_voltage": _LEVEL,
    "Energise.capture": _named("the shot is no longer recorded"),
    "Energise.inside": _named("the step is no longer done"),
    "Hold.reason": OTHER,
    "Hold.released_by": OTHER,
    "Inspect.confirm": _POINT,
    "Inspect.photo": _order("no photo belongs in the record", "not required", "required"),
    "Measure.result": OTHER,
    "Measure.instrument": OTHER,
    "Measure.voltage": _less("the specimen is stressed less"),
    "Measure.after": OTHER,
    "Observe.indicator": OTHER,
    "Observe.time": _less("late ignition may be missed"),
    "Temperature.result": OTHER,
    "Temperature.channels": _named("it is no longer looked at"),
    "Temperature.above": OTHER,
    "TouchOff.actuator": OTHER,
    "TouchOff.off": OTHER,
    "TouchOff.on": OTHER,
    "TouchOff.speed": OTHER,
    "TouchOff.result": OTHER,
    "TouchOff.datum": OTHER,
    "TouchOff.shift_at_most": _more("a specimen that has moved further passes"),
    "TouchOff.force_within": _more("a force that has changed more passes"),
    "Trigger.equipment": OTHER,
}
# A step that is added asks for more, except for these: they spend the specimen or time.
NOT_STRONGER_WHEN_ADDED = ("energise", "trigger", "dwell")

BENCH: dict[str, Rule] = {
    "Bench.language": OTHER,
    "Bench.name": OTHER,
    "Bench.laboratory": OTHER,
    "Bench.location": OTHER,
    "Bench.group": OTHER,
    "Bench.people": OTHER,
    "Bench.arming": OTHER,
    "BenchPerson.name": OTHER,
    "BenchPerson.user": OTHER,
    "BenchPerson.roles": OTHER,
    "BenchArming.two_people": _order("one person alone arms the bench", "false", "true"),
    "BenchArming.witness": _order("no witness is asked any more", "false", "true"),
    "Bench.safety_io": _ASKED_FOR,
    "Bench.touch_safe": _more("a higher voltage counts as safe to touch"),
    "Bench.discharge_time": _more("a store that does not discharge is noticed later"),
    "Bench.recharge_time": _less("the bench has less time between two charges"),
    "Bench.outputs": OTHER,
    "Bench.lifted": Rule("named", "nothing earths or discharges there any more", come="other"),
    "Bench.instruments": OTHER,
    "Bench.equipment": OTHER,
    "SafetyIo.resource": OTHER,
    "SafetyIo.unit": OTHER,
    "SafetyIo.poll": _more("an opened interlock is seen later"),
    "SafetyIo.fresh_within": _more("an older snapshot still counts as proof"),
    "SafetyIo.channels_agree_within": _more("two channels may differ for longer"),
    "SafetyIo.watchdog": _ASKED_FOR,
    "SafetyIo.inputs": _named("the bench no longer has this interlock"),
    "SafetyIo.feedback": _named("nothing proves this state any more"),
    "SafetyIo.feedback[]": OTHER,
    "SafetyIo.voltages": _named("this voltage is no longer watched"),
    "SafetyIo.ambient": _named("it is no longer on record"),
    "SafetyIo.signals": _ASKED_FOR,
    "Watchdog.register": OTHER,
    "Watchdog.time": _more("power stays on for longer without the monitor"),
    "ScaledVoltage.register": OTHER,
    "ScaledVoltage.scale": OTHER,
    "ScaledAmount.register": OTHER,
    "ScaledAmount.scale": OTHER,
    "SafetyInput.channels": Rule("channels", "fewer channels watch it"),
    "SafetyInput.prove_within": _more("an input may be stuck for longer"),
    "Signals.red": OTHER,
    "Signals.green": OTHER,
    "Signals.horn": OTHER,
    "Output.coil": OTHER,
    "Output.off_feedback": OTHER,
    "Output.lifts": Rule("named", "the block no longer closes it on leaving", come="other"),
    "Output.stop_category": _order("energy is cut later", "1", "0"),
    "Output.deadline": _more("energy is cut later"),
    "Output.warning": _less("the horn warns for less time"),
    "Output.highest": _more("the output may carry a higher voltage"),
    "Lifted.coil": OTHER,
    "Lifted.closed_feedback": OTHER,
    "Identity.maker": OTHER,
    "Identity.model": OTHER,
    "Instrument.dialect": OTHER,
    "Instrument.resource": OTHER,
    "Instrument.identity": _ASKED_FOR,
    "Instrument.serial": OTHER,
    "Instrument.calibration_due": OTHER,
    "ChargingRange.lowest": OTHER,
    "ChargingRange.highest": OTHER,
    "ImpulseSource.type": OTHER,
    "ImpulseSource.instrument": OTHER,
    "ImpulseSource.output": OTHER,
    "ImpulseSource.charging_voltage": OTHER,
    "ImpulseSource.effective_impedance": OTHER,
    "ImpulseSource.charge_within": _more("a source that does not charge is noticed later"),
    "ChannelAccuracy.gain": OTHER,
    "ChannelAccuracy.offset": OTHER,
    "ChannelAccuracy.timebase": OTHER,
    "Channel.instrument": OTHER,
    "Channel.channel": OTHER,
    "Channel.probe_ratio": OTHER,
    "Channel.quantity": OTHER,
    "Channel.ranges": OTHER,
    "Channel.bits": _less("the recording is coarser"),
    "Channel.accuracy": OTHER,
    "Digitiser.type": OTHER,
    "Digitiser.sample_rate": _less("the recording is coarser"),
    "Digitiser.samples": _less("the recording is shorter"),
    "Digitiser.pre_trigger": OTHER,
    "Digitiser.channels": OTHER,
    "SoftLimits.lowest": _less("the actuator may be sent further"),
    "SoftLimits.highest": _more("the actuator may be sent further"),
    "DriveForce.highest": _more("the drive may press harder"),
    "Actuator.type": OTHER,
    "Actuator.instrument": OTHER,
    "Actuator.soft_limits": _ASKED_FOR,
    "Actuator.home": OTHER,
    "Actuator.positions": OTHER,
    "Actuator.positions[]": OTHER,
    "Actuator.highest_speed": OTHER,
    "Actuator.acceleration": OTHER,
    "Actuator.confirm_within": _more("a position that was not reached may count as reached"),
    "Actuator.move_within": _more("a move that does not end is noticed later"),
    "Actuator.force": _ASKED_FOR,
    "Load.type": OTHER,
    "Load.output": OTHER,
    "Load.check_output": OTHER,
    "Load.kind": OTHER,
    "Load.supply": OTHER,
    "Load.frequency": OTHER,
    "Load.current": OTHER,
    "Load.banks": OTHER,
    "RecorderAccuracy.gain": OTHER,
    "RecorderAccuracy.offset": OTHER,
    "RecordedVoltage.range": OTHER,
    "RecordedVoltage.bits": _less("the recording is coarser"),
    "RecordedVoltage.accuracy": OTHER,
    "RecordedCurrent.range": OTHER,
    "RecordedCurrent.bits": _less("the recording is coarser"),
    "RecordedCurrent.accuracy": OTHER,
    "RecordedTemperature.channels": OTHER,
    "RecordedTemperature.channels[]": OTHER,
    "RecordedTemperature.accuracy": OTHER,
    "ContactRecorder.type": OTHER,
    "ContactRecorder.instrument": OTHER,
    "ContactRecorder.mounts": OTHER,
    "ContactRecorder.sample_rate": _less("the recording is coarser"),
    "ContactRecorder.make_samples": _less("the recording is shorter"),
    "ContactRecorder.break_samples": _less("the recording is shorter"),
    "ContactRecorder.make_pre": OTHER,
    "ContactRecorder.break_pre": OTHER,
    "ContactRecorder.voltage": _ASKED_FOR,
    "ContactRecorder.current": _ASKED_FOR,
    "ContactRecorder.temperature": OTHER,
    "MeterAccuracy.gain": OTHER,
    "MeterAccuracy.offset": OTHER,
    "LeakageMeter.type": OTHER,
    "LeakageMeter.instrument": OTHER,
    "LeakageMeter.output": OTHER,
    "LeakageMeter.highest": OTHER,
    "LeakageMeter.accuracy": OTHER,
}

RULES: dict[str, Rule] = {**SEQUENCE, **STEPS, **BENCH}


def rule_for(model: object, field: str) -> Rule:
    """The rule of a model's key, `key[]` for the values of a table; `other` for one that is not named here."""
    return RULES.get(f"{type(model).__name__}.{field}", OTHER)
