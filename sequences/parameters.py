"""The parameters of `set_at_start`: their texts at this start, and whether they lie within their bounds."""

from __future__ import annotations

from dataclasses import dataclass, field
from difflib import get_close_matches
from typing import TYPE_CHECKING

from sequences import quantity
from sequences.fields import nearest
from sequences.findings import Finding
from sequences.quantity import Quantity, QuantityError
from sequences.tree import Scalar, Table, plain

if TYPE_CHECKING:
    from sequences.places import Located

KEY = "set_at_start"


@dataclass(slots=True)
class Resolved:
    """Parameter texts by name, as given or usual, and what is wrong with those given."""

    texts: dict[str, str] = field(default_factory=dict)
    findings: list[Finding] = field(default_factory=list)
    refused: set[str] = field(default_factory=set)  # names whose own tables do not hold what they should
    any_refused: bool = False  # nobody can know which names there are


def _offered(located: Located) -> dict[str, Table]:
    root = located.root
    offered = root.get(KEY) if isinstance(root, Table) else None
    if not isinstance(offered, Table):
        return {}
    return {key.text: value for key, value in offered.entries.values() if isinstance(value, Table)}


def _refused(located: Located) -> tuple[set[str], bool]:
    """The parameters that are refused where they are offered, and whether it is the offer itself."""
    from pydantic import ValidationError

    from sequences.model import Parameter

    root = located.root
    offered = root.get(KEY) if isinstance(root, Table) else None
    if not isinstance(offered, Table):
        keys = root.entries if isinstance(root, Table) else {}
        return set(), offered is not None or bool(get_close_matches(KEY, keys, n=1, cutoff=0.6))
    names = set()
    for key, table in offered.entries.values():
        try:
            Parameter.model_validate(plain(table))
        except ValidationError as error:
            names |= {key.text for one in error.errors() if one["loc"][:1] in ((), ("usual",))}
    return names, False


def _text(table: Table, key: str) -> str | None:
    value = table.get(key)
    return value.text.strip() if isinstance(value, Scalar) else None


def amount(text: str) -> Quantity:
    """A plain number (unit "") or a quantity.

    Raises QuantityError.
    """
    try:
        return Quantity(quantity.number(text), "", text)
    except QuantityError as error:
        if error.code == "number-out-of-range":
            raise
    return quantity.parse(text)


def _within(located: Located, name: str, table: Table, text: str) -> Finding | None:
    """What is wrong with a given value, if anything; faults of the bounds themselves are the model's to
    find."""
    lowest_text, highest_text = _text(table, "lowest"), _text(table, "highest")
    say = located.source.finding
    try:
        value = amount(text)
    except QuantityError as error:
        return say(error.code, table.at, f"Given at the start for {name}: {error.what}", error.help)
    try:
        lowest, highest = amount(lowest_text or ""), amount(highest_text or "")
    except QuantityError:
        return None
    if value.unit != lowest.unit:
        what = f'"{text}" was given at the start for {name}, which goes from {lowest_text} to {highest_text}.'
        return say("wrong-unit", table.at, what, f"give a value with such a unit, for example {lowest_text}")
    if not lowest <= value <= highest:
        what = (
            f'"{text}" was given at the start for {name}, and the file allows {lowest_text} to '
            f"{highest_text}."
        )
        return say(
            "parameter-out-of-bounds", table.at, what, f"give a value from {lowest_text} to {highest_text}"
        )
    return None


def resolve(located: Located, given: dict[str, str]) -> Resolved:
    """The text that each parameter stands for at this start."""
    offered = _offered(located)
    refused, any_refused = _refused(located)
    resolved = Resolved(refused=refused, any_refused=any_refused)
    for name, table in offered.items():
        usual = _text(table, "usual")
        fault = _within(located, name, table, given[name]) if name in given else None
        resolved.findings += [fault] if fault else []
        text = given[name] if name in given and not fault else usual
        if text:
            resolved.texts[name] = text
    for name in given.keys() - offered.keys() - refused if located.root and not any_refused else ():
        what = f'A value was given at the start for "{name}", which the sequence does not offer.'
        resolved.findings.append(
            located.source.finding("unknown-parameter", located.at(KEY), what, nearest(name, offered))
        )
    return resolved


def unused(located: Located, used: set[str]) -> list[Finding]:
    """A warning for each parameter that nothing refers to."""
    root = located.root
    offered = root.get(KEY) if isinstance(root, Table) else None
    entries = offered.entries.values() if isinstance(offered, Table) else ()
    return [
        located.source.finding(
            "parameter-unused",
            key.at,
            f'Nothing refers to the parameter "{key.text}".',
            "use it or remove it",
            "warning",
        )
        for key, _ in entries
        if key.text not in used
    ]
