"""Why a run stopped, from its record alone.

Nothing here looks at the bench: what the record says of safety was so then, and is never said of now.
"""

from __future__ import annotations

from dataclasses import asdict, dataclass
from datetime import datetime, timedelta
from typing import Any

from orchestrator.core.outcome import Outcome, in_words
from orchestrator.core.reasons import Explanation, Reason, explained
from orchestrator.record.continued import stopped_utc
from orchestrator.record.cycles import own_rows, words_on_cycles
from orchestrator.record.entry_words import entry_words, proof_words, shot_words
from orchestrator.record.journal import stamp
from orchestrator.record.reader import RunRecord
from orchestrator.record.specimens import PastRun, after_a_stop, past_run
from orchestrator.record.wording import REHEARSAL, moment

BEFORE_S = 10.0
FEWEST_BEFORE = 3
_FINISHED = (Reason.COMPLETED, Reason.COUNT_REACHED, Reason.SPECIMEN_FAILED)
_NOT_TOLD = frozenset({"cause", "verdict", "run_ended"})
THEN_NOT_NOW = (
    "That was then. Before anybody goes in: benchward status, test for absence of voltage, earthing stick on where "
    "there is one, clear of what moves."
)

Entry = dict[str, Any]


@dataclass(frozen=True)
class Moment:
    """Something in the record, in words; `at_s` counts from the stop, negative before it."""

    at_s: float
    words: str


@dataclass(frozen=True)
class Why:
    """The answer, in the order in which a person asks."""

    run: str
    specimen: str
    title: str
    ended: bool
    outcome: str
    outcome_words: str
    reason: str
    happened: str
    stopped_utc: str
    who: str | None
    details: str | None
    safe: str
    off_proven: bool | None
    before: tuple[Moment, ...]
    after: tuple[Moment, ...]
    later: tuple[str, ...]
    check: tuple[str, ...]
    specimen_words: str
    next: str
    released_by: str | None
    rehearsal: bool

    def to_json(self) -> dict[str, Any]:
        return asdict(self)


def why(record: RunRecord) -> Why:
    """Explain the stop of a run, or that its record has no end."""
    return _Explaining(record).explain()


class _Explaining:
    """One record, with what was found in it."""

    def __init__(self, record: RunRecord) -> None:
        self.record = record
        self.ended = record.last("run_ended")
        self.causes = list(record.of("cause"))
        first = next((cause for cause in self.causes if cause.get("first")), None)
        self.first: Entry = first or (self.causes[0] if self.causes else {})
        self.reason = self._reason()
        self.stop_s = self._stop_s()

    def explain(self) -> Why:
        started = self.record.first("run_started")
        explanation = explained(self.reason, self.record.run if self._can_be_gone_on_with() else None)
        off_proven = self.ended.get("off_proven")
        outcome = str(self.ended.get("outcome") or Outcome.NONE.value)
        because = self.first.get("what") or "interrupted, its end is not recorded"
        known = outcome in [o.value for o in Outcome]
        return Why(
            run=self.record.run,
            specimen=str(started.get("specimen") or "not recorded"),
            title=str(started.get("title") or "not recorded"),
            ended=bool(self.ended),
            outcome=outcome,
            outcome_words=in_words(Outcome(outcome), str(because))
            if known and self.ended
            else "run not finished",
            reason=self.reason.value,
            happened=self._happened(explanation),
            stopped_utc=self._stopped_utc(),
            who=self.first.get("who"),
            details=(self.first.get("details") or {}).get("traceback"),
            safe=self._safe(),
            off_proven=off_proven if isinstance(off_proven, bool) else None,
            before=self._before(),
            after=tuple(m for m in self._moments() if m.at_s > 0),
            later=tuple(str(cause.get("what")) for cause in self.causes if cause is not self.first),
            check=tuple(line.replace("RUN", self.record.run) for line in explanation.check),
            specimen_words=self._specimen(),
            next=explanation.advice,
            released_by=explanation.released_by,
            rehearsal=self.record.rehearsal,
        )

    def _can_be_gone_on_with(self) -> bool:
        begun = self.record.first("cycles_started") or self.record.first("run_started").get("continues")
        return bool(begun) and after_a_stop(self.record, self.ended) != "is spent"

    # ---- what, when

    def _reason(self) -> Reason:
        given = self.first.get("reason") or self.ended.get("reason")
        return Reason(given) if given in list(Reason) else Reason.POWER_LOST

    def _stop_s(self) -> float:
        """When the first cause was noticed, on the run's monotonic clock; the last entry's time without a cause."""
        entries = self.record.entries
        at_s = self.first.get("at_s")
        if isinstance(at_s, (int, float)):
            return float(at_s)
        return _at_s(entries[-1]) if entries else 0.0

    def _stopped_utc(self) -> str:
        """The stop's time: by the cause's own stamp and how long before it the cause was noticed."""
        written, mono_s = _moment_of(self.first.get("utc")), self.first.get("mono_s")
        if written is not None and isinstance(mono_s, (int, float)):
            noticed = written - timedelta(seconds=max(0.0, float(mono_s) - self.stop_s))
            return stamp(noticed)
        rows = own_rows(self.record) if not self.ended else None
        if rows is not None:
            return stopped_utc(self.record, rows)
        seen = [e for e in self.record.entries if _at_s(e) <= self.stop_s + 1e-6]
        return str(seen[-1].get("utc")) if seen else "not recorded"

    def _happened(self, explanation: Explanation) -> str:
        if self.first:
            return f"{explanation.happened}: {str(self.first.get('what')).rstrip('.')}."
        last = self.record.entries[-1] if self.record.entries else {}
        at = f'its last word is "{entry_words(last)}", {moment(last.get("utc"))}' if last else "it is empty"
        torn = " A torn line follows it." if self.record.journal.torn else ""
        rows = own_rows(self.record)
        cycles = (
            f" The last cycle in its ledger is {rows.cycle[-1]}." if rows is not None and len(rows) else ""
        )
        return (
            f"The record has no end: {at}.{torn}{cycles} The daemon or the computer went down, or the disk took no "
            "more; or the run still goes on (benchward status tells)."
        )

    def _moments(self) -> list[Moment]:
        told = [e for e in self.record.entries if e.get("kind") not in _NOT_TOLD]
        moments = [Moment(round(_at_s(e) - self.stop_s, 3), entry_words(e)) for e in told]
        return sorted(moments, key=lambda m: m.at_s)

    def _before(self) -> tuple[Moment, ...]:
        """The ten seconds before the stop; where little happened in them, the last few entries all the same."""
        earlier = [m for m in self._moments() if m.at_s <= 0]
        close = [m for m in earlier if m.at_s >= -BEFORE_S]
        return tuple(close if len(close) >= FEWEST_BEFORE else earlier[-FEWEST_BEFORE:])

    # ---- is it safe

    def _safe(self) -> str:
        proof = self.record.last("off_proof")
        if not self.ended:
            return self._safe_without_end(proof)
        last = f" Last proof: {proof_words(proof)}." if proof and proof.get("safe") else ""
        match self.ended.get("off_proven"):
            case True:
                return f"At the end of the run, {moment(self.ended.get('utc'))}, off was proven.{last} {THEN_NOT_NOW}"
            case False:
                because = self._against(proof)
                return (
                    f"AT THE END OF THE RUN OFF WAS NOT PROVEN{because}. Treat the bench as live and stay out until "
                    "a named person has released it."
                )
        return (
            "At the end of the run it was not known whether the bench was off. Treat it as live and stay out."
        )

    def _against(self, proof: Entry) -> str:
        unproven = [c for c in self.causes if c.get("reason") == Reason.OFF_NOT_PROVEN.value]
        cause = unproven[-1] if unproven else {}
        because = cause.get("what") or (proof.get("because") if not proof.get("safe") else None)
        return f" ({because})" if because else ""

    def _safe_without_end(self, proof: Entry) -> str:
        live = self._left_live()
        if live:
            return (
                f"Not known. {_capital(entry_words(live))} at {moment(live.get('utc'))}, and nothing in the record "
                "says that it was switched off again. Treat the bench as live: only benchward status, and a test "
                "at the bench, say what it is now."
            )
        if proof:
            return (
                f"The last proof in the record, {moment(proof.get('utc'))}: {entry_words(proof)}. Nothing was "
                f"switched on after it. {THEN_NOT_NOW}"
            )
        return f"Nothing was switched on, as far as the record goes. {THEN_NOT_NOW}"

    def _left_live(self) -> Entry | None:
        """The last switching-on that no proof of off follows."""
        entries: list[Entry] = self.record.entries
        for entry in reversed(entries):
            if entry.get("kind") == "off_proof":
                return entry if not entry.get("safe") else None
            if entry.get("kind") == "intent" and entry.get("act") == "energise":
                return entry
        return None

    # ---- the specimen

    def _specimen(self) -> str:
        if self.record.rehearsal:
            return REHEARSAL
        past = past_run(self.record)
        name = self.record.first("run_started").get("specimen") or "The specimen"
        had = words_on_cycles(self.record) or _applied_words(str(name), past, bool(self._of_mounts()))
        use = _use_words(past)
        if self._can_be_gone_on_with() and not past.spends and self.reason not in _FINISHED:
            use = f"It may go on: benchward resume {self.record.run}"
            use += ", once it was inspected." if past.interrupted else "."
        return " ".join([had, *self._uncertain(), use])

    def _of_mounts(self) -> list[str]:
        """The specimens of a duty of cycles, a mount each; none where shots are counted."""
        return list(self.record.first("run_started").get("specimens") or [])

    def _uncertain(self) -> list[str]:
        """A trigger that was announced and that nothing confirms: at most one."""
        for entry in reversed(self.record.entries):
            if entry.get("kind") in ("triggered", "run_ended"):
                return []
            if entry.get("kind") == "intent" and entry.get("act") == "trigger":
                return [f"Whether {shot_words(entry)} was fired is not recorded: assume that it was."]
        return []


def _applied_words(name: str, past: PastRun, cycles: bool) -> str:
    number = past.shots_applied
    if not number:
        return f"{name} had no {'cycle' if cycles else 'shot'} in this run."
    least = "may have had up to" if past.interrupted else "had"
    return f"{name} {least} {number} shot{'' if number == 1 else 's'} of the duty in this run."


def _use_words(past: PastRun) -> str:
    if past.spends:
        return f"It is spent ({past.spends}) and is refused for a further run."
    if past.interrupted:
        return "Inspect it before anything else; a further run is a person's decision."
    return "It may go on in a new run; the record of that will name this one."


def _moment_of(utc: object) -> datetime | None:
    try:
        return datetime.fromisoformat(str(utc))
    except ValueError:
        return None


def _at_s(entry: Entry) -> float:
    """When it happened: what the monitor told and the trigger have times of their own."""
    own = {"triggered": "triggered_s", "interlock": "at_s", "bench_state": "at_s", "disarmed": "at_s"}
    at_s = entry.get(own.get(str(entry.get("kind")), "mono_s"))
    return float(at_s if isinstance(at_s, (int, float)) else entry.get("mono_s") or 0.0)


def _capital(text: str) -> str:
    return text[:1].upper() + text[1:]
