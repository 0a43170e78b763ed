"""A rehearsal as the day a technician would live through: what happens when, and which lamp is lit."""

from __future__ import annotations

from collections.abc import Callable, Iterable, Iterator, Mapping
from dataclasses import dataclass
from typing import Any

from orchestrator.record.wording import measured, plain_name, quantity, with_uncertainty

Entry = Mapping[str, Any]
MONO_DIGITS = 9


@dataclass(frozen=True)
class Line:
    """One line: when, who or what, and a sentence."""

    at_s: float
    who: str
    text: str


def timeline(
    entries: Iterable[Entry], acts: Iterable[tuple[float, str]], truth: Iterable[Entry]
) -> list[Line]:
    """Journal, technician and lamps in the order of time."""
    lines = [line for entry in entries if (line := _of_journal(entry)) is not None]
    lines += [Line(at_s, "technician", text) for at_s, text in acts]
    return sorted([*lines, *_lamps(truth)], key=lambda line: line.at_s)


def _lamps(truth: Iterable[Entry]) -> Iterator[Line]:
    """The door lamp, each time it changes."""
    shown = ""
    for entry in truth:
        if entry.get("event") == "lamps" and (words := _lamp_words(entry)) and words != shown:
            shown = words
            yield Line(entry["at_s"], "door lamp", words)


def _lamp_words(entry: Entry) -> str:
    if entry.get("red"):
        return "RED: stay out"
    return "green" if entry.get("green") else ""


def _of_journal(entry: Entry) -> Line | None:
    words = _WORDS.get(str(entry["kind"]))
    # A trigger is written down after the way to safe; what is compared has the digits of the journal's own times.
    at_s = round(float(entry.get("triggered_s") or entry["mono_s"]), MONO_DIGITS)
    return None if words is None else Line(at_s, "bench", words(entry))


def _shot(entry: Entry) -> str:
    repeat = f", repeat {entry['repeat']}" if entry.get("repeat") else ""
    return f"{entry['part']} shot {entry['shot']}{repeat}"


def _figures(entry: Entry) -> str:
    if not entry["valid"]:
        return f"{_shot(entry)} is not valid: {entry['why']}"
    shown = [
        f"{plain_name(name)} {with_uncertainty(r['value'], r['unit'], r['expanded_uncertainty'])}"
        for name, r in list(entry["results"].items())[:3]
    ]
    return f"{_shot(entry)}: {', '.join(shown)}"


def _measurement(entry: Entry) -> str:
    return f"{plain_name(entry['result'])} {measured(entry)}"


def _verification(entry: Entry) -> str:
    if not entry["accepted"]:
        return f"verification NOT accepted: {'; '.join(entry['findings'])}"
    impedance = entry["effective_impedance_ohm"]
    return f"verification accepted, effective impedance {quantity(impedance, 'ohm')}"


def _at_cycle(entry: Entry, words: str) -> str:
    return f"cycle {entry['cycle']}, mount {entry['mount']}: {words}"


def _counts(mounts: list[Entry]) -> str:
    least = min(int(one["confirmed"]) for one in mounts)
    bad = sum(int(one["malfunctions"]) for one in mounts)
    return f"confirmed {least}, malfunctions {bad}"


def _off(entry: Entry) -> str:
    return "off and proven" if entry["safe"] else f"OFF NOT PROVEN: {entry.get('because')}"


_WORDS: dict[str, Callable[[Entry], str]] = {
    "run_started": lambda e: f"run {e['run']}: {e['title']}, specimen {e['specimen']}",
    "instrument": lambda e: f"{e['name']} is {e['maker']} {e['model']} {e['serial']}",
    "asked": lambda e: f"asks: {e['text']}",
    "arming": lambda e: e["sentence"],
    "charged": lambda e: f"charged to {quantity(e['voltage_v'], 'V')}",
    "triggered": lambda e: f"trigger, {_shot(e)}",
    "off_proof": _off,
    "figures": _figures,
    "measurement": _measurement,
    "observation": lambda e: f"{e['indicator']} {e['state']}",
    "verification": _verification,
    "cycles_started": lambda e: (
        f"cycles begin: {e['of']} at {e['rate_per_min']:g} a minute, {e['commanded']} before"
    ),
    "segment": lambda e: f"cycles {e['first']} to {e['last']}; {_counts(e['mounts'])}",
    "anomaly": lambda e: _at_cycle(e, plain_name(e["finding"]) + ("" if e["counted"] else ", not counted")),
    "mount_stopped": lambda e: _at_cycle(e, f"failed: {e['why']}"),
    "trend_warning": lambda e: _at_cycle(
        e, f"WARNING, {plain_name(e['result'])} has grown to {quantity(e['median'], e['unit'])}"
    ),
    "touch_off": lambda e: f"touch-off: touches at {e['touches_at_mm']:.2f} mm, {e['force_n']:.1f} N",
    "dry_run": lambda e: f"dry run, {e['cycles']} cycles: the contact follows the position",
    "measurement_lost": lambda e: f"{plain_name(e['result'])} is not taken: {e['why']}",
    "gap": lambda e: (
        f"goes on with run {e['earlier_run']} after cycle {e['from_cycle']}, accepted by a person"
    ),
    "uncertain_cycle": lambda e: f"cycle {e['cycle']} is uncertain and not counted",
    "clock_step": lambda e: f"the clock was stepped by {e['step_s']:g} s",
    "cause": lambda e: f"stops: {e['what']}" if e["first"] else f"also: {e['what']}",
}


def in_words(lines: Iterable[Line]) -> str:
    """The timeline as text, one line an event."""
    return "\n".join(f"{_clock(line.at_s)}  {line.who:10}  {line.text}" for line in lines)


def _clock(at_s: float) -> str:
    """Hours, minutes and seconds since the start."""
    minutes, seconds = divmod(at_s, 60.0)
    hours, minutes = divmod(int(minutes), 60)
    return f"{hours:d}:{minutes:02d}:{seconds:05.2f}"
