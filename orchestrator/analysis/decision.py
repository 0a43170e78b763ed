"""Decision rules: how a measured value and its uncertainty are held against a tolerance limit.

Three rules, all one picture with a different guard band w between the tolerance limit TL and the acceptance
limit AL (ILAC-G8:09/2019 clause 4.2, JCGM 106):

* `simple_acceptance`: w = 0, so AL = TL. The risk of a wrong statement is below 50 %.
* `guard_band`: w = U, the expanded uncertainty. The risk of a wrong P is below 2.5 %.
* `conformity_probability`: w = z(p) u, so that a P conforms with at least the stated probability p,
  measured values taken as normally distributed.

With a guard band the statement has the four zones of ILAC-G8 4.2.3 (for `at_most`; `at_least` mirrors it):

    value <= AL           P               pass
    AL < value <= TL      P, conditional  conditional pass: within the limit, but not by the guard band
    TL < value <= TL + w  F, conditional  conditional fail: beyond the limit, but not by the guard band
    value > TL + w        F               fail

Why four zones and not pass/fail at AL: an F needs evidence from the specimen and is never taken back. A
value within the tolerance limit is no such evidence, and one within the guard band beyond it is weak. The
binary reading of the guard band rule (pass only up to AL) is kept as `Decision.accepted`.

Policy at the limits: a value exactly at a limit belongs to the better zone. Values are compared with a
slack of one part in 10^9 of the numbers involved, far below what anything on a bench resolves, so that
0.1 + 0.2 meets a limit of 0.3: the rounding of binary fractions must never decide about a specimen.
"""

import math
from dataclasses import dataclass
from typing import Literal, get_args

from orchestrator.analysis.wording import spoken

Direction = Literal["at_most", "at_least"]
Rule = Literal["simple_acceptance", "guard_band", "conformity_probability"]
Verdict = Literal["P", "F", "N/J"]

USUAL_PROBABILITY = 0.95
_SLACK = 1e-9


@dataclass(frozen=True)
class Decision:
    """What one value means against one limit.

    `conditional` marks the two zones inside the guard band. `acceptance_limit` and `guard_band` are None
    where the rule could not be applied (N/J); `probability_of_conformity` is None without an uncertainty.
    """

    verdict: Verdict
    conditional: bool
    acceptance_limit: float | None
    guard_band: float | None
    probability_of_conformity: float | None
    sentence: str

    @property
    def accepted(self) -> bool:
        """The binary reading: accepted only up to the acceptance limit (ILAC-G8 4.2.2)."""
        return self.verdict == "P" and not self.conditional


def decide(
    value: float,
    expanded_uncertainty: float | None,
    coverage_factor: float | None,
    limit: float,
    direction: Direction,
    rule: Rule,
    *,
    probability: float = USUAL_PROBABILITY,
    unit: str = "",
) -> Decision:
    """Apply `rule` to a value against a tolerance limit; everything in the same `unit`.

    `coverage_factor` None stands for k = 2. `probability` is what `conformity_probability` demands, 0.5 to
    below 1. The numbers are compared as they are: a figure that keeps the sign of the impulse is given by
    its magnitude. A value or a needed uncertainty that is missing or no number makes N/J with the reason.
    Raises ValueError for an unknown rule or direction, a limit that is no number, a negative uncertainty.
    """
    _require_known(direction, rule, limit, expanded_uncertainty, coverage_factor, probability)
    known = expanded_uncertainty is not None and math.isfinite(expanded_uncertainty)
    expanded = expanded_uncertainty if known else None
    standard = None if expanded is None else expanded / (coverage_factor or 2.0)
    if not math.isfinite(value):
        return _not_judged("there is no value to hold against the limit")
    band = _guard_band(rule, expanded, standard, probability)
    if band is None:
        return _not_judged(f"rule {rule} needs the measurement uncertainty, and it is not known")
    return _judge(_Case(value, limit, direction, rule, band, standard, probability, unit))


@dataclass(frozen=True)
class _Case:
    """A value with everything needed to judge it; `margin` is positive on the conforming side."""

    value: float
    limit: float
    direction: Direction
    rule: Rule
    band: float
    standard: float | None
    probability: float
    unit: str

    @property
    def margin(self) -> float:
        away = self.limit - self.value
        return away if self.direction == "at_most" else -away

    @property
    def acceptance_limit(self) -> float:
        return self.limit - self.band if self.direction == "at_most" else self.limit + self.band

    @property
    def slack(self) -> float:
        return _SLACK * max(abs(self.value), abs(self.limit), self.band)


def _judge(case: _Case) -> Decision:
    fails = case.margin < -case.slack
    within_band = _weak_fail(case) if fails else _weak_pass(case)
    verdict: Verdict = "F" if fails else "P"
    conforms = None if case.standard is None else _probability(case.margin, case.standard, case.slack)
    words = _sentence(case, verdict, within_band)
    return Decision(verdict, within_band, case.acceptance_limit, case.band, conforms, words)


def _weak_pass(case: _Case) -> bool:
    """Within the tolerance limit by less than the guard band; exactly at the acceptance limit is a pass."""
    return case.margin < case.band - case.slack


def _weak_fail(case: _Case) -> bool:
    """Beyond the tolerance limit by no more than the guard band; exactly at its end still counts."""
    return case.band > 0.0 and -case.margin <= case.band + case.slack


def _guard_band(
    rule: Rule, expanded: float | None, standard: float | None, probability: float
) -> float | None:
    """Length w of the guard band, or None where the rule needs an uncertainty that is not there."""
    if rule == "simple_acceptance":
        return 0.0
    if rule == "guard_band":
        return expanded
    return None if standard is None else _normal_quantile(probability) * standard


def probability_of_conformity(
    value: float, standard_uncertainty: float, limit: float, direction: Direction
) -> float:
    """Probability that the quantity meets the limit: Phi((TL - y)/u) for `at_most` (JCGM 106 clause 7)."""
    away = limit - value if direction == "at_most" else value - limit
    return _probability(away, standard_uncertainty, _SLACK * max(abs(value), abs(limit)))


def _probability(margin: float, standard: float, slack: float) -> float:
    if standard == 0.0:
        return 1.0 if margin >= -slack else 0.0
    return 0.5 * math.erfc(-margin / standard / math.sqrt(2.0))


def _normal_quantile(probability: float) -> float:
    from statistics import NormalDist  # late: only this rule needs it

    return NormalDist().inv_cdf(probability)


def _not_judged(reason: str) -> Decision:
    return Decision("N/J", False, None, None, None, f"Not judged: {reason}.")


def _require_known(
    direction: str, rule: str, limit: float, expanded: float | None, k: float | None, probability: float
) -> None:
    if direction not in get_args(Direction):
        raise ValueError(f"direction {direction!r} is not one of {', '.join(get_args(Direction))}")
    if rule not in get_args(Rule):
        raise ValueError(f"decision rule {rule!r} is not one of {', '.join(get_args(Rule))}")
    if not math.isfinite(limit):
        raise ValueError(f"tolerance limit {limit} is not a number")
    if expanded is not None and expanded < 0:
        raise ValueError(f"expanded uncertainty {expanded} is negative")
    if k is not None and not k > 0:
        raise ValueError(f"coverage factor {k} is not above zero")
    if not 0.5 <= probability < 1.0:
        raise ValueError(f"probability of conformity {probability} is not between 0.5 and 1")


_ZONE = {
    ("P", False): "pass",
    ("P", True): "conditional pass: within the limit, but by less than the guard band",
    ("F", True): "conditional fail: beyond the limit, but by no more than the guard band",
    ("F", False): "fail",
}


def _sentence(case: _Case, verdict: Verdict, conditional: bool) -> str:
    words = case.direction.replace("_", " ")
    band = _band_in_words(case)
    zone, limit = _ZONE[verdict, conditional], _number(case, case.limit)
    return f"{verdict} ({zone}): {_value(case)} against {words} {limit}, {band}."


def _band_in_words(case: _Case) -> str:
    if case.rule == "simple_acceptance":
        return "simple acceptance, no guard band"
    length, limit = _number(case, case.band), _number(case, case.acceptance_limit)
    if case.rule == "guard_band":
        return f"guard band {length} = U, acceptance limit {limit}"
    share = f"{100 * case.probability:.4g} %"
    return f"guard band {length} for {share} probability of conformity, acceptance limit {limit}"


def _value(case: _Case) -> str:
    """Five digits; nine where a value just beyond a limit would otherwise read as equal to it."""
    shown = _number(case, case.value)
    beside = [edge for edge in (case.limit, case.acceptance_limit) if _number(case, edge) == shown]
    if all(edge == case.value for edge in beside):
        return shown
    return f"{case.value:.9g} {case.unit}".rstrip()


def _number(case: _Case, value: float) -> str:
    return spoken(value, case.unit).rstrip()
