"""How one value changed: which way, in a word, and whether that is weaker."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from typing import Any, NamedTuple

from sequences import quantity
from sequences.difference_rules import Rule, Verdict
from sequences.model import Parameter, Requirement
from sequences.quantity import QuantityError, Toleranced

SAME = "the same, written another way"
_NEARLY = 1e-9  # relative widths this near are one width: binary fractions are not per cents


class Judged(NamedTuple):
    """A verdict and the change in a word or a few."""

    verdict: Verdict
    word: str


@dataclass(frozen=True, slots=True)
class Value:
    """A value, its text in the file (None: not written), and the parameter that stands for it."""

    value: Any
    text: str | None
    parameter: Parameter | None = None

    def words(self) -> str:
        if self.text is None:
            return f"not written, which means {in_words(self.value)}"
        if self.parameter is None:
            return self.text
        one = self.parameter
        return f"{self.text} (usual {one.usual.text}, from {one.lowest.text} to {one.highest.text})"

    def usual(self) -> str:
        """The text that says what it is a quantity of."""
        return self.parameter.usual.text if self.parameter else self.text or ""

    def reach(self) -> tuple[float, float, float]:
        """What it usually is, and the lowest and highest that may be given at the start."""
        one = self.parameter
        return (one.usual, one.lowest, one.highest) if one else (self.value,) * 3


def in_words(value: Any) -> str:
    """A value that stands in no file, as it would be written."""
    return str(value).lower() if isinstance(value, bool) else str(value)


def is_number(value: Any) -> bool:
    """Whether a parameter may stand for it."""
    return isinstance(value, (int, float)) and not isinstance(value, bool)


def judge(rule: Rule, old: Value, new: Value) -> Judged:
    """The verdict on a changed value of one key."""
    if isinstance(old.value, Toleranced) and isinstance(new.value, Toleranced):
        return _window(rule, old.value, new.value)
    if is_number(old.value) and is_number(new.value) and rule.way != "order":
        return _number(rule, old, new)
    if old.value == new.value:
        return Judged("other", SAME)
    if rule.way == "order":
        return _rank(rule.order, in_words(old.value), in_words(new.value))
    return Judged("other", "changed")


def _rank(order: Sequence[str], old: str, new: str) -> Judged:
    if old not in order or new not in order:
        return Judged("other", "changed")
    return (
        Judged("weaker", "softened")
        if order.index(new) < order.index(old)
        else Judged("stronger", "stricter")
    )


# --------------------------------------------------------------------------- numbers


def _number(rule: Rule, old: Value, new: Value) -> Judged:
    if getattr(old.value, "unit", None) != getattr(new.value, "unit", None):
        return Judged("other" if rule.way == "other" else "weaker", "another kind of quantity")
    before, after = old.reach(), new.reach()
    if before == after:
        return Judged("other", SAME if old.parameter == new.parameter else "the same values")
    parts = [part_moved(rule, part, *pair) for part, pair in enumerate(zip(before, after, strict=True))]
    verdict = worst(parts)
    if before[0] == after[0]:
        return Judged(verdict, "other bounds at the start")
    return Judged(verdict, which_way(old.usual() or new.usual(), before[0], after[0]))


def part_moved(rule: Rule, part: int, old: float, new: float) -> Verdict | None:
    """The verdict on a usual (part 0), lowest (1) or highest (2) value; None if it is the same.

    A bound counts on the side where the key is weaker: a longer highest interval weakens nothing.
    """
    if old == new:
        return None
    if rule.way not in ("less", "more") or part == (2 if rule.way == "less" else 1):
        return "other"
    return "weaker" if (new < old) == (rule.way == "less") else "stronger"


def worst(verdicts: Sequence[Verdict | None]) -> Verdict:
    """Weaker if any is, else stronger if any is."""
    return "weaker" if "weaker" in verdicts else "stronger" if "stronger" in verdicts else "other"


def which_way(text: str, old: float, new: float) -> str:
    """`shorter`, `more`, `lower`: the word that fits what the text is a quantity of."""
    if old == new:
        return SAME
    try:
        down, up = ("shorter", "longer") if quantity.parse(text).unit == "s" else ("lower", "higher")
    except QuantityError:
        down, up = (
            ("fewer", "more") if float(old).is_integer() and float(new).is_integer() else ("lower", "higher")
        )
    return down if new < old else up


# --------------------------------------------------------------------------- tolerances


def _relative_width(band: Toleranced) -> float:
    width = band.high - band.low
    return width / abs(band.nominal) if band.nominal else width


def _window(rule: Rule, old: Toleranced, new: Toleranced) -> Judged:
    if old.unit != new.unit:
        return Judged("weaker", "another kind of quantity")
    if (old.low, old.nominal, old.high) == (new.low, new.nominal, new.high):
        return Judged("other", SAME)
    before, after = _relative_width(old), _relative_width(new)
    wider, narrower = after > before * (1 + _NEARLY), after < before * (1 - _NEARLY)
    if rule.way == "level":
        return _level(new.nominal - old.nominal, wider, narrower)
    if rule.way != "window":
        return Judged("other", "changed")
    if new.low <= old.low and old.high <= new.high:
        return Judged("weaker", "wider")
    if old.low <= new.low and new.high <= old.high:
        return Judged("stronger", "narrower")
    return Judged("weaker", "elsewhere and wider") if wider else Judged("other", "elsewhere")


def _level(rise: float, wider: bool, narrower: bool) -> Judged:
    if rise < 0:
        return Judged("weaker", "lower")
    if wider:
        return Judged("weaker", "wider window" if not rise else "higher, with a wider window")
    if rise > 0:
        return Judged("stronger", "higher")
    return Judged("stronger", "narrower window") if narrower else Judged("other", "changed by very little")


# --------------------------------------------------------------------------- which of the values a limit means


_EVERY = {"every shot", "every cycle", "every measurement"}


def judge_judged(old: Requirement, new: Requirement) -> Judged:
    """The verdict on another `judged`. A change first to last and the values themselves are two things."""
    pair = {old.judged, new.judged}
    if pair & {"change first to last", "count"}:
        return Judged("weaker", "something else is looked at")
    every = pair & _EVERY
    if len(every) == 1:
        as_strict = "largest" in pair and old.at_least is None and new.at_least is None
        return _unless(as_strict, weaker=old.judged in _EVERY)
    if "largest" in pair:
        return _unless(False, weaker=old.judged == "largest")
    return Judged("other", "changed")


def _unless(as_strict: bool, weaker: bool) -> Judged:
    if as_strict:
        return Judged("other", "as strict for an upper limit")
    return Judged("weaker", "fewer values") if weaker else Judged("stronger", "more values")
