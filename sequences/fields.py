"""The types of the language's fields: text in, plain SI floats out, each with its JSON Schema.

A field that takes a number or a quantity also takes the name of a parameter (`set_at_start`), which stands for
the whole value. Complaints carry a finding's code, what is wrong and help; the loader gives them their place.
"""

from __future__ import annotations

import re
from collections.abc import Callable, Collection, Iterable, Sequence
from dataclasses import dataclass, field
from datetime import date
from difflib import get_close_matches
from typing import Annotated, Any, ClassVar, NoReturn

from pydantic import BaseModel, BeforeValidator, ConfigDict, ValidationInfo, WithJsonSchema, model_validator
from pydantic_core import PydanticCustomError

from sequences import quantity
from sequences.quantity import DIMENSIONS, Quantity, QuantityError, Toleranced
from sequences.tree import Refused

LONGEST_VALUE = 500
NAME = "[a-z][a-z0-9_]*"


@dataclass(slots=True)
class Reading:
    """What a file's validation knows beside the data: step kinds, parameter texts, and what it has met so
    far."""

    kinds: dict[str, Any] = field(default_factory=dict)
    parameters: dict[str, str] = field(default_factory=dict)
    used: set[str] = field(default_factory=set)
    refused: set[str] = field(default_factory=set)  # parameters whose own table is refused
    any_refused: bool = False  # whether nobody can know which parameters there are
    models: dict[int, type[BaseModel]] = field(
        default_factory=dict
    )  # id of a table -> the model that read it

    def is_refused(self, text: str) -> bool:
        """Whether the text names a parameter that is refused where it is offered; where it is used nothing is said."""
        return text in self.refused or (self.any_refused and re.fullmatch(NAME, text) is not None)


class Model(BaseModel):
    """Base of everything in a file: closed, unchangeable, attributes named as the keys."""

    model_config = ConfigDict(extra="forbid", frozen=True, arbitrary_types_allowed=True)

    # the key that tells this model from the others that may stand in its place, where no `type` does
    told_by: ClassVar[str] = ""

    @model_validator(mode="before")
    @classmethod
    def _note_model(cls, data: Any, info: ValidationInfo) -> Any:
        if isinstance(info.context, Reading) and isinstance(data, dict):
            info.context.models[id(data)] = cls
        return data


def tag_of(model: type[Model]) -> str:
    """What the validation calls a model that a key of its own tells: no key of a file is written so."""
    return f"with {model.told_by}"


def told(models: Sequence[type[Model]], keys: Collection[str]) -> type[Model]:
    """The one of these models that a table with such keys is meant to be; the first if that is open."""
    return max(models, key=lambda one: (one.told_by in keys, len(set(keys) & one.model_fields.keys())))


def complain(code: str, what: str, advice: str) -> NoReturn:
    """Raise the complaint that the loader turns into a finding at the field's place."""
    raise PydanticCustomError(code, "{what}", {"what": what, "help": advice})


def nearest(word: str, known: Iterable[str]) -> str:
    """Help that names the nearest known word, or the known words if none is near."""
    words = sorted(known)
    near = get_close_matches(word, words, n=1, cutoff=0.6)
    if near:
        return f"write {near[0]}"
    return f"known here: {', '.join(words)}" if words else "remove it"


def scalar(value: Any) -> str:
    """The text of a single value; complains about a table, a list or nothing."""
    if isinstance(value, Refused):
        complain("refused-already", "", "")
    if not isinstance(value, str):
        shape = "a table" if isinstance(value, dict) else "a list"
        complain(
            "wrong-shape",
            f"A single value is wanted here, and this is {shape}.",
            "write one value after the colon",
        )
    if len(value) > LONGEST_VALUE:
        complain("out-of-bounds", f"The value has {len(value)} characters.", f"write {LONGEST_VALUE} at most")
    if not value.strip():
        complain("empty-value", "Nothing stands here.", "write a value or remove the key")
    return value.strip()


def _resolved(value: Any, info: ValidationInfo) -> str:
    """The text of a value, or of the parameter that stands for it."""
    text = scalar(value)
    reading = info.context
    if isinstance(reading, Reading) and reading.is_refused(text):
        reading.used.add(text)
        complain("refused-already", "", "")
    if isinstance(reading, Reading) and text in reading.parameters:
        reading.used.add(text)
        return reading.parameters[text]
    return text


def _complain_about(error: QuantityError, value: Any, info: ValidationInfo) -> NoReturn:
    text = str(value).strip()
    known = info.context.parameters if isinstance(info.context, Reading) else {}
    if text in known:
        complain(error.code, f'The parameter "{text}" stands here. {error.what}', error.help)
    if re.fullmatch(NAME, text):
        near = get_close_matches(text, known, n=1, cutoff=0.6)
        hint = f"the parameter {near[0]} is near; or {error.help}" if near else error.help
        complain(error.code, f'"{text}" is neither a value nor a parameter of set_at_start.', hint)
    complain(error.code, error.what, error.help)


def _reader(read: Callable[[str], Any]) -> BeforeValidator:
    def validate(value: Any, info: ValidationInfo) -> Any:
        if isinstance(value, (int, float, Toleranced)):
            return value  # a model built in code, not from a file
        try:
            return read(_resolved(value, info))
        except QuantityError as error:
            _complain_about(error, value, info)

    return BeforeValidator(validate)


def _or_parameter(pattern: str) -> dict[str, Any]:
    return {"type": "string", "pattern": f"^(?:{pattern}|{NAME})$"}


def _schema(dimension: str | None, tolerance: bool = False) -> WithJsonSchema:
    wanted = DIMENSIONS[dimension] if dimension else None
    words = wanted.words if wanted else "a quantity of any kind"
    example = wanted.example if wanted else "310 V"
    plain = quantity.pattern(dimension)
    band = r" *(?:\+-|\u00b1|\+/-) *" + quantity.pattern()
    body = plain + band if tolerance else plain
    example = f"{example} +-2 %" if tolerance else example
    described = (
        f"{words}{' with its tolerance' if tolerance else ''}, as in `{example}`, or a parameter's name"
    )
    return WithJsonSchema({**_or_parameter(body), "description": described, "examples": [example]})


def _plain(dimension: str) -> tuple[BeforeValidator, WithJsonSchema]:
    return _reader(lambda text: float(quantity.parse(text, dimension))), _schema(dimension)


def _band(dimension: str | None) -> tuple[BeforeValidator, WithJsonSchema]:
    return _reader(lambda text: quantity.parse_toleranced(text, dimension)), _schema(
        dimension, tolerance=True
    )


Volts = Annotated[float, *_plain("voltage")]
Amperes = Annotated[float, *_plain("current")]
Ohms = Annotated[float, *_plain("resistance")]
Seconds = Annotated[float, *_plain("time")]
Hertz = Annotated[float, *_plain("frequency")]
Fraction = Annotated[float, *_plain("ratio")]
Metres = Annotated[float, *_plain("length")]
MetresPerSecond = Annotated[float, *_plain("speed")]
MetresPerSecondSquared = Annotated[float, *_plain("acceleration")]
Newtons = Annotated[float, *_plain("force")]
Kelvins = Annotated[float, *_plain("temperature difference")]
PerSecond = Annotated[float, *_plain("rate")]
Amount = Annotated[Quantity, _reader(quantity.parse), _schema(None)]
TolerancedAmperes = Annotated[Toleranced, *_band("current")]
TolerancedVolts = Annotated[Toleranced, *_band("voltage")]
TolerancedOhms = Annotated[Toleranced, *_band("resistance")]
TolerancedAmount = Annotated[Toleranced, *_band(None)]


def _whole(text: str) -> int:
    if not re.fullmatch(r"-?[0-9]{1,9}", text, re.ASCII):
        raise QuantityError(
            "not-a-number", f'"{text}" is not a whole number.', "write digits alone, for example 12"
        )
    return int(text)


def _numeric(kind: str, pattern: str, words: str) -> WithJsonSchema:
    schema = {"type": [kind, "string"], "pattern": f"^(?:{pattern}|{NAME})$", "examples": ["12"]}
    return WithJsonSchema({**schema, "description": f"{words}, or a parameter's name"})


Count = Annotated[int, _reader(_whole), _numeric("integer", "[0-9]{1,9}", "a whole number")]
Number = Annotated[float, _reader(quantity.number), _numeric("number", "[-+0-9.eE]+", "a plain number")]


def _name(value: Any) -> str:
    text = scalar(value)
    if not re.fullmatch(NAME, text, re.ASCII) or len(text) > 64:
        fixed = re.sub(r"[^a-z0-9]+", "_", text.lower()).strip("_")
        good = fixed if re.fullmatch(NAME, fixed) else "a name such as leakage_2"
        complain("not-a-name", f'"{text[:64]}" is not a name.', f"write {good}")
    return text


def _truth(value: Any) -> bool:
    if isinstance(value, bool):
        return value
    text = scalar(value)
    if text not in ("true", "false"):
        complain("not-a-choice", f'"{text}" is neither true nor false.', "write true or false")
    return text == "true"


def _date(value: Any) -> date:
    if isinstance(value, date):
        return value
    text = scalar(value)
    try:
        if not re.fullmatch(r"[0-9]{4}-[0-9]{2}-[0-9]{2}", text, re.ASCII):
            raise ValueError
        return date.fromisoformat(text)
    except ValueError:
        complain("not-a-date", f'"{text}" is not a date.', "write year-month-day, as in 2027-08-31")


_RESOURCE = re.compile(
    r"(?:TCPIP[0-9]*(?:::[^:\s]+){1,3}|ASRL[^:\s]*|(?:USB|GPIB|VXI|PXI)[0-9]*(?:::[^:\s]+)+)"
    r"::(?:SOCKET|INSTR|RAW)",
    re.ASCII,
)
_SOCKET = re.compile(r"TCPIP[0-9]*::(?:[^:\s]+)::([0-9]+)::SOCKET", re.ASCII)


def _resource(value: Any) -> str:
    text = scalar(value)
    socket = _SOCKET.fullmatch(text)
    port_wrong = text.endswith("SOCKET") and (socket is None or not 0 < int(socket.group(1)[:9]) < 65536)
    if not _RESOURCE.fullmatch(text) or port_wrong:
        complain(
            "not-a-resource",
            f'"{text[:80]}" is not the address of an instrument.',
            "write TCPIP::host::port::SOCKET or ASRL/dev/ttyUSB0::INSTR",
        )
    return text


_ANY_TEXT = {"type": ["string", "number", "boolean"]}
Text = Annotated[str, BeforeValidator(scalar), WithJsonSchema({**_ANY_TEXT, "description": "text"})]
Name = Annotated[
    str,
    BeforeValidator(_name),
    WithJsonSchema(
        {
            "type": "string",
            "pattern": f"^{NAME}$",
            "description": "a name: small letters, digits, underscores",
            "examples": ["leakage_2"],
        }
    ),
]
Truth = Annotated[bool, BeforeValidator(_truth), WithJsonSchema({"enum": [True, False, "true", "false"]})]
Date = Annotated[
    date,
    BeforeValidator(_date),
    WithJsonSchema(
        {
            "type": "string",
            "pattern": "^[0-9]{4}-[0-9]{2}-[0-9]{2}$",
            "description": "a date, as in `2027-08-31`",
            "examples": ["2027-08-31"],
        }
    ),
]
Resource = Annotated[
    str,
    BeforeValidator(_resource),
    WithJsonSchema(
        {
            "type": "string",
            "description": "a VISA resource string, as in `TCPIP::192.0.2.10::5025::SOCKET`",
            "examples": ["TCPIP::192.0.2.10::5025::SOCKET"],
        }
    ),
]


def _language(value: Any) -> int:
    text = str(value) if isinstance(value, int) else scalar(value)
    if text != "1":
        complain(
            "language-version", f'The language "{text}" is not known to this version.', "write language: 1"
        )
    return 1


Language = Annotated[
    int,
    BeforeValidator(_language),
    WithJsonSchema({"enum": [1, "1"], "description": "version of the language"}),
]
