"""Captures, the results of each capture method, and the states of indicators: the vocabulary of results."""

from __future__ import annotations

from dataclasses import dataclass
from typing import Annotated, Literal

from pydantic import Field, WithJsonSchema

from sequences.fields import Amount, Model, Name, Seconds


@dataclass(frozen=True, slots=True)
class ResultKind:
    """What a result is: its base unit ("" for a count) and whether it has an uncertainty, or its states."""

    unit: str = ""
    uncertainty: bool = False
    states: tuple[str, ...] = ()


def _wave(unit: str) -> dict[str, ResultKind]:
    return {
        "peak": ResultKind(unit, uncertainty=True),
        "front_time": ResultKind("s", uncertainty=True),
        "time_to_half": ResultKind("s", uncertainty=True),
        "duration_50": ResultKind("s", uncertainty=True),
        "undershoot": ResultKind("1", uncertainty=True),
    }


# method -> result -> kind. The definitions behind the names are those of the analysis of the same name.
METHODS: dict[str, dict[str, ResultKind]] = {
    "impulse-voltage": _wave("V"),
    "impulse-current": _wave("A"),
    "limiting-voltage": {
        "limiting_voltage": ResultKind("V", uncertainty=True),
        "peak_current": ResultKind("A", uncertainty=True),
        "energy": ResultKind("J", uncertainty=True),
        "charge": ResultKind("C", uncertainty=True),
    },
}
# What each method must be given: one channel of each of these quantities.
METHOD_CHANNELS: dict[str, tuple[str, ...]] = {
    "impulse-voltage": ("V",),
    "impulse-current": ("A",),
    "limiting-voltage": ("V", "A"),
}

# What every cycle gives, for each mount; counts stand for the whole duty. A count has no unit: it is a plain number.
CYCLE_FIGURES: dict[str, ResultKind] = {
    "make_time": ResultKind("s", uncertainty=True),
    "bounce_time": ResultKind("s", uncertainty=True),
    "bounce_count": ResultKind(""),
    "inrush": ResultKind("A", uncertainty=True),
    "steady_current": ResultKind("A", uncertainty=True),
    "contact_drop": ResultKind("V", uncertainty=True),
    "break_time": ResultKind("s", uncertainty=True),
    "arcing_time": ResultKind("s", uncertainty=True),
}
CYCLE_COUNTS: dict[str, ResultKind] = {
    "fail_to_make": ResultKind(""),
    "fail_to_break": ResultKind(""),
    "high_resistance": ResultKind(""),
    "malfunctions": ResultKind(""),
    "cycles": ResultKind(""),
}

Material = Literal["cheesecloth", "cotton", "tissue", "ground fuse"]
_CLOTH = ("unmarked", "scorched", "holed", "ignited")
INDICATOR_STATES: dict[str, tuple[str, ...]] = {
    "cheesecloth": _CLOTH,
    "cotton": _CLOTH,
    "tissue": _CLOTH,
    "ground fuse": ("intact", "open"),
}


Level = Annotated[
    Amount,
    WithJsonSchema(
        {
            "type": "string",
            "description": "a voltage or a current, as in `1.7 kV`",
            "examples": ["1.7 kV"],
        }
    ),
]


class CaptureChannel(Model):
    """What one channel of a capture is expected to see."""

    expected_peak: Level = Field(description="the peak expected at the specimen; the range is chosen by it")


class Capture(Model):
    """A recording of one shot."""

    method: Literal["impulse-voltage", "impulse-current", "limiting-voltage"] = Field(
        description="the computation that makes results of the recording"
    )
    channels: dict[Name, CaptureChannel] = Field(
        min_length=1, description="the digitiser's channels, by name"
    )
    proof_age: Seconds = Field(
        gt=0,
        le=2,
        description="how old the proof of waiting for the trigger may be at the trigger, at most 2 s",
    )
