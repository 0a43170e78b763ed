"""What goes into and comes out of one turn of the monitor. Everything can be written as JSON."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass, field
from enum import StrEnum
from typing import Any, NamedTuple

from orchestrator.core.interlock import OutputRule

Request = Mapping[str, Any]
"""`id` (any JSON scalar, absent: no reply is wanted), `act`, and what the act needs."""

RequestId = str | int | None


@dataclass(frozen=True)
class Reply:
    """The answer to one request: granted or not, one sentence for a person, facts for a program."""

    id: RequestId
    granted: bool
    sentence: str
    facts: Mapping[str, Any] = field(default_factory=dict)

    def to_json(self) -> dict[str, Any]:
        return {
            "id": self.id,
            "granted": self.granted,
            "sentence": self.sentence,
            "facts": dict(self.facts),
        }

    @classmethod
    def from_json(cls, d: Mapping[str, Any]) -> Reply:
        return cls(d["id"], bool(d["granted"]), str(d["sentence"]), d["facts"])


class Turn(NamedTuple):
    """What one turn decided: the coils from address 0, whether the watchdog may be renewed, and what to tell."""

    coils: tuple[bool, ...]
    renew_watchdog: bool
    replies: tuple[Reply, ...]
    events: tuple[dict[str, Any], ...]
    next_due_s: float


class Phase(StrEnum):
    """Where one output is between "granted" and "gone"."""

    WARNING = "warning"
    LIFTING = "lifting"
    CLOSING = "closing"
    ON = "on"
    OPENING = "opening"


@dataclass
class Block:
    """One output that was granted and is not yet gone.

    `due_s` ends the present phase; `lifted` are the precautions not in force because of it, in the order in which
    they come back; `cut_by_s` is the deadline of a stop of category 1; `confirmed_by` is the feedback that ends the
    present step of the way off; `wrong_since_s`, since when a feedback contradicts the command.
    """

    rule: OutputRule
    needs: tuple[str, ...]
    phase: Phase
    due_s: float
    lifted: list[str] = field(default_factory=list)
    cut_by_s: float = float("inf")
    wrong_since_s: float | None = None
    confirmed_by: str = ""

    @property
    def energises(self) -> bool:
        """Whether its coil, or that of a precaution, is or was just commanded on."""
        return self.phase is not Phase.WARNING

    @property
    def commanded(self) -> bool:
        return self.phase in (Phase.CLOSING, Phase.ON)
