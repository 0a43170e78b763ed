"""When a stop was noticed: not when the last question before it was put."""

from __future__ import annotations

from typing import Any

from orchestrator.record.why import _Explaining


class InventedRecord:
    """A question that waited for five minutes, then a stop."""

    entries: tuple[dict[str, Any], ...] = (
        {"kind": "asked", "utc": "2026-01-01T10:00:00.000000Z", "mono_s": 100.0},
        {
            "kind": "cause", "first": True, "reason": "abort_by_person", "what": "x", "at_s": 399.5,
            "utc": "2026-01-01T10:05:00.000000Z", "mono_s": 400.0,
        },
    )  # fmt: skip

    def of(self, kind: str) -> list[dict[str, Any]]:
        return [entry for entry in self.entries if entry["kind"] == kind]

    def last(self, kind: str) -> dict[str, Any]:
        return next(reversed(self.of(kind)), {})


def test_noticed_at_was_early_by_as_long_as_a_question_waited() -> None:
    record: Any = InventedRecord()
    assert _Explaining(record)._stopped_utc() == "2026-01-01T10:04:59.500000Z"
