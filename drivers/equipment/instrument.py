"""A SCPI instrument behind a link: identity, command groups, questions, each within one total deadline."""

from __future__ import annotations

from collections.abc import Callable, Mapping
from dataclasses import asdict, is_dataclass
from typing import Any, TypeVar

from drivers import scpi
from drivers.equipment.linked import ANSWER_BYTES, LinkedInstrument
from drivers.equipment.linked import TIMEOUT_S as TIMEOUT_S
from drivers.equipment.linked import one_deadline as one_deadline
from drivers.equipment.off import OffWrite
from drivers.equipment.protocols import Identity, InstrumentFault
from drivers.links.base import Link

R = TypeVar("R")

IDENTIFY = "*IDN?"
NEXT_ERROR = "SYSTem:ERRor?"
MOST_ERRORS = 64  # an error queue that never empties is no queue
UNITS = {"v": "V", "s": "s", "a": "A"}


class ScpiInstrument(LinkedInstrument):
    """What all SCPI instruments here have in common.

    Settings that belong together go in one message, and so do questions, where the family takes `compound` messages
    (IEEE 488.2). The error queue is asked behind settings in a message of its own: after a command error an instrument
    drops the rest of a message. For the same reason the messages of the way to safe never share one.
    """

    def __init__(
        self,
        link: Link,
        expected: Identity,
        off: OffWrite,
        timeout_s: float = TIMEOUT_S,
        compound: bool = False,
    ) -> None:
        super().__init__(link, expected, off, timeout_s)
        self.compound = compound
        self.errors_at_open: tuple[scpi.ErrorEntry, ...] = ()

    @one_deadline
    def open(self) -> Identity:
        """Open the link and identify. Raises `LinkFault`, `InstrumentFault` wrong_instrument.

        Errors that were in its queue before are taken out and kept in `errors_at_open`.
        """
        self.link.open(self._left_s())
        try:
            found = self._identify()
        except InstrumentFault:
            self.link.close()
            raise
        self.errors_at_open = tuple(self._errors())
        return found

    @one_deadline
    def send(self, group: str, *messages: str) -> None:
        """One command group, then the error queue. Raises `InstrumentFault` error_queue naming the group."""
        self.link.expect_silence()
        self._write(*messages, NEXT_ERROR)
        self._require_no_errors(group, self._drain(self._line()))

    def send_settings(self, group: str, *messages: str) -> None:
        """A command group of settings alone, in one message where the family takes that."""
        self.send(group, *([scpi.together(*messages)] if self.compound else messages))

    @one_deadline
    def ask(self, question: str) -> str:
        """The answer to one question, as text."""
        answer = self.link.ask(f"{question}\n".encode("ascii"), self._left_s(), ANSWER_BYTES)
        return self._parsed(scpi.text_of, answer)

    @one_deadline
    def ask_together(self, *questions: str) -> list[str]:
        """An answer to each question, of one moment where the family takes several in one message."""
        if not self.compound:
            return [self.ask(question) for question in questions]
        answer = self.ask(scpi.together(*questions))
        return self._parsed(lambda text: scpi.answers(text, len(questions)), answer)

    @one_deadline
    def ask_and_check(self, group: str, *questions: str) -> list[str]:
        """An answer to each question, and the error queue behind them."""
        *answers, entry = self.ask_together(*questions, NEXT_ERROR)
        self._require_no_errors(group, self._drain(entry))
        return answers

    @one_deadline
    def check_errors(self, group: str) -> None:
        """The error queue after a group of questions."""
        self._require_no_errors(group, self._errors())

    def ask_number(self, question: str) -> float:
        """The answer as a number."""
        return self.number_in(self.ask(question))

    def ask_integer(self, question: str) -> int:
        """The answer as a whole number, also where it is written as 1.0E+04."""
        return self.integer_in(self.ask(question), question)

    def ask_bit(self, status_header: str, bit: int) -> bool:
        """One bit of a status register."""
        return bool(self.ask_integer(scpi.query(status_header)) >> bit & 1)

    # ---- what an answer is; any other is rubbish

    def number_in(self, answer: str) -> float:
        """A number."""
        return self._parsed(scpi.number, answer)

    def integer_in(self, answer: str, question: str) -> int:
        """A whole number, also where it is written as 1.0E+04."""
        value = self._parsed(scpi.number, answer)
        if not value.is_integer():
            raise self.link.condemn("rubbish", f"answered {value:g} to {question}: not a whole number")
        return int(value)

    def switch_in(self, answer: str) -> bool:
        """A boolean."""
        return self._parsed(scpi.boolean, answer)

    def word_in(self, answer: str, words: Mapping[str, str]) -> str:
        """Our word for the instrument's character answer; its own word where it means none of ours."""
        return word_of(self._parsed(scpi.characters, answer), words)

    # ---- inside

    def _write(self, *messages: str) -> None:
        self.link.write("".join(f"{each}\n" for each in messages).encode("ascii"), self._left_s())

    def _line(self) -> str:
        return self._parsed(scpi.text_of, self.link.read_line(self._left_s(), ANSWER_BYTES))

    def _parsed(self, parse: Callable[[Any], R], answer: object) -> R:
        try:
            return parse(answer)
        except scpi.ResponseError as error:
            raise self.link.condemn("rubbish", f"gave an impossible answer: {error}") from error

    def _identify(self) -> Identity:
        return self._require_expected(Identity(*self._parsed(scpi.identity_fields, self.ask(IDENTIFY))))

    def _errors(self) -> list[scpi.ErrorEntry]:
        self._write(NEXT_ERROR)
        return self._drain(self._line())

    def _drain(self, answer: str) -> list[scpi.ErrorEntry]:
        """All entries, the first of which is answered already."""
        entries: list[scpi.ErrorEntry] = []
        while (entry := self._parsed(scpi.error_entry, answer)).number:
            entries.append(entry)
            if len(entries) >= MOST_ERRORS:
                raise self.link.condemn("rubbish", f"has an error queue of more than {MOST_ERRORS} entries")
            self._write(NEXT_ERROR)
            answer = self._line()
        return entries

    def _require_no_errors(self, group: str, entries: list[scpi.ErrorEntry]) -> None:
        if entries:
            sentence = "; ".join(entry.in_words() for entry in entries)
            raise InstrumentFault("error_queue", self.name, group, f"it reports {sentence}")


def word_of(text: str, words: Mapping[str, str]) -> str:
    """Our word for an instrument's character answer, in its short or long form; the text where it is none of ours."""
    for word, theirs in words.items():
        if text.upper() in (scpi.short_form(theirs), theirs.upper()):
            return word
    return text


def differences(wanted: object, read: object, relative: float = 1e-4) -> list[str]:
    """In words, each setting that is not what was asked for; numbers may differ by `relative`.

    Both are settings dataclasses, or mappings with the same keys; keys missing in `wanted` are not compared.
    """
    asked, took = _mapping(wanted), _mapping(read)
    return [
        f"{_in_words(key)}: asked for {_value(key, value)}, it took {_value(key, took.get(key))}"
        for key, value in asked.items()
        if not _same(value, took.get(key), relative)
    ]


def _mapping(settings: object) -> dict[str, Any]:
    if is_dataclass(settings) and not isinstance(settings, type):
        return asdict(settings)
    if isinstance(settings, Mapping):
        return dict(settings)
    raise TypeError(f"{settings!r} is neither a settings dataclass nor a mapping")


def _same(wanted: object, read: object, relative: float) -> bool:
    if isinstance(wanted, int | float) and isinstance(read, int | float):
        return abs(read - wanted) <= relative * abs(wanted)
    return wanted == read


def _in_words(key: str) -> str:
    name, _, unit = key.rpartition("_")
    return (name if unit in UNITS and name else key).replace("_", " ")


def _value(key: str, value: object) -> str:
    unit = UNITS.get(key.rpartition("_")[2], "") if "_" in key else ""
    text = f"{value:.6g}" if isinstance(value, int | float) else str(value)
    return f"{text} {unit}".rstrip()
