"""Checks of the requirements: a limit has to limit something, by a rule, on values that exist."""

from __future__ import annotations

from sequences.asking import Checking
from sequences.bench import ContactRecorder, Digitiser, LeakageMeter
from sequences.capture import CYCLE_COUNTS, CYCLE_FIGURES, ResultKind
from sequences.fields import nearest
from sequences.model import COUNTS, PARTS, CycleDuty, Requirement, ShotDuty
from sequences.places import Path_
from sequences.quantity import dimension_of

AGAIN = ("each_shot", "intermediate_measurements")
_OF_MANY = ("mean", "largest", "change first to last")


def check_requirements(checking: Checking) -> None:
    """Each requirement by itself."""
    if not checking.sequence.requirements:
        what = "The sequence has no requirements: a run would spend a specimen and judge nothing."
        compared: list[Path_] = [("requirements",)]
        checking.say("requirements-missing", (), what, "write requirements:", "warning", compared=compared)
    for index, requirement in enumerate(checking.sequence.requirements):
        path: Path_ = ("requirements", index)
        _limit(checking, path, requirement)
        if requirement.clause is None:
            what = "The limit names no clause, so the report cannot say what it comes from."
            clause = [(*path, "clause")]
            checking.say("clause-missing", path, what, "write clause:", "warning", compared=clause)


def check_results(checking: Checking) -> None:
    """Each requirement against the result it limits."""
    produced, every = checking.results(*PARTS)
    of_duty = checking.sequence.duty_results()
    produced |= of_duty
    every = every and checking.known(("duty",))
    again, all_again = checking.results(*AGAIN)
    repeated = {*again, *of_duty, *_of_several_parts(checking)}
    for index, requirement in enumerate(checking.sequence.requirements):
        path: Path_ = ("requirements", index)
        kind = produced.get(requirement.result)
        if not checking.known((*path, "result")) or (kind is None and not every):
            continue
        if kind is None:
            none = "Neither the cycles nor a step produce" if of_duty else "No step produces"
            what = f'{none} the result "{requirement.result}".'
            checking.say(
                "result-not-produced", (*path, "result"), what, nearest(requirement.result, produced)
            )
            continue
        _judged(checking, path, requirement)
        if kind.states:
            _state(checking, path, requirement, kind)
        else:
            _number(checking, path, requirement, kind)
            _many(checking, path, requirement, requirement.result not in repeated and all_again)


def _of_several_parts(checking: Checking) -> set[str]:
    """Results that are measured in more than one part of the sequence."""
    parts: dict[str, set[str | int]] = {}
    for at in checking.steps():
        for name in at.results():
            parts.setdefault(name, set()).add(at.path[0])
    return {name for name, found in parts.items() if len(found) > 1}


def _limit(checking: Checking, path: Path_, requirement: Requirement) -> None:
    numeric = requirement.at_most is not None or requirement.at_least is not None
    if not numeric and requirement.must_be is None:
        what = "The requirement has no limit."
        advice = "write at_most:, at_least: or must_be:"
        limits = [(*path, key) for key in ("at_most", "at_least", "must_be")]
        checking.say("requirement-without-limit", path, what, advice, compared=limits)
    elif numeric and requirement.must_be is not None:
        what = "The requirement has a numerical limit and must_be at once."
        checking.say("requirement-mixed", (*path, "must_be"), what, "write two requirements", key=True)
    elif numeric and requirement.rule is None and not _is_count(requirement):
        what = "The numerical limit has no decision rule."
        advice = "write rule: guard_band or rule: simple_acceptance"
        checking.say("rule-missing", path, what, advice, compared=[(*path, "rule")])
    low, high = requirement.at_least, requirement.at_most
    if low is not None and high is not None and low.unit == high.unit and low > high:
        what = f"No value is at least {low.text} and at most {high.text}."
        advice = "exchange the two, or mend the wrong one"
        checking.say("limits-crossed", (*path, "at_least"), what, advice, compared=[(*path, "at_most")])


def _is_count(requirement: Requirement) -> bool:
    """Whether a count is limited: it has no uncertainty, so no rule is needed for it."""
    return requirement.judged == "count" or requirement.result in COUNTS


def _judged(checking: Checking, path: Path_, requirement: Requirement) -> None:
    """A way of judging that goes with the kind of duty and with where the result comes from."""
    judged, result = requirement.judged, requirement.result
    fault = _unfit(judged, result, isinstance(checking.sequence.duty, CycleDuty))
    if fault:
        what, advice = fault
        compared = [("duty",), (*path, "result")]
        checking.say("judged-impossible", (*path, "judged"), what, advice, compared=compared)


def _unfit(judged: str, result: str, cyclic: bool) -> tuple[str, str] | None:
    """What is wrong with a way of judging, and help; None if it fits."""
    if not cyclic:
        if judged in ("every cycle", "count"):
            return f'A duty of shots has no "{judged}".', "write judged: every shot"
        return None
    if judged == "every shot":
        return (
            'A duty of cycles has no "every shot".',
            "write judged: every cycle or judged: every measurement",
        )
    if result in CYCLE_COUNTS and judged != "count":
        return f'"{result}" is one number for the whole duty.', "write judged: count"
    if result not in CYCLE_COUNTS and judged == "count":
        return f'"{result}" is no count.', "write judged: every cycle or judged: every measurement"
    if result in CYCLE_FIGURES and judged == "every measurement":
        return f'"{result}" is taken of every cycle.', "write judged: every cycle"
    if result in CYCLE_FIGURES and judged == "mean":
        return (
            f'No mean over all cycles is kept of "{result}".',
            "write judged: every cycle or judged: largest",
        )
    if result not in CYCLE_FIGURES and judged == "every cycle":
        return f'"{result}" is not taken of every cycle.', "write judged: every measurement"
    return None


def _state(checking: Checking, path: Path_, requirement: Requirement, kind: ResultKind) -> None:
    for key in ("at_most", "at_least"):
        if getattr(requirement, key) is not None and requirement.must_be is None:
            what = f'"{requirement.result}" is a state and has no numbers.'
            advice = f"write must_be: {kind.states[0]}"
            checking.say("limit-unit", (*path, key), what, advice, compared=[(*path, "must_be")])
    if requirement.must_be is not None and requirement.must_be not in kind.states:
        what = f'"{requirement.must_be}" is no state of {requirement.result}.'
        checking.say("unknown-state", (*path, "must_be"), what, nearest(requirement.must_be, kind.states))
    if requirement.judged in _OF_MANY:
        what = f'A state has no "{requirement.judged}".'
        cyclic = isinstance(checking.sequence.duty, CycleDuty)
        advice = f"write judged: every {'measurement' if cyclic else 'shot'}"
        checking.say("judged-impossible", (*path, "judged"), what, advice)
    if requirement.rule == "guard_band":
        what = f'"{requirement.result}" is a state and has no uncertainty to make a guard band from.'
        checking.say("rule-without-uncertainty", (*path, "rule"), what, "remove the rule")


def _number(checking: Checking, path: Path_, requirement: Requirement, kind: ResultKind) -> None:
    if requirement.must_be is not None and requirement.at_most is None and requirement.at_least is None:
        what = f'"{requirement.result}" is a number and has no states.'
        limits = [(*path, "at_most"), (*path, "at_least")]
        advice = "write at_most: or at_least:"
        checking.say("unknown-state", (*path, "must_be"), what, advice, compared=limits)
    change = requirement.judged == "change first to last" or not checking.known((*path, "judged"))
    units = {kind.unit, "1"} if change else {kind.unit}
    for key in ("at_most", "at_least"):
        limit = getattr(requirement, key)
        if limit is not None and limit.unit not in units:
            words = dimension_of(kind.unit).words
            what = f'"{limit.text}" is {dimension_of(limit.unit).words}, and {requirement.result} is {words}.'
            checking.say("limit-unit", (*path, key), what, f"write {words}")
    if requirement.rule == "guard_band" and not (kind.uncertainty and _accuracy_known(checking, kind)):
        what = f'"{requirement.result}" has no uncertainty on this bench to make a guard band from.'
        checking.say(
            "rule-without-uncertainty",
            (*path, "rule"),
            what,
            "write rule: simple_acceptance, or state the accuracy in the bench file",
        )


def _accuracy_known(checking: Checking, kind: ResultKind) -> bool:
    """Whether the bench states an accuracy above zero for what measures such a result; true without a bench."""
    stated: list[float] = []
    for one in checking.bench.equipment.values() if checking.bench else ():
        if isinstance(one, Digitiser):
            stated += [
                c.accuracy.gain + c.accuracy.offset for c in one.channels.values() if c.quantity == kind.unit
            ]
        if isinstance(one, LeakageMeter) and kind.unit == "A":
            stated.append(one.accuracy.gain + one.accuracy.offset)
        if isinstance(one, ContactRecorder):
            stated += _of_recorder(one, kind.unit)
    return not stated or max(stated) > 0


def _of_recorder(one: ContactRecorder, unit: str) -> list[float]:
    """What a contact recorder states for a quantity; of times the width of a sample."""
    if unit in ("V", "A"):
        accuracy = (one.voltage if unit == "V" else one.current).accuracy
        return [accuracy.gain + accuracy.offset]
    if unit == "K":
        return [one.temperature.accuracy if one.temperature else 0.0]
    return [1 / one.sample_rate] if unit == "s" else []


def _many(checking: Checking, path: Path_, requirement: Requirement, once: bool) -> None:
    duty = checking.sequence.duty
    if isinstance(duty, ShotDuty) and checking.known(("duty", "shots")) and duty.shots < 2:
        once = True
    if requirement.judged == "change first to last" and once:
        what = f'"{requirement.result}" has one value only, so nothing changes from first to last.'
        checking.say(
            "judged-impossible",
            (*path, "judged"),
            what,
            "write judged: last, or limit a result that comes again",
        )
