"""The duty: verification shots that gate it, then the shots with their interval, polarity and repeats."""

from __future__ import annotations

from dataclasses import dataclass
from typing import TYPE_CHECKING, Any

from orchestrator.core.reasons import Reason
from orchestrator.engine.acts import perform
from orchestrator.engine.connecting import connect_specimen
from orchestrator.engine.context import Context
from orchestrator.engine.judge import Evidence, Value, judge
from orchestrator.engine.shot import Shot, ShotPlan, ShotResult
from orchestrator.engine.stop import BenchFault
from sequences.duties import Shots as AskedShots
from sequences.duties import shots_of

if TYPE_CHECKING:
    from orchestrator.engine.gathered import Gathered
    from sequences.duties import Shots as AskedShots
    from sequences.model import Verification, VerificationShots


@dataclass
class Shots:
    """What all parts of a run share: when the last shot was, how many were applied, the evidence."""

    at: Context
    applied_to_specimen: int = 0

    def verify(self, earlier: EarlierVerification | None) -> None:
        """Proof of the circuit, then the specimen is connected."""
        verify(self, earlier)

    def begin(self) -> None:
        """The initial measurements."""
        for step in self.at.sequence.initial_measurements:
            perform(step, self.at)

    def perform(self) -> None:
        """Every shot."""
        run_duty(self)

    def completed(self) -> tuple[Reason, str]:
        """What is said when nothing stopped it."""
        return Reason.COMPLETED, f"{_asked(self.at).duty.shots} shots and every measurement done"

    def evidence(self) -> dict[int, Evidence]:
        """What can be judged so far, of the one specimen."""
        gathered = self.at.gathered
        return {0: Evidence(gathered.values, gathered.states, _asked(self.at).duty.shots)}

    def failed(self, mount: int) -> str | None:
        """A specimen of shots fails by its limits alone."""
        return None

    def can_be_gone_on_with(self) -> bool:
        """Shots are not spread over runs."""
        return False

    def ended_facts(self) -> dict[str, Any]:
        """What the entry of the run's end says of this duty."""
        return {"shots_applied": self.applied_to_specimen}

    def close(self) -> None:
        """Nothing is held open."""

    def earliest_s(self, interval_s: float) -> float:
        last_s = self.at.gathered.last_s
        return self.at.clock.now_s() if last_s is None else last_s + interval_s

    def take(self, plan: ShotPlan, body: Any, interval_s: float) -> ShotResult:
        """One shot of any part: wait for the interval, be armed, shoot, remember when."""
        at = self.at
        self._wait(plan, interval_s)
        at.arming.require()
        shot = Shot(plan, at)
        try:
            return shot.take(body)
        finally:
            if shot.result.triggered_s is not None:
                at.gathered.last_s = shot.result.triggered_s
                self.applied_to_specimen += plan.part == "duty"
            if shot.result.valid and plan.part == "duty":
                # Whatever ended the shot: what was captured is evidence, and an F in it stays.
                _keep_results(at.gathered, shot.result)

    def _wait(self, plan: ShotPlan, interval_s: float) -> None:
        """Wait so long that charging ends about when the interval does; the rest is waited for charged."""
        at = self.at
        output = at.bench.file.outputs[at.bench.source_rules(plan.source).output]
        begin_s = plan.earliest_s - output.warning - at.bench.file.recharge_time
        facts = {"part": plan.part, "shot": plan.shot, "shots": plan.of, "polarity": plan.polarity}
        at.progress.say("waiting for the interval", until_s=begin_s, until_what="warning horn", **facts)
        at.pace.wait_until(begin_s)


def polarity_of(pattern: str, shot: int) -> str:
    """Positive first where the polarity alternates."""
    if pattern == "alternating":
        return "positive" if shot % 2 else "negative"
    return pattern


def _asked(at: Context) -> AskedShots:
    """The shots that the sequence asks for."""
    asked = shots_of(at.sequence)
    assert asked is not None, "a duty of shots is performed for no other sequence"
    return asked


# ---- verification


@dataclass(frozen=True)
class EarlierVerification:
    """A verification of the same bench and the same demands that was accepted in an earlier run and still holds."""

    run: str
    at_utc: str
    effective_impedance_ohm: float | None


def verify(shots: Shots, earlier: EarlierVerification | None) -> None:
    """Open circuit, short circuit, effective impedance: the duty begins only when all of it is accepted."""
    at = shots.at
    wanted = at.sequence.verification
    if wanted is not None and earlier is not None:
        _reuse(at, earlier)
    elif wanted is not None:
        _verify(shots, wanted)
    connect_specimen(shots.at)


def _reuse(at: Context, earlier: EarlierVerification) -> None:
    at.journal.append(
        "verification",
        accepted=True,
        effective_impedance_ohm=earlier.effective_impedance_ohm,
        findings=[],
        shots=0,
        reused_from=earlier.run,
        verified_utc=earlier.at_utc,
    )


def _verify(shots: Shots, wanted: Verification) -> None:
    at = shots.at
    peaks: dict[str, list[float]] = {}
    findings: list[str] = []
    for part in _verification_parts(wanted):
        if not findings:  # shots after a part that is not accepted would tell nothing
            findings += _verify_part(shots, part, peaks)
    impedance_ohm = _effective_impedance(peaks)
    if not findings:
        findings += _impedance_finding(impedance_ohm, wanted.effective_impedance)
    at.journal.append(
        "verification",
        accepted=not findings,
        effective_impedance_ohm=impedance_ohm,
        findings=findings,
        shots=sum(len(p) for p in peaks.values()),
        reused_from=None,
    )
    if findings:
        # The shots were the same as those of the duty: what hung on the terminals is not as it was.
        what = "; ".join([*findings, "a specimen that was connected has had the shots"])
        raise BenchFault(Reason.INSTRUMENT_FAULT, f"the verification is not accepted: {what}")


@dataclass(frozen=True)
class _Part:
    """One part of the verification: what is to be connected, and its shots."""

    name: str
    connection: str
    act: str
    settings: VerificationShots


def _verification_parts(wanted: Verification) -> list[_Part]:
    parts = []
    if wanted.open_circuit is not None:
        act = "leave the terminals open, specimen not connected"
        parts.append(_Part("open circuit", "open", act, wanted.open_circuit))
    if wanted.short_circuit is not None:
        act = "fit the short-circuit link, specimen not connected"
        parts.append(_Part("short circuit", "link", act, wanted.short_circuit))
    return parts


def _verify_part(shots: Shots, part: _Part, peaks: dict[str, list[float]]) -> list[str]:
    """The shots of one part; what is not accepted, in words."""
    shots.at.arming.let_in()
    text = f"Verification, {part.name}: {part.act}."
    shots.at.ask("connect", text, items=(part.act,), connection=part.connection)
    findings = []
    for shot in range(1, part.settings.shots + 1):
        result = _verification_shot(shots, part.name, shot, part.settings)
        findings += _not_accepted(part.name, shot, part.settings, result)
        peaks.setdefault(part.name, []).append(abs(result.results.get("peak", {}).get("value", 0.0)))
    return findings


def _verification_shot(shots: Shots, part: str, shot: int, settings: VerificationShots) -> ShotResult:
    at = shots.at
    wanted = at.sequence.verification
    assert wanted is not None
    plan = ShotPlan(
        part=part,
        shot=shot,
        of=settings.shots,
        polarity=polarity_of("alternating", shot),
        source=wanted.source,
        charging_voltage=wanted.charging_voltage,
        capture=settings.capture,
        earliest_s=shots.earliest_s(wanted.interval),
    )
    result = shots.take(plan, Shot.fire, wanted.interval)
    at.pause_point()
    return result


def _not_accepted(part: str, shot: int, settings: VerificationShots, result: ShotResult) -> list[str]:
    """What of one verification shot is outside what the sequence accepts, in words."""
    if not result.valid:
        return [f"{part} shot {shot}: {result.why}"]
    findings = []
    for name, accepted in settings.accept.items():
        value = abs(result.results[name]["value"])
        if not accepted.low <= value <= accepted.high:
            unit = result.results[name]["unit"]
            wanted = f"accepted {accepted.low:.4g} to {accepted.high:.4g} {unit}"
            findings.append(f"{part} shot {shot}: {name} {value:.4g} {unit}, {wanted}")
    return findings


def _effective_impedance(peaks: dict[str, list[float]]) -> float | None:
    """Mean open-circuit peak over mean short-circuit peak, in ohm."""
    volts, amperes = peaks.get("open circuit"), peaks.get("short circuit")
    if not volts or not amperes or not all(amperes):
        return None
    return (sum(volts) / len(volts)) / (sum(amperes) / len(amperes))


def _impedance_finding(impedance_ohm: float | None, accepted: Any) -> list[str]:
    if accepted is None:
        return []
    if impedance_ohm is None:
        return ["the effective impedance could not be computed"]
    if accepted.low <= impedance_ohm <= accepted.high:
        return []
    return [
        f"effective impedance {impedance_ohm:.3g} ohm, accepted {accepted.low:.3g} to {accepted.high:.3g} ohm"
    ]


# ---- the duty


def run_duty(shots: Shots) -> None:
    """Every shot of the duty with what follows it, as the file says."""
    at = shots.at
    for shot in range(1, _asked(at).duty.shots + 1):
        at.gathered.current = shot
        for step in at.sequence.each_shot:
            perform(step, at)
        _apply_failure_policy(shots, shot)
        at.pause_point()


def duty_shot(at: Context, step: Any, body: Any) -> None:
    """The energise step of `each_shot`: one shot, repeated as the file says while it is not valid."""
    shots = at.duty
    assert isinstance(shots, Shots), "the check before the run keeps shots out of other duties"
    asked = _asked(at)
    duty, policy = asked.duty, asked.invalid
    for repeat in range(policy.repeat_at_most + 1):
        plan = ShotPlan(
            part="duty",
            shot=at.gathered.current,
            of=duty.shots,
            polarity=polarity_of(duty.polarity, at.gathered.current),
            source=step.source,
            charging_voltage=step.charging_voltage,
            capture=step.capture,
            earliest_s=shots.earliest_s(duty.interval),
            repeat=repeat,
        )
        result = shots.take(plan, body, duty.interval)
        if result.valid:
            return
        at.journal.append("invalid_shot", shot=plan.shot, repeat=repeat, why=result.why)
    what = f"shot {at.gathered.current} could not be judged after {policy.repeat_at_most} repeat(s): {result.why}"
    raise BenchFault(Reason.CAPTURE_INVALID, what)


def _keep_results(gathered: Gathered, result: ShotResult) -> None:
    for name, r in result.results.items():
        value = Value(
            result.plan.shot, r["value"], r["unit"], r["expanded_uncertainty"], r["coverage_factor"]
        )
        gathered.add(name, value)


def _apply_failure_policy(shots: Shots, shot: int) -> None:
    """What the file says about going on when a limit is exceeded. Indicators act in their own step."""
    at = shots.at
    if at.sequence.failure_policy.limit != "stop":
        return
    evidence = shots.evidence()[0]
    for requirement in at.sequence.requirements:
        row = judge(requirement, evidence, None)
        if row.verdict == "F":
            at.stop.because(Reason.SPECIMEN_FAILED, f"{requirement.clause}: {row.sentence}")
            at.stop.check()
