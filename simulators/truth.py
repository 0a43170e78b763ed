"""The truth log: what physically happened on a bench. Tests judge by it; no instrument's link leads to it."""

from __future__ import annotations

import json
from collections.abc import Callable
from typing import Any, TextIO

Entry = dict[str, Any]


class TruthLog:
    """Entries in the order they happened, each with `at_s`, `event` and what belongs to the event."""

    def __init__(self) -> None:
        self.entries: list[Entry] = []
        self.sink: Callable[[Entry], None] | None = None

    def note(self, at_s: float, event: str, **facts: Any) -> None:
        """Keep one entry, and hand it on where somebody listens."""
        entry: Entry = {"at_s": at_s, "event": event, **facts}
        self.entries.append(entry)
        if self.sink is not None:
            self.sink(entry)


def line_writer(file: TextIO) -> Callable[[Entry], None]:
    """A sink that appends one line of JSON for each entry and flushes it at once."""

    def write(entry: Entry) -> None:
        file.write(json.dumps(entry) + "\n")
        file.flush()

    return write
