"""One run, from admission to the seal, as a straight line.

The world (clock, store, monitor port, people, instruments) is given; the same code runs on real benches and in
rehearsals. Whatever happens in `_work`, `_close` follows: judge, say why it stopped, seal.
"""

from __future__ import annotations

from dataclasses import dataclass, field, replace
from typing import TYPE_CHECKING, Any

from orchestrator.core.outcome import OUTCOME_OF, Outcome, Verdict, worse
from orchestrator.core.reasons import Cause, Reason, in_doubt, sentence
from orchestrator.engine.acts import perform
from orchestrator.engine.arming import Arming
from orchestrator.engine.context import Context
from orchestrator.engine.course import Course
from orchestrator.engine.duties import duty_run
from orchestrator.engine.judge import Evidence, Row, judge
from orchestrator.engine.people import Person
from orchestrator.engine.stop import BenchFault, Stopped, cause_of
from orchestrator.record.seal import seal, write_environment
from orchestrator.record.store import StorageFault

if TYPE_CHECKING:
    from orchestrator.engine.bench import OpenBench
    from orchestrator.engine.duty import EarlierVerification
    from orchestrator.engine.pace import Clock, Pace
    from orchestrator.engine.people import People
    from orchestrator.engine.progress import Progress
    from orchestrator.engine.stop import Stop
    from orchestrator.monitor.port import MonitorPort
    from orchestrator.record.continued import Continued
    from orchestrator.record.journal import Journal
    from orchestrator.record.seal import Heads
    from orchestrator.record.store import Store
    from sequences.loader import Loaded, LoadedBench


@dataclass(frozen=True)
class RunOrder:
    """What a person asked for: which sequence on which bench, for which specimen, by whom."""

    run: str
    sequence: Loaded
    bench: LoadedBench
    specimen: str
    started_by: Person
    world: str
    environment: dict[str, Any]
    group: str | None = None
    condition: str | None = None
    firmware: str | None = None
    seed: int | None = None
    remark: str | None = None
    part_of: tuple[str, ...] = ()
    earlier_verification: EarlierVerification | None = None
    indicator_lot: str | None = None
    override: dict[str, Any] | None = None
    """A lapsed calibration that a person set aside: instruments with their dates, planned end, reason."""
    overridden_by: Person | None = None
    """Who answers for that; whoever started the run where it is not given."""
    specimens: tuple[str, ...] = ()
    """Of each mount in its order, where the sequence has several; `specimen` then stands for all of them."""
    continues: Continued | None = None
    """The earlier run that this one goes on with."""
    asked_s: float | None = None
    """Monotonic time at which the person asked for it; the run's beginning where it is not given."""


@dataclass
class World:
    """Everything outside the run itself; real or virtual."""

    clock: Clock
    pace: Pace
    stop: Stop
    store: Store
    journal: Journal
    monitor: MonitorPort
    people: People
    bench: OpenBench
    progress: Progress
    heads: Heads | None


@dataclass(frozen=True)
class RunEnd:
    """How a run ended; `off_proven` None means not known."""

    outcome: Outcome
    cause: Cause
    off_proven: bool | None
    sentence: str
    rows: tuple[Row, ...] = ()
    sealed: bool = False
    later: tuple[Cause, ...] = field(default=())
    indicator_doubt: str | None = None


def run(order: RunOrder, world: World) -> RunEnd:
    """Run the order. Never raises: every ending is a RunEnd, sealed where the store still allows it."""
    at = _context(order, world)
    asked_s = world.clock.now_s() if order.asked_s is None else order.asked_s
    at.arming = Arming(at.sequence.arm, at)
    at.duty = duty_run(at, order)
    try:
        with world.stop.latching():
            _open_record(order, at)
            _acknowledge_the_last_stop(at, asked_s)
            _work(at, order.earlier_verification)
    except Stopped:
        pass
    return _Closing(order, world, at).close()


def _context(order: RunOrder, world: World) -> Context:
    sequence = order.sequence.sequence
    assert sequence is not None, "a sequence with findings is never run"
    return Context(
        clock=world.clock,
        pace=world.pace,
        stop=world.stop,
        store=world.store,
        journal=world.journal,
        monitor=world.monitor,
        people=world.people,
        bench=world.bench,
        sequence=sequence,
        progress=world.progress,
        specimen=order.specimen,
        course=Course(world.progress.now_in),
        indicator_lot=order.indicator_lot,
    )


def _open_record(order: RunOrder, at: Context) -> None:
    """Freeze what the run is made of before anything on the bench moves."""
    at.progress.say("opening the record", title=at.sequence.title, specimen=_named(order))
    at.store.create("sequence.yaml", order.sequence.text.encode())
    at.store.create("bench.yaml", order.bench.text.encode())
    write_environment(at.store, order.environment)
    at.journal.append(
        "run_started",
        run=order.run,
        title=at.sequence.title,
        scenario=at.sequence.scenario,
        sequence_sha256=order.sequence.sha256,
        bench=at.bench.file.name,
        bench_sha256=order.bench.sha256,
        specimen=order.specimen,
        group=order.group,
        condition=order.condition,
        firmware=order.firmware,
        started_by=order.started_by.to_json(),
        parameters=dict(order.sequence.parameters),
        world=order.world,
        seed=order.seed,
        software=order.environment["benchward"],
        part_of=list(order.part_of),
        remark=order.remark,
        **_more_of(order),
    )
    if order.override is not None:
        by = order.overridden_by or order.started_by
        at.journal.append("override", what="calibration", by=by.to_json(), **order.override)
    at.pace.on_clock_step = lambda step_s: _note_clock_step(step_s, at)


def _named(order: RunOrder) -> str:
    """The specimen as a screen names it; of several the first, and how many there are beside it."""
    more = len(order.specimens) - 1
    return f"{order.specimen} and {more} more" if more > 0 else order.specimen


def _more_of(order: RunOrder) -> dict[str, Any]:
    """What only runs with several specimens, or with an earlier part, have to say at their beginning."""
    more: dict[str, Any] = {}
    if order.specimens:
        more["specimens"] = list(order.specimens)
    if order.continues is not None:
        more["continues"] = order.continues.run
    return more


def _acknowledge_the_last_stop(at: Context, asked_s: float) -> None:
    """Starting is the person's act that clears what the bench stopped for before it; only with off proven."""
    reply = at.monitor.ask("clear_cause", timeout_s=1.0, on_slice=lambda: None, until_s=asked_s)
    if not reply.granted:
        at.pace.slice()  # what the monitor itself stopped for says more than its refusal
        raise BenchFault(Reason.OFF_NOT_PROVEN, reply.sentence)


def _note_clock_step(step_s: float, at: Context) -> None:
    failed = at.journal.keep("clock_step", step_s=round(step_s, 3))
    if failed is not None:
        at.stop.because(Reason.STORAGE_FAULT, str(failed))


def _work(at: Context, earlier: EarlierVerification | None) -> None:
    """The run itself."""
    at.bench.open_all(at)
    at.course.go("admit")
    at.journal.append("ambient", **_ambient(at))
    at.duty.verify(earlier)
    at.duty.begin()
    at.duty.perform()
    at.arming.withdraw()
    for step in at.sequence.final_measurements:
        perform(step, at)
    at.stop.because(*at.duty.completed())


# How the record names an ambient value, by the base unit that the bench file's scale has.
_AMBIENT_NAMES = {"degC": ("_c", 1.0), "1": ("_percent", 100.0)}


def _ambient(at: Context) -> dict[str, float]:
    """The ambient values as the safety I/O reads them, each with its unit in its name."""
    named = {}
    for name, value in at.monitor.snapshot().ambient.items():
        unit = at.bench.file.safety_io.ambient[name].scale.unit
        suffix, factor = _AMBIENT_NAMES.get(unit, (f"_{unit.lower()}", 1.0))
        named[name + suffix] = round(value * factor, 6)
    return named


@dataclass
class _Closing:
    """The end of a run, in order: safe, judged, said, sealed."""

    order: RunOrder
    world: World
    at: Context
    _end_is_kept: bool = False
    _outcomes: dict[int, Outcome] = field(default_factory=dict)

    def close(self) -> RunEnd:
        with self.world.stop.shielded():
            off_proven = self._make_safe()
            self.at.course.go("make_safe")
            self._close_duty()
            self._keep_causes()
            rows, outcome = self._judged()
            self.at.course.go("judge")
            end = self._say(outcome, off_proven, rows)
            sealed = self._seal(end)
            self.at.course.go("close")
            return sealed

    def _make_safe(self) -> bool | None:
        """Green again where that can be proven; the last word on whether it is safe."""
        self.at.progress.say("making safe")
        try:
            self.at.arming.withdraw()
            reply = self.at.monitor.ask(
                "prove_off",
                timeout_s=self.at.bench.file.discharge_time + 2.0,
                on_slice=self.at.pace.slice,
            )
        except Exception as error:  # noqa: BLE001 (the end of a run: what fails here must not hide what happened)
            self.world.stop.request(cause_of(error, self.at.clock.now_s()))
            return None
        finally:
            self.at.bench.close_all()
        if not reply.granted:
            self.world.stop.because(Reason.OFF_NOT_PROVEN, reply.sentence)
        return bool(reply.granted)

    def _close_duty(self) -> None:
        """What the duty holds open is finished; what cannot be kept is a cause like any other."""
        try:
            self.at.duty.close()
        except Exception as error:  # noqa: BLE001 (the end of a run goes on to its seal)
            self.world.stop.request(cause_of(error, self.at.clock.now_s()))

    def _keep_causes(self) -> None:
        """Before anything is judged: a cause that cannot be kept is a storage fault, and no run with one is valid."""
        for number, cause in enumerate((self._first(), *self.world.stop.later)):
            self._keep("cause", **cause.to_json(), first=number == 0)

    def _judged(self) -> tuple[tuple[Row, ...], Outcome]:
        try:
            return self._judge()
        except Exception as error:  # noqa: BLE001 (our own bug must not take the end of the run with it)
            self.world.stop.request(cause_of(error, self.at.clock.now_s()))
            return (), Outcome.ERROR

    def _judge(self) -> tuple[tuple[Row, ...], Outcome]:
        """Each specimen by its own evidence; the run is as good as the worst of them."""
        outcome = Outcome.PASS
        rows: list[Row] = []
        for mount, evidence in self.at.duty.evidence().items():
            own_rows, own = self._judge_one(mount, evidence)
            self._outcomes[mount] = own
            rows += own_rows
            outcome = worse(outcome, own)
        return tuple(rows), outcome

    def _judge_one(self, mount: int, evidence: Evidence) -> tuple[tuple[Row, ...], Outcome]:
        requirements = self.at.sequence.requirements
        outcome = self._outcome_of_causes(mount)
        failed = self.at.duty.failed(mount) is not None
        if failed or any(judge(r, evidence, None).verdict is Verdict.FAILS for r in requirements):
            outcome = worse(outcome, Outcome.FAIL)
        rows = tuple(replace(judge(r, evidence, outcome), mount=mount) for r in requirements)
        if outcome is Outcome.PASS and any(r.verdict is Verdict.NOT_JUDGED for r in rows):
            outcome = Outcome.INCONC
            rows = tuple(replace(judge(r, evidence, outcome), mount=mount) for r in requirements)
        return rows, outcome

    def _outcome_of_causes(self, mount: int) -> Outcome:
        """What the causes leave of a specimen's outcome. Another mount's failure is none of its own."""
        outcome = Outcome.PASS
        for cause in (self._first(), *self.world.stop.later):
            others = mount and cause.reason is Reason.SPECIMEN_FAILED
            outcome = worse(outcome, Outcome.PASS if others else OUTCOME_OF[cause.reason])
        return outcome

    def _first(self) -> Cause:
        first = self.world.stop.first
        assert first is not None, "a run ends only by a cause"
        return first

    def _say(self, outcome: Outcome, off_proven: bool | None, rows: tuple[Row, ...]) -> RunEnd:
        first, later = self._first(), self.world.stop.later
        doubt = self.at.progress.indicator_doubt
        goes_on = self.order.run if self.at.duty.can_be_gone_on_with() else None
        words = sentence(first, off_proven, goes_on) + (f" {in_doubt(doubt)}" if doubt else "")
        ended = self._keep(
            "run_ended",
            outcome=outcome.value,
            reason=first.reason.value,
            off_proven=off_proven,
            sentence=words + self._to_be_kept_by_hand(rows),
            later=[c.to_json() for c in later],
            **self.at.duty.ended_facts(),
            **self._mount_outcomes(),
            verdicts_count=len(rows),
            after_a_stop=self.at.sequence.specimen.after_a_stop,
            indicator_doubt=doubt or None,
        )
        # Behind the outcome and only with it, so that no record holds a P without what it rests on.
        kept = [self._keep("verdict", **row.to_json()) for row in (rows if ended else ())]
        self._end_is_kept = ended and all(kept)
        words += self._to_be_kept_by_hand(rows)
        self.at.progress.say(words)
        return RunEnd(outcome, first, off_proven, words, rows, False, later, doubt or None)

    def _to_be_kept_by_hand(self, rows: tuple[Row, ...]) -> str:
        """An F that a faulty record may not hold with all that it rests on is told where people read the end."""
        if self.world.journal.fault is None:
            return ""
        failed = [
            f"{row.requirement.clause}: {row.sentence.rstrip('.')}" for row in rows if row.verdict == "F"
        ]
        return f" The specimen failed, write it down by hand: {'; '.join(failed)}." if failed else ""

    def _mount_outcomes(self) -> dict[str, Any]:
        """The outcome of each mount, where there are mounts."""
        mounts = {str(mount): own.value for mount, own in self._outcomes.items() if mount}
        return {"mount_outcomes": mounts} if mounts else {}

    def _keep(self, kind: str, **fields: Any) -> bool:
        failed = self.world.journal.keep(kind, **fields)
        if failed is not None:
            self.world.stop.because(Reason.STORAGE_FAULT, str(failed))
        return failed is None

    def _seal(self, end: RunEnd) -> RunEnd:
        """The data sheet, then the seal over every file. Without it the run shows as interrupted.

        A record that could not even be opened is not sealed: there is nothing whole to vouch for.
        """
        if not any(entry["kind"] == "run_started" for entry in self.world.journal.entries):
            return end
        from orchestrator.record.sheet import data_sheet

        try:
            if not self._end_is_kept:
                raise self.world.journal.fault or StorageFault("the end of the run", "is not kept", "")
            self.world.store.create("sheet.txt", data_sheet(self.world.journal.entries).encode())
            sealed = seal(self.world.store, self.world.journal, self.world.clock)
            if self.world.heads is not None:
                self.world.heads.append(self.order.run, "seal", sealed.sha256)
        except Exception as error:  # noqa: BLE001 (the last act of a run: it ends here, unsealed)
            self.world.stop.request(cause_of(error, self.at.clock.now_s()))
            return self._unsealed(end, error)
        return replace(end, sealed=True)

    def _unsealed(self, end: RunEnd, error: Exception) -> RunEnd:
        """What is told then is no more than the record can vouch for: no P, and an outcome that says so."""
        rows = tuple(
            replace(
                row, verdict=Verdict.NOT_JUDGED, sentence=f"no P in a record without a seal: {row.sentence}"
            )
            if row.verdict is Verdict.PASSES
            else row
            for row in end.rows
        )
        words = f"{end.sentence} The record could not be sealed: {error}"
        outcome, later = worse(end.outcome, Outcome.ERROR), self.world.stop.later
        return replace(end, outcome=outcome, sentence=words, rows=rows, later=later)
