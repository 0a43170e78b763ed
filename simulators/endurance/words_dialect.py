"""A controller that takes words of ISO 6983: `N12 G01 Z-12.000 F7200.000*95`, answers `ok N12` and `done N12 ...`.

The checksum is the exclusive or of all bytes before `*`, in decimal. Messages with G01, G04, G74, M907 and the settings
among M903, M904, M905 are taken in the order of their numbers; M900, M901, M902, M906 and M903 to M905 without values
are answered whatever their number, and are not counted. G04's P is in seconds. G90 and G21 are the only ways it has.
"""

from __future__ import annotations

import re
from collections.abc import Callable
from functools import lru_cache, reduce
from operator import xor

from simulators.endurance.axis import Ended, Order
from simulators.endurance.gantry import Gantry

_LINE = re.compile(rb"N(\d{1,10}) ([^*]*)\*(\d{1,3})\r?")
_NUMBER = re.compile(rb"\s*N(\d{1,10})")
_WORD = re.compile(r"([A-Z])([+-]?\d+\.?\d*|[+-]?\.\d+)")
PLAIN = {"G90", "G21"}
VALUES = {
    "G01": "ZF",
    "G04": "P",
    "G74": "",
    "M900": "",
    "M901": "",
    "M902": "",
    "M903": "ZW",
    "M904": "A",
    "M905": "ZF",
    "M906": "",
    "M907": "",
}
NEVER_COUNTED = {"M900", "M901", "M902", "M906"}
ABOVE_ZERO = "FAP"
ASKS_WITHOUT_VALUES = {"M903", "M904", "M905"}
MOTIONS = {"G01": "move", "G74": "home", "M905": "touch", "G04": "dwell"}


@lru_cache(maxsize=1024)
def words_of(text: str) -> tuple[str, dict[str, float]] | None:
    """The one command of a message and its values; None where that is not what it says."""
    code, values = "", {}
    for word in text.split():
        match = _WORD.fullmatch(word)
        if match is None:
            return None
        if word in PLAIN:
            continue
        if match[1] in "GM":
            if code or word not in VALUES:
                return None
            code = word
        elif match[1] in values:
            return None
        else:
            values[match[1]] = float(match[2])
    full = bool(code) and set(values) == set(VALUES[code])
    asked = code in ASKS_WITHOUT_VALUES and not values
    if any(name in ABOVE_ZERO and value <= 0 for name, value in values.items()):
        return None
    return (code, values) if full or asked else None


@lru_cache(maxsize=256)
def _sum_of(words: bytes) -> int:
    """The checksum of a line but for the digits of its number."""
    return reduce(xor, b"N " + words)


class WordsGantry(Gantry):
    """Numbered lines with a checksum; it says by itself when a motion is done."""

    def tell_end(self, ended: Ended) -> bytes:
        """`done` or `alarm`."""
        number = ended.order.number
        if ended.alarm:
            return b"alarm N%d %s\n" % (number, ended.alarm.encode())
        return b"done N%d Z%.3f E%.3f\n" % (number, ended.counted_mm + 0.0, ended.encoder_mm + 0.0)

    def _answer(self, message: bytes, now_s: float) -> bytes:
        match = _LINE.fullmatch(message)
        if match is None or reduce(xor, match[1], _sum_of(match[2])) != int(match[3]):
            number = _NUMBER.match(message)
            return b"resend N%d checksum\n" % (int(number[1]) if number else 0)
        number_said, said = int(match[1]), words_of(match[2].decode("latin-1"))
        if said is None:
            return b"resend N%d words\n" % number_said
        code, values = said
        if code in NEVER_COUNTED or (code in ASKS_WITHOUT_VALUES and not values):
            return self._asked(code, number_said, now_s)
        if number_said <= self.taken:
            return self._again(number_said)
        if number_said != self.taken + 1:
            return b"resend N%d number\n" % number_said
        return self._carry_out(code, values, number_said, now_s)

    def _again(self, number: int) -> bytes:
        ended = self.end_of(number)
        return b"ok N%d\n" % number + (self.tell_end(ended) if ended is not None else b"")

    def _carry_out(self, code: str, values: dict[str, float], number: int, now_s: float) -> bytes:
        axis = self.axis
        ok = b"ok N%d\n" % number
        if code not in MOTIONS:
            self.taken = number
            if code == "M903":
                axis.lowest_mm, axis.highest_mm = values["Z"], values["W"]
            elif code == "M904":
                axis.acceleration_mm_s2 = values["A"]
            else:
                axis.clear(now_s)
            return ok
        if code == "G04":
            order = Order(number, "dwell", values["P"])
        else:
            order = Order(number, MOTIONS[code], values.get("Z", 0.0), values.get("F", 0.0) / 60.0)
        return ok + self.start(order, now_s)

    def _asked(self, code: str, number: int, now_s: float) -> bytes:
        answers: dict[str, Callable[[int, float], bytes]] = {
            "M900": self._state,
            "M901": self._stop,
            "M902": self._cut,
            "M903": self._limits,
            "M904": self._acceleration,
            "M905": self._force_points,
            "M906": self._identity,
        }
        return answers[code](number, now_s)

    def _state(self, number: int, now_s: float) -> bytes:
        counted_mm, encoder_mm = self.state_values(now_s)
        return b"state N%d L%d D%d Z%.3f E%.3f moving=%d homed=%d alarm=%s\n" % (
            number,
            self.taken,
            self.done,
            counted_mm + 0.0,
            encoder_mm + 0.0,
            self.axis.moving,
            self.axis.homed,
            (self.axis.alarm or "none").encode(),
        )

    def _stop(self, number: int, now_s: float) -> bytes:
        self.axis.stop(now_s)
        return b"ok N%d\n" % number

    def _cut(self, number: int, now_s: float) -> bytes:
        self.axis.cut(now_s)
        return b"ok N%d\n" % number

    def _limits(self, number: int, now_s: float) -> bytes:
        return b"limits N%d Z%.3f W%.3f\n" % (number, self.axis.lowest_mm, self.axis.highest_mm)

    def _acceleration(self, number: int, now_s: float) -> bytes:
        return b"acceleration N%d A%.3f\n" % (number, self.axis.acceleration_mm_s2)

    def _force_points(self, number: int, now_s: float) -> bytes:
        pairs = b"".join(b" %.3f:%.2f" % (at_mm + 0.0, force_n + 0.0) for at_mm, force_n in self.points())
        return b"points N%d" % number + pairs + b"\n"

    def _identity(self, number: int, now_s: float) -> bytes:
        return b"identity N%d %s\n" % (number, self.identity.reply().encode())
