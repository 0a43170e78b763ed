"""The truth log: what physically happened on a bench. Tests judge by it; no instrument's link leads to it."""

from __future__ import annotations

import json
from collections import Counter, deque
from collections.abc import Callable
from typing import Any, TextIO

Entry = dict[str, Any]
FIRST_KEPT = 1000
LAST_KEPT = 256


class TruthLog:
    """Entries in the order they happened, each with `at_s`, `event` and what belongs to the event.

    What happens in every one of very many cycles is `routine`: of each such event the first FIRST_KEPT entries stay,
    of all of them together the last LAST_KEPT; `counts` knows how many there were. All else stays for ever.
    """

    HISTORY = frozenset({"_kept", "_recent", "counts"})

    def __init__(self) -> None:
        self.counts: Counter[str] = Counter()
        """How many entries of each routine event there were."""
        self.sink: Callable[[Entry], None] | None = None
        self._kept: list[Entry] = []
        self._recent: deque[tuple[int, float, str, dict[str, Any]]] = deque(maxlen=LAST_KEPT)

    @property
    def entries(self) -> list[Entry]:
        """All that is kept, in order."""
        if not self._recent:
            return self._kept
        recent = [
            (place, {"at_s": at_s, "event": event, **facts}) for place, at_s, event, facts in self._recent
        ]
        in_order = sorted([*recent, *enumerate(self._kept)], key=lambda one: one[0])
        return [entry for _, entry in in_order]

    def note(self, at_s: float, event: str, **facts: Any) -> None:
        """Keep one entry, and hand it on where somebody listens."""
        entry: Entry = {"at_s": at_s, "event": event, **facts}
        self._kept.append(entry)
        if self.sink is not None:
            self.sink(entry)

    def routine(self, at_s: float, event: str, **facts: Any) -> None:
        """The same for what happens in every cycle: counted, but kept only as the class has it."""
        self.counts[event] += 1
        if self.counts[event] <= FIRST_KEPT:
            self.note(at_s, event, **facts)
            return
        self._recent.append((len(self._kept), at_s, event, facts))  # it comes before the entry of that place
        if self.sink is not None:
            self.sink({"at_s": at_s, "event": event, **facts})


def line_writer(file: TextIO) -> Callable[[Entry], None]:
    """A sink that appends one line of JSON for each entry and flushes it at once."""

    def write(entry: Entry) -> None:
        file.write(json.dumps(entry) + "\n")
        file.flush()

    return write
