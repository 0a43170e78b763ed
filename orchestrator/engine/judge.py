"""Verdicts per clause from the evidence in the record.

Rules
- F needs evidence from the specimen, and once evidenced it stays, whatever the outcome becomes.
- P needs every value that the limit speaks of, and a run that ends with outcome `pass`.
- One missing value, or a run that is not valid, makes N/J: never a silent skip.
"""

from __future__ import annotations

from dataclasses import dataclass
from typing import TYPE_CHECKING, Any

from orchestrator.analysis.decision import decide
from orchestrator.core.outcome import Outcome, Verdict

if TYPE_CHECKING:
    from sequences.model import Requirement


@dataclass(frozen=True)
class Value:
    """One piece of evidence: a result's value at a shot (0 where it belongs to none), with its uncertainty."""

    shot: int
    value: float
    unit: str = ""
    expanded_uncertainty: float | None = None
    coverage_factor: float | None = None


@dataclass(frozen=True)
class Evidence:
    """What the run gathered: values by result name, indicator states by indicator, and the shots asked for."""

    values: dict[str, list[Value]]
    states: dict[str, list[tuple[int, str]]]
    shots: int


@dataclass(frozen=True)
class Row:
    """One row of the verdict table."""

    requirement: Any
    verdict: Verdict
    sentence: str
    conditional: bool = False
    worst: Value | None = None
    acceptance_limit: float | None = None
    shots: tuple[int, ...] = ()

    def to_json(self) -> dict[str, Any]:
        r, w = self.requirement, self.worst
        return {
            "clause": r.clause,
            "result": r.result,
            "judged": r.judged,
            "direction": direction(r),
            "limit": None if limit(r) is None else float(limit(r)),
            "unit": None if limit(r) is None else limit(r).unit,
            "must_be": r.must_be,
            "rule": r.rule,
            "verdict": self.verdict.value,
            "conditional": self.conditional,
            "value": None if w is None else w.value,
            "expanded_uncertainty": None if w is None else w.expanded_uncertainty,
            "coverage_factor": None if w is None else w.coverage_factor,
            "acceptance_limit": self.acceptance_limit,
            "shots": list(self.shots),
            "sentence": self.sentence,
        }


def judge(requirement: Requirement, evidence: Evidence, outcome: Outcome | None) -> Row:
    """The verdict on one requirement. `outcome` None means "so far": a P then stands only when all is in."""
    row = (
        _states(requirement, evidence) if requirement.must_be is not None else _values(requirement, evidence)
    )
    if row.verdict is Verdict.PASSES and outcome is not None and outcome is not Outcome.PASS:
        sentence = f"no P in a run whose outcome is {outcome.value}; so far: {row.sentence}"
        return Row(
            requirement, Verdict.NOT_JUDGED, sentence, False, row.worst, row.acceptance_limit, row.shots
        )
    return row


def _states(requirement: Requirement, evidence: Evidence) -> Row:
    seen = evidence.states.get(requirement.result, [])
    other = [(shot, state) for shot, state in seen if state != requirement.must_be]
    if other:
        shot, state = other[0]
        sentence = f"{requirement.result} was {state} after shot {shot}"
        return Row(requirement, Verdict.FAILS, sentence, shots=tuple(s for s, _ in other))
    shots = tuple(sorted({shot for shot, _ in seen}))
    if len(shots) < evidence.shots:
        return Row(requirement, Verdict.NOT_JUDGED, _incomplete(len(shots), evidence.shots), shots=shots)
    return Row(requirement, Verdict.PASSES, f"{requirement.must_be} after every shot", shots=shots)


def _incomplete(have: int, want: int) -> str:
    return f"{have} of {want} values are there"


def _values(requirement: Requirement, evidence: Evidence) -> Row:
    values = evidence.values.get(requirement.result, [])
    chosen, complete, why = _chosen(requirement, values, evidence.shots)
    decided = [(value, _decide(requirement, value)) for value in chosen]
    failed = [(v, d) for v, d in decided if d.verdict == "F"]
    shots = tuple(v.shot for v in chosen)
    if failed:
        worst, decision = max(failed, key=lambda vd: _badness(requirement, vd[0]))
        conditional = all(d.conditional for _, d in failed)
        where = tuple(v.shot for v, _ in failed)
        return Row(
            requirement,
            Verdict.FAILS,
            decision.sentence,
            conditional,
            worst,
            decision.acceptance_limit,
            where,
        )
    if not complete:
        return Row(requirement, Verdict.NOT_JUDGED, why, shots=shots)
    undecided = [d for _, d in decided if d.verdict == "N/J"]
    if undecided:
        return Row(requirement, Verdict.NOT_JUDGED, undecided[0].sentence, shots=shots)
    worst, decision = max(decided, key=lambda vd: _badness(requirement, vd[0]))
    conditional = any(d.conditional for _, d in decided)
    limit = decision.acceptance_limit
    return Row(requirement, Verdict.PASSES, decision.sentence, conditional, worst, limit, shots)


def _decide(requirement: Requirement, value: Value) -> Any:
    magnitude = abs(value.value)  # an impulse's figure keeps its sign, a limit does not have one
    return decide(
        magnitude,
        value.expanded_uncertainty,
        value.coverage_factor,
        float(limit(requirement)),
        direction(requirement),
        requirement.rule or "simple_acceptance",
        unit=limit(requirement).unit,
    )


def direction(requirement: Requirement) -> Any:
    """Which way the limit points; None for the state of an indicator."""
    if requirement.must_be is not None:
        return None
    return "at_most" if requirement.at_most is not None else "at_least"


def limit(requirement: Requirement) -> Any:
    """The tolerance limit as a quantity; None for the state of an indicator."""
    return requirement.at_most if requirement.at_most is not None else requirement.at_least


def _badness(requirement: Requirement, value: Value) -> float:
    return abs(value.value) if direction(requirement) == "at_most" else -abs(value.value)


def _chosen(requirement: Requirement, values: list[Value], shots: int) -> tuple[list[Value], bool, str]:
    """The values that `judged` speaks of, whether all of them are there, and what is missing."""
    by_shot = sorted(values, key=lambda v: v.shot)
    each = len({v.shot for v in by_shot}) >= shots if any(v.shot for v in by_shot) else bool(by_shot)
    missing = _incomplete(len({v.shot for v in by_shot}), shots)
    match requirement.judged:
        case "every shot":
            return by_shot, each, missing
        case "first":
            return by_shot[:1], bool(by_shot), "the first value is missing"
        case "last" if each:  # of an ended run; the latest so far is not the last
            return by_shot[-1:], True, ""
        case "mean" if each:
            return [_mean(by_shot)], True, ""
        case "largest" if by_shot and (each or requirement.at_most is not None):
            # It can only grow: beyond an upper limit it stays there, short of a lower one it may still get there.
            return [max(by_shot, key=lambda v: abs(v.value))], each, missing
        case "change first to last" if each and len(by_shot) > 1 and by_shot[0].value == 0:
            return [], False, "the first value is zero: a relative change from it does not exist"
        case "change first to last" if each and len(by_shot) > 1:
            return [_change(by_shot[0], by_shot[-1])], True, ""
        case _:
            return [], False, missing


def _mean(values: list[Value]) -> Value:
    mean = sum(abs(v.value) for v in values) / len(values)
    known = [v.expanded_uncertainty for v in values if v.expanded_uncertainty is not None]
    # The stated accuracy dominates and is common to all: a mean is not better than its values.
    largest = max(known) if len(known) == len(values) else None
    return Value(values[-1].shot, mean, values[-1].unit, largest, values[-1].coverage_factor)


def _change(first: Value, last: Value) -> Value:
    """The relative change as a fraction of the first; gain errors of one instrument cancel in it."""
    change = abs(abs(last.value) / abs(first.value) - 1.0)
    return Value(last.shot, change, "1")
