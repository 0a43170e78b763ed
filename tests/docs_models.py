"""The language reference out of the models: every key with its value, bounds, default, meaning and an example."""

from __future__ import annotations

import json
from collections.abc import Iterable, Iterator, Mapping
from dataclasses import dataclass, field
from pathlib import Path
from types import NoneType, UnionType
from typing import Annotated, Any, Literal, Union, get_args, get_origin

import annotated_types
import yaml
from pydantic import BaseModel, WithJsonSchema
from pydantic.fields import FieldInfo

from orchestrator.steps import KINDS
from sequences.bench import Bench
from sequences.model import Sequence
from sequences.quantity import DIMENSIONS, show
from sequences.step import STEP_SCHEMA, Step

LIBRARY = Path(__file__).resolve().parents[1] / "sequences" / "library"
FIRST = "tidewater"  # whose examples are taken before those of other scenarios
LONGEST_EXAMPLE = 60
_SIGNS = {
    annotated_types.Gt: ("gt", "above"),
    annotated_types.Ge: ("ge", "at least"),
    annotated_types.Lt: ("lt", "below"),
    annotated_types.Le: ("le", "at most"),
}


@dataclass(frozen=True)
class Kind:
    """What may stand as a value: words, an example where the type has one, and the models inside."""

    words: str
    example: str = ""
    dimension: str | None = None
    models: tuple[type[BaseModel], ...] = ()
    is_step: bool = False


@dataclass
class Examples:
    """Values that stand in the library's files, by model and key."""

    found: dict[tuple[type[BaseModel], str], Any] = field(default_factory=dict)

    @classmethod
    def of_library(cls) -> Examples:
        examples = cls()
        folders = sorted(LIBRARY.iterdir(), key=lambda folder: (folder.name != FIRST, folder.name))
        for folder in folders:
            for name, model in (("sequence.yaml", Sequence), ("bench.yaml", Bench)):
                path = folder / name
                if path.is_file():
                    data = yaml.load(path.read_text(encoding="utf-8"), Loader=yaml.BaseLoader)
                    examples._take(model, data, set(data.get("set_at_start") or {}))
        return examples

    def _take(self, model: type[BaseModel], data: Any, parameters: set[str]) -> None:
        for key, value in data.items() if isinstance(data, dict) else ():
            info = model.model_fields.get(key)
            if info is None:
                continue
            if not (isinstance(value, str) and value in parameters):
                self.found.setdefault((model, key), value)
            self._descend(info, value, parameters)

    def _descend(self, info: FieldInfo, value: Any, parameters: set[str]) -> None:
        kind = kind_of(info.annotation, info.metadata)
        tables = list(value.values()) if _is_dict(info.annotation) and isinstance(value, dict) else [value]
        for part in [one for each in tables for one in (each if isinstance(each, list) else [each])]:
            if kind.is_step:
                for name, body in part.items():
                    self._take(
                        KINDS[name], {KINDS[name].main: body} if isinstance(body, str) else body, parameters
                    )
            for model in kind.models:
                if isinstance(part, dict) and _is_of(model, part):
                    self._take(model, part, parameters)


def as_yaml(value: Any, indent: int) -> str:
    """A value after its key: on the same line where it is short, in lines of its own otherwise."""
    if isinstance(value, str) or len(_flow(value)) <= LONGEST_EXAMPLE:
        return f" {_flow(value)}"
    pad = " " * indent
    if isinstance(value, list):
        return "".join(f"\n{pad}-{as_yaml(one, indent + 2)}" for one in value)
    return "".join(f"\n{pad}{key}:{as_yaml(inner, indent + 2)}" for key, inner in value.items())


def _flow(value: Any) -> str:
    """A value as it would stand on one line."""
    if isinstance(value, dict):
        return "{" + ", ".join(f"{key}: {_flow(inner)}" for key, inner in value.items()) + "}"
    if isinstance(value, list):
        return "[" + ", ".join(_flow(inner) for inner in value) + "]"
    return str(value)


def _is_of(model: type[BaseModel], table: Mapping[str, Any]) -> bool:
    """Whether a table is of this model, where several share a place: their `type` says so."""
    info = model.model_fields.get("type")
    if info is None or get_origin(info.annotation) is not Literal:
        return True
    return table.get("type") in get_args(info.annotation)


def _is_dict(annotation: Any) -> bool:
    return get_origin(annotation) is dict or any(map(_is_dict, get_args(annotation)))


# --------------------------------------------------------------------------- what a value is


def kind_of(annotation: Any, metadata: Iterable[Any] = ()) -> Kind:
    """In words what an annotation takes."""
    described = [m.json_schema for m in metadata if isinstance(m, WithJsonSchema) and m.json_schema]
    if described:
        return _described(described[-1])
    origin, arguments = get_origin(annotation), get_args(annotation)
    if origin is Annotated:
        return kind_of(arguments[0], arguments[1:])
    if origin in (Union, UnionType):
        return _either([kind_of(one) for one in arguments if one is not NoneType])
    if origin is Literal:
        return Kind(" or ".join(f"`{word}`" for word in arguments), str(arguments[0]))
    if origin is tuple:
        inner = kind_of(arguments[0])
        example = f"[{inner.example}]" if inner.example else ""
        return Kind(f"a list, each {inner.words}", example, None, inner.models, inner.is_step)
    if origin is dict:
        inner = kind_of(arguments[1])
        return Kind(f"names, each with {inner.words}", "", None, inner.models)
    if isinstance(annotation, type) and issubclass(annotation, BaseModel):
        return Kind(f"a table: [{title(annotation)}](#{anchor(annotation)})", "", None, (annotation,))
    raise TypeError(f"the reference has no words for {annotation!r}")


def _described(schema: Mapping[str, Any]) -> Kind:
    if schema.get("title") == STEP_SCHEMA:
        return Kind("a [step](#steps)", is_step=True)
    if "enum" in schema:
        words = list(dict.fromkeys(str(word).lower() for word in schema["enum"]))
        return Kind(" or ".join(f"`{word}`" for word in words), words[0])
    text = str(schema.get("description", "")).replace(", or a parameter's name", "")
    example = str((schema.get("examples") or [_quoted(text) or _NUMBERS.get(text, "")])[0])
    return Kind(text, example, next((n for n, d in DIMENSIONS.items() if text.startswith(d.words)), None))


_NUMBERS = {"a whole number": "12", "a plain number": "1000"}


def _quoted(text: str) -> str:
    return text.split("`")[1] if text.count("`") > 1 else ""


def _either(kinds: list[Kind]) -> Kind:
    if len(kinds) == 1:
        return kinds[0]
    models = tuple(model for kind in kinds for model in kind.models)
    return Kind(" or ".join(kind.words for kind in kinds), kinds[0].example, None, models)


def title(model: type[BaseModel]) -> str:
    """A model's heading: the type that a `type` key names, or the class's own words."""
    info = model.model_fields.get("type")
    if info is not None and get_origin(info.annotation) is Literal:
        wanted = "in a sequence" if model.__name__.endswith("Wanted") else "of a bench"
        return f"{get_args(info.annotation)[0]} {wanted}"
    words = "".join(f" {letter.lower()}" if letter.isupper() else letter for letter in model.__name__)
    return words.strip()


def anchor(model: type[BaseModel]) -> str:
    """Where the heading is, as Markdown readers make it."""
    return title(model).replace(" ", "-")


# --------------------------------------------------------------------------- tables


def bounds(info: FieldInfo, kind: Kind) -> str:
    """The bounds of a field in its own unit."""
    base = DIMENSIONS[kind.dimension].base if kind.dimension else ""
    said = []
    for constraint in info.metadata:
        for sort, (attribute, words) in _SIGNS.items():
            if isinstance(constraint, sort):
                limit = getattr(constraint, attribute)
                said.append(f"{words} {_amount(float(limit), base)}")
        if isinstance(constraint, annotated_types.MinLen):
            said.append(f"{constraint.min_length} or more")
    return ", ".join(said)


def _amount(value: float, base: str) -> str:
    if not base or value == 0.0:
        return f"{value:g}"
    return f"{value:g} s" if base == "s" else show(value, base)


def _left_out(info: FieldInfo) -> str:
    """Whether the key must be there, and what holds if it is not."""
    if info.is_required():
        return "needed"
    value = info.get_default(call_default_factory=True)
    return f"`{value}`" if isinstance(value, (str, int, float)) else "none"


def rows(model: type[BaseModel], examples: Examples) -> Iterator[tuple[str, ...]]:
    """One row for each key of a model."""
    for key, info in model.model_fields.items():
        kind = kind_of(info.annotation, info.metadata)
        example = _flow(examples.found.get((model, key), kind.example))
        shown = f"`{key}: {example}`" if example and len(example) <= LONGEST_EXAMPLE else ""
        yield f"`{key}`", kind.words, bounds(info, kind), _left_out(info), str(info.description), shown


HEADINGS = ("key", "value", "bounds", "if left out", "meaning", "example")


def table(headings: Iterable[str], lines: Iterable[Iterable[str]]) -> str:
    """A Markdown table."""
    every = [list(headings), *(list(line) for line in lines)]
    every.insert(1, ["---"] * len(every[0]))
    return "\n".join(f"| {' | '.join(cell.replace('|', chr(92) + '|') for cell in line)} |" for line in every)


def sections(model: type[BaseModel], examples: Examples, depth: int = 3) -> str:
    """The model and every model inside it, each once, in the order in which a file names them."""
    seen: dict[type[BaseModel], None] = {}
    _collect(model, seen)
    return "\n\n".join(section(each, examples, depth) for each in seen)


def _collect(model: type[BaseModel], seen: dict[type[BaseModel], None]) -> None:
    if model in seen:
        return
    seen[model] = None
    for info in model.model_fields.values():
        for inner in kind_of(info.annotation, info.metadata).models:
            _collect(inner, seen)


def section(model: type[BaseModel], examples: Examples, depth: int = 3) -> str:
    """One model: heading, what it is, its keys."""
    about = " ".join((model.__doc__ or "").split())
    return f"{'#' * depth} {title(model)}\n\n{about}\n\n{table(HEADINGS, rows(model, examples))}"


# --------------------------------------------------------------------------- steps


def steps(examples: Examples) -> str:
    """Every step kind of the registry, with the models that no sequence names by itself."""
    return "\n\n".join(_step(kind, cls, examples) for kind, cls in KINDS.items())


def _step(kind: str, cls: type[Step], examples: Examples) -> str:
    inside: dict[type[BaseModel], None] = {}
    for info in cls.model_fields.values():
        for model in kind_of(info.annotation, info.metadata).models:
            inside[model] = None
    about = " ".join((cls.__doc__ or "").split())
    short = f" The short form `{kind}: {cls.main}` sets `{cls.main}` alone." if cls.main else ""
    example = f"```yaml\n{step_example(kind, cls, examples)}\n```"
    text = f"### {kind}\n\n{about} {_PLACES[cls.in_block]}{short}\n\n{table(HEADINGS, rows(cls, examples))}"
    return "\n\n".join([text, example])


_PLACES = {
    "only": "It stands inside an `energise` block only.",
    "may": "It may stand inside an `energise` block and outside.",
    "never": "It stands outside of `energise` blocks.",
}


def step_example(kind: str, cls: type[Step], examples: Examples) -> str:
    """A step with every key that it needs, as a list entry; where the library has none, its type's own example."""
    body = []
    for key, info in cls.model_fields.items():
        kept = examples.found.get((cls, key))
        made = kept or kind_of(info.annotation, info.metadata).example
        if made == "text" or (not made and info.is_required()):
            made = json.dumps(str(info.description))
        if info.is_required() or kept:
            body.append(f"    {key}:{as_yaml(made, 6)}")
    return "\n".join([f"- {kind}:", *body])
