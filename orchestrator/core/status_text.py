"""A status as plain text, for shells, pipes and small screens. Standard library only."""

from __future__ import annotations

import textwrap
from collections.abc import Iterable, Mapping
from typing import Any

from orchestrator.core.status import is_old

Facts = Mapping[str, Any]
LABEL = 17
BENCH_ACTS = ("release", "acknowledge")


def render(status: Facts, width: int = 80) -> str:
    """The three questions, always in this order, then the interlocks and how the last run ended."""
    entry, going_on, do = status["may_i_go_in"], status["going_on"], status["do"]
    parts = [
        ("May I go in?", [f"{entry['symbol']} {entry['words']}", facts_line(entry)]),
        ("What is going on?", [going_on["sentence"], *going_on["details"]]),
        ("What do I do?", [*do_lines(do)]),
        ("Interlocks", [interlock_line(status["interlocks"])]),
    ]
    text = [*textwrap.wrap(_heading(status), width), "-" * width]
    for label, lines in parts:
        text += labelled(label, lines, width)
    return "\n".join(line.rstrip() for line in text)


def compact(status: Facts, width: int = 80) -> list[str]:
    """The three questions in six lines, always as many, each cut at `width`."""
    entry, going_on, do = status["may_i_go_in"], status["going_on"], status["do"]
    question = do.get("question")
    act = f"Answer question {question['question']}, shown above." if question else do["sentence"]
    indent = " " * (len(entry["symbol"]) + 1)
    going = textwrap.wrap(
        " ".join([going_on["sentence"], "; ".join(going_on["details"])]), width - len(indent)
    )
    age_s = entry.get("age_s")
    lines = [
        f"{entry['symbol']} {entry['words']}",
        f"{indent}{entry['lamp']} lamp, {_hardware(entry)}, {'never read' if age_s is None else f'{age_s:.1f} s'}",
        *(indent + line for line in [*going[:2], "", ""][:2]),
        indent + (do["sentence"] if entry["answer"] == "not known" else act),
        indent + (f"To stop at once, no question is asked: {do['abort']}" if do.get("abort") else ""),
    ]
    return [cut(line.rstrip(), width) for line in lines]


def do_lines(do: Facts) -> list[str]:
    """What to do, what comes then, how to stop; a caution before all."""
    lines = [f"CAUTION: {do['caution']}"] if do.get("caution") else []
    lines.append(do["sentence"])
    question = do.get("question")
    if question:
        lines += [*question_lines(question), f"Answer: {how_to_answer(question)}"]
    elif do.get("then"):
        lines.append(str(do["then"]))
    if do.get("abort"):
        lines.append(f"To stop at once, no question is asked: {do['abort']}")
    return lines


def question_lines(question: Facts) -> list[str]:
    """What a question wants to hear."""
    lines = [f"found: {one}" for one in question.get("found") or []]
    lines += [f"confirm: {item}" for item in question.get("items") or []]
    if question.get("label_of"):
        lines.append("read the specimen's label again, at the bench")
    if question.get("labels_of"):
        lines.append("read every label again, at its mount, in this order:")
        lines += [f"  mount {place}: {one}" for place, one in enumerate(question["labels_of"], 1)]
    if question.get("choices"):
        lines.append(f"say one of: {', '.join(question['choices'])}")
    if question.get("needs_photo"):
        lines.append("a photo is required")
    return lines


def question_name(question: Facts) -> str:
    """How a person names it: by its number; what belongs to the bench, by its act."""
    return str(question["ask"] if question["ask"] in BENCH_ACTS else question["question"])


def how_to_answer(question: Facts) -> str:
    """The line that answers this kind of question."""
    parts = [f"benchward answer --question {question_name(question)}"]
    if question.get("items"):
        parts.append("--confirm-all")
    if question.get("label_of"):
        parts.append("--label LABEL")
    if question.get("labels_of"):
        parts.append("--label LABEL --label LABEL ...")
    if question.get("choices"):
        parts.append("--choice STATE")
    if question.get("needs_photo"):
        parts.append("--photo PATH")
    if len(parts) == 1:
        parts.append("--yes")
    return " ".join([*parts, "--by NAME"])


def facts_line(entry: Facts) -> str:
    """What the answer rests on."""
    proven = "off proven" if entry.get("proven") else "off not proven"
    return f"{entry['state']}, lamp {entry['lamp']}; {_hardware(entry)}; {proven}, {age_words(entry)}"


def age_words(entry: Facts) -> str:
    """How old the reading is."""
    age_s = entry.get("age_s")
    return "never read" if age_s is None else f"read {age_s:.1f} s ago"


def _hardware(entry: Facts) -> str:
    volts = [f"{name} {value:.0f} V" for name, value in (entry.get("voltages") or {}).items()]
    return ", ".join([f"contactor {entry['contactor']}", *precautions(entry), *volts])


def precautions(entry: Facts) -> list[str]:
    """The earth; on a bench that has none, what else is lifted while an output is on."""
    if entry["earth"] != "none":
        return [f"earth {entry['earth']}"]
    return [f"{name} {state}" for name, state in (entry.get("precautions") or {}).items()]


def interlock_line(interlocks: Iterable[Facts]) -> str:
    """Every interlock in one line."""
    return ", ".join(f"{one['name']} {_interlock_words(one)}" for one in interlocks) or "none are known"


def _interlock_words(one: Facts) -> str:
    state = interlock_state(one)
    return state if one["proven"] or is_old(one["age_s"]) else f"{state} (not yet proven: open and close it)"


def interlock_state(one: Facts) -> str:
    """How it stands; what was read too long ago is no longer known, and says what it was."""
    state = "FAILED" if one["failed"] else "closed" if one["closed"] else "OPEN"
    return f"not known (was {state} {one['age_s']:.1f} s ago)" if is_old(one["age_s"]) else state


def cut(line: str, width: int) -> str:
    """The line, at most so wide."""
    return line if len(line) <= width else line[: width - 3] + "..."


def _heading(status: Facts) -> str:
    parts = [status.get("bench"), status.get("title")]
    if status.get("run"):
        parts += [f"specimen {status.get('specimen')}", f"run {status['run']}"]
    return "   ".join(str(part) for part in parts if part) or "benchward"


def labelled(label: str, lines: Iterable[str], width: int) -> list[str]:
    """A question at the left, its answer beside it, both always at the same place."""
    indent = " " * (LABEL + 2)
    text: list[str] = []
    for line in lines:
        text += textwrap.wrap(line, width - len(indent)) or [""]
    return [f"{label:{LABEL}}  {text[0]}", *(indent + line for line in text[1:])]
