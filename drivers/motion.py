"""Messages to a motion controller and its answers, as pure functions of a dialect (words of ISO 6983).

ISO 6983 gives the words (an address letter and a number) and `N` for a line's number. Number and checksum on a
serial line, `N12 G01 Z5.000 F7200.0*81`, and its answers `ok` and `resend`, are common practice of such
controllers, no standard's. The checksum is the exclusive or of all bytes before `*`, in decimal.

An answer that is not exactly one of those that the dialect knows raises `AnswerError`, whatever the bytes are.
"""

from __future__ import annotations

import re
from dataclasses import dataclass, fields
from functools import lru_cache, reduce
from operator import xor
from typing import NamedTuple

from drivers.dialects.shapes import ActuatorDialect

DECIMAL = re.compile(r"[+-]?\d{1,7}(\.\d{1,6})?", re.ASCII)
LONGEST_WHOLE = 10
WORD = re.compile(r"[A-Za-z][A-Za-z0-9_]{0,31}", re.ASCII)
CHECKED = re.compile(rb"(.*)\*(\d{1,3})", re.DOTALL)
SPEED_FACTOR = {"mm/s": 1.0, "mm/min": 60.0}
UNNUMBERED = -1


class AnswerError(ValueError):
    """The bytes are no answer of this dialect; the sentence says what came."""


class Said(NamedTuple):
    """One answer, taken apart."""

    kind: str  # a key of the dialect's answers; "values" where an answer has no word of its own
    number: int  # of the message it answers; UNNUMBERED where the dialect's answers bear none
    rest: str  # what follows


@dataclass(frozen=True)
class StateAnswer:
    """The values of a state, as the controller gives them."""

    line: int
    done: int
    commanded_mm: float
    encoder_mm: float
    moving: bool
    homed: bool
    alarm: str  # empty for none


def checksum(data: bytes) -> int:
    """Exclusive or of all bytes."""
    return reduce(xor, data, 0)


@lru_cache(maxsize=256)
def _of_words(words: str) -> tuple[bytes, int]:
    """The bytes behind a line's number, and their checksum: the same motion is asked for again and again."""
    behind = f" {words}".encode("ascii")
    return behind, checksum(behind)


class MotionCodec:
    """One dialect's messages and answers."""

    def __init__(self, dialect: ActuatorDialect) -> None:
        self.dialect = dialect
        self.answers_are_numbered = dialect.line.numbered == "in front, answers too"
        self.is_announced = dialect.line.completion == "announced"
        answers = dialect.answers
        self._is_checked = dialect.line.checksum == "xor"
        self._address = dialect.line.number.encode("ascii")
        self._taken = f"{answers.taken} {dialect.line.number}".encode("ascii")
        self._kinds = {word: each.name for each in fields(answers) if (word := getattr(answers, each.name))}
        self._state = tuple(getattr(dialect.state, each.name) for each in fields(dialect.state))
        self._done = (dialect.state.commanded, dialect.state.encoder)
        self._limits = (dialect.values.lowest, dialect.values.highest)

    # ---- what is sent

    def motion(self, words: str, number: int) -> bytes:
        """A motion: carried out once for its number, however often it is read."""
        if self.answers_are_numbered:
            return self._in_front(words, number)
        return f"{words} {self.dialect.line.number}{number}\n".encode("ascii")

    def plain(self, words: str, number: int) -> bytes:
        """A setting, a question or a stop; the number is sent where every message bears one."""
        if self.answers_are_numbered:
            return self._in_front(words, number)
        return f"{words}\n".encode("ascii")

    def move_words(self, to_mm: float, speed_mm_s: float) -> str:
        """To a position at a speed."""
        return self._to(self.dialect.words.move, to_mm, speed_mm_s)

    def touch_words(self, to_mm: float, speed_mm_s: float) -> str:
        """The same, with the force taken on the way."""
        return self._to(self.dialect.words.touch_off, to_mm, speed_mm_s)

    def limits_words(self, lowest_mm: float, highest_mm: float) -> str:
        """Soft limits."""
        values = self.dialect.values
        return f"{self.dialect.words.limits} {values.lowest}{lowest_mm:.3f} {values.highest}{highest_mm:.3f}"

    def acceleration_words(self, acceleration_mm_s2: float) -> str:
        """Acceleration, in mm/s2."""
        return f"{self.dialect.words.acceleration} {self.dialect.values.acceleration}{acceleration_mm_s2:.3f}"

    # ---- what comes back

    def acknowledges(self, line: bytes, number: int) -> bool:
        """Whether an answer is the plain acknowledgement of that line, and nothing but: most answers are one."""
        return line == b"%s%d" % (self._taken, number)

    def parse(self, line: bytes) -> Said:
        """One answer without its line feed. Raises `AnswerError`."""
        text = _readable(self._without_checksum(line))
        if self.answers_are_numbered:
            return self._numbered(text)
        head, blank, rest = text.partition(" ")
        kind = self._kinds.get(head)
        if kind == "taken" and not blank:
            return Said(kind, UNNUMBERED, "")
        if kind == "refused" and WORD.fullmatch(rest):
            return Said(kind, UNNUMBERED, rest)
        if kind is not None or not text:
            raise AnswerError(f"no answer of this dialect: {shortened(text)}")
        return Said("values", UNNUMBERED, text)

    def state(self, rest: str) -> StateAnswer:
        """The values of a state answer. Raises `AnswerError`."""
        line, done, commanded, encoder, moving, homed, alarm = values_of(rest, self._state)
        if not WORD.fullmatch(alarm):
            raise AnswerError(f"not an alarm's word: {shortened(alarm)}")
        return StateAnswer(
            whole(line),
            whole(done),
            decimal(commanded),
            decimal(encoder),
            switch(moving),
            switch(homed),
            "" if alarm == self.dialect.alarms.none else alarm,
        )

    def done(self, rest: str) -> tuple[float, float]:
        """Commanded and encoder position in mm, at the end of a motion. Raises `AnswerError`."""
        commanded, encoder = values_of(rest, self._done)
        return decimal(commanded), decimal(encoder)

    def limits(self, rest: str) -> tuple[float, float]:
        """Lowest and highest position in mm. Raises `AnswerError`."""
        lowest, highest = values_of(rest, self._limits)
        return decimal(lowest), decimal(highest)

    def acceleration(self, rest: str) -> float:
        """In mm/s2. Raises `AnswerError`."""
        return decimal(values_of(rest, (self.dialect.values.acceleration,))[0])

    def points(self, rest: str) -> list[tuple[float, float]]:
        """Position in mm and force in N of each point of a touch-off. Raises `AnswerError`."""
        pairs = [each.split(":") for each in rest.split(" ")] if rest else []
        if any(len(pair) != 2 for pair in pairs):
            raise AnswerError(f"no positions and forces: {shortened(rest)}")
        return [(decimal(position), decimal(force)) for position, force in pairs]

    def identity(self, rest: str) -> tuple[str, str, str, str]:
        """Maker, model, serial, firmware. Raises `AnswerError`."""
        parts = [part.strip() for part in rest.split(",", 3)]
        if len(parts) != 4 or not all(parts[:2]):
            raise AnswerError(f"no identity of four fields: {shortened(rest)}")
        return parts[0], parts[1], parts[2], parts[3]

    def word(self, rest: str) -> str:
        """The one word behind an alarm or a refusal. Raises `AnswerError`."""
        if not WORD.fullmatch(rest):
            raise AnswerError(f"no word that says why: {shortened(rest)}")
        return rest

    # ---- inside

    def _in_front(self, words: str, number: int) -> bytes:
        head, (behind, sum_behind) = b"%s%d" % (self._address, number), _of_words(words)
        if self._is_checked:
            return b"%s%s*%d\n" % (head, behind, checksum(head) ^ sum_behind)
        return head + behind + b"\n"

    def _to(self, words: str, to_mm: float, speed_mm_s: float) -> str:
        values = self.dialect.values
        speed = speed_mm_s * SPEED_FACTOR[self.dialect.speed_unit]
        return f"{words} {values.target}{to_mm:.3f} {values.speed}{speed:.3f}"

    def _without_checksum(self, line: bytes) -> bytes:
        """An answer may bear a checksum too; one that is there must be right."""
        if not self._is_checked or b"*" not in line:
            return line
        match = CHECKED.fullmatch(line)
        if not match or int(match[2]) != checksum(match[1]):
            raise AnswerError(f"a wrong checksum: {shortened(line.decode('ascii', 'replace'))}")
        return match[1]

    def _numbered(self, text: str) -> Said:
        head, _, behind = text.partition(" ")
        number, blank, rest = behind.partition(" ")
        kind, address = self._kinds.get(head), self.dialect.line.number
        if kind is None or not number.startswith(address) or (blank and not rest):
            raise AnswerError(f"no answer of this dialect: {shortened(text)}")
        if kind == "taken" and rest:
            raise AnswerError(f"more than an acknowledgement: {shortened(text)}")
        return Said(kind, whole(number[len(address) :]), rest)


def values_of(rest: str, addresses: tuple[str, ...]) -> list[str]:
    """What stands behind each address, in the order of the addresses: each once, and nothing else."""
    words = rest.split(" ")
    if len(words) != len(addresses):
        raise AnswerError(f"not {len(addresses)} values: {shortened(rest)}")
    found = []
    for address in addresses:
        values = [word[len(address) :] for word in words if word.startswith(address)]
        if len(values) != 1:
            raise AnswerError(f"{address} is not there once: {shortened(rest)}")
        found.append(values[0])
    return found


@lru_cache(maxsize=256)
def decimal(text: str) -> float:
    """A number as these controllers write one: no exponent, no blank."""
    if not DECIMAL.fullmatch(text):
        raise AnswerError(f"not a number: {shortened(text)}")
    return float(text)


def whole(text: str) -> int:
    """A number of a line."""
    if not (text.isdigit() and text.isascii() and len(text) <= LONGEST_WHOLE):
        raise AnswerError(f"not a line's number: {shortened(text)}")
    return int(text)


def switch(text: str) -> bool:
    """0 or 1."""
    if text not in ("0", "1"):
        raise AnswerError(f"neither 0 nor 1: {shortened(text)}")
    return text == "1"


def shortened(text: str, most: int = 60) -> str:
    """An answer as shown to a person: quoted, not longer than a line."""
    return repr(text if len(text) <= most else text[:most] + "...")


def _readable(line: bytes) -> str:
    text = line.decode("ascii", "replace")
    if not line.isascii() or not text.isprintable():
        raise AnswerError(f"unreadable bytes: {line[:40]!r}")
    return text
