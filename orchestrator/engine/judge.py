"""Verdicts per clause from the evidence in the record.

Rules
- F needs evidence from the specimen, and once evidenced it stays, whatever the outcome becomes.
- P needs every value that the limit speaks of, and a run that ends with outcome `pass`.
- One missing value, or a run that is not valid, makes N/J: never a silent skip.
"""

from __future__ import annotations

import math
from collections.abc import Mapping
from dataclasses import dataclass, field, replace
from typing import TYPE_CHECKING, Any

from orchestrator.analysis.decision import decide
from orchestrator.analysis.wording import spoken
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
    mount: int = 0  # whose it is, where a bench has several specimens; 0: everybody's
    above: bool = False  # the instrument was overloaded, and proven to work: it is more than `value`


@dataclass(frozen=True)
class Evidence:
    """What the run gathered of one specimen: values by result, indicator states, and the shots or cycles asked for.

    Where `have` names a result, `values` holds only its first, smallest, largest and last, and `have` says how many
    there were. `measurements` says how many values a measured result must have; `complete` that the count is reached,
    `failed` that it never will be: the specimen has failed by the duty's own rule.
    """

    values: dict[str, list[Value]]
    states: dict[str, list[tuple[int, str]]]
    shots: int
    have: Mapping[str, int] = field(default_factory=dict)
    measurements: Mapping[str, int] = field(default_factory=dict)
    complete: bool = False
    failed: bool = False


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
    mount: int = 0

    def to_json(self) -> dict[str, Any]:
        r, w = self.requirement, self.worst
        return {
            "clause": r.clause,
            "result": r.result,
            "judged": r.judged,
            "direction": direction(r),
            "limit": None if limit(r) is None else float(limit(r)),
            **({"at_least": float(r.at_least)} if r.at_most is not None and r.at_least is not None else {}),
            "unit": None if limit(r) is None else limit(r).unit,
            "must_be": r.must_be,
            "rule": r.rule,
            "verdict": self.verdict.value,
            "conditional": self.conditional,
            "value": None if w is None else w.value,
            "expanded_uncertainty": None if w is None else w.expanded_uncertainty,
            "coverage_factor": None if w is None else w.coverage_factor,
            **({"above": True} if w is not None and w.above else {}),
            "acceptance_limit": self.acceptance_limit,
            "shots": list(self.shots),
            "sentence": self.sentence,
            **({"mount": self.mount} if self.mount else {}),
        }


def judge(requirement: Requirement, evidence: Evidence, outcome: Outcome | None) -> Row:
    """The verdict on one requirement. `outcome` None means "so far": a P then stands only when all is in."""
    row = (
        _states(requirement, evidence) if requirement.must_be is not None else _values(requirement, evidence)
    )
    if row.verdict is Verdict.PASSES and outcome is not None and outcome is not Outcome.PASS:
        sentence = _kept_without_p(row, outcome)
        return Row(
            requirement, Verdict.NOT_JUDGED, sentence, False, row.worst, row.acceptance_limit, row.shots
        )
    return row


def _kept_without_p(row: Row, outcome: Outcome) -> str:
    """Why a limit that was kept gets no P: what was found stands in the sentence, so that nobody has to guess."""
    found = row.sentence.removeprefix("P (pass): ").rstrip(".")
    return f"Its own limit was kept: {found}. No P stands in a run whose outcome is {outcome.value}."


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
    chosen, complete, why = _chosen(requirement, values, evidence)
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
    """The decision on the bound that the value keeps worst; a range has two."""
    if value.above:
        return _decide_one_sided(requirement, value)
    return _decide_bounds(requirement, value, bounds(requirement))


def _decide_bounds(requirement: Requirement, value: Value, limits: list[tuple[Any, Any]]) -> Any:
    magnitude = abs(value.value)  # an impulse's figure keeps its sign, a limit does not have one
    decisions = [
        decide(
            magnitude,
            value.expanded_uncertainty,
            value.coverage_factor,
            float(bound),
            way,
            requirement.rule or "simple_acceptance",
            unit=bound.unit,
        )
        for way, bound in limits
    ]
    return max(decisions, key=lambda d: (d.verdict == "F", d.verdict == "N/J", d.conditional))


def _decide_one_sided(requirement: Requirement, value: Value) -> Any:
    """What is known only to be more than a value: evidence for an F beyond an upper limit, and for nothing else."""
    highest = spoken(value.value, value.unit).rstrip()
    if requirement.at_most is not None:
        decision = _decide_bounds(requirement, value, bounds(requirement)[:1])
        if decision.verdict == "F":
            words = f"{decision.sentence} The meter was overloaded: it is more than {highest}."
            return replace(decision, sentence=words)
    missing = _decide(requirement, Value(value.shot, math.nan))
    what = f"the meter was overloaded, it is more than {highest}: too little is known of it for this limit"
    return replace(missing, sentence=f"Not judged: {what}.")


def bounds(requirement: Requirement) -> list[tuple[Any, Any]]:
    """Each bound of a numerical limit with its direction."""
    both = (("at_most", requirement.at_most), ("at_least", requirement.at_least))
    return [(way, bound) for way, bound in both if bound is not None]


def direction(requirement: Requirement) -> Any:
    """Which way the limit points; None for the state of an indicator."""
    if requirement.must_be is not None:
        return None
    return "at_most" if requirement.at_most is not None else "at_least"


def limit(requirement: Requirement) -> Any:
    """The tolerance limit as a quantity; None for the state of an indicator."""
    return requirement.at_most if requirement.at_most is not None else requirement.at_least


def _badness(requirement: Requirement, value: Value) -> float:
    """How far a value goes towards its limit; of a range, towards the bound that it is nearest to."""
    size = abs(value.value)
    if requirement.at_most is not None and requirement.at_least is not None:
        return max(size - float(requirement.at_most), float(requirement.at_least) - size)
    return size if requirement.at_most is not None else -size


def _chosen(
    requirement: Requirement, values: list[Value], evidence: Evidence
) -> tuple[list[Value], bool, str]:
    """The values that `judged` speaks of, whether all of them are there, and what is missing."""
    by_shot = sorted(values, key=lambda v: v.shot)
    each, missing = _all_there(requirement.result, by_shot, evidence)
    match requirement.judged:
        case "count":
            ended = evidence.complete or evidence.failed
            can_still_reach = requirement.at_least is not None and not ended
            return [] if can_still_reach else by_shot, evidence.complete, "the declared count is not reached"
        case "every shot" | "every cycle" | "every measurement":
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


def _all_there(result: str, by_shot: list[Value], evidence: Evidence) -> tuple[bool, str]:
    """Whether a result has as many values as it must have, and how many are missing, in words."""
    wanted = evidence.measurements.get(result, evidence.shots)
    have = evidence.have.get(result)
    if have is None:
        have = len({v.shot for v in by_shot})
        if result not in evidence.measurements and by_shot and not any(v.shot for v in by_shot):
            return True, ""  # measured once, outside the shots
    return have >= wanted, _incomplete(have, wanted)


def _mean(values: list[Value]) -> Value:
    mean = sum(abs(v.value) for v in values) / len(values)
    known = [v.expanded_uncertainty for v in values if v.expanded_uncertainty is not None]
    # The stated accuracy dominates and is common to all: a mean is not better than its values.
    largest = max(known) if len(known) == len(values) else None
    above = any(v.above for v in values)
    last = values[-1]
    return Value(last.shot, mean, last.unit, largest, last.coverage_factor, above=above)


def _change(first: Value, last: Value) -> Value:
    """The relative change as a fraction of the first; gain errors of one instrument cancel in it."""
    if first.above:
        return Value(last.shot, math.nan, "1")
    change = abs(abs(last.value) / abs(first.value) - 1.0)
    return Value(last.shot, change, "1", above=last.above)
