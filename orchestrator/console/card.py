"""The specimen card: what is asked before a run, one thing at a time, and the order that starts it."""

from __future__ import annotations

from typing import Any

from orchestrator.console.asking import Ask, Form

Facts = dict[str, Any]
START = "start"
_CARD = ("condition", "firmware")
_NOT_PARAMETERS = ("sequence", "specimen", "group", "lot", "begin", "remark", *_CARD)


def new_card(sequence: str, specimen: str = "") -> Form:
    """The first two things: what to run and on what. The rest follows once both are known."""
    heading = ["A NEW RUN. Nothing is energised before a person has armed the bench."]
    return Form(
        "card",
        heading,
        [
            Ask("sequence", "Sequence: path of the file", _kept(sequence), sequence),
            Ask("specimen", "Scan or type the label of the specimen", _kept(specimen), specimen),
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
        lines.append(f"  {one['run']}: {how}, {one['shots_applied']} shot(s)")
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
    return Ask(name, name.replace("_", " "), hint, str(one["usual"]))


def _begins(text: str) -> str | None:
    return (
        None
        if text.casefold() == START
        else f"Type {START} to begin. Esc goes back one step, F8 leaves the card."
    )


def start_order(form: Form, by: str | None) -> Facts:
    """The order for the API. Condition and firmware go into the remark, in words."""
    values = form.values
    said = [f"{name}: {values[name]}" for name in _CARD if values.get(name)]
    if values.get("remark"):
        said.append(values["remark"])
    asked = {ask.name for ask in form.asks}
    return {
        "sequence": values["sequence"],
        "specimen": values["specimen"],
        "group": values.get("group") or None,
        "indicator_lot": values.get("lot") or None,
        "remark": "; ".join(said) or None,
        "parameters": {
            name: text for name, text in values.items() if name in asked and name not in _NOT_PARAMETERS
        },
        "by": by,
    }
