"""What a journal entry says to a person who watches, and how a run ended."""

from __future__ import annotations

import re
import textwrap
from collections.abc import Callable, Iterable, Mapping
from typing import Any

from orchestrator.record.entry_words import entry_words, override_words
from orchestrator.record.wording import limit_words, measured, plain_name

Facts = Mapping[str, Any]
MOST_FIGURES = 4
# What happens in a duty of cycles beside its measurements; a cycle that is as it should be says nothing.
OF_CYCLES = ("anomaly", "mount_stopped", "trend_warning", "measurement_lost", "uncertain_cycle", "gap")
TOGETHER = "\u00a0"
# The figures a technician looks at first, in this order; the record has all of them.
FIRST = ("limiting_voltage", "peak", "peak_current", "front_time", "time_to_half", "charge", "energy")


def happening(entry: Facts) -> list[str]:
    """Lines for one journal entry; most entries say nothing to a person."""
    tell = _TELLS.get(str(entry.get("kind")))
    lines = [] if tell is None else tell(entry)
    return [f"{line} (NOT IN THE RECORD)" if entry.get("stored") is False else line for line in lines]


def _instrument(entry: Facts) -> list[str]:
    name, due = entry["name"], entry["calibration_due"]
    return [f"{name}: {entry['maker']} {entry['model']}, serial {entry['serial']}, calibration due {due}"]


def _figures(entry: Facts) -> list[str]:
    """One shot on one line: value and expanded uncertainty."""
    if not entry.get("valid"):
        return [f"{shot_words(entry)}: NOT VALID: {entry.get('why')}"]
    shown = figure_words(entry.get("results") or {})
    return [
        f"{joined(shot_words(entry))}: {', '.join(shown)}",
        *(f"  note: {note}" for note in entry["warnings"]),
    ]


def figure_words(results: Mapping[str, Facts]) -> list[str]:
    """The first few figures of a shot, each with its expanded uncertainty."""
    names = [name for name in FIRST if name in results] or list(results)
    return [joined(f"{plain_name(name)} {value_words(results[name])}") for name in names[:MOST_FIGURES]]


def joined(text: str) -> str:
    """The text so that a line is not broken inside of it."""
    return text.replace(" ", TOGETHER)


def wrapped(text: str, width: int, first: str = "", more: str = "") -> list[str]:
    """Lines of at most so many columns, each with its indent; what is joined stays together."""
    lines = textwrap.wrap(
        text,
        width,
        initial_indent=first,
        subsequent_indent=more,
        break_on_hyphens=False,
        break_long_words=False,
    )
    return [line.replace(TOGETHER, " ") for line in lines]


def value_words(facts: Facts) -> str:
    """Value, expanded uncertainty, unit, in plain characters."""
    text = measured(facts)
    return text.replace("\u00b1", "+-").replace("\u00b5", "u")


def shot_words(entry: Facts) -> str:
    """The shot as a person counts it."""
    of = f" of {entry['of']}" if entry.get("of") else ""
    part = "" if entry.get("part") == "duty" else f"verification, {entry.get('part')}, "
    again = f", repeat {entry['repeat']}" if entry.get("repeat") else ""
    return f"{part}shot {entry['shot']}{of}, {entry.get('polarity')}{again}"


def _measurement(entry: Facts) -> list[str]:
    after = f" after {entry.get('counted', 'shot')} {entry['shot']}" if entry.get("shot") else ""
    where = f", mount {entry['mount']}" if entry.get("mount") else ""
    return [f"{plain_name(entry['result'])}{after}{where}: {value_words(entry)}"]


def _observation(entry: Facts) -> list[str]:
    who = (entry.get("by") or {}).get("name")
    return [f"{plain_name(entry['indicator'])} after shot {entry['shot']}: {entry['state']} (seen by {who})"]


def _verification(entry: Facts) -> list[str]:
    if not entry["accepted"]:
        return [f"verification NOT ACCEPTED: {'; '.join(entry['findings'])}"]
    ohm = entry.get("effective_impedance_ohm")
    impedance = "" if ohm is None else f", effective impedance {ohm:.3g} ohm"
    reused = f" (from run {entry['reused_from']})" if entry.get("reused_from") else ""
    return [f"verification accepted{impedance}{reused}"]


def _answered(entry: Facts) -> list[str]:
    who = entry["by"]["name"]
    if not entry["yes"]:
        return [f"{who} said no"]
    said = entry.get("choice") or ", ".join(entry["confirmed"]) or "yes"
    return [f"{who}: {said}"]


def _arming(entry: Facts) -> list[str]:
    if entry["granted"]:
        return [f"ARMED by {entry['by']}: stay outside"]
    return [f"not armed: {entry['sentence']}"]


def _off_proof(entry: Facts) -> list[str]:
    if entry["safe"]:
        return []
    return [f"OFF IS NOT PROVEN ({entry.get('because')}): treat the bench as live"]


def _cause(entry: Facts) -> list[str]:
    return [f"stopped: {entry['what']}"] if entry["first"] and entry["reason"] != "completed" else []


_TELLS: dict[str, Callable[[Facts], Iterable[str]]] = {
    "instrument": _instrument,
    "figures": _figures,
    "measurement": _measurement,
    "observation": _observation,
    "verification": _verification,
    "answered": _answered,
    "arming": _arming,
    "off_proof": _off_proof,
    "disarmed": lambda entry: [f"no longer armed: {entry['why']}"],
    "cause": _cause,
    "override": lambda entry: [override_words(entry)],
    "paused": lambda entry: [f"paused by {entry['by']}"],
    "resumed": lambda entry: [f"resumed by {entry['by']}"],
    "invalid_shot": lambda entry: [f"shot {entry['shot']} is repeated: {entry['why']}"],
    **dict.fromkeys(OF_CYCLES, lambda entry: [plain(entry_words(entry))]),
    "clock_step": lambda entry: [f"the computer's clock was set by {entry['step_s']} s"],
}


def ending(ended: Facts, width: int) -> str:
    """How it ended: the outcome, the sentence, a row for each verdict, where the record is."""
    words = str(ended["words"])
    lines = [f"{words[:1].upper()}{words[1:]}.", str(ended["sentence"])]
    lines += [f"later: {cause['what']}" for cause in ended["later"]]
    text = [line for one in lines for line in wrapped(plain(one), width)]
    text += ["", *verdict_lines(ended["verdicts"], width), ""]
    text.append(f"record: {ended['folder']}" + ("" if ended["sealed"] else "  (NOT SEALED)"))
    return "\n".join(text)


def verdict_lines(verdicts: Iterable[Facts], width: int) -> list[str]:
    """One row for each clause: verdict, clause, what is demanded; below it why."""
    lines, rows = [], list(verdicts)
    several = any(int(row.get("mount") or 0) > 1 for row in rows)
    for row in rows:
        demanded = f"{plain_name(row['result'])} {limit_words(row)}, {row['judged']}"
        conditional = " (conditional)" if row.get("conditional") else ""
        where = f"mount {row['mount']}, " if several else ""
        head = f"{row['verdict']:5}{where}{row.get('clause') or '-'}: {demanded}{conditional}"
        why = re.sub(r"^[A-Z/]+ \([a-z ]+\): ", "", str(row["sentence"]))
        lines += wrapped(plain(head), width, "", "     ")
        lines += wrapped(plain(why), width, "     ", "     ")
    return lines


def plain(text: str) -> str:
    """In characters that every terminal has."""
    return text.replace("\u00b1", "+-").replace("\u00b5", "u")
