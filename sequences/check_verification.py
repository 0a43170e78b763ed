"""Checks of the verification: it has to be able to succeed, and to stay good until the duty is over."""

from __future__ import annotations

from sequences.asking import Checking
from sequences.bench import ImpulseSource
from sequences.capture import METHODS
from sequences.check_steps import check_capture, check_equipment, check_reach
from sequences.fields import nearest
from sequences.model import ShotDuty, Verification, VerificationShots
from sequences.places import Path_
from sequences.quantity import Toleranced, dimension_of, show
from sequences.step import Level

# IEC 61083-1: at least 30 samples over the shortest interval measured; of a front that is t30 to t90 of a voltage
# (0.6 of the front time) and t10 to t90 of a current (0.8 of it). From memory and from a secondary source.
SAMPLES_OVER_FRONT = 30
CHARGE: Path_ = ("verification", "charging_voltage")
OPEN_PEAK: Path_ = ("verification", "open_circuit", "accept", "peak")
SHORT_PEAK: Path_ = ("verification", "short_circuit", "accept", "peak")
_PART_OF_FRONT = {"impulse-voltage": 0.6, "impulse-current": 0.8}


def check_verification(checking: Checking) -> None:
    """The whole of `verification`, if there is one."""
    verification = checking.sequence.verification
    if verification is None:
        return
    check_equipment(checking, ("verification", "source"), verification.source, "impulse source")
    _level(checking, verification)
    _parts(checking, verification)
    for part in ("open_circuit", "short_circuit"):
        shots = getattr(verification, part)
        if shots:
            _shots(checking, ("verification", part), shots)
    _lapse(checking, verification)
    _impedance(checking, verification)
    _peaks(checking, verification)


def _level(checking: Checking, verification: Verification) -> None:
    given = checking.bench.equipment.get(verification.source) if checking.bench else None
    output = given.output if isinstance(given, ImpulseSource) else None
    # the specimen is not connected, so its rating does not limit the verification
    charge = verification.charging_voltage
    if checking.known(("verification", "source")):
        level = Level("charging_voltage", charge.nominal, charge.high)
        check_reach(checking, CHARGE, level, verification.source, output)


def _parts(checking: Checking, verification: Verification) -> None:
    kinds: list[Path_] = [("verification", "open_circuit"), ("verification", "short_circuit")]
    both = verification.open_circuit and verification.short_circuit
    if not (verification.open_circuit or verification.short_circuit):
        what = "The verification has neither open-circuit nor short-circuit shots."
        advice = "write open_circuit: or short_circuit:"
        checking.say("verification-empty", ("verification",), what, advice, key=True, compared=kinds)
    elif verification.effective_impedance and not both:
        what = "The effective impedance needs open-circuit and short-circuit shots."
        path = ("verification", "effective_impedance")
        advice = "write both kinds of shots, or remove it"
        checking.say("verification-empty", path, what, advice, key=True, compared=kinds)


def _shots(checking: Checking, path: Path_, shots: VerificationShots) -> None:
    check_capture(checking, (*path, "capture"), shots.capture)
    if not checking.known((*path, "capture", "method")):
        return
    produced = METHODS[shots.capture.method]
    for name, band in shots.accept.items():
        kind = produced.get(name)
        here = (*path, "accept", name)
        if kind is None:
            what = f'The method {shots.capture.method} produces no result "{name}".'
            checking.say("result-not-produced", here, what, nearest(name, produced), key=True)
        elif band.unit != kind.unit:
            words = dimension_of(kind.unit).words
            what = f'"{band.text}" is {dimension_of(band.unit).words}, and {name} is {words}.'
            checking.say("limit-unit", here, what, f"write {words}")
    _sampling(checking, path, shots)


def _sampling(checking: Checking, path: Path_, shots: VerificationShots) -> None:
    digitiser = checking.bench_digitiser()
    front = shots.accept.get("front_time")
    part = _PART_OF_FRONT.get(shots.capture.method)
    if digitiser is None or part is None:
        return
    if front and front.unit == "s":
        samples = digitiser.sample_rate * part * front.nominal
        if samples < SAMPLES_OVER_FRONT:
            rate = show(digitiser.sample_rate, "Hz")
            need = show(SAMPLES_OVER_FRONT / (part * front.nominal), "Hz")
            what = (
                f"The bench samples at {rate}: {samples:.0f} samples over the front, and {SAMPLES_OVER_FRONT} "
                "are needed."
            )
            checking.say(
                "undersampled", (*path, "accept", "front_time"), what, f"take a digitiser of {need} or more"
            )
    tail = shots.accept.get("time_to_half")
    recorded_s = digitiser.samples / digitiser.sample_rate * (1 - digitiser.pre_trigger)
    if tail and tail.unit == "s" and recorded_s < tail.high:
        what = (
            f"The bench records {show(recorded_s, 's')} after the trigger, and the wave may need "
            f"{show(tail.high, 's')} to half."
        )
        checking.say(
            "record-too-short",
            (*path, "accept", "time_to_half"),
            what,
            "take more samples or a lower sample rate",
        )


def _lapse(checking: Checking, verification: Verification) -> None:
    duty = checking.sequence.duty
    if not isinstance(duty, ShotDuty):
        return
    own = sum(part.shots for part in (verification.open_circuit, verification.short_circuit) if part)
    lapse = verification.lapses_after
    shots: list[Path_] = [("verification", part, "shots") for part in ("open_circuit", "short_circuit")]
    if lapse.shots < own + duty.shots:
        what = f"It lapses after {lapse.shots} shots; it has {own} of its own, and the duty has {duty.shots}."
        path = ("verification", "lapses_after", "shots")
        advice = f"write {own + duty.shots} or more"
        checking.say("verification-never-valid", path, what, advice, compared=[*shots, ("duty", "shots")])
    least_s = (duty.shots - 1) * duty.interval
    if lapse.time < least_s:
        what = f"It lapses after {show(lapse.time, 's')}, and the duty's intervals alone take {show(least_s, 's')}."
        path = ("verification", "lapses_after", "time")
        advice = "let it lapse later, or shorten the duty"
        compared: list[Path_] = [("duty", "shots"), ("duty", "interval")]
        checking.say("verification-never-valid", path, what, advice, compared=compared)


def _overlap(low: float, high: float, band: Toleranced) -> bool:
    return low <= band.high and high >= band.low


def _peak(shots: VerificationShots | None, unit: str) -> Toleranced | None:
    peak = shots.accept.get("peak") if shots else None
    return peak if peak and peak.unit == unit and peak.low > 0 else None


def _impedance(checking: Checking, verification: Verification) -> None:
    wanted = verification.effective_impedance
    voltage, current = _peak(verification.open_circuit, "V"), _peak(verification.short_circuit, "A")
    path = ("verification", "effective_impedance")
    if wanted is None:
        return
    known = checking.known(OPEN_PEAK, SHORT_PEAK)
    if (
        known
        and voltage
        and current
        and not _overlap(voltage.low / current.high, voltage.high / current.low, wanted)
    ):
        given = f"{show(voltage.low / current.high, 'ohm')} to {show(voltage.high / current.low, 'ohm')}"
        what = f"The accepted peaks give {given}, which never meets {wanted.text}."
        checking.say(
            "verification-never-valid", path, what, "make the peaks and the impedance fit each other"
        )
        return
    source = checking.bench.equipment.get(verification.source) if checking.bench else None
    if isinstance(source, ImpulseSource) and not wanted.holds(source.effective_impedance):
        what = (
            f"The bench's {verification.source} has {show(source.effective_impedance, 'ohm')}, outside "
            f"{wanted.text}."
        )
        advice = "take another bench, or mend the impedance"
        checking.say("verification-never-valid", path, what, advice, compared=[("verification", "source")])


def _peaks(checking: Checking, verification: Verification) -> None:
    """An open-circuit peak lies between half the charging voltage and the charging voltage of any usual generator."""
    charge = verification.charging_voltage
    voltage = _peak(verification.open_circuit, "V")
    if voltage and not _overlap(charge.low / 2, charge.high, voltage):
        what = f"Charged to {charge.text} the source cannot give an open-circuit peak of {voltage.text}."
        advice = "make the peak fit the charging voltage"
        checking.say("verification-never-valid", OPEN_PEAK, what, advice, compared=[CHARGE])
    current = _peak(verification.short_circuit, "A")
    source = checking.bench.equipment.get(verification.source) if checking.bench else None
    if current and isinstance(source, ImpulseSource):
        ohms = source.effective_impedance
        if not _overlap(charge.low / 2 / ohms, 1.1 * charge.high / ohms, current):
            what = f"Charged to {charge.text} a source of {show(ohms, 'ohm')} cannot give a peak of {current.text}."
            advice = "make the peak fit the charging voltage"
            compared: list[Path_] = [CHARGE, ("verification", "source")]
            checking.say("verification-never-valid", SHORT_PEAK, what, advice, compared=compared)
