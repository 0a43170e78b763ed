"""The specimen card: what is asked before a run, one thing at a time, and the order that starts it."""

from __future__ import annotations

from collections.abc import Mapping
from typing import Any

from orchestrator.console.asking import SET, Ask, Form
from orchestrator.core.identity import CARD_FIELDS, compared

Facts = dict[str, Any]
START = "start"
GO_ON = "go on"
MOUNT = "specimen at mount "
MOST_TOLD = 3  # mounts that are told one by one
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
    cycles, shots = facts.get("cycles"), int(facts["shots_applied"])
    had = [f"cycles it has had: {cycles}"] if cycles is not None else []
    had += [f"shots it has had: {shots}"] if shots or not had else []
    return [f"earlier runs: {len(runs)}, {', '.join(had)}", *(_earlier(one) for one in runs[-2:])]


def _earlier(one: Facts) -> str:
    """One earlier run: how it ended, what the specimen had of it, and as what it was admitted."""
    cycles = one.get("cycles")
    counted = "shot" if cycles is None else "cycle"
    how = str(one["reason"]).replace("_", " ")
    if one["interrupted"]:
        how = f"INTERRUPTED, the last {counted} may be uncertain"
    had = f"{one['shots_applied']} shot(s)" if cycles is None else f"{cycles} cycles"
    card = "".join(f", {name} {one[name]}" for name in CARD_FIELDS if one.get(name))
    return f"  {one['run']}: {how}, {had}{card}"


def complete(form: Form, sequence: Facts, specimen: Facts) -> None:
    """Add what this sequence asks for. `sequence` and `specimen` are the API's facts; nothing speaks against either."""
    del form.asks[2:]
    count = int(sequence.get("mounts") or 1)
    form.asks += [_at_mount(form, place) for place in range(2, count + 1)]
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
    form.heading = [f"{sequence.get('title')}: {sequence.get('specimen_type')}"]
    if count > 1:
        form.heading.append(f"{count} mounts, a specimen at each; the first is {form.values['specimen']}.")
    form.heading += earlier_duties(specimen)


def _at_mount(form: Form, place: int) -> Ask:
    """The specimen of a further mount: another one than at those before."""

    def check(text: str) -> str | None:
        for before, one in enumerate(specimens_of(form)[: place - 1], 1):
            if compared(one) == compared(text):
                return f"{text} is at mount {before} already: each mount has its own specimen."
        return None

    return Ask(f"{MOUNT}{place}", f"Scan or type the label of the specimen at mount {place}", check=check)


def specimens_of(form: Form) -> list[str]:
    """The specimens that were named, in the order of their mounts."""
    names = ["specimen", *(ask.name for ask in form.asks if ask.name.startswith(MOUNT))]
    return [form.values[name] for name in names if name in form.values]


def told_at_mount(form: Form, given: str, facts: Facts) -> None:
    """What was done before to the specimen of a further mount takes the place of what was told of the one before."""
    place = given.removeprefix(MOUNT)
    form.heading = [*form.heading[:2], f"mount {place}, {facts['identity']}:", *earlier_duties(facts)]


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
        **_further(form),
        **{name: values.get(name) or None for name in CARD_FIELDS},
        "indicator_lot": values.get("lot") or None,
        "remark": values.get("remark") or None,
        "parameters": {name.removeprefix(SET): values[name] for name in asked if name in values},
        "override_calibration": values.get("override"),
        "override_by": values.get("override_by"),
        "by": by,
    }


def _further(form: Form) -> Facts:
    more = specimens_of(form)[1:]
    return {"more_specimens": more} if more else {}


# --------------------------------------------------------------------------- going on with a stopped run


def going_on_card(left: Facts) -> Form:
    """What a stopped run of cycles left, and whether a person lets it go on. `left` is the API's facts."""
    heading = [
        f"GO ON WITH RUN {left['run']}",
        f"stopped {str(left['stopped_utc'])[:19].replace('T', ' ')} UTC: {left['stopped_because']}",
        *counted_words(left),
        "Then: labels, arming, homing, touch-off against the datum, contact, each bank of the load, air; you accept "
        "what was found; the first cycles are watched.",
    ]
    asks = [
        Ask("remark", "Remark", "Enter = none", required=False),
        Ask("begin", "Go on with it?", f"type {GO_ON} and Enter; Esc goes back", check=_goes_on),
    ]
    return Form(GO_ON, heading, asks)


def counted_words(left: Mapping[str, Any]) -> list[str]:
    """What every mount has had, the first few one by one, and the cycle that nobody can know of."""
    mounts, of = list(left["mounts"]), left.get("of")
    lines = [_mount_words(one, of, len(mounts) > 1) for one in mounts[:MOST_TOLD]]
    if len(mounts) > MOST_TOLD:
        least = min(int(one["cycles"]) for one in mounts)
        lines.append(f"and {len(mounts) - MOST_TOLD} more mounts; the least that one has had is {least}")
    if left.get("uncertain_cycle"):
        lines.append(f"cycle {left['uncertain_cycle']} is UNCERTAIN: not counted, made again")
    return lines


def _mount_words(one: Mapping[str, Any], of: int | None, several: bool) -> str:
    where = f"mount {one['mount']}, " if several else ""
    failed = f", FAILED at {one['failed_at']}" if one.get("failed_at") else ""
    total = "" if of is None else f" of {of}"
    return (
        f"{where}{one['specimen']}: {one['cycles']}{total} cycles, malfunctions {one['malfunctions']}{failed}"
    )


def _goes_on(text: str) -> str | None:
    if " ".join(text.split()).casefold() == GO_ON:
        return None
    return f"Type {GO_ON} and Enter. Esc goes back one step, F9 lays it aside."


def go_on_order(form: Form, run: str, by: str | None) -> Facts:
    """The order for the API."""
    values = form.values
    return {
        "run": run,
        "remark": values.get("remark") or None,
        "override_calibration": values.get("override"),
        "override_by": values.get("override_by"),
        "by": by,
    }
