"""A small motion controller of the tests' own, in either dialect, with faults on the way in and on the way out.

It writes both wire formats by itself. It knows nothing of time: a motion is over at once, or after as many questions
for the state as `moving_for` says.
"""

from __future__ import annotations

import re
from collections.abc import Callable
from dataclasses import dataclass, field

from tests.contract.faces import Face
from tests.contract.peers import Action, Close, Pause, Send

LATE_S = 0.45
IDENTITY = "Made-up Instruments,GX-3,GX3-0007,1.0"
NO_QUESTION_MARK = ("MOVE", "HOME", "TOUCH")


@dataclass
class Controller:
    """One axis. `faults` are used up one by each message, `motion_faults` by each motion."""

    kind: str = "words"  # or lines
    identity: str = IDENTITY
    faults: list[str] = field(default_factory=list)
    motion_faults: list[str] = field(default_factory=list)
    line: int = 0
    done: int = 0
    commanded_mm: float = 50.0
    encoder_mm: float = 50.0
    homed: bool = True
    alarm: str = "none"
    stale: bool = False  # the encoder keeps its reading
    slips_mm: float = 0.0  # the axis stops so far before its target, unnoticed
    next_alarm: str = ""  # the next motion ends in it
    interrupted: bool = False  # the next motion rests before its end, as after a stop
    moving_for: int = 0
    limits: tuple[float, float, float] = (0.0, 0.0, 0.0)
    keeps_limits: bool = True
    points: str = "1.000:0.00 0.500:2.50 -12.000:41.20"
    moves: list[tuple[str, float]] = field(default_factory=list)  # motions carried out: what, where to
    stops: list[str] = field(default_factory=list)
    messages: list[str] = field(default_factory=list)
    _moving: int = 0

    def __call__(self, face: Face, request: bytes) -> list[Action]:
        """A script of a peer: what to do with one message."""
        text = request.decode("ascii", "replace").strip()
        if not text:
            return []
        fault = self.faults.pop(0) if self.faults else ""
        if self._is_motion(text) and self.motion_faults:
            fault = self.motion_faults.pop(0)
        if fault == "never arrived":
            return []
        if fault == "restarted":
            self.line = self.done = 0
            self.homed = False
        if fault == "noise":
            text = text.replace("0", "8", 1) if "0" in text else text[1:]
        self.messages.append(text)
        answers = self._words(text) if self.kind == "words" else self._lines(text)
        return distorted(fault, [f"{answer}\n".encode("ascii") for answer in answers])

    def _is_motion(self, text: str) -> bool:
        return bool(re.search(r"G01|G74|M905 Z", text)) or text.startswith(NO_QUESTION_MARK)

    # ---- words of ISO 6983

    def _words(self, text: str) -> list[str]:
        match = re.fullmatch(r"N(\d+) (.*)\*(\d+)", text)
        total = 0
        for letter in text.rpartition("*")[0]:
            total ^= ord(letter)
        if not match or total != int(match[3]):
            said = re.match(r"N(\d+)", text)
            return [f"resend N{said[1] if said else 0} checksum"]
        number, words = int(match[1]), match[2]
        asked = self._asked_words(number, words)
        return asked if asked is not None else self._numbered_words(number, words)

    def _asked_words(self, number: int, words: str) -> list[str] | None:
        low, high, acceleration = self.limits
        answers: dict[str, Callable[[], str]] = {
            "M900": lambda: f"state N{number} {self._state_words()}",
            "M901": lambda: f"ok N{number}" if self._stop("category 1") else "",
            "M902": lambda: f"ok N{number}" if self._stop("category 0") else "",
            "M903": lambda: f"limits N{number} Z{low:.3f} W{high:.3f}",
            "M904": lambda: f"acceleration N{number} A{acceleration:.3f}",
            "M905": lambda: f"points N{number} {self.points}".rstrip(),
            "M906": lambda: f"identity N{number} {self.identity}",
        }
        return [answers[words]()] if words in answers else None

    def _state_words(self) -> str:
        moving = self._moves_still()
        return (
            f"L{self.line} D{self.done} Z{self.commanded_mm:.3f} E{self.encoder_mm:.3f}"
            f" moving={moving:d} homed={self.homed:d} alarm={self.alarm}"
        )

    def _numbered_words(self, number: int, words: str) -> list[str]:
        if number <= self.line:
            again = f"done N{number} Z{self.commanded_mm:.3f} E{self.encoder_mm:.3f}"
            return [f"ok N{number}", again] if self.done == number else [f"ok N{number}"]
        if number > self.line + 1:
            return [f"resend N{number} number"]
        self.line = number
        values = {letter: float(value) for letter, value in re.findall(r"([A-Z])(-?\d+\.?\d*)", words)}
        if words.startswith(("M903", "M904", "M907")):
            self._set(words[:4], values)
            return [f"ok N{number}"]
        word = self._carry_out("home" if words == "G74" else "move", values.get("Z", 50.0))
        if word:
            return [f"ok N{number}", f"alarm N{number} {word}"]
        if self.done != number:
            return [f"ok N{number}"]
        return [f"ok N{number}", f"done N{number} Z{self.commanded_mm:.3f} E{self.encoder_mm:.3f}"]

    # ---- plain words

    def _lines(self, text: str) -> list[str]:
        low, high, acceleration = self.limits
        answers = {
            "IDENTITY?": self.identity,
            "STATE?": "",
            "LIMITS?": f"LOW={low:.3f} HIGH={high:.3f}",
            "ACCELERATION?": f"A={acceleration:.3f}",
            "POINTS?": self.points,
        }
        if text == "STATE?":
            return [self._state_lines()]
        if text in answers:
            return [answers[text]]
        head, *rest = text.split(" ")
        values = {name: float(value) for name, _, value in (each.partition("=") for each in rest)}
        if head in NO_QUESTION_MARK:
            return [self._motion_line(head, values)]
        return ["+"] if self._order(head, values) else ["- UNKNOWN"]

    def _order(self, head: str, values: dict[str, float]) -> bool:
        if head in ("STOP", "CUT"):
            return self._stop("category 1" if head == "STOP" else "category 0")
        known = {"LIMITS": "M903", "ACCELERATION": "M904", "CLEAR": "M907"}
        if head in known:
            renamed = {"LOW": "Z", "HIGH": "W", "A": "A"}
            self._set(known[head], {renamed[name]: value for name, value in values.items()})
        return head in known

    def _motion_line(self, head: str, values: dict[str, float]) -> str:
        number = int(values.get("ID", 0))
        if not number or (head != "HOME" and {"Z", "V", "ID"} - values.keys()):
            return "- INCOMPLETE"
        if number <= self.line:
            return "+"
        if number > self.line + 1:
            return "- NUMBER"
        self.line = number
        self.alarm = (
            self._carry_out("home" if head == "HOME" else "move", values.get("Z", 50.0)) or self.alarm
        )
        return "+"

    def _state_lines(self) -> str:
        moving = self._moves_still()
        return (
            f"ID={self.line} DONE={self.done} Z={self.commanded_mm:.3f} E={self.encoder_mm:.3f}"
            f" MOVING={moving:d} HOMED={self.homed:d} ALARM={self.alarm.upper()}"
        )

    # ---- the axis

    def _carry_out(self, what: str, to_mm: float) -> str:
        """Move; the word of an alarm, or nothing."""
        self.moves.append((what, to_mm))
        self._moving = self.moving_for
        self.homed = self.homed or what == "home"
        if self.interrupted:
            self.interrupted = False
            return ""
        if self.next_alarm:
            self.alarm, self.next_alarm = self.next_alarm, ""
            return self.alarm
        self.commanded_mm = to_mm
        if not self.stale:
            self.encoder_mm = to_mm + self.slips_mm
        self.done = self.line
        return ""

    def _moves_still(self) -> bool:
        self._moving = max(0, self._moving - 1)
        return self._moving > 0

    def _stop(self, category: str) -> bool:
        self.stops.append(category)
        self.homed = self.homed and category == "category 1"
        return True

    def _set(self, what: str, values: dict[str, float]) -> None:
        low, high, acceleration = self.limits
        if what == "M907":
            self.alarm = "none"
        elif self.keeps_limits:
            self.limits = (values.get("Z", low), values.get("W", high), values.get("A", acceleration))


def distorted(fault: str, answers: list[bytes]) -> list[Action]:
    """The answers to one message, with what happens to them on the way."""
    whole = b"".join(answers)
    ways: dict[str, Callable[[], list[Action]]] = {
        "lost": list,
        "lost acknowledgement": lambda: [Send(b"".join(answers[1:]))] if answers[1:] else [],
        "lost end": lambda: [Send(answers[0])],
        "doubled": lambda: [Send(b"".join(answer * 2 for answer in answers))],
        "late": lambda: [Pause(LATE_S), Send(whole)],
        "garbled": lambda: [Send(b"o\x17@\xc3z0\n")],
        "wrong digit": lambda: [Send(whole.replace(b"N", b"N9", 1))],
        "wrong checksum": lambda: [Send(answers[0].rstrip() + b"*300\n")],
        "dribble": lambda: [each for byte in whole for each in (Pause(0.06), Send(bytes([byte])))],
        "half": lambda: [Send(whole[:3])],
        "cut": lambda: [Close()],
    }
    return ways[fault]() if fault in ways else [Send(whole)]


FAULTS = (
    "never arrived",
    "noise",
    "lost",
    "lost acknowledgement",
    "lost end",
    "doubled",
    "late",
    "garbled",
    "wrong digit",
    "wrong checksum",
    "dribble",
    "half",
    "cut",
)
