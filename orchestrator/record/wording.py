"""How the record says numbers, names and rules to people: the sheet, the report and the commands alike."""

import math
from collections.abc import Mapping
from datetime import UTC, datetime
from typing import Any

_PREFIXES = (
    (1e9, "G"),
    (1e6, "M"),
    (1e3, "k"),
    (1.0, ""),
    (1e-3, "m"),
    (1e-6, "µ"),
    (1e-9, "n"),
    (1e-12, "p"),
)
_PREFIXED = frozenset({"V", "A", "s", "J", "C", "ohm", "Hz", "F", "W", "H"})

CAUTIONS = (
    "Stored energy, arc, shock and fire: a charged bank kills. Before anyone touches the specimen the bench must "
    "be off, discharged and earthed, and that must be proven at the bench, not read from this record.",
    "The hardware interlock chain is the safety function. This software is not.",
    "Local codes and the practice of licensed persons come first.",
)
CAUTION_MOVES = (
    "What moves by itself crushes: an axis stays dangerous while it is under power, and what it holds up may fall "
    "when the power is cut. Keep out of its way until it is at rest and locked off."
)
ONLY_THE_ITEMS_TESTED = "The results relate only to the items tested."

RULES: Mapping[str, str] = {
    "simple_acceptance": (
        "Simple acceptance (ILAC-G8:09/2019): the acceptance limit is the tolerance limit, guard band w = 0. "
        "Pass: the value is within the limit. Fail: it is beyond. Close to the limit up to 50 % of such "
        "statements can be wrong."
    ),
    "guard_band": (
        "Guard band w = U (ILAC-G8:09/2019, non-binary statement): pass, when the value is within the limit by at "
        "least U; conditional pass, when it is within the limit by less; conditional fail, when it is beyond by no "
        "more than U; fail, when it is beyond by more. Up to 2.5 % of the statements pass and fail can be wrong."
    ),
    "conformity_probability": (
        "Probability of conformity (JCGM 106): pass, when the probability that the quantity meets the limit is at "
        "least the one stated; the guard band follows from it and from the standard uncertainty."
    ),
}
VERDICT_WORDS: Mapping[str, str] = {
    "P": "the specimen meets the requirement",
    "F": "the specimen does not meet the requirement",
    "N/A": "the requirement does not apply",
    "N/J": "not judged",
}
MOST_NUMBERS = 12  # told one by one
PLAIN_NUMBERS = frozenset({"bounce_count", "cycles", "malfunctions"})
REHEARSAL = "REHEARSAL: simulated from beginning to end. No specimen was tested; this is no test result."
INTERRUPTED = (
    "not recorded: the run was interrupted, or is still going on. Treat the bench as live until it is proven off, and "
    "the specimen as of unknown history."
)


def quantity(value: float | None, unit: str | None, digits: int = 4) -> str:
    """A value for people: SI prefix, so many significant digits; fractions as per cent."""
    if value is None or not math.isfinite(value):
        return "no value"
    scaled, shown = _scaled(value, unit or "")
    text = f"{scaled:.{_decimals(scaled, digits)}f}"
    return f"{text} {shown}".rstrip()


def exact(value: float, unit: str | None) -> str:
    """A limit as it was written, without digits that nobody wrote."""
    scaled, shown = _scaled(value, unit or "")
    return f"{scaled:.6g} {shown}".rstrip()


def with_uncertainty(value: float | None, unit: str | None, expanded: float | None) -> str:
    """A value with its expanded uncertainty to two significant digits, the value to the same place (GUM 7.2.6)."""
    if value is None or expanded is None or not expanded > 0 or not math.isfinite(value):
        return quantity(value, unit)
    scaled, shown = _scaled(value if value else expanded, unit or "")
    factor = scaled / (value if value else expanded)
    decimals = _decimals(expanded * factor, 2)
    return f"{value * factor:.{decimals}f} ± {expanded * factor:.{decimals}f} {shown}".rstrip()


def measured(facts: Mapping[str, Any]) -> str:
    """A figure of the journal: its value with its uncertainty, or what it is more than."""
    value, unit = facts.get("value"), facts.get("unit")
    if facts.get("above"):
        return f"more than {quantity(value, unit)}"
    return with_uncertainty(value, unit, facts.get("expanded_uncertainty"))


def _scaled(value: float, unit: str) -> tuple[float, str]:
    if unit == "1":
        return value * 100.0, "%"
    if unit not in _PREFIXED or value == 0.0:
        return value, unit
    size = abs(value) * (1 + 1e-12)
    factor, prefix = next((pair for pair in _PREFIXES if size >= pair[0]), _PREFIXES[-1])
    return value / factor, prefix + unit


def _decimals(value: float, digits: int) -> int:
    """Decimals that show so many significant digits."""
    if value == 0.0 or not math.isfinite(value):
        return 1
    return min(12, max(0, digits - 1 - math.floor(math.log10(abs(value)) + 1e-12)))


def many(number: int, thing: str) -> str:
    """So many of a thing: 1 malfunction, 2 malfunctions, 44,000 cycles."""
    return f"{number:,} {thing}{'' if number == 1 else 's'}"


def plain_name(name: str) -> str:
    """A result's or parameter's name as people write it."""
    return str(name).replace("_", " ")


def person(who: Any) -> str:
    """A person as recorded, with what that rests on."""
    if isinstance(who, Mapping):
        how = "by login" if who.get("how") == "peer" else "declared, not authenticated"
        return f"{who.get('name')} ({how})"
    return str(who) if who else "not recorded"


def moment(utc: str | None) -> str:
    """A stamp of the record to the second."""
    try:
        read = datetime.fromisoformat(str(utc).replace("Z", "+00:00")).astimezone(UTC)
    except ValueError:
        return "not recorded"
    return read.strftime("%Y-%m-%d %H:%M:%S UTC")


def ambient_words(entry: Mapping[str, Any]) -> str:
    """Temperature and humidity; plain `temperature` is in degC, plain `humidity` a fraction."""
    humidity = entry.get("humidity_percent")
    if humidity is None and entry.get("humidity") is not None:
        humidity = 100.0 * float(entry["humidity"])
    temperature = entry.get("temperature_c")
    if temperature is None:
        temperature = entry.get("temperature")
    known = [f"{temperature:.1f} °C"] if temperature is not None else []
    known += [f"{humidity:.1f} % relative humidity"] if humidity is not None else []
    return ", ".join(known) or "not recorded"


def limit_words(row: Mapping[str, Any]) -> str:
    """What a verdict row demands, for instance "at most 310 V" or "must be unmarked"."""
    if row.get("must_be") is not None:
        return f"must be {row['must_be']}"
    if row.get("limit") is None:
        return "no limit recorded"
    unit = row_unit(row)
    also = f"at least {exact(row['at_least'], unit)}, " if row.get("at_least") is not None else ""
    return f"{also}{plain_name(row.get('direction') or 'limit')} {exact(row['limit'], unit)}"


def row_value(row: Mapping[str, Any]) -> str:
    """The value of a verdict row with its uncertainty; a count as the plain number that it is, empty without one."""
    value = row.get("value")
    if value is None:
        return ""
    unit = row_unit(row)
    if unit == "":
        return f"{value:g}"
    return measured({**row, "unit": unit})


def rule_words(row: Mapping[str, Any]) -> str:
    """The decision rule of a verdict row, or what stands in its place."""
    if row.get("rule"):
        return plain_name(row["rule"])
    return "state of the indicator" if row.get("must_be") is not None else "as counted"


def clause_words(row: Mapping[str, Any]) -> str:
    """The clause of a verdict row, with the mount where each mount has its own."""
    return f"{row.get('clause')}, mount {row['mount']}" if row.get("mount") else str(row.get("clause"))


def row_unit(row: Mapping[str, Any]) -> str:
    """The unit in which a verdict row's numbers are said: counts are plain numbers, other ratios per cent."""
    plain = row.get("judged") == "count" or row.get("result") in PLAIN_NUMBERS
    return "" if plain and row.get("unit") == "1" else str(row.get("unit") or "")


def verdict_word(row: Mapping[str, Any]) -> str:
    """The verdict in ILAC-G8's words where a rule was applied."""
    verdict = str(row.get("verdict"))
    if verdict not in ("P", "F"):
        return VERDICT_WORDS.get(verdict, verdict)
    return ("conditional " if row.get("conditional") else "") + ("pass" if verdict == "P" else "fail")


def verdict_sentence(row: Mapping[str, Any]) -> str:
    """The verdict and why, without saying the verdict twice."""
    sentence = str(row.get("sentence") or "no reason recorded")
    if sentence.startswith(f"{row.get('verdict')} ("):
        return sentence
    return f"{row.get('verdict')} ({verdict_word(row)}): {sentence}"


def shots_words(shots: Any) -> str:
    """A list of shot or cycle numbers, runs of them drawn together; of very many the first, the last and how many."""
    numbers = sorted({int(shot) for shot in shots or []})
    parts: list[list[int]] = []
    for number in numbers:
        if parts and number == parts[-1][-1] + 1:
            parts[-1].append(number)
        else:
            parts.append([number])
    if len(parts) > MOST_NUMBERS:
        return f"{len(numbers)} from {numbers[0]} to {numbers[-1]}"
    return ", ".join(str(p[0]) if len(p) == 1 else f"{p[0]} to {p[-1]}" for p in parts) or "none"
