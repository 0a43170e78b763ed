"""Dialects: the wording that one instrument family understands, one data file each.

A file holds headers of SCPI-99's command tree (or the words of a motion controller), character data and numbers;
there is nothing to substitute in it. The driver appends the question mark, the values, and the channel's number to
the node that the file names.
Adding a family is adding a file.
"""

from __future__ import annotations

import tomllib
from dataclasses import MISSING, Field, fields, is_dataclass
from functools import cache
from importlib import resources
from importlib.resources.abc import Traversable
from typing import Any, Literal, TypeVar, cast, get_args, get_origin, get_type_hints

from drivers.dialects.shapes import (
    ActuatorDialect,
    ContactRecorderDialect,
    DigitiserDialect,
    ImpulseSourceDialect,
    LeakageMeterDialect,
    Waiting,
)

T = TypeVar("T")


class DialectError(ValueError):
    """A dialect file cannot be used; the sentence names the file and the key."""


Dialect = (
    ImpulseSourceDialect | DigitiserDialect | LeakageMeterDialect | ActuatorDialect | ContactRecorderDialect
)
SHAPES: dict[str, type[Dialect]] = {
    "impulse source": ImpulseSourceDialect,
    "digitiser": DigitiserDialect,
    "leakage meter": LeakageMeterDialect,
    "actuator": ActuatorDialect,
    "contact recorder": ContactRecorderDialect,
}


def names() -> list[str]:
    """Names of the dialects that come with the program: their file names without the ending."""
    return sorted(entry.name.removesuffix(".toml") for entry in _files() if entry.name.endswith(".toml"))


@cache
def load(name: str) -> Dialect:
    """The dialect of that name. Raises `DialectError`."""
    for entry in _files():
        if entry.name == f"{name}.toml":
            return parse(entry.read_text("utf-8"), entry.name)
    raise DialectError(f"there is no dialect {name!r}; there are: {', '.join(names())}")


def parse(text: str, file: str) -> Dialect:
    """A dialect from the text of its file. Raises `DialectError` naming `file` and the key."""
    try:
        table = tomllib.loads(text)
    except tomllib.TOMLDecodeError as error:
        raise DialectError(f"{file}: {error}") from error
    shape = SHAPES.get(str(table.get("equipment")))
    if shape is None:
        raise DialectError(f"{file}: key equipment: must be one of {', '.join(SHAPES)}")
    dialect = _read(shape, table, file, "")
    if isinstance(dialect, DigitiserDialect):
        _require_suffix_nodes(dialect, file)
        _require_waiting(dialect.waiting, file)
    if isinstance(dialect, ActuatorDialect):
        _require_apart(dialect, file)
    return dialect


def _files() -> list[Traversable]:
    return list(resources.files(__name__).iterdir())


def _read(shape: type[T], table: dict[str, Any], file: str, where: str) -> T:
    known = {each.name: each for each in fields(cast(Any, shape))}
    for key in table:
        if key not in known:
            raise DialectError(f"{file}: key {where}{key}: not known here; known: {', '.join(known)}")
    hints = get_type_hints(shape)
    values = {key: _value(hints[key], table, each, file, where) for key, each in known.items()}
    return shape(**{key: value for key, value in values.items() if value is not MISSING})


def _value(hint: Any, table: dict[str, Any], each: Field[Any], file: str, where: str) -> Any:
    key = f"{where}{each.name}"
    if each.name not in table:
        if each.default is MISSING and each.default_factory is MISSING:
            raise DialectError(f"{file}: key {key}: missing")
        return MISSING
    value = table[each.name]
    if is_dataclass(hint):
        if not isinstance(value, dict):
            raise DialectError(f"{file}: key {key}: must be a table")
        return _read(cast(Any, hint), value, file, f"{key}.")
    return _plain(hint, value, f"{file}: key {key}")


def _plain(hint: Any, value: Any, where: str) -> Any:
    if get_origin(hint) is Literal:
        if value not in get_args(hint):
            raise DialectError(f"{where}: must be one of {', '.join(get_args(hint))}")
        return value
    if get_origin(hint) is tuple:
        if not isinstance(value, list) or not value or not all(_is_line(item) for item in value):
            raise DialectError(f"{where}: must be a list of texts")
        return tuple(value)
    if hint is int and (not isinstance(value, int) or isinstance(value, bool)):
        raise DialectError(f"{where}: must be a whole number")
    if hint is bool and not isinstance(value, bool):
        raise DialectError(f"{where}: must be true or false")
    if hint is str and not _is_line(value):
        raise DialectError(f"{where}: must be a text of one line")
    return value


def _is_line(value: object) -> bool:
    return isinstance(value, str) and value.isascii() and value.isprintable() and bool(value.strip())


def _require_suffix_nodes(dialect: DigitiserDialect, file: str) -> None:
    for each in fields(dialect.channel_suffix):
        node = getattr(dialect.channel_suffix, each.name)
        header = getattr(dialect.headers, each.name)
        if node and node not in header.split(":"):
            raise DialectError(f"{file}: key channel_suffix.{each.name}: {node} is no node of {header}")


def _require_waiting(waiting: Waiting, file: str) -> None:
    if waiting.method == "status bit" and not 0 <= waiting.bit <= 15:
        raise DialectError(f"{file}: key waiting.bit: must be from 0 to 15 for the method status bit")
    if waiting.method == "sample count" and not waiting.points:
        raise DialectError(f"{file}: key waiting.points: missing for the method sample count")


def _require_apart(dialect: ActuatorDialect, file: str) -> None:
    """What stands before a value tells the values apart, so none may begin like another; and how it is learned
    that a motion has ended must be said."""
    pairs = [(each.name, str(getattr(dialect.state, each.name))) for each in fields(dialect.state)]
    for name, text in pairs:
        for other, begins in pairs:
            if name != other and text.startswith(begins):
                raise DialectError(f"{file}: key state.{name}: {text} begins like state.{other}")
    numbered = dialect.line.numbered == "in front, answers too"
    for each in fields(dialect.answers):
        if numbered and not getattr(dialect.answers, each.name):
            raise DialectError(f"{file}: key answers.{each.name}: missing where answers are numbered")
    if dialect.line.completion == "announced" and not numbered:
        raise DialectError(f"{file}: key line.completion: announced needs numbered answers")
