"""The three questions and the views below them as lines of plain characters, each at most so wide.

State is said by word and symbol. The one thing that a screen may colour is the lamp of the bench (EN 50191).
"""

from __future__ import annotations

import re
import textwrap
from collections.abc import Iterable, Mapping
from typing import Any

from orchestrator.cli.happenings import value_words, verdict_lines
from orchestrator.console.known import Known
from orchestrator.core.status import FRESH_S
from orchestrator.core.status_text import cut, precautions
from orchestrator.record.wording import plain_name

Facts = Mapping[str, Any]
LABELS = ("MAY I GO IN?", "WHAT IS GOING ON?", "WHAT DO I DO?")
ROWS = (3, 3, 3)
LABEL_WIDTH = 19
TO_STOP = "To stop now: F12 or Ctrl-X. No question is asked."
BEGIN = "Begin a run: F8."
LOOKS = "You only look: F10."
STOPPING = "STOPPING: the interlock monitor has been told. Stay out until off is proven."
WELL_ENDED = ("completed", "count_reached", None)


def plain(text: str) -> str:
    """In characters that every terminal has."""
    for proper, typed in (
        ("\u00b1", "+-"),
        ("\u00b5", "u"),
        ("\u03bc", "u"),
        ("\u03a9", "ohm"),
        ("\u00a0", " "),
    ):
        text = text.replace(proper, typed)
    return text.encode("ascii", "replace").decode()


def joined(text: str) -> str:
    """The text so that a line is not broken inside of it."""
    return text.replace(" ", "\u00a0")


_VALUE = re.compile(r"(?<=\d) (?=(?:[kmunMG]?(?:s|V|A|C|J)|min|h|ohm|%|\+-)(?![A-Za-z]))|(?<=\+-) (?=\d)")


_IN_BRACKETS = re.compile(r" \([^()]*\)")


def _together(text: str) -> str:
    """A number stays beside its unit and its uncertainty."""
    return _VALUE.sub("\u00a0", text)


def whole_sentences(text: str, width: int, rows: int) -> list[str]:
    """As many of the sentences, from the first on, as there is room for; the rest is to be read elsewhere."""
    general = re.sub(r": [^:]*$", ".", text.split(". ")[0])  # without the facts of the case
    for told in (text, _IN_BRACKETS.sub("", text), general):
        sentences = re.split(r"(?<=\.) (?=[A-Z])", told)
        for number in range(len(sentences), 0, -1):
            lines = wrapped([" ".join(sentences[:number])], width)
            if len(lines) <= rows:
                return lines
    return wrapped([text], width, rows)


def wrapped(lines: Iterable[str], width: int, most: int | None = None, indent: str = "") -> list[str]:
    """Lines of at most `width`; at most `most` of them, the last one then showing that there is more."""
    made: list[str] = []
    for line in lines:
        cut_up = textwrap.wrap(
            _together(line), max(width, 10), subsequent_indent=indent, break_on_hyphens=False
        )
        made += [plain(one) for one in cut_up] or [""]
    if most is not None and len(made) > most:
        made = [*made[: most - 1], cut(f"{made[most - 1]} {made[most]}", width)]
    return made


# --------------------------------------------------------------------------- the first line and the three questions


def header(status: Facts, control: str, width: int) -> str:
    """Which bench, what for, who has control, how old it all is."""
    age_s = status["may_i_go_in"].get("age_s")
    age = "NO DATA" if age_s is None else f"data {age_s:.1f} s old"
    specimen = f"specimen {status['specimen']}" if status.get("specimen") else None
    parts = [status.get("bench") or "benchward", status.get("title"), specimen, f"control: {control}"]
    room = width - len(age) - 5  # the age stands at the end, whatever else has to be cut
    for number, shorter in ((1, None), (2, status.get("specimen"))):
        if len("   ".join(str(part) for part in parts if part)) > room:
            parts[number] = shorter
    text = cut(plain("   ".join(str(part) for part in parts if part)), room)
    return f" {text}   {age}"


def entry_lines(status: Facts, width: int, beside_lamp: int) -> list[str]:
    """May I go in? The answer, and what it rests on. The first line leaves room for the lamp."""
    entry = status["may_i_go_in"]
    said = f"{entry['symbol']} {entry['words']}"
    first = wrapped([said], beside_lamp)[0]
    rest = plain(said)[len(first) :].strip()
    proven = "off proven" if entry.get("proven") and not is_old(status) else "off NOT proven"
    if not rest:
        facts = cut(f"    {entry['state']}, {proven}, {_read_words(entry)}", width)
        return [first, facts, hardware_line(entry, width)]
    why = [f"    {line}" for line in whole_sentences(rest, width - 4, ROWS[0] - 1)]
    return [first, *why, f"    {proven}, {_read_words(entry)}"][: ROWS[0]]


def _read_words(entry: Facts) -> str:
    age_s = entry.get("age_s")
    return "never read" if age_s is None else f"read {age_s:.1f} s ago"


def hardware_line(entry: Facts, width: int) -> str:
    """Contactor, earth and voltages, as their own feedback says."""
    volts = [f"{name} {value:.0f} V" for name, value in (entry.get("voltages") or {}).items()]
    held = [
        f"{name} {state.upper()}" for name, _, state in (one.partition(" ") for one in precautions(entry))
    ]
    parts = [f"contactor {str(entry['contactor']).upper()}", *held]
    line = plain("    " + ", ".join([*parts, *volts]))
    if len(line) > width and volts:
        highest_v = max(abs(value) for value in entry["voltages"].values())
        line = plain("    " + ", ".join([*parts, f"highest voltage {highest_v:.0f} V"]))
    return cut(line, width)


def is_old(status: Facts) -> bool:
    """Whether the reading that it all rests on is missing or too old to be believed."""
    age_s = status["may_i_go_in"].get("age_s")
    return age_s is None or age_s >= FRESH_S


def lamp_of(status: Facts) -> str:
    """The lamp at the door: none, green, red; not known where the reading is old."""
    return "not known" if is_old(status) else str(status["may_i_go_in"]["lamp"])


def going_on_lines(status: Facts, known: Known, width: int) -> list[str]:
    """What is going on? The sentence with its countdown, and the running figures."""
    going_on = status["going_on"]
    sentence = wrapped([going_on["sentence"]], width, ROWS[1] - 1)
    details = [one.replace("capture: ", "") for one in going_on["details"]] or _newest_figures(status, known)
    return [*sentence, *_as_many_as_fit(details, width, ROWS[1] - len(sentence))]


def _as_many_as_fit(parts: list[str], width: int, rows: int) -> list[str]:
    """The first of them that fit, a comma between them."""
    for number in range(len(parts), 1, -1):
        lines = wrapped([", ".join(parts[:number])], width)
        if len(lines) <= rows:
            return lines
    return whole_sentences(parts[0] if parts else "", width, rows)


def _newest_figures(status: Facts, known: Known) -> list[str]:
    """The newest shot's first figures, while nothing else has to be said."""
    figures = [one for one in status.get("figures") or [] if one.get("valid")]
    if not figures or not status.get("run"):
        return []
    newest = figures[-1]
    part = "" if newest.get("part") in (None, "duty", "measurement") else f"verification, {newest['part']}, "
    counted = status["going_on"].get("counted") or "shot"
    shot = f"{part}{counted} {newest['shot']}" if newest.get("shot") else f"before the first {counted}"
    shown = [f"{plain_name(name)} {value_words(one)}" for name, one in list(newest["results"].items())[:2]]
    return [f"{shot}: {shown[0]}", *shown[1:]] if shown else []


def do_lines(
    status: Facts, known: Known, stopping: bool, width: int, acts: bool = True, begin: str = BEGIN
) -> list[str]:
    """What do I do? One sentence and the key for it; how to stop, always in the last row. `acts` is False for a
    console that only looks; `begin` is how a run is begun."""
    room = ROWS[2] - 1
    sentences = [STOPPING] if stopping else _act(status, known, begin if acts else "", acts)
    fitting = (one for one in sentences if len(wrapped([one], width)) <= room)
    rows = wrapped([next(fitting, sentences[-1])], width, room)
    rows += [""] * (ROWS[2] - 1 - len(rows))
    return [*rows, TO_STOP]


def _act(status: Facts, known: Known, begin: str, acts: bool) -> list[str]:
    """What to do in a sentence, and in shorter ones where there is no room for it; the last is as short as it goes."""
    question = status["do"].get("question")
    if status["may_i_go_in"]["answer"] == "not known" or not question:
        return _act_unasked(status, known, begin)
    tail = "Answer below (F2)." if acts else f"Not asked of you: {LOOKS[0].lower()}{LOOKS[1:]}"
    text = str(question["text"])
    first = f"{text.split('. ')[0].rstrip('.')}."
    told = [f"{text} {tail}", f"{first} {tail}", f"{first} F2.", f"What is asked stands below. {tail}"]
    unproven = [joined(str(one["name"])) for one in status["interlocks"] if not one["proven"]]
    if question.get("ask") == "arm" and acts and unproven:
        return [f"Open and close once: {', '.join(unproven)}. Then arm the bench: F2.", *told]
    return told


def _act_unasked(status: Facts, known: Known, begin: str) -> list[str]:
    do, entry = status["do"], status["may_i_go_in"]
    question = do.get("question")
    if entry["answer"] == "not known":
        return [f"{do['sentence']}{' Then: F2.' if question else ''}"]
    caution = f"{do['caution']} " if do.get("caution") else ""
    if status["going_on"].get("paused"):
        return [f"{caution}The run is paused. To go on: F9."]
    if status.get("run"):
        next_ = f" Next: {do['then']}" if do.get("then") else ""
        return [("Nothing. Stay outside." if entry["answer"] == "no" else "Nothing yet: wait.") + next_]
    why = "" if (known.last_end or {}).get("reason") in WELL_ENDED else "Why it stopped: F7. "
    return [f"{caution}{why}{begin}".rstrip(), f"{caution}{begin}".rstrip()]


# --------------------------------------------------------------------------- what belongs to every view


def verdicts(rows: Iterable[Facts], width: int) -> list[str]:
    """A row for each clause and why."""
    return [plain(line) for line in verdict_lines(rows, width)]
