"""What refuses a start before anything on the bench moves, each refusal with a sentence and help.

In this order: findings of the sequence (all of them), the specimen's history, calibration up to the planned end, room
on the disk. A start that is refused here has left nothing behind.
"""

from __future__ import annotations

import re
from collections.abc import Iterator
from collections.abc import Sequence as Sequence_
from dataclasses import dataclass, field
from datetime import UTC, date, datetime, timedelta
from pathlib import Path
from typing import TYPE_CHECKING, Any

from orchestrator.engine.duty import EarlierVerification
from orchestrator.engine.room import ROOM_TIMES, shot_bytes
from orchestrator.record.reader import NoRecord, RunRecord, read_run
from orchestrator.record.specimens import SpecimenHistory, after_a_stop, history
from orchestrator.record.store import StorageFault
from orchestrator.steps import KINDS
from sequences.bench import Bench, ContactRecorder, instruments_of
from sequences.checker import check
from sequences.duties import Cycles, cycles_of, shots_of
from sequences.findings import in_order, refused, render
from sequences.loader import Loaded, LoadedBench, load_sequence
from sequences.model import ShotDuty

if TYPE_CHECKING:
    from orchestrator.record.continued import Continued
    from sequences.model import Sequence

FINISHED = frozenset({"completed", "count_reached", "specimen_failed"})
BYTES_A_LEDGER_ROW = 100
BYTES_A_TRACE = 20_000  # what a file of waveforms has beside its samples
ANOMALIES = 1000  # more of them keep no run going
BYTES_A_RUN = 8_000_000  # frozen files, data sheet, report with its plots
LONGEST_NAME = 80


class Refused(Exception):
    """Something that was asked for and is not done: a code for programs, a sentence, and what to do."""

    def __init__(self, code: str, sentence: str, help: str, **more: Any) -> None:  # noqa: A002 (the house's word)
        super().__init__(sentence)
        self.code = code
        self.sentence = sentence
        self.help = help
        self.more = more

    def to_json(self) -> dict[str, Any]:
        return {"ok": False, "code": self.code, "sentence": self.sentence, "help": self.help, **self.more}


@dataclass(frozen=True)
class Lapsed:
    """Calibrations that lapse before the planned end, and why a person starts the run all the same."""

    due: dict[str, date]
    planned_end: date
    reason: str

    def to_json(self) -> dict[str, Any]:
        instruments = [{"name": name, "due": due.isoformat()} for name, due in self.due.items()]
        return {
            "instruments": instruments,
            "planned_end": self.planned_end.isoformat(),
            "reason": self.reason,
        }


@dataclass(frozen=True)
class Ready:
    """A start that nothing speaks against."""

    sequence: Loaded
    specimen: str
    history: SpecimenHistory
    planned_s: float
    earlier: EarlierVerification | None
    warnings: tuple[str, ...] = field(default=())
    lapsed: Lapsed | None = None
    specimens: tuple[str, ...] = ()


def preflight(
    bench: LoadedBench,
    data: Path,
    sequence_file: str,
    specimen: str,
    given: dict[str, str],
    now: datetime,
    free_bytes: int,
    override_calibration: str | None = None,
    more_specimens: Sequence_[str] = (),
    goes_on_with: Sequence_[str] = (),
) -> Ready:
    """All that can be known beforehand. Refused for whatever speaks against the start.

    `override_calibration` is a person's reason for starting although a calibration lapses; nothing else yields to it.
    `more_specimens` are those of the second and further mounts, where the sequence has several. `goes_on_with` are the
    runs that this one goes on with: a specimen that failed in them keeps its place and is not looked at any more.
    """
    from orchestrator.engine.earlier import earlier_verification

    assert bench.bench is not None, "a bench file with findings serves no daemon"
    loaded, warnings = _sequence(bench, sequence_file, given)
    sequence = loaded.sequence
    assert sequence is not None, "a sequence with findings was refused"
    past = _specimen(data, specimen, goes_on_with)
    specimens = _mounted(sequence, (past.identity, *more_specimens), data, goes_on_with)
    planned_s = planned_duration_s(sequence, bench.bench)
    lapsed = _calibration(sequence, bench.bench, now + timedelta(seconds=planned_s), override_calibration)
    _room(sequence, bench.bench, free_bytes)
    earlier = earlier_verification(data, bench, sequence, now)
    if override_calibration is not None and lapsed is None:
        warnings += ("No calibration lapses before the planned end: there was nothing to override.",)
    return Ready(loaded, specimen.strip(), past, planned_s, earlier, warnings, lapsed, specimens)


def preflight_going_on(
    bench: LoadedBench,
    data: Path,
    run: str,
    now: datetime,
    free_bytes: int,
    override_calibration: str | None = None,
) -> tuple[Ready, Continued]:
    """The same for a run that goes on with an earlier one, whose frozen sequence, specimens and values it takes.

    Refused where anything is not as it was: the bench file, the frozen sequence, or the record itself.
    """
    earlier = _earlier(data, run)
    folder = data / run
    frozen = folder / "sequence.yaml"
    if earlier.bench_sha256 != bench.sha256:
        raise Refused(
            "bench-changed",
            f"The bench file is not the one of run {run}: the run does not go on on another bench.",
            "serve the bench with the file of that run (its folder has it), or start a new run",
        )
    first, *more = earlier.specimens
    given = {str(name): str(value) for name, value in earlier.parameters.items()}
    _only_then(data, earlier)
    _not_spent(read_run(folder), earlier)
    ready = preflight(
        bench, data, str(frozen), first, given, now, free_bytes, override_calibration, more, earlier.runs
    )
    if ready.sequence.sha256 != earlier.sequence_sha256:
        raise Refused(
            "sequence-changed",
            f"The sequence in the folder of run {run} is not the one that the run began with.",
            "benchward record verify says what was changed; nothing goes on from it",
        )
    return ready, earlier


def _only_then(data: Path, earlier: Continued) -> None:
    """Nothing was done to the specimens since: a count that is gone on with twice would be counted twice."""
    for specimen in earlier.specimens:
        for later in history(data, specimen).later_than(earlier.runs):
            if read_run(data / later.run).first("run_started").get("continues") in earlier.runs:
                raise Refused(
                    "gone-on-with",
                    f"Run {later.run} has gone on with run {earlier.run} already: its count is the newer one.",
                    f"benchward resume {later.run}",
                )
            if later.cycles or later.shots_applied:
                raise Refused(
                    "specimen-changed",
                    f"Specimen {specimen} is not as run {earlier.run} left it: it was used in run {later.run} since.",
                    "start a new run, on another specimen",
                )


def _not_spent(record: RunRecord, earlier: Continued) -> None:
    """Where the sequence says that a stop spends the specimen, no duty is made in two parts."""
    if earlier.counts.commanded and after_a_stop(record, record.last("run_ended")) == "is spent":
        raise Refused(
            "spent-specimen",
            f"Run {earlier.run} was stopped after {earlier.counts.commanded:,} cycles, and its sequence says that the "
            "specimen is spent then.",
            "take a fresh specimen, and start a new run",
        )


def _earlier(data: Path, run: str) -> Continued:
    from orchestrator.record.continued import CannotGoOn, continued

    if not run or "/" in run or not (data / run).is_dir():
        raise Refused(
            "no-such-run", f"There is no run {run!r} in the data folder.", "see: benchward record list"
        )
    try:
        earlier = continued(data / run)
    except (CannotGoOn, NoRecord, StorageFault) as error:
        raise Refused("cannot-go-on", str(error), "start a new run, on another specimen") from error
    if earlier.reason in FINISHED:
        raise Refused(
            "run-finished", f"Run {run} has reached its end: {earlier.stopped_because}.", "start a new run"
        )
    return earlier


def _sequence(bench: LoadedBench, file: str, given: dict[str, str]) -> tuple[Loaded, tuple[str, ...]]:
    loaded = load_sequence(file, KINDS, given)
    findings = in_order([*loaded.findings, *check(loaded, bench)])
    if refused(findings) or loaded.sequence is None:
        number = sum(one.severity == "refused" for one in findings)
        raise Refused(
            "findings",
            f"{file} cannot be run on this bench: {number} finding{'' if number == 1 else 's'}.",
            f"mend what is listed; `benchward check {file}` shows it again",
            findings=[one.to_json() for one in findings],
            rendered=[render(one) for one in findings],
        )
    return loaded, tuple(render(one) for one in findings)


def _specimen(data: Path, specimen: str, goes_on_with: Sequence_[str] = ()) -> SpecimenHistory:
    name = specimen.strip()
    if not name or len(name) > LONGEST_NAME or not name.isprintable():
        raise Refused(
            "no-specimen", "The start names no specimen.", "give its identity: --specimen ID, as on its label"
        )
    past = history(data, name)
    spent = past.spent_outside(goes_on_with)
    if spent is not None:
        raise Refused(
            "spent-specimen",
            f"Specimen {name} is spent: {spent}.",
            "take a fresh specimen; `benchward record list` shows what was done to this one",
        )
    return past


def _mounted(
    sequence: Sequence, specimens: tuple[str, ...], data: Path, goes_on_with: Sequence_[str] = ()
) -> tuple[str, ...]:
    """One specimen for each mount, each its own; none where the duty has no mounts."""
    count = sequence.mounts.count if sequence.mounts is not None else 1
    if len(specimens) != count:
        raise Refused(
            "specimen-count",
            f"The sequence has {count} mount{'' if count == 1 else 's'}, the start names {len(specimens)} specimens.",
            "name one for each mount, in their order: --specimen ID --specimen ID",
        )
    names = [past.identity for past in (_specimen(data, one, goes_on_with) for one in specimens)]
    twice = [name for name in names if names.count(name) > 1]
    if twice:
        raise Refused(
            "specimen-twice",
            f"Specimen {twice[0]} is named for two mounts.",
            "each mount has its own specimen",
        )
    return tuple(names) if sequence.mounts is not None else ()


# --------------------------------------------------------------------------- how long, how much


def planned_duration_s(sequence: Sequence, bench: Bench) -> float:
    """How long the run takes at least, without the time that people need."""
    total_s = _verification_shots(sequence) * (sequence.verification.interval if sequence.verification else 0)
    total_s += _duty_s(sequence, bench)
    for steps in (sequence.initial_measurements, sequence.final_measurements):
        total_s += _steps_s(steps, bench)
    return float(total_s)


def _duty_s(sequence: Sequence, bench: Bench) -> float:
    """Shots with their intervals; cycles at their highest rate, with the measurements between them."""
    duty, between = sequence.duty, sequence.intermediate_measurements
    if isinstance(duty, ShotDuty):
        return float(duty.shots * max(duty.interval, _steps_s(sequence.each_shot, bench)))
    measured = duty.cycles // between.every * _steps_s(between.steps, bench) if between else 0.0
    return float(duty.cycles / duty.rate + measured)


def _verification_shots(sequence: Sequence) -> int:
    wanted = sequence.verification
    if wanted is None:
        return 0
    return sum(part.shots for part in (wanted.open_circuit, wanted.short_circuit) if part is not None)


def _steps_s(steps: Any, bench: Bench) -> float:
    warning_s = max(output.warning for output in bench.outputs.values())
    times = (
        float(getattr(s, "time", 0) or 0) + float(getattr(s, "after", 0) or 0) + warning_s for s in steps
    )
    return sum(times)


def _calibration(
    sequence: Sequence, bench: Bench, planned_end: datetime, override: str | None
) -> Lapsed | None:
    lapsed = lapsing(sequence, bench, planned_end)
    if lapsed and override is None:
        raise Refused(
            "calibration-lapsed",
            f"The calibration lapses before the run's planned end on {_day(planned_end)}: {_named(lapsed)}.",
            "calibrate or replace it, and write the new date into the bench file; who may start all the same says "
            "why: benchward start --override-calibration REASON --by NAME",
        )
    return Lapsed(lapsed, _day(planned_end), override) if lapsed and override is not None else None


def calibration_going_on(
    sequence: Sequence, bench: Bench, planned_end: datetime, override: str | None, set_aside: frozenset[str]
) -> Lapsed | None:
    """The same when a paused run is to go on: its planned end has moved. `set_aside` was overridden at its start."""
    lapsed = {
        name: due for name, due in lapsing(sequence, bench, planned_end).items() if name not in set_aside
    }
    if lapsed and override is None:
        raise Refused(
            "calibration-lapsed",
            f"The run stays paused: since the pause its planned end is {_day(planned_end)}, and the calibration lapses "
            f"before: {_named(lapsed)}.",
            "abort the run and calibrate; who may let it go on all the same says why: "
            "benchward resume --override-calibration REASON --by NAME",
        )
    return Lapsed(lapsed, _day(planned_end), override) if lapsed and override is not None else None


def lapsing(sequence: Sequence, bench: Bench, planned_end: datetime) -> dict[str, date]:
    """The instruments that the run uses whose calibration is over before the day of its planned end."""
    due = {
        name: bench.instruments[name].calibration_due for name in sorted(_instruments_used(sequence, bench))
    }
    return {name: day for name, day in due.items() if day < _day(planned_end)}


def _day(moment: datetime) -> date:
    return moment.astimezone(UTC).date()


def _named(lapsed: dict[str, date]) -> str:
    return ", ".join(f"{name} (due {day})" for name, day in lapsed.items())


def _instruments_used(sequence: Sequence, bench: Bench) -> set[str]:
    used: set[str] = set()
    for name in sequence.equipment:
        unit = bench.equipment.get(name)
        used |= set(instruments_of(unit).values()) if unit is not None else set()
    return used


def estimated_bytes(sequence: Sequence, bench: Bench) -> int:
    """What the record of the run takes on the disk, rather too much than too little."""
    cycles, shots = cycles_of(sequence), shots_of(sequence)
    if cycles is not None:
        return _cycles_bytes(cycles, bench) + BYTES_A_RUN
    duty = shots.duty.shots * (1 + shots.invalid.repeat_at_most) if shots else 0
    return (_verification_shots(sequence) + duty) * shot_bytes(bench) + BYTES_A_RUN


def _cycles_bytes(cycles: Cycles, bench: Bench) -> int:
    """The ledger's rows, and the waveforms of the cycles that are kept."""
    kept, count = cycles.each.traces, cycles.duty.cycles
    traces = min(
        count, kept.first + kept.last + count // kept.every + ANOMALIES * (1 + 2 * kept.around_anomaly)
    )
    recorder = bench.equipment.get(cycles.each.recorder)
    samples = recorder.make_samples + recorder.break_samples if isinstance(recorder, ContactRecorder) else 0
    trace = BYTES_A_TRACE + cycles.mounts.count * 2 * 2 * samples
    return cycles.mounts.count * count * BYTES_A_LEDGER_ROW + traces * trace


def _room(sequence: Sequence, bench: Bench, free_bytes: int) -> None:
    wanted = ROOM_TIMES * estimated_bytes(sequence, bench)
    if free_bytes < wanted:
        raise Refused(
            "disk-full",
            f"The data folder's disk has {free_bytes / 1e6:.0f} MB free, the run wants {wanted / 1e6:.0f} MB.",
            "make room, or serve the bench with another data folder",
        )


# --------------------------------------------------------------------------- names


def run_name(data: Path, specimen: str, now: datetime) -> str:
    """A name that no run of this data folder has: UTC date and time, and the specimen."""
    plain = re.sub(r"[^A-Za-z0-9._-]+", "-", specimen).strip("-.") or "specimen"
    base = f"{now.astimezone(UTC):%Y%m%d-%H%M}-{plain}"
    return next(name for name in _names(base) if not (data / name).exists())


def _names(base: str) -> Iterator[str]:
    yield base
    number = 1
    while True:
        number += 1
        yield f"{base}-{number}"
