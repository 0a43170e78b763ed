"""An instrument's stated accuracy as a person types it, for records that do not carry it.

    voltage: gain 0.5 %, offset 0.1 %, timebase 50 ppm, range 2.5 kV, bits 12; current: gain 1 %

`gain` is of the reading, `offset` of the range, `timebase` of any time; `range` is full scale from zero.
"""

from __future__ import annotations

import re
from collections.abc import Mapping
from dataclasses import dataclass, replace

from orchestrator.analysis.column_units import base_and_factor
from orchestrator.analysis.waveform import Accuracy, Channel, Waveform

FORM = "voltage: gain 0.5 %, offset 0.1 %, timebase 50 ppm, range 2.5 kV, bits 12"
_PART = re.compile(r"(?P<word>[a-z]+)\s+(?P<number>[0-9]+(?:\.[0-9]+)?(?:e-?[0-9]+)?)\s*(?P<unit>\S*)")
_QUANTITY = re.compile(r"(?P<number>[0-9]+(?:\.[0-9]+)?)\s*(?P<unit>[a-zA-Z]+)")
_FRACTIONS = {"%": 1e-2, "ppm": 1e-6}


@dataclass(frozen=True)
class StatedAccuracy:
    """What was typed for one channel; None where it was not."""

    gain_fraction: float = 0.0
    offset_fraction_of_range: float = 0.0
    timebase_fraction: float = 0.0
    range_value: float | None = None
    range_unit: str = ""
    bits: int | None = None


def parse_accuracy(text: str) -> dict[str, StatedAccuracy]:
    """Channel name -> what is stated. Raises ValueError that says which part is wrong."""
    stated: dict[str, StatedAccuracy] = {}
    for piece in filter(str.strip, text.split(";")):
        name, colon, parts = piece.partition(":")
        if not colon or not name.strip():
            raise ValueError(f"{piece.strip()!r} does not begin with a channel and a colon")
        if name.strip() in stated:
            raise ValueError(f"{name.strip()} is given twice")
        stated[name.strip()] = _parts(name.strip(), parts)
    if not stated:
        raise ValueError("nothing is stated")
    return stated


def _parts(name: str, text: str) -> StatedAccuracy:
    found: dict[str, object] = {}
    for part in text.split(","):
        match = _PART.fullmatch(part.strip())
        if match is None:
            raise ValueError(f"{name}: {part.strip()!r} is not a word, a number and a unit")
        values = _part(name, match["word"], float(match["number"]), match["unit"])
        if values.keys() & found.keys():
            raise ValueError(f"{name}: {match['word']} is given twice")
        found |= values
    return replace(StatedAccuracy(), **found)  # type: ignore[arg-type]


def _part(name: str, word: str, number: float, unit: str) -> dict[str, object]:
    fields = {"gain": "gain_fraction", "offset": "offset_fraction_of_range", "timebase": "timebase_fraction"}
    if word in fields:
        if unit not in _FRACTIONS:
            raise ValueError(f"{name}: {word} is given in % or ppm, not in {unit or 'a bare number'!r}")
        return {fields[word]: number * _FRACTIONS[unit]}
    if word == "range":
        base, factor = base_and_factor(unit)
        if base not in ("V", "A") or number == 0.0:
            raise ValueError(f"{name}: range is full scale from zero, such as 2.5 kV")
        return {"range_value": number * factor, "range_unit": base}
    if word == "bits":
        if unit or number != int(number) or not 4 <= number <= 32:
            raise ValueError(f"{name}: bits is a whole number from 4 to 32")
        return {"bits": int(number)}
    raise ValueError(f"{name}: {word!r} is not one of gain, offset, timebase, range, bits")


def with_accuracy(waveform: Waveform, stated: Mapping[str, StatedAccuracy]) -> Waveform:
    """The waveform with what was typed, which goes before what the file says.

    Raises ValueError for a channel that is not in the record or a range in another unit.
    """
    unknown = sorted(stated.keys() - waveform.channels.keys())
    if unknown:
        has = ", ".join(waveform.channels)
        raise ValueError(f"the record has no channel {unknown[0]!r}; it has {has}")
    applied = {name: _applied(waveform.channels[name], each) for name, each in stated.items()}
    return replace(waveform, channels={**waveform.channels, **applied})


def _applied(channel: Channel, stated: StatedAccuracy) -> Channel:
    if stated.range_unit and stated.range_unit != channel.unit:
        raise ValueError(f"{channel.name}: the range is in {stated.range_unit}, the record in {channel.unit}")
    full_scale = channel.full_scale
    if stated.range_value is not None:
        full_scale = (-stated.range_value, stated.range_value)
    accuracy = Accuracy(stated.gain_fraction, stated.offset_fraction_of_range, stated.timebase_fraction)
    bits = channel.bits if stated.bits is None else stated.bits
    return replace(channel, accuracy=accuracy, full_scale=full_scale, bits=bits)


def parse_voltage(text: str) -> float:
    """A voltage above zero as typed, in V. Raises ValueError."""
    match = _QUANTITY.fullmatch(text.strip())
    base, factor = base_and_factor(match["unit"]) if match else ("", 0.0)
    if match is None or base != "V" or float(match["number"]) == 0.0:
        raise ValueError(f"{text.strip()!r} is not a voltage")
    return float(match["number"]) * factor
