"""One shot: settings written and read back, capture proved, energy inside the live block, trace saved, then computed.

Rules
- No trigger without a proof of capture at most `proof_age` old, given twice: before charging and before the trigger.
- No trigger unless the monitor, asked right before it, says that everything was closed in a reading newer than that.
- Energise and trigger are never sent twice: a lost reply means that it happened.
- After the trigger a stop no longer cancels the capture: the bench is made safe, then the trace is fetched and made
  durable, and only then computed.
"""

from __future__ import annotations

from dataclasses import dataclass, field
from typing import TYPE_CHECKING, Any

from drivers.equipment.protocols import InstrumentFault
from drivers.links.base import LinkFault
from orchestrator.core.reasons import Reason
from orchestrator.engine.context import Context
from orchestrator.engine.figures import fetch, figures_of
from orchestrator.engine.live import live, require_on
from orchestrator.engine.room import require_room
from orchestrator.engine.stop import BenchFault

if TYPE_CHECKING:
    from orchestrator.analysis.waveform import Waveform
    from orchestrator.engine.bench import RecorderUnit, SourceUnit
    from sequences.capture import Capture
    from sequences.quantity import Toleranced

CHARGE_LOOK_S = 0.2
TRIGGERED_WITHIN_S = 0.2
DIVIDER_AGREES_WITHIN = 0.1  # of the set-point: the bench's own divider against the source's read-back


@dataclass(frozen=True)
class ShotPlan:
    """What one shot is to be. `earliest_s` is the monotonic time before which it must not be triggered."""

    part: str
    shot: int
    of: int
    polarity: str
    source: str
    charging_voltage: Toleranced
    capture: Capture
    earliest_s: float
    repeat: int = 0

    @property
    def name(self) -> str:
        again = f"-repeat-{self.repeat}" if self.repeat else ""
        return f"{self.part.replace(' ', '-')}-{self.shot:02d}{again}"


@dataclass
class ShotResult:
    """What became of it. `applied` is True when the specimen may have had the energy."""

    plan: ShotPlan
    applied: bool = False
    triggered_s: float | None = None
    interlocks_read_s: float | None = None
    """Monotonic time of the monitor's last look before the trigger: everything was closed; None without a trigger."""
    charged_v: float | None = None
    valid: bool = False
    spurious: bool = False
    why: str | None = None
    results: dict[str, dict[str, Any]] = field(default_factory=dict)
    budget: dict[str, Any] = field(default_factory=dict)
    warnings: list[str] = field(default_factory=list)


class Shot:
    """The run of one plan. `take` is the whole of it; `fire` is called by the step inside the live block."""

    def __init__(self, plan: ShotPlan, at: Context) -> None:
        self.plan = plan
        self.at = at
        self.result = ShotResult(plan)
        self.source = at.bench.source(plan.source)
        self.output = at.bench.source_rules(plan.source).output
        self.digitisers = at.bench.recorder(plan.capture)

    def prepare(self) -> None:
        """Write and read back every setting, start the capture, prove that it waits."""
        plan, at = self.plan, self.at
        require_room(at.store, at.bench.file)
        at.progress.say("settings written and read back")
        self.source.prepare(plan.charging_voltage.nominal, plan.polarity)
        for recorder in self.digitisers:
            recorder.prepare()
        units: list[SourceUnit | RecorderUnit] = [self.source, *self.digitisers]
        for unit in units:
            wanted, read, differs = unit.compare()
            at.journal.append("settings", shot=plan.shot, instrument=unit.name, wanted=wanted, read_back=read)
            if differs:
                raise BenchFault(
                    Reason.INSTRUMENT_FAULT, f"{unit.name} reads back other settings: {'; '.join(differs)}"
                )
        for unit in self.digitisers:
            unit.start()
        self.prove_capture("before charging")

    def prove_capture(self, when: str) -> None:
        """Every digitiser of the capture waits for its trigger, by a proof suited to it; refuse otherwise."""
        plan, at = self.plan, self.at
        for unit in self.digitisers:
            proof = unit.prove_waiting(at.pace, plan.capture.proof_age)
            age_s = at.clock.now_s() - proof.at_s
            at.journal.append(
                "proof_of_capture",
                shot=plan.shot,
                instrument=unit.name,
                method=proof.method,
                waiting=proof.waiting,
                age_s=round(age_s, 6),
                when=when,
            )
            if not proof.waiting:
                self._refuse(unit, when)
        self.proved_s = at.clock.now_s()
        at.progress.say(at.progress.doing, capture="all channels waiting for trigger")

    def _refuse(self, unit: Any, when: str) -> None:
        if when == "before trigger" and unit.done():
            self._applied_by_itself()
            raise BenchFault(Reason.SPURIOUS_SHOT, f"{unit.name} was triggered before the trigger command")
        what = (
            f"{unit.name} is not waiting for trigger {when}: the shot is refused, the specimen is as it was"
        )
        raise BenchFault(Reason.INSTRUMENT_FAULT, what)

    def _applied_by_itself(self) -> None:
        """Energy without a command: the specimen counts as shot, and nothing is judged by it."""
        self.result.applied = self.result.spurious = True
        self.result.triggered_s = self.at.clock.now_s()

    def charge(self) -> None:
        """Charge to the set-point within its tolerance, by the source's read-back and by the bench's own divider."""
        plan, at = self.plan, self.at
        wanted = plan.charging_voltage
        at.journal.append("intent", act="charge", source=plan.source, shot=plan.shot, part=plan.part)
        within_s = at.bench.source_rules(plan.source).charge_within
        at.progress.say(
            "charging",
            until_s=at.clock.now_s() + within_s,
            until_what="charged at the latest",
            charge_v=None,
            wanted_v=wanted.nominal,
        )
        self.source.charge()
        if not at.pace.wait_for(self._charged, within_s, every_s=CHARGE_LOOK_S):
            charge_v = self.result.charged_v
            raise BenchFault(
                Reason.SUPPLY_FAULT,
                f"the source reads {charge_v} V after {within_s:g} s, wanted {wanted.text}",
            )
        divider_v = self._divider_v()
        charged_v = self.result.charged_v or 0.0
        if divider_v is None or abs(divider_v - charged_v) > DIVIDER_AGREES_WITHIN * wanted.nominal:
            what = f"the source reads {charged_v:.0f} V, the bench's divider {divider_v} V"
            raise BenchFault(Reason.SUPPLY_FAULT, what)
        at.journal.append(
            "charged", shot=plan.shot, voltage_v=charged_v, divider_v=divider_v, wanted_v=wanted.nominal
        )

    def _divider_v(self) -> float | None:
        """The bench's own reading of the store, taken after the source said that it is charged."""
        volts: float | None = require_on(self.output, self.at).facts["voltages"].get("store")
        return volts

    def _charged(self) -> bool:
        volts = self.source.charge_voltage_v()
        self.result.charged_v = volts
        self.at.progress.charge_v = volts
        self.at.progress.changed()
        wanted = self.plan.charging_voltage
        if abs(volts) > wanted.high:
            raise BenchFault(Reason.SUPPLY_FAULT, f"charged to {volts:.0f} V, wanted {wanted.text}")
        return wanted.low <= abs(volts) <= wanted.high and not self.source.charging()

    def fire(self) -> None:
        """Everything once more, then the trigger, once."""
        plan, at = self.plan, self.at
        if at.clock.now_s() < plan.earliest_s:
            at.progress.say(
                "charged, waiting for the interval", until_s=plan.earliest_s, until_what="trigger"
            )
            at.pace.wait_until(plan.earliest_s)
        self.source.enable_trigger()
        self._require_as_set()
        self.prove_capture("before trigger")
        require_room(at.store, at.bench.file)
        at.journal.append("intent", act="trigger", source=plan.source, shot=plan.shot, part=plan.part)
        if at.clock.now_s() - self.proved_s > plan.capture.proof_age:
            raise BenchFault(Reason.INSTRUMENT_FAULT, "the proof of capture grew too old before the trigger")
        at.pace.slice()
        # The last question of all: whatever opened up to now is in a reading taken after it, and refuses the shot.
        self.result.interlocks_read_s = require_on(self.output, at).facts["read_at_s"]
        at.stop.check()
        self.result.applied = True
        self.result.triggered_s = at.clock.now_s()
        if plan.part == "duty" and at.sequence.indicator is not None:
            at.progress.doubt(f"the {at.sequence.indicator.material} was not watched since shot {plan.shot}")
        self.source.trigger()
        at.progress.say("triggered")
        at.pace.wait_for(
            lambda: all(unit.done() for unit in self.digitisers), TRIGGERED_WITHIN_S, every_s=0.01
        )

    def _require_as_set(self) -> None:
        """Charging takes its time: what a hand at the front panel turned meanwhile refuses the shot."""
        _, _, differs = self.source.compare_for_trigger()
        if differs:
            what = f"{self.source.name} was changed since it was set: {'; '.join(differs)}"
            raise BenchFault(
                Reason.INSTRUMENT_FAULT, f"{what}; the shot is refused, the specimen is as it was"
            )

    def take(self, body: Any) -> ShotResult:
        """The whole shot; `body` runs inside the live block after charging (the trigger is its act)."""
        at = self.at
        with at.stop.latching():
            self.prepare()
        try:
            with live(self.output, at, self.plan.shot, self.plan.part):
                self.charge()
                body(self)
        finally:
            with at.stop.latching():
                self.finish()
        return self.result

    def finish(self) -> None:
        """Save and compute what was captured; without a trigger, stop the digitisers."""
        with self.at.saving():
            if not self.result.applied:
                self._look_for_a_spurious_shot()
            if not self.result.applied:
                self._stop_digitisers()
                return
            self._journal_applied()
            try:
                self._save_and_compute()
            except (LinkFault, InstrumentFault) as fault:
                self.result.why = f"the trace could not be read: {fault}"
                raise
            finally:
                self._journal_figures()

    def _look_for_a_spurious_shot(self) -> None:
        """The run ended before its trigger: a digitiser that was triggered all the same tells of a shot."""
        for unit in self.digitisers:
            try:
                triggered = unit.done()
            except (LinkFault, InstrumentFault):
                continue  # stopping it, next, says what is wrong
            if triggered:
                self._applied_by_itself()
                what = f"{unit.name} was triggered without a trigger command"
                self.at.stop.because(Reason.SPURIOUS_SHOT, what)
                return

    def _journal_applied(self) -> None:
        plan = self.plan
        facts = {
            "shot": plan.shot,
            "part": plan.part,
            "repeat": plan.repeat,
            "triggered_s": self.result.triggered_s,
            "interlocks_read_s": self.result.interlocks_read_s,
        }
        failed = self.at.journal.keep("triggered", **facts)
        if failed is not None:
            raise failed

    def _stop_digitisers(self) -> None:
        for unit in self.digitisers:
            try:
                unit.stop()
            except (LinkFault, InstrumentFault) as fault:
                self.at.stop.because(Reason.INSTRUMENT_FAULT, str(fault))

    def _save_and_compute(self) -> None:
        plan, at = self.plan, self.at
        missed = [unit.name for unit in self.digitisers if not unit.done()]
        if missed:
            self._stop_digitisers()
            self.result.why = f"{', '.join(missed)} did not trigger: nothing of this shot was captured there"
            return
        at.progress.say("reading the trace")
        capture = fetch(self.digitisers, at)
        file = f"captures/{plan.name}.h5"
        sha256 = at.store.create(file, capture.encoded)
        at.journal.append(
            "capture",
            shot=plan.shot,
            part=plan.part,
            repeat=plan.repeat,
            file=file,
            sha256=sha256,
            bytes=len(capture.encoded),
            channels=sorted(capture.waveform.channels),
        )
        # Only now, with the raw codes durable, is anything computed from them.
        self._compute(capture.waveform)

    def _compute(self, waveform: Waveform) -> None:
        outcome = figures_of(waveform, self.plan.capture, self.plan.polarity)
        self.result.results = outcome.results
        self.result.warnings = outcome.warnings
        self.result.budget = outcome.budget
        self.result.why = "it was not commanded" if self.result.spurious else outcome.why
        self.result.valid = self.result.why is None

    def _journal_figures(self) -> None:
        plan, result = self.plan, self.result
        facts: dict[str, Any] = {
            "shot": plan.shot,
            "of": plan.of,
            "part": plan.part,
            "repeat": plan.repeat,
            "polarity": plan.polarity,
            "charged_v": result.charged_v,
            "method": plan.capture.method,
            "valid": result.valid,
            "why": result.why,
            "results": result.results,
            "budget": result.budget,
            "warnings": result.warnings,
        }
        failed = self.at.journal.keep("figures", **facts)
        self.at.progress.shot_done({k: v for k, v in facts.items() if k != "budget"})
        if failed is not None:
            raise failed
