"""The validation library's errors as findings of ours: a code, a place, a plain sentence, help."""

from __future__ import annotations

from collections.abc import Mapping
from typing import Any

from pydantic import ValidationError

from sequences import tree
from sequences.fields import Reading, nearest
from sequences.findings import Finding
from sequences.places import Located, Path_, child, locate, step_body
from sequences.quantity import QuantityError, parse, show
from sequences.tree import Node, Scalar

_SHAPES = {
    "model_type": "a table of keys", "model_attributes_type": "a table of keys", "dict_type": "a table of keys",
    "tuple_type": "a list", "list_type": "a list", "string_type": "a single value",
}  # fmt: skip
_BOUNDS = {
    "greater_than": ("more than", "gt"),
    "greater_than_equal": ("at least", "ge"),
    "less_than": ("less than", "lt"),
    "less_than_equal": ("at most", "le"),
}
_MISSING = {"judged": "judged-missing"}


def errors_of(error: ValidationError) -> list[Any]:
    """The errors of a validation, without "too short" for a list that is long enough but for entries refused."""
    every = error.errors(include_url=False)
    return [
        one for one in every if one["type"] != "too_short" or len(one["input"]) < one["ctx"]["min_length"]
    ]


class Translator:
    """Turns one validation's errors into findings with places."""

    def __init__(self, located: Located, data: Any, reading: Reading) -> None:
        self.located, self.data, self.reading = located, data, reading

    def finding(self, error: Mapping[str, Any]) -> Finding | None:
        path: Path_ = error["loc"]
        kind: str = error["type"]
        context = error.get("ctx", {})
        if kind == "refused-already" or isinstance(error["input"], tree.Refused):
            return None
        if kind == "extra_forbidden":
            return self._say(
                "unknown-key",
                path,
                f'The key "{str(path[-1])[:64]}" is not known here.',
                self._nearest_key(path),
                key=True,
            )
        if kind == "missing":
            return self._missing(path)
        if "what" in context:
            return self._say(kind, path, context["what"], context["help"])
        return self._general(kind, path, context, error["input"])

    def _say(self, code: str, path: Path_, what: str, advice: str, key: bool = False) -> Finding:
        mark = locate(self.located.root, path, key) if self.located.root else None
        return self.located.source.finding(code, mark, what, advice)

    def _missing(self, path: Path_) -> Finding:
        name = str(path[-1])
        words = self._described(path)
        return self._say(
            _MISSING.get(name, "missing-key"),
            path[:-1],
            f'The key "{name}" is missing here.',
            f"write {name}: {words}",
        )

    def _general(self, kind: str, path: Path_, context: Mapping[str, Any], value: Any) -> Finding:
        if kind in _SHAPES:
            return self._say("wrong-shape", path, f"Here {_SHAPES[kind]} is wanted.", _shape_help(kind, path))
        if kind in _BOUNDS:
            return self._bounds(kind, path, context)
        if kind == "too_short":
            return self._say(
                "too-few", path, f"At least {context['min_length']} entry is needed here.", "add one"
            )
        if kind in ("literal_error", "union_tag_invalid"):
            return self._choice(path, context, value)
        if kind == "union_tag_not_found":
            return self._say(
                "missing-key",
                path,
                'The key "type" is missing here.',
                "write type: and the type of equipment",
            )
        return self._say(
            "not-understood",
            path,
            "The value does not fit here.",
            "look at the language reference for this key",
        )

    def _bounds(self, kind: str, path: Path_, context: Mapping[str, Any]) -> Finding:
        words, key = _BOUNDS[kind]
        text = self._text(path)
        bound = _bound_text(text, context[key])
        return self._say(
            "out-of-bounds", path, f'"{text}" has to be {words} {bound}.', f"write a value of {words} {bound}"
        )

    def _choice(self, path: Path_, context: Mapping[str, Any], value: Any) -> Finding:
        words = str(context.get("expected") or context.get("expected_tags", "")).replace(" or ", ", ")
        choices = [word.strip().strip("'") for word in words.split(",")]
        if "expected_tags" in context:
            path = (*path, "type")
            value = value.get("type", "") if isinstance(value, dict) else value
        if not isinstance(value, str):
            return self._say(
                "wrong-shape", path, "A single value is wanted here.", f"write one of: {', '.join(choices)}"
            )
        code = "not-a-choice" if value.strip() else "empty-value"
        return self._say(code, path, f'"{value}" is none of: {", ".join(choices)}.', nearest(value, choices))

    def _text(self, path: Path_) -> str:
        node = self._node(path)
        text = node.text.strip() if isinstance(node, Scalar) else ""
        return self.reading.parameters.get(text, text)

    def _node(self, path: Path_) -> Node | None:
        node = self.located.root
        for part in path:
            if node is None:
                return None
            body = step_body(node, part)
            node = child(node, part) or (child(body, part) if body else None) or node
        return node

    def _model(self, path: Path_) -> Any:
        """The model that read the table at a path."""
        data = self.data
        for part in path:
            data = _below(data, part)
        while isinstance(data, dict) and id(data) not in self.reading.models and len(data) == 1:
            data = next(iter(data.values()))  # a step: its model reads what stands under its kind
        return self.reading.models.get(id(data))

    def _nearest_key(self, path: Path_) -> str:
        model = self._model(path[:-1])
        return nearest(str(path[-1]), model.model_fields) if model else "remove it"

    def _described(self, path: Path_) -> str:
        model = self._model(path[:-1])
        known = model.model_fields.get(path[-1]) if model else None
        return f"({known.description})" if known and known.description else "and its value"


def _below(data: Any, part: str | int) -> Any:
    if isinstance(data, list) and isinstance(part, int):
        return data[part] if part < len(data) else data
    if isinstance(data, dict) and part in data:
        return data[part]
    if isinstance(data, dict) and len(data) == 1:
        inner = next(iter(data.values()))
        if isinstance(inner, dict) and part in inner:
            return inner[part]
    return data


def _shape_help(kind: str, path: Path_) -> str:
    name = str(path[-1]) if path else "key"
    return (
        f"write {name}: [one, two]"
        if kind in ("tuple_type", "list_type")
        else f"write {name}: and its keys below, each on a line of its own"
    )


def _bound_text(text: str, bound: float) -> str:
    """A bound in the dimension of the text it limits."""
    try:
        unit = parse(text).unit
    except QuantityError:
        return f"{bound:g}"
    return show(float(bound), unit)
