"""What may stand in for a value that was refused or is missing, so that the rest of a file can be read.

The types of the models say what fits: a choice, the example of the field's JSON Schema, a table of what it must hold.
"""

from __future__ import annotations

import re
from collections.abc import Iterator, Mapping
from dataclasses import dataclass
from functools import cache
from types import NoneType, UnionType
from typing import Annotated, Any, Union, get_args, get_origin

from pydantic import BaseModel, ValidationError, create_model
from pydantic.fields import FieldInfo

from sequences.fields import Model, Reading, tag_of, told
from sequences.places import Path_, child
from sequences.step import Step, UnreadStep
from sequences.tree import Node, Scalar, Table, plain

_annotated: Any = Annotated
_OTHER_NUMBERS = ("1", "0.01", "0", "100")  # for a field whose bounds exclude its type's example


@dataclass(frozen=True, slots=True)
class Slot:
    """A place of a file and what the language wants there.

    `path` is the place as the checks name it, `in_tree` as the tree has it: with the kinds of the steps.
    """

    path: Path_
    in_tree: Path_
    wanted: Any
    node: Node | None


def find(root: Node, model: type[BaseModel], path: Path_, kinds: Mapping[str, type[Step]]) -> Slot:
    """The place that a path leads to, as far as the models and the file go together.

    The path may hold the types of equipment that chose a model, as the validation's errors do, or leave them out.
    """
    slot = Slot((), (), model, root)
    for part in path:
        if (below := _into(opened(slot, part, kinds), part)) is None:
            return slot
        slot = below
    return slot


def guessed_type(slot: Slot) -> Slot | None:
    """For a table whose type is refused or missing: the type's own place, if one model alone has such keys."""
    if not _is_choice(slot.wanted) or not isinstance(slot.node, Table):
        return None
    if any(member.told_by for member in _members(slot.wanted)):
        return None
    keys = slot.node.entries.keys()
    fitting = [member for member in _members(slot.wanted) if keys <= member.model_fields.keys()]
    return _into(Slot(slot.path, slot.in_tree, fitting[0], slot.node), "type") if len(fitting) == 1 else None


def stand_in(wanted: Any) -> Any:
    """Plain data that the wanted type accepts."""
    kind = bare(wanted)
    if _is_choice(kind):
        kind = _members(kind)[0]
    if isinstance(kind, type) and issubclass(kind, Step):
        return UnreadStep() if kind is Step else _table(kind)
    if isinstance(kind, type) and issubclass(kind, BaseModel):
        return _table(kind)
    if get_origin(kind) is tuple:
        return [stand_in(get_args(kind)[0])] if _may_not_be_empty(wanted) else []
    if get_origin(kind) is dict:
        return {"stand_in": stand_in(get_args(kind)[1])} if _may_not_be_empty(wanted) else {}
    return first_text(wanted)


def note_uses(wanted: Any, reading: Reading) -> None:
    """Note each parameter that could have been named where a stand-in is: nobody knows that it is unused."""
    kind = bare(wanted)
    if _is_choice(kind):
        for member in _members(kind):
            note_uses(member, reading)
    elif isinstance(kind, type) and issubclass(kind, BaseModel) and kind is not Step:
        for field in kind.model_fields.values():
            note_uses(of_field(field), reading)
    elif kind is Step:
        reading.used |= reading.parameters.keys() | reading.refused
    elif get_origin(kind) in (tuple, dict):
        note_uses(get_args(kind)[get_origin(kind) is dict], reading)
    else:
        own = dict.fromkeys(reading.refused, first_text(wanted))
        reading.used |= {
            name for name, text in {**reading.parameters, **own}.items() if _names(wanted, name, text)
        }


def texts(node: Node) -> Iterator[str]:
    """Every text at or below a node."""
    below = [plain(node)]
    while below:
        one = below.pop()
        if isinstance(one, str):
            yield one.strip()
        elif isinstance(one, (dict, list)):
            below += one.values() if isinstance(one, dict) else one


def bare(wanted: Any) -> Any:
    """A type without its annotations and without None."""
    while True:
        if get_origin(wanted) is Annotated:
            wanted = get_args(wanted)[0]
        elif get_origin(wanted) in (Union, UnionType) and NoneType in get_args(wanted):
            wanted = Union[tuple(one for one in get_args(wanted) if one is not NoneType)]  # noqa: UP007
        else:
            return wanted


# --------------------------------------------------------------------------- the way to a place


def opened(slot: Slot, part: str | int, kinds: Mapping[str, type[Step]]) -> Slot:
    """A step as its body and the model of its kind; a choice of models as the one that is meant."""
    kind = bare(slot.wanted)
    if kind is Step and isinstance(slot.node, Table) and len(slot.node.entries) == 1:
        ((name, (_, body)),) = slot.node.entries.items()
        cls = kinds.get(name)
        return Slot(slot.path, (*slot.in_tree, name), cls, body) if cls else slot
    if _is_choice(kind) and isinstance(slot.node, Table):
        members = _members(kind)
        if any(one.told_by for one in members):
            return Slot(slot.path, slot.in_tree, told(members, slot.node.entries.keys()), slot.node)
        named = slot.node.get("type")
        tag = named.text.strip() if isinstance(named, Scalar) else plain(named) if named else part
        chosen = [one for one in members if tag in _types(one)]
        return Slot(slot.path, slot.in_tree, chosen[0], slot.node) if chosen else slot
    return slot


def _into(slot: Slot, part: str | int) -> Slot | None:
    """What stands below a place; the place itself for the type of equipment that chose its model."""
    kind, path = bare(slot.wanted), (*slot.path, part)
    if isinstance(kind, type) and issubclass(kind, BaseModel):
        field = kind.model_fields.get(str(part))
        if field is None:
            return slot if part in _types(kind) else None
        if issubclass(kind, Step) and not isinstance(slot.node, Table):
            return Slot(path, slot.in_tree, of_field(field), slot.node)  # the short form
        node = slot.node.get(str(part)) if isinstance(slot.node, Table) else None
        return Slot(path, (*slot.in_tree, part), of_field(field), node)
    if get_origin(kind) in (tuple, dict):
        inner = get_args(kind)[get_origin(kind) is dict]
        return Slot(path, (*slot.in_tree, part), inner, child(slot.node, part) if slot.node else None)
    return None


def of_field(field: FieldInfo) -> Any:
    """The type of a model's field with its bounds and readers."""
    return _annotated[(field.annotation, *field.metadata)] if field.metadata else field.annotation


def _is_choice(wanted: Any) -> bool:
    kind = bare(wanted)
    return get_origin(kind) in (Union, UnionType) and all(
        isinstance(bare(one), type) and issubclass(bare(one), Model) for one in get_args(kind)
    )


def _members(wanted: Any) -> list[type[Model]]:
    """The models of a choice."""
    return [bare(one) for one in get_args(bare(wanted))]


def _types(model: type[BaseModel]) -> tuple[Any, ...]:
    """What chooses a model: the types of equipment, or the tag of the key that tells it; nothing for any other."""
    if issubclass(model, Model) and model.told_by:
        return (tag_of(model),)
    field = model.model_fields.get("type")
    return get_args(field.annotation) if field else ()


# --------------------------------------------------------------------------- values


def _table(model: type[BaseModel]) -> dict[str, Any]:
    fields = model.model_fields.items()
    return {name: stand_in(of_field(field)) for name, field in fields if field.is_required()}


def _may_not_be_empty(wanted: Any) -> bool:
    return any(getattr(one, "min_length", 0) for one in getattr(wanted, "__metadata__", ()))


@cache
def _alone(wanted: Any) -> type[Model]:
    """A model of this one field."""
    return create_model("Alone", __base__=Model, value=(wanted, ...))


@cache
def first_text(wanted: Any) -> str:
    """The first text that a field of a single value accepts; "", which none accepts, if its schema has no example."""
    for text in candidates(_alone(wanted).model_json_schema()["properties"]["value"]):
        if _accepts(wanted, text, None):
            return text
    return ""


def candidates(schema: Mapping[str, Any]) -> list[str]:
    """Texts that a field of this JSON Schema may accept: choices, its example, that with other numbers, a word."""
    found: list[str] = []
    for one in (schema, *schema.get("anyOf", ())):
        constant = [one["const"]] if "const" in one else []
        found += [str(value) for value in (*one.get("enum", ()), *constant, *one.get("examples", ()))]
    numbers = (re.fullmatch(r"[-+0-9.e]+(.*)", text) for text in tuple(found))
    return [*found, *(other + match[1] for match in numbers if match for other in _OTHER_NUMBERS), "text"]


def _accepts(wanted: Any, text: str, reading: Reading | None) -> bool:
    try:
        _alone(wanted).model_validate({"value": text}, context=reading)
    except ValidationError:
        return False
    return True


def _names(wanted: Any, name: str, text: str) -> bool:
    """Whether a field takes this parameter's name for its text."""
    probe = Reading(parameters={name: text})
    return _accepts(wanted, name, probe) and name in probe.used
