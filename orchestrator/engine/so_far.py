"""The verdicts as far as the evidence goes while a run is in progress: told to people, never recorded.

The run thread hands in journal entries, the talking thread asks for rows; what counts is judged at the end of the run.
"""

from __future__ import annotations

from collections.abc import Mapping
from typing import TYPE_CHECKING, Any

from orchestrator.engine.judge import Evidence, Value, judge
from sequences.duties import declared_count

if TYPE_CHECKING:
    from sequences.model import Sequence

Entry = Mapping[str, Any]


class SoFar:
    """The evidence of one run, as its journal gives it."""

    def __init__(self, sequence: Sequence) -> None:
        self._sequence = sequence
        self._values: dict[str, list[Value]] = {}
        self._states: dict[str, list[tuple[int, str]]] = {}
        self._changed = True
        self._rows: list[dict[str, Any]] = []

    def take(self, entry: Entry) -> None:
        """One journal entry; most are no evidence."""
        kind = entry.get("kind")
        if kind == "figures" and entry.get("part") == "duty" and entry.get("valid"):
            for name, facts in entry["results"].items():
                self._add(name, int(entry["shot"]), facts)
        elif kind == "measurement":
            self._add(str(entry["result"]), int(entry.get("shot") or 0), entry)
        elif kind == "observation":
            seen = self._states.setdefault(str(entry["indicator"]), [])
            seen.append((int(entry["shot"] or 0), str(entry["state"])))
            self._changed = True

    def _add(self, name: str, shot: int, facts: Entry) -> None:
        value = Value(
            shot, facts["value"], facts["unit"], facts["expanded_uncertainty"], facts["coverage_factor"]
        )
        self._values.setdefault(name, []).append(value)
        self._changed = True

    def rows(self) -> list[dict[str, Any]]:
        """One row for each requirement."""
        if self._changed:
            self._changed = False
            values = {name: list(found) for name, found in self._values.items()}
            states = {name: list(seen) for name, seen in self._states.items()}
            evidence = Evidence(values, states, declared_count(self._sequence))
            self._rows = [judge(one, evidence, None).to_json() for one in self._sequence.requirements]
        return self._rows
