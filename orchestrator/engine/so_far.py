"""The verdicts as far as the evidence goes while a run is in progress: told to people, never recorded.

The run thread hands in journal entries, the talking thread asks for rows; what counts is judged at the end of the run.
"""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import replace
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
        self._mounts: list[dict[str, Any]] = []

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
        elif kind == "segment":
            self._mounts, self._changed = list(entry["mounts"]), True

    def _add(self, name: str, shot: int, facts: Entry) -> None:
        value = Value(
            shot,
            facts["value"],
            facts["unit"],
            facts["expanded_uncertainty"],
            facts["coverage_factor"],
            int(facts.get("mount") or 0),
            bool(facts.get("above")),
        )
        self._values.setdefault(name, []).append(value)
        self._changed = True

    def rows(self) -> list[dict[str, Any]]:
        """One row for each requirement."""
        if self._changed:
            self._changed = False
            self._rows = [row for mount in (self._mounts or [{}]) for row in self._rows_of(mount)]
        return self._rows

    def _rows_of(self, mount: dict[str, Any]) -> list[dict[str, Any]]:
        """The rows of one mount as its last segment left it, or of the one specimen of a duty of shots."""
        number = int(mount.get("mount") or 0)
        values = {
            name: [value for value in list(found) if not number or value.mount in (0, number)]
            for name, found in self._values.items()
        }
        have = {}
        for name, kept in (mount.get("figures") or {}).items():
            points = (kept[point] for point in ("first", "smallest", "largest", "last"))
            found = {point["cycle"]: Value(point["cycle"], point["value"], kept["unit"]) for point in points}
            values[name] = [found[cycle] for cycle in sorted(found)]
            have[name] = int(kept["count"]) + int(mount["malfunctions"])
        values |= {name: [Value(0, float(count), "")] for name, count in _counts(mount).items()}
        states = {name: list(seen) for name, seen in self._states.items()}
        evidence = Evidence(values, states, declared_count(self._sequence), have)
        rows = (replace(judge(one, evidence, None), mount=number) for one in self._sequence.requirements)
        return [row.to_json() for row in rows]


def _counts(mount: Entry) -> dict[str, int]:
    """What is counted of a mount, as limits name it."""
    if not mount:
        return {}
    findings = mount.get("findings") or {}
    counted = {
        name: int(findings.get(name, 0)) for name in ("fail_to_make", "fail_to_break", "high_resistance")
    }
    return {**counted, "malfunctions": int(mount["malfunctions"]), "cycles": int(mount["cycles"])}
