"""The journal of a run: one JSON object a line, each with the hash of the line before it.

A line is written and made durable before the act that it announces, and never changed after. The first
keys are always `n`, `utc`, `kind`, the last are `mono_s` and `prev`; `prev` is the sha256 of the previous
line's bytes with its line end, 64 zeros in the first line. JSON knows no "not a number": such a value is
written as null.
"""

import dataclasses
import hashlib
import math
from collections.abc import Callable, Mapping
from datetime import UTC, datetime
from enum import Enum
from pathlib import Path
from typing import Any, Protocol

from orchestrator.record.chain import NO_LINE_BEFORE, encode_line, sha256_hex
from orchestrator.record.store import StorageFault, Store

JOURNAL = "journal.jsonl"
_PLAIN = frozenset({str, int, bool})
_OWN_KEYS = frozenset({"n", "utc", "kind", "mono_s", "prev", "not_written"})


class Clock(Protocol):
    """What the journal needs of a clock."""

    def now_s(self) -> float:
        """Monotonic time."""

    def utc(self) -> datetime:
        """The same moment as an aware datetime in UTC."""


def _nobody(entry: dict[str, Any]) -> None:
    """The usual listener."""


class Journal:
    """Writes the journal of one run into a fresh store.

    `on_entry` is told of every entry, also of one that could not be stored (it then has `"stored": False`),
    because people must see what happens even while the disk is full; it must not raise.
    """

    def __init__(
        self, store: Store, clock: Clock, on_entry: Callable[[dict[str, Any]], None] | None = None
    ) -> None:
        if JOURNAL in store.names():
            raise StorageFault(JOURNAL, "is there already", "A run that was interrupted is not written on.")
        self.head = NO_LINE_BEFORE
        self.entries: list[dict[str, Any]] = []
        self.fault: StorageFault | None = None
        self._hash = hashlib.sha256()
        self._store = store
        self._clock = clock
        self._on_entry = on_entry or _nobody
        self._not_written: list[str] = []

    @property
    def count(self) -> int:
        """Entries that are durable."""
        return len(self.entries)

    @property
    def sha256(self) -> str:
        """Hash of a file that holds exactly the durable entries."""
        return self._hash.hexdigest()

    def append(self, kind: str, **fields: Any) -> dict[str, Any]:
        """Store an entry; durable when this returns, and returned as a reader of the file will find it.

        Raises StorageFault if it could not be stored, and from then on always: a run whose record has a
        hole announces no further act. TypeError for a value that has no plain form.
        """
        if self.fault is not None:
            self._lose(self._entry(kind, fields))
            raise self.fault
        return self._write(self._entry(kind, {name: plain(value) for name, value in fields.items()}))

    def keep(self, kind: str, **fields: Any) -> StorageFault | None:
        """Store an entry if it can be done; the fault instead of raising it, so the way to safe may use this.

        It goes on trying after a fault. An entry behind a hole lists the kinds that were lost there under
        `not_written`. A value without a plain form is written as its text.
        """
        try:
            self._write(self._entry(kind, {name: plain(value, str) for name, value in fields.items()}))
        except StorageFault as fault:
            return fault
        return None

    def _entry(self, kind: str, fields: Mapping[str, Any]) -> dict[str, Any]:
        if clash := _OWN_KEYS & fields.keys():
            fields = {(f"{name}_" if name in clash else name): value for name, value in fields.items()}
        entry: dict[str, Any] = {"n": self.count + 1, "utc": stamp(self._clock.utc()), "kind": kind}
        entry.update(fields)
        if self._not_written:
            entry["not_written"] = list(self._not_written)
        entry["mono_s"] = round(self._clock.now_s(), 9)
        entry["prev"] = self.head
        return entry

    def _write(self, entry: dict[str, Any]) -> dict[str, Any]:
        line = encode_line(entry)
        try:
            self._store.append(JOURNAL, line)
            self._store.sync(JOURNAL)
        except StorageFault as fault:
            self.fault = self.fault or fault
            self._lose(entry)
            raise
        self.head = sha256_hex(line)
        self._hash.update(line)
        self.entries.append(entry)
        self._not_written.clear()
        self._on_entry(entry)
        return entry

    def _lose(self, entry: dict[str, Any]) -> None:
        self._not_written.append(entry["kind"])
        self._on_entry({name: plain(value, str) for name, value in entry.items()} | {"stored": False})


def stamp(moment: datetime) -> str:
    """How the record writes a moment: ISO 8601 in UTC, to the microsecond."""
    return moment.astimezone(UTC).isoformat(timespec="microseconds").replace("+00:00", "Z")


def plain(value: Any, otherwise: Callable[[Any], Any] | None = None) -> Any:
    """The JSON form of a value: enums, dates, paths, dataclasses, numpy scalars and arrays, containers.

    `otherwise` turns anything else; without it that is a TypeError.
    """
    if value is None or type(value) in _PLAIN:
        return value
    if isinstance(value, Enum):
        return plain(value.value, otherwise)
    if isinstance(value, (str, int)):
        return value
    if isinstance(value, float):
        return float(value) if math.isfinite(value) else None
    return _plain_compound(value, otherwise)


def _plain_compound(value: Any, otherwise: Callable[[Any], Any] | None) -> Any:
    if isinstance(value, Mapping):
        return {
            name if type(name) is str else str(plain(name, str)): plain(item, otherwise)
            for name, item in value.items()
        }
    if isinstance(value, (list, tuple)):
        return [plain(item, otherwise) for item in value]
    if isinstance(value, (set, frozenset)):
        return sorted((plain(item, otherwise) for item in value), key=str)
    if dataclasses.is_dataclass(value) and not isinstance(value, type):
        own = {item.name: getattr(value, item.name) for item in dataclasses.fields(value)}
        return plain(own, otherwise)
    if hasattr(value, "isoformat"):
        return value.isoformat()
    if isinstance(value, Path):
        return str(value)
    if hasattr(value, "tolist"):  # numpy, without importing it
        return plain(value.tolist(), otherwise)
    if otherwise is None:
        raise TypeError(f"{type(value).__name__} has no form in the journal")
    return otherwise(value)
