"""The interlock monitor's decision, its rules and its proof of off: values and pure functions.

Rules
- An input is closed only while every channel says so; one open channel opens it at once. Channels that disagree for
  `agree_s` make it failed, until all have been seen open and then closed again.
- An input that was not read for `fresh_s` counts as open.
- Prove before use: an input that has not been opened and closed again within `prove_within_s` refuses arming.
- An input named "emergency_stop" is always needed, whatever a sequence asks for.
- Off is proven by facts of one fresh reading only, never by a command.
- A deadline is over from its instant on (`>=`).
"""

from __future__ import annotations

from collections.abc import Iterable, Mapping, Sequence
from dataclasses import dataclass, field
from functools import cached_property
from typing import Any, NamedTuple

from orchestrator.core.reasons import Cause, Reason

EMERGENCY_STOP = "emergency_stop"


@dataclass(frozen=True)
class InputRule:
    """One safety input: its discrete inputs, true = closed, and how old its last proof of life may be."""

    name: str
    channels: tuple[int, ...]
    prove_within_s: float


@dataclass(frozen=True)
class Scaled:
    """An input register and what one count of it is worth (V, degC, %)."""

    register: int
    scale: float


@dataclass(frozen=True)
class OutputRule:
    """One way in which energy reaches the specimen."""

    name: str
    coil: int
    off_feedback: str
    lifts: tuple[str, ...]
    stop_category: int
    deadline_s: float
    warning_s: float


@dataclass(frozen=True)
class LiftedRule:
    """A precaution (discharge, earth): its coil on lifts it, its feedback true = it is in force."""

    name: str
    coil: int
    closed_feedback: str


@dataclass(frozen=True)
class Rules:
    """What the monitor enforces on one bench: the part of the bench file that it needs, in plain SI units."""

    poll_s: float
    fresh_s: float
    agree_s: float
    watchdog_register: int
    watchdog_time_s: float
    touch_safe_v: float
    discharge_s: float
    inputs: Mapping[str, InputRule]
    feedback: Mapping[str, int]
    voltages: Mapping[str, Scaled]
    ambient: Mapping[str, Scaled]
    signals: Mapping[str, int]
    outputs: Mapping[str, OutputRule]
    lifted: Mapping[str, LiftedRule]
    unit: int = 1
    renew_s: float = 0.5
    group: str | None = None

    @classmethod
    def from_dict(cls, d: Mapping[str, Any]) -> Rules:
        """From a bench's monitor rules. KeyError for what is missing, ValueError for what does not exist."""
        rules = cls(
            poll_s=float(d["poll_s"]),
            fresh_s=float(d["fresh_s"]),
            agree_s=float(d["agree_s"]),
            watchdog_register=int(d["watchdog"]["register"]),
            watchdog_time_s=float(d["watchdog"]["time_s"]),
            touch_safe_v=float(d["touch_safe_v"]),
            discharge_s=float(d["discharge_s"]),
            inputs={i["name"]: _input_rule(i) for i in d["inputs"]},
            feedback={name: int(address) for name, address in d["feedback"].items()},
            voltages=_scaled(d["voltages"]),
            ambient=_scaled(d.get("ambient") or {}),
            signals={name: int(coil) for name, coil in d["signals"].items()},
            outputs={o["name"]: _output_rule(o) for o in d["outputs"]},
            lifted={name: _lifted_rule(name, rule) for name, rule in d["lifted"].items()},
            unit=int(d.get("unit", 1)),
            renew_s=float(d.get("renew_s", 0.5)),
            group=d.get("group"),
        )
        rules.check()
        return rules

    @cached_property
    def off_feedbacks(self) -> tuple[str, ...]:
        """What must all be true for off, each once."""
        return tuple(dict.fromkeys(o.off_feedback for o in self.outputs.values()))

    @cached_property
    def input_count(self) -> int:
        """Discrete inputs to read, from address 0."""
        channels = [c for rule in self.inputs.values() for c in rule.channels]
        return max([*channels, *self.feedback.values()]) + 1

    @cached_property
    def register_count(self) -> int:
        """Input registers to read, from address 0."""
        return max(s.register for s in [*self.voltages.values(), *self.ambient.values()]) + 1

    @cached_property
    def coil_count(self) -> int:
        """Coils to write, from address 0; coils in between that the bench file does not name are held off."""
        energy = [o.coil for o in self.outputs.values()] + [one.coil for one in self.lifted.values()]
        return max([*energy, *self.signals.values()]) + 1

    def check(self) -> None:
        """ValueError where a name points nowhere, or where a proof of off would prove nothing."""
        wanted = [o.off_feedback for o in self.outputs.values()]
        wanted += [one.closed_feedback for one in self.lifted.values()]
        for name in wanted:
            if name not in self.feedback:
                raise ValueError(f"feedback '{name}' is not declared; there are: {', '.join(self.feedback)}")
        for output in self.outputs.values():
            for name in output.lifts:
                if name not in self.lifted:
                    raise ValueError(f"output '{output.name}' lifts '{name}', which is not declared")
            if output.stop_category not in (0, 1):
                raise ValueError(
                    f"output '{output.name}': stop category {output.stop_category} is not 0 or 1"
                )
        if not self.voltages or not self.outputs:
            raise ValueError("without a voltage to look at and an output to switch, off cannot be proven")
        coils = [o.coil for o in self.outputs.values()] + [one.coil for one in self.lifted.values()]
        coils += list(self.signals.values())
        if len(set(coils)) != len(coils):
            raise ValueError("one coil stands for two things")

    def needed(self, interlock: Iterable[str]) -> tuple[str, ...]:
        """The inputs that must be closed: those asked for, and the emergency stop where the bench has one."""
        always = [EMERGENCY_STOP] if EMERGENCY_STOP in self.inputs else []
        return tuple(dict.fromkeys([*always, *interlock]))


def _input_rule(d: Mapping[str, Any]) -> InputRule:
    return InputRule(d["name"], tuple(int(c) for c in d["channels"]), float(d["prove_within_s"]))


def _output_rule(d: Mapping[str, Any]) -> OutputRule:
    return OutputRule(
        d["name"],
        int(d["coil"]),
        d["off_feedback"],
        tuple(d["lifts"]),
        int(d["stop_category"]),
        float(d["deadline_s"]),
        float(d["warning_s"]),
    )


def _lifted_rule(name: str, d: Mapping[str, Any]) -> LiftedRule:
    return LiftedRule(name, int(d["coil"]), d["closed_feedback"])


def _scaled(d: Mapping[str, Mapping[str, Any]]) -> dict[str, Scaled]:
    return {name: Scaled(int(one["register"]), float(one["scale"])) for name, one in d.items()}


class Reading(NamedTuple):
    """One look at the safety I/O: discrete inputs and input registers from address 0, asked for at `at_s`.

    `link` counts the connections: another number means that the link was lost in between.
    """

    at_s: float
    inputs: tuple[bool, ...]
    registers: tuple[int, ...]
    link: int = 0

    def feedback(self, rules: Rules, name: str) -> bool:
        return self.inputs[rules.feedback[name]]


class InputView(NamedTuple):
    """What is known of one input."""

    rule: InputRule
    channels: tuple[bool, ...]
    at_s: float
    disagreeing_since_s: float | None = None
    failed: bool = False
    seen_open: bool = False
    toggled_at_s: float | None = None

    def state_at(self, now_s: float) -> tuple[object, ...]:
        """All that its future depends on, if that is short against the time within which an input is to be proven."""
        age_s = None if self.toggled_at_s is None else now_s - self.toggled_at_s
        halves = None if age_s is None else age_s // (self.rule.prove_within_s / 2)
        return (*self[:-1], halves)

    @property
    def closed(self) -> bool:
        """The agreed value: every channel closed, and not failed."""
        return all(self.channels) and not self.failed

    def proven(self, now_s: float) -> bool:
        """Whether it has been opened and closed again recently enough to be trusted."""
        return self.toggled_at_s is not None and now_s - self.toggled_at_s < self.rule.prove_within_s


def observe(
    rule: InputRule, before: InputView | None, channels: tuple[bool, ...], at_s: float, agree_s: float
) -> InputView:
    """The view after one more reading. `before` is None, or carries the last toggle, at the start."""
    known = before if before is not None else InputView(rule, channels, at_s)
    all_closed, all_open = all(channels), not any(channels)
    agree = all_closed or all_open
    since_s = None if agree else (at_s if known.disagreeing_since_s is None else known.disagreeing_since_s)
    fails = since_s is not None and at_s - since_s >= agree_s
    seen_open = not fails and (known.seen_open or all_open)
    toggled = seen_open and all_closed
    return InputView(
        rule,
        channels,
        at_s,
        disagreeing_since_s=since_s,
        failed=(known.failed or fails) and not toggled,
        seen_open=seen_open and not toggled,
        toggled_at_s=at_s if toggled else known.toggled_at_s,
    )


@dataclass(frozen=True)
class Keep:
    """The output may stay on."""


@dataclass(frozen=True)
class CutNow:
    """Stop category 0."""

    cause: Cause


@dataclass(frozen=True)
class CutBy:
    """Stop category 1: an actuator may finish its stroke until the monotonic instant `deadline_s`."""

    deadline_s: float
    cause: Cause


Decision = Keep | CutNow | CutBy


def by_category(rule: OutputRule, cause: Cause, now_s: float) -> Decision:
    """How `cause` takes this output off: a lost monitor at once, everything else as the bench file says."""
    if rule.stop_category == 0 or cause.reason is Reason.MONITOR_LOST:
        return CutNow(cause)
    return CutBy(now_s + rule.deadline_s, cause)


def decide(
    rules: Rules,
    inputs: Mapping[str, InputView],
    on: Mapping[str, Sequence[str]],
    renewal_age_s: float,
    now_s: float,
) -> dict[str, Decision]:
    """For each output that is on, or about to be, with the inputs it needs: keep it, or cut it and why."""
    return {name: _decide(rules, inputs, name, needs, renewal_age_s, now_s) for name, needs in on.items()}


def _decide(
    rules: Rules,
    inputs: Mapping[str, InputView],
    output: str,
    needs: Sequence[str],
    renewal_age_s: float,
    now_s: float,
) -> Decision:
    views = [inputs.get(name) for name in needs]
    oldest_s = min((view.at_s if view else float("-inf") for view in views), default=now_s)
    rule = rules.outputs[output]
    if now_s - oldest_s >= rules.fresh_s:
        return by_category(rule, silent(rules, now_s - oldest_s, now_s), now_s)
    opened = [view for view in views if view is not None and not view.closed]
    if opened:
        opened.sort(key=lambda view: view.rule.name != EMERGENCY_STOP)
        return by_category(rule, _opened(opened[0], output, now_s), now_s)
    if renewal_age_s >= rules.renew_s:
        what = f"the engine stopped renewing {output} for {renewal_age_s:.2f} s while it was on"
        return by_category(rule, Cause(Reason.INTERNAL_ERROR, what, now_s), now_s)
    return Keep()


def silent(rules: Rules, age_s: float, now_s: float) -> Cause:
    """The cause of a safety I/O that does not answer."""
    age = f"{age_s:.2f} s" if age_s < 1e6 else "any time"
    what = f"the safety I/O was not read for {age} (allowed {rules.fresh_s:g} s)"
    return Cause(Reason.MONITOR_LOST, what, now_s)


def _opened(view: InputView, output: str, now_s: float) -> Cause:
    reason = Reason.EMERGENCY_STOP if view.rule.name == EMERGENCY_STOP else Reason.INTERLOCK_OPEN
    return Cause(reason, f"{state_of(view)} while {output} was on or about to be", now_s)


def state_of(view: InputView) -> str:
    """In words, how an input that is not closed stands."""
    if view.failed and all(view.channels):
        return f"{view.rule.name} is failed (its channels disagreed; open and close it fully)"
    if any(view.channels):
        return f"{view.rule.name} opened on one of its {len(view.channels)} channels"
    return f"{view.rule.name} opened"


def refusal(rules: Rules, inputs: Mapping[str, InputView], needs: Sequence[str], now_s: float) -> str | None:
    """Why the bench may not be armed or switched on with these inputs, in one sentence; None if it may."""
    unknown = [name for name in needs if name not in rules.inputs]
    if unknown:
        there = ", ".join(rules.inputs)
        return f"the bench has no interlock '{unknown[0]}'; it has {there}"
    if not needs:
        return "no interlock was named: nothing is switched on without one"
    for name in needs:
        why = _unusable(rules, inputs.get(name), name, now_s)
        if why is not None:
            return why
    return None


def _unusable(rules: Rules, view: InputView | None, name: str, now_s: float) -> str | None:
    if view is None or now_s - view.at_s >= rules.fresh_s:
        return f"{name} was not read within {rules.fresh_s:g} s: check the safety I/O and its cable"
    if view.failed:
        return f"{name} is failed: its channels disagreed for {rules.agree_s:g} s; open and close it fully"
    if not view.closed:
        return f"{name} is open: close it"
    if not view.proven(now_s):
        within = f"{rules.inputs[name].prove_within_s / 3600:g} h"
        return f"{name} has not been opened and closed within {within}: open it and close it once to prove it"
    return None


@dataclass(frozen=True)
class Proof:
    """Whether off is proven, by which facts (feedbacks as booleans, voltages in volts), and what speaks against it."""

    safe: bool
    at_s: float
    facts: Mapping[str, Any] = field(default_factory=dict)
    against: tuple[str, ...] = ()

    @property
    def sentence(self) -> str:
        return "off is proven" if self.safe else "off is not proven: " + "; ".join(self.against)

    def to_json(self) -> dict[str, Any]:
        return {
            "safe": self.safe,
            "at_s": self.at_s,
            "facts": dict(self.facts),
            "against": list(self.against),
        }

    @classmethod
    def from_json(cls, d: Mapping[str, Any]) -> Proof:
        return cls(bool(d["safe"]), float(d["at_s"]), d["facts"], tuple(d["against"]))


def prove(rules: Rules, reading: Reading | None, now_s: float) -> Proof:
    """Proof of off from one reading: every contactor open, every precaution in force, every voltage touch-safe."""
    if reading is None:
        return Proof(False, now_s, {}, ("the safety I/O has not been read",))
    facts: dict[str, Any] = {"age_s": round(now_s - reading.at_s, 4)}
    against = []
    if now_s - reading.at_s >= rules.fresh_s:
        against.append(f"the last reading is {now_s - reading.at_s:.2f} s old")
    for name in rules.off_feedbacks:
        facts[name] = reading.feedback(rules, name)
        if not facts[name]:
            against.append(f"{name.replace('_', ' ')} is not confirmed")
    for one in rules.lifted.values():
        facts[one.closed_feedback] = reading.feedback(rules, one.closed_feedback)
        if not facts[one.closed_feedback]:
            against.append(f"{one.name} is not closed")
    for name, volts in voltages(rules, reading).items():
        facts[f"{name}_v"] = volts
        if not volts < rules.touch_safe_v:
            against.append(f"{name} at {volts:g} V, touch-safe is under {rules.touch_safe_v:g} V")
    return Proof(not against, reading.at_s, facts, tuple(against))


def voltages(rules: Rules, reading: Reading) -> dict[str, float]:
    """The independent voltages of a reading, in volts."""
    return {
        name: round(reading.registers[one.register] * one.scale, 9) for name, one in rules.voltages.items()
    }


def ambient(rules: Rules, reading: Reading) -> dict[str, float]:
    """The ambient values of a reading, in the units of the bench file; registers are two's complement."""
    return {name: _signed(reading.registers[one.register]) * one.scale for name, one in rules.ambient.items()}


def _signed(count: int) -> int:
    return count - 0x10000 if count >= 0x8000 else count
