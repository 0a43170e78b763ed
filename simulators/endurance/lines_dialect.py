"""A controller that takes plain words: `MOVE Z=-12.000 V=120.000 ID=12`, answers `+`, and is asked for its state.

Only motions bear a number. One that is not above the last taken is answered `+` again and not carried out; a motion
that cannot be carried out is answered `- <word>`, and its number is not taken.
"""

from __future__ import annotations

import re
from functools import lru_cache

from simulators.endurance.axis import Ended, Order
from simulators.endurance.gantry import Gantry

_VALUE = re.compile(r"([A-Z]+)=([+-]?\d+\.?\d*)")
ABOVE_ZERO = {"V", "A"}
VALUES = {
    "MOVE": {"Z", "V", "ID"},
    "HOME": {"ID"},
    "TOUCH": {"Z", "V", "ID"},
    "LIMITS": {"LOW", "HIGH"},
    "ACCELERATION": {"A"},
    "STOP": set(),
    "CUT": set(),
    "CLEAR": set(),
    "IDENTITY?": set(),
    "STATE?": set(),
    "LIMITS?": set(),
    "ACCELERATION?": set(),
    "POINTS?": set(),
}


@lru_cache(maxsize=1024)
def line_of(text: str) -> tuple[str, dict[str, float]] | None:
    """A command and its values; None where it is none."""
    head, *rest = text.split() or [""]
    matches = [_VALUE.fullmatch(word) for word in rest]
    values = {match[1]: float(match[2]) for match in matches if match is not None}
    if head not in VALUES or set(values) != VALUES[head] or len(values) != len(rest):
        return None
    if any(name in ABOVE_ZERO and value <= 0 for name, value in values.items()):
        return None
    return head, values


class LinesGantry(Gantry):
    """Completion is learned by asking."""

    def tell_end(self, ended: Ended) -> bytes:
        """Nothing by itself."""
        return b""

    def _answer(self, message: bytes, now_s: float) -> bytes:
        said = line_of(message.decode("latin-1"))
        if said is None:
            return b"- words\n"
        head, values = said
        if head in ("MOVE", "HOME", "TOUCH"):
            return self._motion(head.lower(), values, now_s)
        if head.endswith("?"):
            return self._asked(head, now_s)
        return self._told(head, values, now_s)

    def _motion(self, what: str, values: dict[str, float], now_s: float) -> bytes:
        number = int(values["ID"])
        if number <= self.taken:
            return b"+\n"
        order = Order(number, what, values.get("Z", 0.0), values.get("V", 0.0))
        if refused := self.axis.refusal(order):
            return b"- %s\n" % refused.upper().encode()
        self.start(order, now_s)
        return b"+\n"

    def _told(self, head: str, values: dict[str, float], now_s: float) -> bytes:
        axis = self.axis
        if head == "LIMITS":
            axis.lowest_mm, axis.highest_mm = values["LOW"], values["HIGH"]
        elif head == "ACCELERATION":
            axis.acceleration_mm_s2 = values["A"]
        elif head == "STOP":
            axis.stop(now_s)
        elif head == "CUT":
            axis.cut(now_s)
        else:
            axis.clear(now_s)
        return b"+\n"

    def _asked(self, head: str, now_s: float) -> bytes:
        axis = self.axis
        if head == "STATE?":
            return self._state(now_s)
        if head == "LIMITS?":
            return b"LOW=%.3f HIGH=%.3f\n" % (axis.lowest_mm, axis.highest_mm)
        if head == "ACCELERATION?":
            return b"A=%.3f\n" % axis.acceleration_mm_s2
        if head == "POINTS?":
            pairs = [b"%.3f:%.2f" % (at_mm + 0.0, force_n + 0.0) for at_mm, force_n in self.points()]
            return b" ".join(pairs) + b"\n"
        return self.identity.reply().encode() + b"\n"

    def _state(self, now_s: float) -> bytes:
        counted_mm, encoder_mm = self.state_values(now_s)
        return b"ID=%d DONE=%d Z=%.3f E=%.3f MOVING=%d HOMED=%d ALARM=%s\n" % (
            self.taken,
            self.done,
            counted_mm + 0.0,
            encoder_mm + 0.0,
            self.axis.moving,
            self.axis.homed,
            (self.axis.alarm or "none").upper().encode(),
        )
