"""Requirements: a limit, the clause it comes from, which values it means, and the rule it is applied by."""

from __future__ import annotations

from typing import Annotated, Any, Literal

from pydantic import BeforeValidator, ConfigDict, Field, ValidationInfo, WithJsonSchema

from sequences.capture import CYCLE_COUNTS, CYCLE_FIGURES
from sequences.fields import NAME, Amount, Model, Name, Reading, Text
from sequences.quantity import Quantity, QuantityError, number, pattern

Judged = Literal[
    "every shot",
    "every cycle",
    "every measurement",
    "count",
    "first",
    "last",
    "mean",
    "largest",
    "change first to last",
]
Rule = Literal["simple_acceptance", "guard_band"]
COUNTS = {name for name, kind in (CYCLE_FIGURES | CYCLE_COUNTS).items() if not kind.unit}
"""Results of a duty of cycles that are plain numbers."""


def _limit(value: Any, info: ValidationInfo) -> Any:
    """A plain number for a count, otherwise as any amount."""
    counted = info.data.get("judged") == "count" or info.data.get("result") in COUNTS
    if not counted or not isinstance(value, str):
        return value
    text = value.strip()
    reading = info.context
    known = reading.parameters if isinstance(reading, Reading) else {}
    try:
        plain = Quantity(number(known.get(text, text)), "", known.get(text, text))
    except QuantityError:
        return value
    if isinstance(reading, Reading) and text in known:
        reading.used.add(text)
    return plain


Limit = Annotated[
    Amount,
    BeforeValidator(_limit),
    WithJsonSchema(
        {
            "type": ["number", "string"],
            "pattern": f"^(?:[-+0-9.eE]+|{pattern()}|{NAME})$",
            "description": "a quantity, as in `310 V`, a plain number for a count, or a parameter's name",
            "examples": ["310 V"],
        }
    ),
]


def _unless_a_count(schema: dict[str, Any]) -> None:
    """For editors: a plain number is good for a count alone, and everything else needs its unit."""
    of_count = {"enum": sorted(COUNTS), "description": "a count"}
    as_count = {"const": "count", "description": "judged as a count"}
    limit = {
        "type": "string",
        "pattern": f"^(?:{pattern()}|{NAME})$",
        "description": "a quantity with its unit",
    }
    counted = [{"properties": {"result": of_count}}, {"properties": {"judged": as_count}}]
    schema["if"] = {"anyOf": counted}
    schema["else"] = {"properties": {"at_most": limit, "at_least": limit}}


class Requirement(Model):
    """One limit, the clause it comes from and the rule it is applied by."""

    model_config = ConfigDict(json_schema_extra=_unless_a_count)

    clause: Text | None = Field(None, description="where the limit stands")
    result: Name = Field(description="the result that is limited")
    judged: Judged = Field(description="which of the many values the limit means")
    at_most: Limit | None = Field(None, description="upper tolerance limit; for a count a plain number")
    at_least: Limit | None = Field(None, description="lower tolerance limit; with at_most it makes a range")
    must_be: Text | None = Field(None, description="state that an indicator must be in")
    rule: Rule | None = Field(None, description="decision rule for a numerical limit")
