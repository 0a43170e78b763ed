"""JSON Schema of the two kinds of file, made from the models; quantities are texts with a pattern."""

from __future__ import annotations

from collections.abc import Mapping
from typing import Any

from pydantic import BaseModel

from sequences.bench import Bench
from sequences.model import Sequence
from sequences.step import STEP_SCHEMA, Step

DRAFT = "https://json-schema.org/draft/2020-12/schema"


def bench_schema() -> dict[str, Any]:
    """The schema of a bench file."""
    return {"$schema": DRAFT, **_plain(Bench, {})}


def sequence_schema(kinds: Mapping[str, type[Step]]) -> dict[str, Any]:
    """The schema of a sequence with these step kinds."""
    definitions: dict[str, Any] = {}
    schema = _plain(Sequence, definitions)
    for kind, cls in kinds.items():
        definitions[f"step {kind}"] = _plain(cls, definitions)
    definitions["step"] = {"oneOf": [_step(kind, cls) for kind, cls in kinds.items()]}
    return {"$schema": DRAFT, **schema, "$defs": definitions}


def _step(kind: str, cls: type[Step]) -> dict[str, Any]:
    """One kind as a table with one key, and the short form where the kind has one."""
    body: dict[str, Any] = {"$ref": f"#/$defs/step {kind}"}
    if cls.main:
        short = cls.model_json_schema()["properties"][cls.main]
        body = {"anyOf": [body, {key: value for key, value in short.items() if key != "title"}]}
    described = {**body, "description": (cls.__doc__ or "").strip()}
    return {
        "type": "object",
        "additionalProperties": False,
        "required": [kind],
        "properties": {kind: described},
    }


def _plain(model: type[BaseModel], definitions: dict[str, Any]) -> dict[str, Any]:
    """A model's schema with its definitions moved to `definitions` if that is shared, titles dropped."""
    schema = model.model_json_schema(mode="validation")
    inner = schema.pop("$defs", {})
    definitions.update({name: _tidy(one) for name, one in inner.items()})
    tidy: dict[str, Any] = _tidy(schema)
    return tidy if model is not Bench else {**tidy, "$defs": definitions}


def _tidy(schema: Any) -> Any:
    """Without generated titles and defaults, and with the place of a step pointing at all kinds."""
    if isinstance(schema, list):
        return [_tidy(one) for one in schema]
    if not isinstance(schema, dict):
        return schema
    if schema.get("title") == STEP_SCHEMA:
        return {"$ref": "#/$defs/step"}
    if (
        "anyOf" in schema and {"type": "null"} in schema["anyOf"]
    ):  # a key that may be absent is never written as null
        kept = [one for one in schema["anyOf"] if one != {"type": "null"}]
        outer = {key: value for key, value in schema.items() if key != "anyOf"}
        return _tidy({**kept[0], **outer} if len(kept) == 1 else {**outer, "anyOf": kept})
    tidy = {key: _tidy(value) for key, value in schema.items() if not _generated(key, value)}
    if "patternProperties" in tidy:
        tidy["additionalProperties"] = False
    return tidy


def _generated(key: str, value: Any) -> bool:
    return (key == "title" and isinstance(value, str)) or key == "default"
