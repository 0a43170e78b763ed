"""What changed between two sequences or two bench files, in words, and what of it is weaker than before.

For a reviewer and for automatic checks. Requirements are matched by clause and result, steps by kind and result, so
that an inserted step is one change. Nothing is dropped: what the table of `difference_rules` cannot judge is `other`.
"""

from __future__ import annotations

from collections.abc import Callable
from collections.abc import Sequence as Sequence_
from dataclasses import asdict, dataclass, field
from typing import Any

from sequences import difference_lists as lists
from sequences.difference_places import Pair, Side
from sequences.difference_rules import NOT_STRONGER_WHEN_ADDED, Rule, Verdict, rule_for
from sequences.difference_values import (
    Judged,
    judge,
    judge_judged,
    part_moved,
    which_way,
    worst,
)
from sequences.fields import Model
from sequences.loader import Loaded, LoadedBench
from sequences.model import Parameter, Requirement, Sequence, TrendLimit
from sequences.parameters import KEY
from sequences.places import Located
from sequences.step import Step
from sequences.tree import plain

_ORDER: tuple[Verdict, ...] = ("weaker", "other", "stronger")


@dataclass(frozen=True, slots=True)
class Change:
    """One change. `where` names the key in words, `what` says old and new, `why` what a weakening leads to.

    Places count from 1; line 0 means that nothing stands there in that file.
    """

    verdict: Verdict
    where: str
    what: str
    why: str
    line: int
    column: int
    old_line: int
    old_column: int

    def to_json(self) -> dict[str, Any]:
        """Plain data for `--json`, key for key the attributes."""
        return asdict(self)


def weaker(changes: Sequence_[Change]) -> bool:
    """Whether any change is weaker than before."""
    return any(change.verdict == "weaker" for change in changes)


def difference(old: Loaded | LoadedBench, new: Loaded | LoadedBench) -> list[Change]:
    """Every change from one file to another of its kind, the weaker ones first.

    Raises ValueError unless both were read without a refusing finding and are of one kind.
    """
    before, after = _model(old), _model(new)
    if type(before) is not type(after):
        raise ValueError("a sequence and a bench file cannot be compared")
    comparing = _Comparing(Side(old.located, _parameters(before)), Side(new.located, _parameters(after)))
    comparing.models(before, after, Pair((), (), ()))
    comparing.parameters()
    changes = comparing.changes
    if not changes and _contents(old.located) != _contents(new.located):
        changes = [Change("other", "the file", "the same, written another way", "", 0, 0, 0, 0)]
    return sorted(changes, key=lambda one: (_ORDER.index(one.verdict), one.line, one.column, one.old_line))


def _model(loaded: Loaded | LoadedBench) -> Model:
    model = loaded.sequence if isinstance(loaded, Loaded) else loaded.bench
    if model is None:
        raise ValueError(f"{loaded.located.source.file} was refused and cannot be compared")
    return model


def _parameters(model: Model) -> dict[str, Parameter]:
    return dict(model.set_at_start) if isinstance(model, Sequence) else {}


def _contents(located: Located) -> Any:
    return plain(located.root) if located.root else None


@dataclass(slots=True)
class _Comparing:
    """The walk over both files."""

    old: Side
    new: Side
    changes: list[Change] = field(default_factory=list)
    uses: dict[str, list[tuple[Rule, str]]] = field(
        default_factory=dict
    )  # what a parameter stands for in both

    def say(self, verdict: Verdict, pair: Pair, what: str, why: str) -> None:
        new, old = self.new.mark(pair.new), self.old.mark(pair.old)
        where = ", ".join(pair.where) or "the file"
        told = why if verdict == "weaker" else ""
        self.changes.append(Change(verdict, where, what, told, new.line, new.column, old.line, old.column))

    # ------------------------------------------------------------------- tables

    def models(self, old: Model, new: Model, pair: Pair) -> None:
        """Key by key; two of different types are one change."""
        if type(old) is not type(new):
            self.say("other", pair, f"{_sorts(old, new)}: look at all of it", "")
            return
        for key in type(new).model_fields:
            here = pair.at(key)
            if isinstance(old, Requirement) and isinstance(new, Requirement) and key == "judged":
                self.leaf(rule_for(new, key), old.judged, new.judged, here, judge_judged(old, new))
            elif not (key == KEY and isinstance(new, Sequence)):
                self.key(new, key, getattr(old, key), getattr(new, key), here)

    def key(self, owner: Model, key: str, old: Any, new: Any, pair: Pair) -> None:
        rule = rule_for(owner, key)
        if old is None or new is None:
            self.presence(rule, old, new, pair)
        elif isinstance(new, Model):
            self.models(old, new, pair)
        elif isinstance(new, dict):
            self.table(rule, rule_for(owner, f"{key}[]"), old, new, pair)
        elif isinstance(new, tuple):
            self.entries(rule, old, new, pair)
        else:
            self.leaf(rule, old, new, pair)

    def presence(self, rule: Rule, old: Any, new: Any, pair: Pair) -> None:
        """A key or an entry that is in one of the files alone, with its text if it is a single value."""
        if old is not None:
            self.gone(rule, pair, self.old.shown(pair.old))
        elif new is not None:
            self.come(rule.come, rule, pair, self.new.shown(pair.new))

    def gone(self, rule: Rule, pair: Pair, shown: str = "") -> None:
        self.say(rule.gone, Pair(pair.old, None, pair.where), f"removed{shown}", rule.why)

    def come(self, verdict: Verdict, rule: Rule, pair: Pair, shown: str = "") -> None:
        self.say(verdict, Pair(None, pair.new, pair.where), f"added{shown}", rule.why)

    def table(self, rule: Rule, inner: Rule, old: dict[str, Any], new: dict[str, Any], pair: Pair) -> None:
        for name in [*old, *(name for name in new if name not in old)]:
            here = pair.at(name)
            if name not in old or name not in new:
                self.presence(rule, old.get(name), new.get(name), here)
            elif isinstance(new[name], Model):
                self.models(old[name], new[name], here)
            else:
                self.leaf(inner, old[name], new[name], here)

    # ------------------------------------------------------------------- lists

    def entries(self, rule: Rule, old: tuple[Any, ...], new: tuple[Any, ...], pair: Pair) -> None:
        kinds = {type(one) for one in (*old, *new)}
        if any(issubclass(kind, Step) for kind in kinds):
            self.steps(rule, old, new, pair)
        elif kinds & _LISTED.keys():
            self.tables(rule, old, new, pair, *_LISTED[kinds.pop()])
        else:
            self.texts(rule, pair, len(old), len(new))

    def steps(self, rule: Rule, old: tuple[Step, ...], new: tuple[Step, ...], pair: Pair) -> None:
        found = lists.in_order(old, new, [_same_step, _same_use, _same_kind])
        for i in found.gone:
            self.gone(rule, pair.between(i, None, _step_words(i, old[i])))
        for j in found.come:
            verdict: Verdict = "other" if new[j].kind in NOT_STRONGER_WHEN_ADDED else "stronger"
            self.come(verdict, rule, pair.between(None, j, _step_words(j, new[j])))
        for i, j in found.moved():
            self.say("other", pair.between(i, j, _step_words(j, new[j])), f"moved: it was step {i + 1}", "")
        for i, j in found.pairs:
            self.models(old[i], new[j], pair.between(i, j, _step_words(j, new[j])))

    def tables(
        self,
        rule: Rule,
        old: tuple[Model, ...],
        new: tuple[Model, ...],
        pair: Pair,
        keys: list[lists.Key],
        words: Callable[[Any], str],
    ) -> None:
        """Lists of tables whose order means nothing, matched by what they say."""
        found = lists.by_keys(old, new, keys)
        for i in found.gone:
            self.gone(rule, pair.between(i, None, words(old[i])))
        for j in found.come:
            self.come(rule.come, rule, pair.between(None, j, words(new[j])))
        if found.moved():
            self.say("other", pair, "in another order", "")
        for i, j in found.pairs:
            self.models(old[i], new[j], pair.between(i, j, words(new[j])))

    def texts(self, rule: Rule, pair: Pair, old_count: int, new_count: int) -> None:
        """Lists of single values, compared as they are written."""
        old = self.old.texts(pair.old or (), old_count)
        new = self.new.texts(pair.new or (), new_count)
        match = {"points": lists.texts, "channels": lists.places}.get(rule.way, _same_texts)
        found = match(old, new)
        for i in found.gone:
            self.gone(rule, pair.between(i, None, ""), f": {old[i]}")
        for j in found.come:
            self.come(rule.come, rule, pair.between(None, j, ""), f": {new[j]}")
        if found.moved():
            self.say("other", pair, "in another order", "")
        for i, j in found.pairs:
            if old[i] != new[j]:
                word = "reworded" if rule.way == "points" else "changed"
                self.say("other", pair.between(i, j, ""), f'"{old[i]}" -> "{new[j]}", {word}', "")

    # ------------------------------------------------------------------- values

    def leaf(self, rule: Rule, old: Any, new: Any, pair: Pair, judged: Judged | None = None) -> None:
        before, after = self.old.value(old, pair.old or ()), self.new.value(new, pair.new or ())
        if before.text == after.text and before.parameter and after.parameter:
            self.uses.setdefault((after.text or "").strip(), []).append((rule, ", ".join(pair.where)))
        elif before.text != after.text:
            said = judged if judged and old != new else judge(rule, before, after)
            self.say(said.verdict, pair, f"{before.words()} -> {after.words()}, {said.word}", rule.why)

    def parameters(self) -> None:
        """The parameters, each judged by all that it stands for."""
        old, new = self.old.parameters, self.new.parameters
        for name in [*old, *(name for name in new if name not in old)]:
            pair = Pair((KEY, name), (KEY, name), (KEY, name))
            if name in old and name in new:
                self._parameter(name, old[name], new[name], pair)
            else:
                rule = Rule("other", gone="other", come="other")
                self.presence(rule, old.get(name), new.get(name), pair)

    def _parameter(self, name: str, old: Parameter, new: Parameter, pair: Pair) -> None:
        uses = self.uses.get(name, [])
        for part, key in enumerate(Parameter.model_fields):
            here = pair.at(key)
            before, after = (
                self.old.value(getattr(old, key), here.old or ()),
                self.new.value(getattr(new, key), here.new or ()),
            )
            if before.text == after.text:
                continue
            moved = [(part_moved(rule, part, before.value, after.value), rule, where) for rule, where in uses]
            verdict = worst([one for one, _, _ in moved])
            word = which_way(after.text or "", before.value, after.value)
            why = "; ".join(f"{where}: {rule.why}" for one, rule, where in moved if one == "weaker")
            self.say(verdict, here, f"{before.words()} -> {after.words()}, {word}", why)


def _same_texts(old: Sequence_[str], new: Sequence_[str]) -> lists.Matching:
    return lists.by_keys(old, new, [lambda text: text])


def _same_step(step: Step) -> tuple[str, str]:
    return step.kind, repr(step)


def _same_use(step: Step) -> tuple[str, str, tuple[str, ...]]:
    used = tuple(need.name for need in step.needs_equipment())
    return step.kind, str(getattr(step, "result", "")), used


def _same_kind(step: Step) -> str:
    return step.kind


def _step_words(index: int, step: Step) -> str:
    return f"step {index + 1} ({step.kind})"


def _limited(one: Requirement) -> tuple[bool, bool, bool]:
    return one.at_most is not None, one.at_least is not None, one.must_be is not None


_REQUIREMENT_KEYS: list[lists.Key] = [
    lambda one: (one.clause, one.result, one.judged, _limited(one)),
    lambda one: (one.clause, one.result),
    lambda one: (one.result, one.judged, _limited(one)),
    lambda one: one.result,
]


def _requirement_words(one: Requirement) -> str:
    return f"{one.clause or 'without a clause'}, {one.result}"


_TREND_KEYS: list[lists.Key] = [
    lambda one: (one.result, one.warn_above is None, one.grows_by is None),
    lambda one: one.result,
]


def _trend_words(one: TrendLimit) -> str:
    return one.result


_LISTED: dict[type, tuple[list[lists.Key], Callable[[Any], str]]] = {
    Requirement: (_REQUIREMENT_KEYS, _requirement_words),
    TrendLimit: (_TREND_KEYS, _trend_words),
}


def _sorts(old: Model, new: Model) -> str:
    """Which of several models that may stand at a place the two are, in words."""
    if old.told_by or new.told_by:
        return f"{old.told_by} -> {new.told_by}"
    return f"type {getattr(old, 'type', '?')} -> {getattr(new, 'type', '?')}"
