"""The cyclic duty: makes and breaks by the thousand, in blocks between intermediate measurements.

Rules
- A block energises the load once and carries out cycles until an intermediate measurement, a pause or the end is due.
- A cycle counts only with its row in the ledger, and the row says what confirmed it; a row is durable before the next
  cycle begins. A cycle that was begun and has no row is uncertain, and there is at most one.
- What the load, the supply, the actuator or the recorder spoilt is discounted and repeated; the same trouble three
  times (in a row, or at the same bank) ends the run as a bench fault. The specimen is judged by malfunctions alone.
"""

from __future__ import annotations

from collections import deque
from typing import TYPE_CHECKING, Any

import numpy as np
from numpy.typing import NDArray

from orchestrator.analysis.contact import CycleFigures, figures_of_codes
from orchestrator.analysis.diagnosis import FINDINGS, MALFUNCTIONS, diagnose
from orchestrator.core.outcome import Verdict
from orchestrator.core.reasons import Reason
from orchestrator.engine.acts import perform
from orchestrator.engine.connecting import connect_specimen
from orchestrator.engine.cycle_bench import CycleBench, Operated
from orchestrator.engine.cycle_evidence import evidence_of
from orchestrator.engine.cycle_limits import Limits
from orchestrator.engine.cycle_rules import criteria_of, expected_of, layout_of, seen_of
from orchestrator.engine.cycle_trouble import Troubles
from orchestrator.engine.cycle_words import WEAR, running_words, table_of
from orchestrator.engine.digest import FIGURES, Digest
from orchestrator.engine.judge import Evidence, judge
from orchestrator.engine.live import live
from orchestrator.engine.mounts import Mounts, Policy
from orchestrator.engine.room import cycle_bytes, require_bytes
from orchestrator.engine.stop import BenchFault
from orchestrator.engine.traces import Traces
from orchestrator.engine.trends import Shown, TrendLimit
from orchestrator.record.ledger import Ledger
from sequences.duties import cycles_of

if TYPE_CHECKING:
    from orchestrator.engine.context import Context
    from orchestrator.engine.cycle_acts import Datum
    from orchestrator.engine.duty import EarlierVerification
    from orchestrator.engine.run import RunOrder

Array = NDArray[Any]
SHOWN_ANOMALIES = 5
SHOWN_EVERY_S = 0.25
NOT_RECORDED = FINDINGS.index("not_recorded")
ACTUATOR = FINDINGS.index("actuator")


class Cycles:
    """Implements `DutyRun`."""

    def __init__(self, at: Context, order: RunOrder) -> None:
        self.at = at
        sequence = at.sequence
        asked = cycles_of(sequence)
        assert asked is not None, "a duty of cycles is performed for no other sequence"
        self.duty, self.each = asked.duty, asked.each
        self.continues = order.continues
        count = asked.mounts.count
        specimens = order.specimens or (order.specimen,) * count
        policy = Policy.of(asked.mounts.failure.rule, asked.mounts.failure.times)
        self.mounts = Mounts(specimens, policy, self.duty.cycles)
        self.digest = Digest(count)
        self.bench = CycleBench(at)
        self.load = self.bench.load_rules
        self.layout = layout_of(self.bench.recorder_rules)
        self.criteria = criteria_of(self.each, self.load)
        self.expected = expected_of(self.each, self.load)
        self.trends = [TrendLimit(rule, count) for rule in sequence.trend_limits]
        stops = sequence.failure_policy.limit == "stop"
        self.limits = Limits(sequence.requirements) if stops else None
        self.shown = [Shown(name) for name in WEAR]
        self.traces = Traces(self.each.traces, self.bench.recorder_rules, at)
        self.period_s = 1.0 / self.duty.rate
        self.next_s = -np.inf
        self._cycle_bytes = cycle_bytes(count)
        self.started_s = at.clock.now_s()
        self.ledger: Ledger | None = None
        self.datum: Datum | None = None
        self.warmest_k: dict[str, float] = {}
        self._segment_first = 1
        self._in_flight = 0
        self._began = False
        self._troubles = Troubles(self.load.banks)
        self._said_s = -np.inf
        self._anomalies: deque[str] = deque(maxlen=SHOWN_ANOMALIES)
        between = sequence.intermediate_measurements
        self._intermediate = between.every if between is not None else 0
        self._steps_between = between.steps if between is not None else ()

    # ---- DutyRun

    def verify(self, earlier: EarlierVerification | None) -> None:
        """Settings written and read back, then the specimens are connected."""
        self.at.progress.counted = "cycle"
        self.bench.prepare()
        connect_specimen(self.at, self.mounts.specimens)

    def begin(self) -> None:
        """The initial measurements; a run that goes on with an earlier one reconciles first."""
        self.ledger = Ledger(self.at.store)
        if self.continues is not None:
            from orchestrator.engine.going_on import go_on

            go_on(self, self.continues)
        else:
            for step in self.at.sequence.initial_measurements:
                perform(step, self.at)
        facts = {
            "commanded": self.mounts.commanded,
            "rate_per_min": round(60.0 * self.duty.rate, 6),
            "began_s": self.started_s,
        }
        self.at.journal.append("cycles_started", mounts=self.mounts.to_json(), of=self.duty.cycles, **facts)
        self._segment_first = self.mounts.commanded + 1
        self._began = True

    def perform(self) -> None:
        """Blocks of cycles with what stands between them."""
        if self._measurement_was_missed():
            self._measure()
        self._attend()
        while not self.mounts.reached:
            self.at.arming.require()
            self._block()
            self.end_segment()
            self._measure()
            self._apply_failure_policy()
            self.at.pause_point()
        self.at.progress.where = ""  # what follows belongs to no cycle

    def completed(self) -> tuple[Reason, str]:
        """The declared count, or no mount left that could reach it."""
        failed = self.mounts.failed
        if len(failed) == len(self.mounts.specimens):
            return Reason.SPECIMEN_FAILED, self._failure_words(failed[0])
        behind = f", {len(failed)} of {len(self.mounts.specimens)} mounts failed before" if failed else ""
        return Reason.COUNT_REACHED, f"{self.duty.cycles} cycles and every measurement done{behind}"

    def evidence(self) -> dict[int, Evidence]:
        """For each mount what can be judged so far."""
        return {place + 1: evidence_of(self, place) for place in range(len(self.mounts.specimens))}

    def failed(self, mount: int) -> str | None:
        """Why a mount failed by its policy, in a sentence; None where it did not."""
        return self._failure_words(mount - 1) if self.mounts.failed_at[mount - 1] else None

    def can_be_gone_on_with(self) -> bool:
        """As soon as cycles have begun, here or in the earlier run: their counts are in a ledger."""
        spent_then = self.at.sequence.specimen.after_a_stop == "is spent"
        return not spent_then and (self._began or self.continues is not None)

    def ended_facts(self) -> dict[str, Any]:
        """Counts of every mount."""
        mounts = self.mounts
        facts: dict[str, Any] = {
            "cycles": mounts.to_json(),
            "commanded": mounts.commanded,
            "position_confirmed": mounts.position_confirmed,
        }
        if self._in_flight:
            facts["uncertain_cycle"] = self._in_flight
        return facts

    def close(self) -> None:
        """The last traces and the last segment."""
        if self.ledger is None:
            return
        if self._in_flight:
            self.at.journal.keep("uncertain_cycle", cycle=self._in_flight)
        self.traces.finish()
        self.end_segment()
        self._keep_lifetime()
        self.ledger.close()

    # ---- a block of cycles

    def _attend(self) -> None:
        """The first cycles after a start are watched by a person who says so."""
        attended = self.at.sequence.attended
        if attended is not None and not self.mounts.reached:
            text = f"Stay at the bench, outside, for the first {attended.cycles} cycles and watch them."
            self.at.ask("attend", text, items=(f"I watch the first {attended.cycles} cycles",))

    def _block(self) -> None:
        at = self.at
        with live(self.load.output, at, self.mounts.commanded + 1, "cycles"):
            self.bench.ready()
            while not self._block_is_over():
                self._cycle()
        at.arming.used()

    def _block_is_over(self) -> bool:
        due = self._measurement_is_due() and self.mounts.commanded >= self._segment_first
        return due or self.mounts.reached or self.at.stop.pause_asked_by is not None

    def _measurement_is_due(self) -> bool:
        return bool(self._intermediate) and self.mounts.commanded % self._intermediate == 0

    def _measurement_was_missed(self) -> bool:
        """Whether the earlier run was stopped behind the cycle after which it had to measure, and did not."""
        if self.continues is None or not self.mounts.commanded or not self._measurement_is_due():
            return False
        sequence, gathered = self.at.sequence, self.at.gathered.values
        results = [name for step in self._steps_between for name in step.results(sequence)]
        there = [{value.shot for value in gathered.get(name, ())} for name in results]
        return not results or any(self.mounts.commanded not in shots for shots in there)

    def _measure(self) -> None:
        """The intermediate measurements, with everything off between their own blocks."""
        if self._measurement_is_due():
            self.at.gathered.current = self.mounts.commanded
            for step in self._steps_between:
                perform(step, self.at)

    def _cycle(self) -> None:
        at, cycle = self.at, self.mounts.commanded + 1
        at.progress.part, at.progress.shot = "cycles", cycle
        pace = at.pace
        pace.wait_until(self.next_s)
        require_bytes(at.store, self._cycle_bytes)
        self.next_s = max(self.next_s, pace.now_s()) + self.period_s
        bank = (cycle - 1) % self.load.banks + 1
        self.bench.stand_by(bank)
        self._in_flight = cycle
        try:
            operated = self.bench.operate(cycle, bank, self.duty.on_time)
        except BenchFault as fault:
            self._not_carried_out(cycle, bank, fault)
            raise
        self.mounts.position_confirmed += 1
        at.gathered.last_s = pace.now_s()
        self._count(operated)

    def _not_carried_out(self, cycle: int, bank: int, fault: BenchFault) -> None:
        """The actuator did not do it: commanded, not confirmed, and said so in the ledger."""
        if fault.reason is not Reason.ACTUATOR_FAULT:
            return
        codes = np.full(len(self.mounts.specimens), ACTUATOR, np.uint8)
        with self.at.saving():
            self._write(cycle, bank, self.at.clock.now_s(), "C", codes, None)
            self.mounts.take(cycle, codes)
            self._anomaly(cycle, bank, codes, fault.what)

    def _count(self, operated: Operated) -> None:
        """Figures, finding, ledger, counts; then what follows from them."""
        cycle = operated.cycle
        active = self.mounts.active
        figures, codes = self._diagnosed(operated)
        matrix = None if figures is None else figures.rows
        all_active = self.mounts.all_active
        if not all_active:
            codes, matrix = self._of_active(codes, matrix)
        supply = operated.record.supply_on_v / self.expected.supply_v if operated.record else np.nan
        self._write(cycle, operated.bank, operated.begun_s, "CP", codes, matrix, supply)
        failed = self.mounts.take(cycle, codes)
        bad = bool(np.count_nonzero(codes))
        if matrix is not None:
            self.digest.take(cycle, matrix, active & (codes == 0) if bad or not all_active else None)
        self.traces.take(cycle, operated.record, bad)
        if matrix is not None:
            self._look_at_trends(cycle, matrix)
            for one in self.shown:
                one.take(cycle, matrix)
        if bad:
            self._anomaly(cycle, operated.bank, codes, operated.why)
        else:
            self._troubles.none()
        self._say(cycle)
        for place in failed:
            self._mount_failed(cycle, place, codes)
        if bad:
            trouble = self._troubles.take(cycle, operated.bank, codes)
            if trouble is not None:
                self._stop(*trouble)
        if self.limits is not None and matrix is not None and self.limits.passed(matrix):
            self._apply_failure_policy()

    def _apply_failure_policy(self) -> None:
        """Where the file wants a run to stop after a limit was exceeded, by any mount and in its own rule."""
        if self.limits is None:
            return
        for mount, evidence in self.evidence().items():
            for requirement in self.at.sequence.requirements:
                row = judge(requirement, evidence, None)
                if row.verdict is Verdict.FAILS:
                    where = f"mount {mount}, " if len(self.mounts.specimens) > 1 else ""
                    self._stop(Reason.SPECIMEN_FAILED, f"{where}{requirement.clause}: {row.sentence}")

    def _diagnosed(self, operated: Operated) -> tuple[CycleFigures | None, Array]:
        if operated.record is None:
            return None, np.full(len(self.mounts.specimens), NOT_RECORDED, np.uint8)
        record = operated.record
        per_code = record.volts_per_code, record.amperes_per_code
        figures = figures_of_codes(record.codes, *per_code, self.layout, self.criteria)
        return figures, diagnose(figures, seen_of(record, figures), self.expected)

    def _of_active(self, codes: Array, matrix: Array | None) -> tuple[Array, Array | None]:
        """What a mount shows that has failed, or has its count, is nobody's finding and no trend."""
        active = self.mounts.active
        return np.where(active, codes, 0), None if matrix is None else np.where(active, matrix, np.nan)

    def _write(
        self,
        cycle: int,
        bank: int,
        at_s: float,
        confirmed: str,
        codes: Array,
        matrix: Array | None,
        supply: float = np.nan,
    ) -> None:
        """The ledger's rows of one cycle, durable when this returns."""
        assert self.ledger is not None
        self.ledger.append_cycle(
            cycle, bank, at_s - self.started_s, confirmed, self.mounts.active, codes, matrix, supply
        )
        self._in_flight = 0

    # ---- what follows from a cycle

    def _anomaly(self, cycle: int, bank: int, codes: Array, why: str) -> None:
        for place in np.flatnonzero(codes):
            finding = FINDINGS[codes[place]]
            counted = finding in MALFUNCTIONS
            self.at.journal.append(
                "anomaly",
                cycle=cycle,
                mount=int(place) + 1,
                bank=bank,
                finding=finding,
                counted=counted,
                why=why,
            )
            where = f", mount {place + 1}" if len(codes) > 1 else ""
            self._anomalies.append(f"cycle {cycle}{where}: {finding.replace('_', ' ')}")

    def _mount_failed(self, cycle: int, place: int, codes: Array) -> None:
        words = self._failure_words(place)
        self.at.journal.append(
            "mount_stopped",
            mount=place + 1,
            specimen=self.mounts.specimens[place],
            cycle=cycle,
            finding=FINDINGS[codes[place]],
            why=words,
        )
        all_failed = len(self.mounts.failed) == len(self.mounts.specimens)
        if all_failed or self.at.sequence.failure_policy.limit == "stop":
            self._stop(Reason.SPECIMEN_FAILED, words)

    def _stop(self, reason: Reason, what: str) -> None:
        self.at.stop.because(reason, what)
        self.at.stop.check()

    def _failure_words(self, place: int) -> str:
        mounts, policy = self.mounts, self.mounts.policy
        row = f"{policy.times} malfunctions in a row" if policy.in_a_row else f"malfunction {policy.times}"
        if policy.times == 1:
            row = "first malfunction"
        where = f"mount {place + 1}, " if len(mounts.specimens) > 1 else ""
        return f"{where}specimen {mounts.specimens[place]}: {row} at cycle {int(mounts.failed_at[place])}"

    def _look_at_trends(self, cycle: int, matrix: Array) -> None:
        for trend in self.trends:
            for place, median in trend.take(matrix):
                unit = FIGURES[trend.rule.result]
                self.at.journal.append(
                    "trend_warning",
                    cycle=cycle,
                    mount=place + 1,
                    result=trend.rule.result,
                    median=median,
                    unit=unit,
                    over=trend.rule.over,
                )
                self._anomalies.append(f"cycle {cycle}: {trend.rule.result.replace('_', ' ')} grows")

    # ---- segments and the end

    def end_segment(self) -> None:
        """The hash of what the ledger holds since the last one goes into the journal."""
        last = self.mounts.commanded
        if self.ledger is None or last < self._segment_first:
            return
        self.at.journal.append(
            "segment",
            first=self._segment_first,
            last=last,
            ledger_sha256=self.ledger.segment_hash(self._segment_first, last),
            mounts=[
                {**one, "figures": self.digest.to_json(place)}
                for place, one in enumerate(self.mounts.to_json())
            ],
        )
        self._segment_first = last + 1

    def _keep_lifetime(self) -> None:
        from orchestrator.engine.cycle_rules import lifetime_of

        first = self.at.stop.first
        if first is None or first.reason not in (Reason.COUNT_REACHED, Reason.SPECIMEN_FAILED):
            return  # a run that goes on says it at its end
        statement = lifetime_of(self.mounts)
        if statement is not None:
            self.at.journal.keep("lifetime", **statement)

    # ---- what is shown

    def note(self, words: str) -> None:
        """Something that the screen shows beside the counts."""
        self._anomalies.append(words)

    def _say(self, cycle: int) -> None:
        progress = self.at.progress
        progress.where = f"cycle {cycle} of {self.duty.cycles}"
        progress.shot = cycle
        now_s = self.at.clock.now_s()
        if cycle % 100 and not (progress.is_heard and now_s - self._said_s >= SHOWN_EVERY_S):
            return
        self._said_s = now_s
        progress.say(
            "cycles run",
            counted="cycle",
            shots=self.duty.cycles,
            part="cycles",
            details=running_words(self.mounts, self.digest, self.period_s, list(self._anomalies)),
            shown=table_of(self.mounts, self.digest, list(self._anomalies)),
            trend={one.result: one.to_json() for one in self.shown},
        )
