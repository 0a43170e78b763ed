"""The specimen card: what is asked before a run, one thing at a time, and the order that starts it."""

from __future__ import annotations

from typing import Any

from orchestrator.console.asking import SET, Ask, Form
from orchestrator.core.identity import CARD_FIELDS

Facts = dict[str, Any]
START = "start"
LAPSED = "calibration-lapsed"


def new_card(sequence: str, specimen: str = "") -> Form:
    """The first two things: what to run and on what. The rest follows once both are known."""
    heading = ["A NEW RUN. Nothing is energised before a person has armed the bench."]
    return Form(
        "card",
        heading,
        [
            Ask("sequence", "Sequence: path of the file", _kept(sequence), sequence, counted=False),
            Ask(
                "specimen", "Scan or type the label of the specimen", _kept(specimen), specimen, counted=False
            ),
        ],
    )


def _kept(usual: str) -> str:
    return f"Enter = {usual}" if usual else ""


def objection_to_sequence(facts: Facts) -> list[str]:
    """Why this sequence cannot be run, a line each; nothing when it can."""
    if not facts.get("ok"):
        return [str(facts.get("sentence"))]
    if facts.get("runnable"):
        return []
    return [
        "This sequence cannot be run on this bench:",
        *[line for text in facts["findings"] for line in text.splitlines()],
    ]


def objection_to_specimen(facts: Facts) -> str | None:
    """Why this specimen may not be used again."""
    if not facts.get("ok"):
        return str(facts.get("sentence"))
    spent = facts.get("spent_because")
    return f"REFUSED: specimen {facts['identity']} is spent: {spent}. Take a fresh one." if spent else None


def earlier_duties(facts: Facts) -> list[str]:
    """What was done to the specimen before, the newest two runs, and what an interrupted one left."""
    runs = list(facts.get("runs") or [])
    if not runs:
        return ["earlier runs of this specimen: none"]
    lines = [f"earlier runs: {len(runs)}, shots it has had: {facts['shots_applied']}"]
    for one in runs[-2:]:
        how = (
            "INTERRUPTED, the last shot may be uncertain"
            if one["interrupted"]
            else str(one["reason"]).replace("_", " ")
        )
        card = "".join(f", {name} {one[name]}" for name in CARD_FIELDS if one.get(name))
        lines.append(f"  {one['run']}: {how}, {one['shots_applied']} shot(s){card}")
    return lines


def complete(form: Form, sequence: Facts, specimen: Facts) -> None:
    """Add what this sequence asks for. `sequence` and `specimen` are the API's facts; nothing speaks against either."""
    del form.asks[2:]
    wanted = sequence.get("condition")
    hint = f"the sequence wants: {wanted}. Enter = {wanted}" if wanted else ""
    form.asks += [
        Ask("group", "Group of specimens", "Enter = none", required=False),
        Ask("condition", "Condition on arrival", hint, str(wanted or ""), required=bool(wanted)),
        Ask("firmware", "Firmware of the specimen", "Enter = none", required=False),
    ]
    if sequence.get("indicator"):
        form.asks.append(
            Ask("lot", f"Lot of the {sequence['indicator']}", "Enter = not known", required=False)
        )
    form.asks += [_parameter(one) for one in sequence.get("parameters") or []]
    form.asks.append(Ask("remark", "Remark", "Enter = none", required=False))
    form.asks.append(
        Ask(
            "begin",
            f"Begin? {sequence.get('title')}",
            f"type {START} and Enter; Esc goes back",
            sums_up=True,
            check=_begins,
        )
    )
    form.heading = [f"{sequence.get('title')}: {sequence.get('specimen_type')}", *earlier_duties(specimen)]


def _parameter(one: Facts) -> Ask:
    name = str(one["name"])
    hint = f"Enter = {one['usual']}; from {one['lowest']} to {one['highest']}"
    return Ask(f"{SET}{name}", name.replace("_", " "), hint, str(one["usual"]))


def _begins(text: str) -> str | None:
    return (
        None
        if text.casefold() == START
        else f"Type {START} to begin. Esc goes back one step, F8 lays the card aside."
    )


def ask_for_override(form: Form) -> None:
    """A calibration lapses: who may do so can start all the same, by name and with a reason. Asked for once."""
    if any(ask.name == "override" for ask in form.asks):
        return
    reason = "Why it may start all the same"
    hint = "for the record. Nobody here may say so? F8 lays the card aside."
    who = "Who answers for that?"
    whose = "name or badge of an engineer or of the test operator in charge"
    form.asks[-1:-1] = [Ask("override", reason, hint), Ask("override_by", who, whose)]
    form.at = len(form.asks) - 3


def start_order(form: Form, by: str | None) -> Facts:
    """The order for the API."""
    values = form.values
    asked = [ask.name for ask in form.asks if ask.name.startswith(SET)]
    return {
        "sequence": values["sequence"],
        "specimen": values["specimen"],
        **{name: values.get(name) or None for name in CARD_FIELDS},
        "indicator_lot": values.get("lot") or None,
        "remark": values.get("remark") or None,
        "parameters": {name.removeprefix(SET): values[name] for name in asked if name in values},
        "override_calibration": values.get("override"),
        "override_by": values.get("override_by"),
        "by": by,
    }
