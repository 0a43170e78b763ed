"""A motion controller behind a link: questions, settings and stops, each answered or a fault.

Where answers bear the number of their message, an answer that is late or comes twice is known by its number and put
aside. Where they do not, anything that nobody asked for is rubbish, and the line is opened again. A question may be
put again; what is asked again here is never a motion.
"""

from __future__ import annotations

from collections.abc import Callable, Sequence
from typing import TypeVar

from drivers.dialects.shapes import ActuatorDialect
from drivers.equipment.linked import LinkedInstrument, one_deadline
from drivers.equipment.off import OffWrite, Proof, Verdict
from drivers.equipment.protocols import ActuatorState, Identity, InstrumentFault
from drivers.links.base import Link
from drivers.motion import AnswerError, MotionCodec, Said

R = TypeVar("R")

QUESTIONS_FROM = 800_000_001  # far from every line's number: no answer to the one can be taken for the other
ON_THE_WAY_TO_SAFE = 0
MOST_BYTES = 16384  # of one answer: a touch-off of some hundred points
POLL_S = 0.01
REST_OF_LINE_S = 0.2  # within which a line that has begun to come must end
AFTER_OPENING_S = 0.05
OF_LINES = ("taken", "done", "alarm")


class MotionController(LinkedInstrument):
    """What an actuator's driver needs of its controller."""

    def __init__(self, link: Link, dialect: ActuatorDialect, expected: Identity, timeout_s: float) -> None:
        self.codec = MotionCodec(dialect)
        self.words = dialect.words
        super().__init__(link, expected, off_write(link, self.codec), timeout_s)
        self._line = 0  # number of the line sent last
        self._acknowledged = 0  # of those, the last one of which it said that it was taken
        self._question = QUESTIONS_FROM - 1
        self._late = 0  # answers that were put aside

    @one_deadline
    def open(self) -> Identity:
        """Open the line, identify, and learn which line it took last. Raises `LinkFault`, `InstrumentFault`."""
        self.link.open(self._left_s())
        self._end_cut_line()
        found = self._identify()
        self._line = self._ask_state().line
        return found

    @one_deadline
    def state(self) -> ActuatorState:
        """What it says of itself now."""
        return self._ask_state()

    # ---- inside

    def _end_cut_line(self) -> None:
        """A line that was cut off when the link was lost ends here; what is said to that is of no interest."""
        self.link.write(b"\n", self._left_s())
        while self.link.read_some(min(AFTER_OPENING_S, self._left_s())):
            if not self._left_s():
                raise self.link.condemn("rubbish", "the line does not come to rest after opening")

    def _identify(self) -> Identity:
        rest = self._ask(self.words.identity, "identity")
        try:
            return self._require_expected(Identity(*self._parsed(self.codec.identity, rest)))
        except InstrumentFault:
            self.link.close()
            raise

    def _ask_state(self) -> ActuatorState:
        said = self._parsed(self.codec.state, self._ask(self.words.state, "state"))
        return ActuatorState(
            said.line, said.done, said.commanded_mm, said.encoder_mm, said.moving, said.homed, said.alarm
        )

    def _at_rest(self) -> ActuatorState:
        """The state once it does not move; asked until then, the pace looked at in between."""
        state = self._ask_state()
        while state.moving:
            if not self._left_s():
                raise self.link.condemn(
                    "timeout", f"it still moves, at {state.encoder_mm:g} mm, and its time is over"
                )
            self._put_late_aside(min(POLL_S, self._left_s()))
            self.link.pace.slice()
            state = self._ask_state()
        return state

    def _set(self, words: str) -> None:
        """A setting. Raises `InstrumentFault` error_queue where it is refused."""
        if not self.codec.answers_are_numbered:
            self._ask(words, "taken")
            return
        self._put_late_aside()
        self._line += 1
        number = self._line
        self.link.write(self.codec.plain(words, number), self._left_s())
        while (said := self._said(self._left_s())).kind != "taken" or said.number != number:
            if said.kind == "refused":
                self._line = self._ask_state().line
                raise self._refused(words, said)
            self._require_late(said, number)
        self._acknowledged = number

    def _ask(self, words: str, kind: str) -> str:
        """The answer to a question, or to a stop: what follows its word."""
        self._put_late_aside()
        self._question += 1
        number = self._question
        self.link.write(self.codec.plain(words, number), self._left_s())
        if not self.codec.answers_are_numbered:
            return self._unnumbered(words, kind)
        while (said := self._said(self._left_s())).kind != kind or said.number != number:
            if said.kind == "refused" and said.number in (number, 0):
                raise self._refused(words, said)
            self._require_late(said, self._line + 1)
        return said.rest

    def _unnumbered(self, words: str, kind: str) -> str:
        said = self._said(self._left_s())
        if said.kind == "refused":
            raise self._refused(words, said)
        if said.kind != ("taken" if kind == "taken" else "values"):
            raise self.link.condemn("rubbish", f"answered {said.rest or 'an acknowledgement'!r} to {words}")
        return said.rest

    def _said(self, timeout_s: float) -> Said:
        return self._parsed(self.codec.parse, self.link.read_line(timeout_s, MOST_BYTES))

    def _said_of(self, number: int, timeout_s: float) -> Said:
        """The same, where that line's acknowledgement is looked out for."""
        line = self.link.read_line(timeout_s, MOST_BYTES)
        if self.codec.answers_are_numbered and self.codec.acknowledges(line, number):
            return Said("taken", number, "")
        return self._parsed(self.codec.parse, line)

    def _parsed(self, parse: Callable[[bytes], R] | Callable[[str], R], answer: bytes | str) -> R:
        try:
            return parse(answer)  # type: ignore[arg-type]  # each is given what it takes
        except AnswerError as error:
            raise self.link.condemn("rubbish", f"gave an impossible answer: {error}") from error

    def _put_late_aside(self, for_s: float = 0.0) -> None:
        """What came and was not asked for: answers to earlier messages, or a fault."""
        if not self.codec.answers_are_numbered:
            self.link.expect_silence(for_s)
            return
        data = self.link.read_some(for_s)
        if not data:
            return
        if not data.endswith(b"\n"):
            data += self.link.read_line(min(REST_OF_LINE_S, self._left_s()), MOST_BYTES) + b"\n"
        for line in data.split(b"\n")[:-1]:
            self._require_late(self._parsed(self.codec.parse, line.removesuffix(b"\r")), self._line + 1)

    def _require_late(self, said: Said, number: int) -> None:
        """It answers a message before the one with that number, or it is rubbish."""
        is_line = said.kind in OF_LINES and said.number < QUESTIONS_FROM
        before = number if is_line else self._question + 1
        if said.kind != "refused" and said.number >= before:
            sentence = f"sent {said.kind} {said.number}, which nobody asked for"
            raise self.link.condemn("rubbish", sentence)
        self._late += 1

    def _refused(self, words: str, said: Said) -> InstrumentFault:
        sentence = f"it did not take {words} ({said.rest or 'no reason given'})"
        return InstrumentFault("error_queue", self.name, words, sentence)


def off_write(link: Link, codec: MotionCodec) -> OffWrite:
    """Stop category 1 and the state until it is at rest; first the end of a line that may have been cut off."""
    stop, question = (
        codec.plain(words, ON_THE_WAY_TO_SAFE).decode("ascii").rstrip("\n")
        for words in (codec.dialect.words.bring_to_rest, codec.dialect.words.state)
    )
    return OffWrite(link, ("", stop), question, rest_proof(codec))


def rest_proof(codec: MotionCodec) -> Proof:
    """The stop was taken, and a state asked behind it says at rest.

    Where answers bear no number, a state that came late would look the same: there two are needed.
    """
    states_needed = 1 if codec.answers_are_numbered else 2

    def proof(lines: Sequence[bytes]) -> Verdict:
        taken, rests = False, 0
        for line in lines:
            kind, moving = _read(codec, line)
            taken = taken or kind == "taken"
            if kind == "state":
                rests = rests + 1 if taken and not moving else 0
        if rests >= states_needed:
            return "confirmed"
        return "ask again" if kind in ("state", "unreadable") else "not yet"

    return proof


def _read(codec: MotionCodec, line: bytes) -> tuple[str, bool]:
    """What a line is on the way to safe, and whether it says that the axis moves."""
    try:
        said = codec.parse(line)
        if codec.answers_are_numbered and said.number != ON_THE_WAY_TO_SAFE:
            return "late", False
        if said.kind in ("state", "values"):
            return "state", codec.state(said.rest).moving
    except AnswerError:
        return "unreadable", False
    return said.kind, False
