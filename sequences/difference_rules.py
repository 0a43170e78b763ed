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
    "Sequence.duty": _ASKED_FOR,
    "Sequence.each_shot": _named("the step is no longer done"),
    "Sequence.invalid_shot": _ASKED_FOR,
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
    "Duty.shots": _less("the specimen is stressed less often"),
    "Duty.interval": _less("specimen and bench have less time between shots"),
    "Duty.polarity": OTHER,
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
