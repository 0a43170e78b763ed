"""The keys: a function key that works in every field, and a letter for terminals that have no function keys."""

from __future__ import annotations

from dataclasses import dataclass


@dataclass(frozen=True)
class Key:
    """`function` works everywhere; `letter` only while nothing is being typed (Esc leaves the line)."""

    function: str
    letter: str
    action: str
    short: str
    does: str


KEYS = (
    Key("f1", "k", "view('keys')", "all keys", "these keys"),
    Key("f2", "a", "view('act')", "answer", "what is asked of you, and the line to answer in"),
    Key("f3", "b", "view('bench')", "bench", "interlocks, and how far the duty has come"),
    Key("f4", "w", "view('wave')", "wave", "the last waveform; once more: its next channel"),
    Key("f5", "t", "view('trend')", "trend", "a result over the duty; once more: the next result"),
    Key("f6", "h", "view('happened')", "log", "what happened, the newest first"),
    Key("f7", "y", "view('why')", "why", "why the last run stopped, what to check, who can release it"),
    Key("f8", "n", "begin", "begin", "begin a run: the specimen card; once more lays it aside"),
    Key("f9", "p", "pause", "pause", "hold as soon as nothing is live; once more, or after a stop: go on"),
    Key("f10", "c", "control", "control", "take control, take it over, or give it back"),
)
KEYS_NOW = ("f2", "f7", "f1")
KEYS_LINE = " F12 ABORT   " + "   ".join(
    f"{key.function.upper()} {key.short}" for name in KEYS_NOW for key in KEYS if key.function == name
)


def key_lines() -> list[str]:
    """All keys, a line each."""
    rows = [f"{key.function.upper():>4}  {key.letter}   {key.does}" for key in KEYS]
    return [
        " F12 Ctrl-X  ABORT from everywhere, at once. No emergency stop: that is red.",
        " Esc  leaves the line, or goes a step back.   PgDn PgUp  more of a view.",
        *rows,
        "Ctrl-Q   leaves the console. A run goes on without it.",
    ]
