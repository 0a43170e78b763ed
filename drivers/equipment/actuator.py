"""An actuator by its dialect: one axis that is moved once for every command, and confirmed.

A motion is sent once. Its end is proved by the controller's own word with read-back and encoder; where that word
stays out, is garbled or cannot be, the line is opened again within the same deadline, the controller identified and
asked for its state, and the number of the line it took last decides: taken and done, stopped on the way, or never
taken. None of these sends the motion again. What is left to the caller is `recover`, after any `LinkFault`.
"""

from __future__ import annotations

import math
from dataclasses import dataclass
from typing import NamedTuple

import numpy as np

from drivers.dialects.shapes import ActuatorDialect
from drivers.equipment.linked import TIMEOUT_S, one_deadline
from drivers.equipment.motion_controller import MotionController
from drivers.equipment.protocols import (
    Actuator,
    ActuatorState,
    Identity,
    InstrumentCode,
    InstrumentFault,
    MotionLimits,
    Recovered,
    TouchOff,
)
from drivers.links.base import Link, LinkFault

ACKNOWLEDGED_S = 0.3  # within which a line is acknowledged
ENDED_S = 0.3  # within which a motion ends after the time its path needs
SLOWER = 1.2  # than planned is no fault
FOR_ASKING_S = 0.6  # of a deadline, kept for opening again and asking
SAME_MM = 0.002  # an encoder that reads the same to this has not moved


@dataclass(frozen=True)
class MotionRules:
    """What the bench file says of an actuator's confirmation and deadlines."""

    confirm_within_mm: float = 0.2
    move_within_s: float = 2.0
    home_within_s: float = 20.0


class _Motion(NamedTuple):
    """One motion that is asked for."""

    group: str
    words: str
    to_mm: float | None  # None: wherever its reference is
    confirm_within_mm: float
    travel_s: float


class MotionActuator(MotionController, Actuator):
    """`Actuator` over a serial line or any other link."""

    def __init__(
        self,
        link: Link,
        dialect: ActuatorDialect,
        expected: Identity,
        timeout_s: float = TIMEOUT_S,
        rules: MotionRules | None = None,
    ) -> None:
        super().__init__(link, dialect, expected, timeout_s)
        self.rules = rules or MotionRules()
        self.limits: MotionLimits | None = None  # as read back last
        self._known: ActuatorState | None = None  # at rest, since the last confirmed motion
        self._asked = 0  # number of the last motion
        self._why = ""  # the controller's word for the last refusal

    def open(self) -> Identity:
        """Open the line, identify, and learn which line it took last. Raises `LinkFault`, `InstrumentFault`."""
        self._known = None
        return super().open()

    @one_deadline
    def prepare(self, limits: MotionLimits) -> None:
        """Soft limits and acceleration: written, read back, compared."""
        self.limits = None
        self._set(self.codec.limits_words(limits.lowest_mm, limits.highest_mm))
        self._set(self.codec.acceleration_words(limits.acceleration_mm_s2))
        took = self.read_back()
        if differ := _differences(limits, took):
            self.limits = None
            raise InstrumentFault("settings_changed", self.name, "prepare", differ)

    @one_deadline
    def read_back(self) -> MotionLimits:
        """What it really took; moves are checked against it."""
        limits = self._ask(self.words.limits_question, "limits")
        acceleration = self._ask(self.words.acceleration_question, "acceleration")
        lowest, highest = self._parsed(self.codec.limits, limits)
        self.limits = MotionLimits(lowest, highest, self._parsed(self.codec.acceleration, acceleration))
        return self.limits

    @one_deadline
    def clear_alarm(self) -> None:
        """Acknowledge an alarm."""
        self._known = None
        self._set(self.words.clear_alarm)
        if word := self._ask_state().alarm:
            raise self._alarm("clear alarm", word)

    def home(self) -> ActuatorState:
        """Find the reference."""
        rules = self.rules
        motion = _Motion("home", self.words.home, None, rules.confirm_within_mm, rules.home_within_s)
        with self._within(rules.home_within_s):
            return self._carry_out(motion, self._ask_state())

    def move(self, to_mm: float, speed_mm_s: float, confirm_within_mm: float | None = None) -> ActuatorState:
        """Go there once; returns at rest and confirmed, within one deadline."""
        until_s = self.until_s
        if until_s is None:
            self.until_s = self.link.pace.now_s() + self.rules.move_within_s
        try:
            before = self._ready("move", to_mm)
            within_mm = self.rules.confirm_within_mm if confirm_within_mm is None else confirm_within_mm
            travel_s = self._travel_s(before, to_mm, speed_mm_s)
            words = self.codec.move_words(to_mm, speed_mm_s)
            return self._carry_out(_Motion("move", words, to_mm, within_mm, travel_s), before)
        finally:
            self.until_s = until_s

    def touch_off(self, to_mm: float, speed_mm_s: float) -> TouchOff:
        """Go there slowly with the force taken on the way; the deadline is that of a move, and the way's time."""
        with self._within(self.timeout_s):
            before = self._ready("touch off", to_mm)
        travel_s = self._travel_s(before, to_mm, speed_mm_s)
        words = self.codec.touch_words(to_mm, speed_mm_s)
        with self._within(self.rules.move_within_s + SLOWER * travel_s):
            motion = _Motion("touch off", words, to_mm, self.rules.confirm_within_mm, travel_s)
            state = self._carry_out(motion, before)
            points = self._parsed(self.codec.points, self._ask(self.words.points, "points"))
        if not points:
            raise InstrumentFault("no_capture", self.name, "touch off", "it has no points of the touch-off")
        positions_mm, forces_n = np.array(points, dtype=np.float64).T
        return TouchOff(positions_mm, forces_n, state)

    @one_deadline
    def bring_to_rest(self) -> ActuatorState:
        """Stop category 1."""
        self._known = None
        self._ask(self.words.bring_to_rest, "taken")
        return self._at_rest()

    @one_deadline
    def stop_at_once(self) -> None:
        """Stop category 0."""
        self._known = None
        self._ask(self.words.stop_at_once, "taken")

    @one_deadline
    def recover(self) -> Recovered:
        """Open again, identify, bring to rest; what became of the last motion. Moves nothing.

        A controller that was without power has forgotten its lines: `taken` is said then, for it may have moved.
        """
        self.open()
        state = self.bring_to_rest()
        self._line = state.line
        asked = self._asked
        forgotten = self._has_forgotten(state, asked)
        taken = bool(asked) and (forgotten or state.line >= asked)
        self._acknowledged = state.line
        self._asked = 0 if forgotten else asked
        return Recovered(state, asked, taken, bool(asked) and not forgotten and state.done >= asked)

    # ---- inside: before a motion

    def _ready(self, group: str, to_mm: float) -> ActuatorState:
        """Where it is, if it may go there. Raises before anything is sent."""
        limits = self.limits
        if limits is None:
            raise InstrumentFault(
                "outside_limits", self.name, group, "no soft limits were set: prepare it first"
            )
        if not limits.lowest_mm <= to_mm <= limits.highest_mm:
            sentence = (
                f"{to_mm:g} mm is outside the soft limits {limits.lowest_mm:g} to {limits.highest_mm:g} mm"
            )
            raise InstrumentFault("outside_limits", self.name, group, f"{sentence}; nothing was sent")
        before = self._known or self._ask_state()
        if before.alarm:
            raise self._alarm(group, before.alarm)
        if not before.homed:
            raise InstrumentFault("not_homed", self.name, group, "it is not homed; nothing was sent")
        return before

    def _travel_s(self, before: ActuatorState, to_mm: float, speed_mm_s: float) -> float:
        """Time of the way with constant acceleration, speed, and the same deceleration."""
        if not (speed_mm_s > 0.0 and math.isfinite(speed_mm_s)):
            raise ValueError(f"a speed of {speed_mm_s} mm/s")
        way_mm = abs(to_mm - before.commanded_mm)
        acceleration = self.limits.acceleration_mm_s2 if self.limits else math.inf
        if way_mm * acceleration < speed_mm_s**2:
            return 2.0 * math.sqrt(way_mm / acceleration)
        return way_mm / speed_mm_s + speed_mm_s / acceleration

    # ---- inside: the motion

    def _carry_out(self, motion: _Motion, before: ActuatorState) -> ActuatorState:
        self._known, self._why = None, ""
        self._put_late_aside()
        self._line += 1
        number = self._asked = self._line
        try:
            self.link.write(self.codec.motion(motion.words, number), self._left_s())
            state = self._end(motion, number)
        except LinkFault as fault:
            if fault.code == "lost":
                raise
            state = self._state_after_reopening(fault)
        self._require_carried_out(motion, number, state)
        self._require_there(motion, state, before)
        self._known = state
        return state

    def _end(self, motion: _Motion, number: int) -> ActuatorState:
        """The state at the motion's end, however the family tells it."""
        until_s = self._until(ACKNOWLEDGED_S)
        while True:
            said = self._said_of(number, max(0.0, until_s - self.link.pace.now_s()))
            if said.kind == "refused":
                self._why = said.rest
                return self._at_rest()
            if self.codec.answers_are_numbered and said.number != number:
                self._require_late(said, number)
            elif said.kind == "taken":
                self._acknowledged = number
                if not self.codec.is_announced:
                    return self._at_rest()
                until_s = self._until(SLOWER * motion.travel_s + ENDED_S)
            elif said.kind == "done":
                commanded_mm, encoder_mm = self._parsed(self.codec.done, said.rest)
                return ActuatorState(number, number, commanded_mm, encoder_mm, False, True, "")
            elif said.kind == "alarm":
                raise self._alarm(motion.group, self._parsed(self.codec.word, said.rest))
            else:
                raise self.link.condemn("rubbish", f"answered {said.kind} to a motion")

    def _until(self, for_s: float) -> float:
        """That far from now, but so that time is left to open the line again and ask."""
        now_s = self.link.pace.now_s()
        left_s = self._left_s()
        return now_s + min(for_s, max(left_s / 2, left_s - FOR_ASKING_S))

    def _state_after_reopening(self, fault: LinkFault) -> ActuatorState:
        """Nothing came that proves anything: open the line again, identify, ask. Sends no motion.

        An answer that comes late enough to be rubbish there is one more reason to open it, once.
        """
        try:
            return self._opened_at_rest()
        except LinkFault as second:
            if second.code != "rubbish":
                raise second from fault
        return self._opened_at_rest()

    def _opened_at_rest(self) -> ActuatorState:
        self.open()
        return self._at_rest()

    def _require_carried_out(self, motion: _Motion, number: int, state: ActuatorState) -> None:
        if state.alarm:
            raise self._alarm(motion.group, state.alarm)
        if state.line < number:
            self._line = state.line
            raise self._not_taken(motion, state)
        if not state.homed:
            raise InstrumentFault("not_homed", self.name, motion.group, "it has lost its reference: home it")
        if state.done < number:
            sentence = f"it was stopped on the way and rests at {state.encoder_mm:g} mm by its encoder"
            raise InstrumentFault("not_reached", self.name, motion.group, sentence)

    def _not_taken(self, motion: _Motion, state: ActuatorState) -> InstrumentFault:
        if self._has_forgotten(state, self._asked):
            self._acknowledged = state.line
            sentence = (
                "its reference is lost with the motion: it may have moved, or it was without power; home it"
            )
            return InstrumentFault("not_homed", self.name, motion.group, sentence)
        code = self._code_of(self._why)
        code = "not_reached" if code == "alarm" else code  # a checksum or a number, no alarm
        why = f" ({self._why})" if self._why else ""
        sentence = f"it did not take the motion{why}; it did not move and rests at {state.encoder_mm:g} mm"
        return InstrumentFault(code, self.name, motion.group, sentence)

    def _has_forgotten(self, state: ActuatorState, asked: int) -> bool:
        """Its count began anew: it says less than it has acknowledged, or its reference is gone with a line."""
        return state.line < self._acknowledged or (state.line < asked and not state.homed)

    def _require_there(self, motion: _Motion, state: ActuatorState, before: ActuatorState) -> None:
        to_mm = state.commanded_mm if motion.to_mm is None else motion.to_mm
        within_mm = motion.confirm_within_mm
        if abs(state.commanded_mm - to_mm) > within_mm:
            sentence = f"{to_mm:g} mm was asked for, it read {state.commanded_mm:g} mm back"
            raise InstrumentFault("not_reached", self.name, motion.group, sentence)
        off_mm = abs(state.encoder_mm - to_mm)
        if off_mm <= within_mm:
            return
        is_stale = abs(state.encoder_mm - before.encoder_mm) <= SAME_MM
        sentence = f"{to_mm:g} mm was asked for, its encoder says {state.encoder_mm:g} mm"
        if is_stale:
            sentence += ", as before the motion: it did not move, or the reading is old"
        code: InstrumentCode = "stale_encoder" if is_stale else "not_reached"
        raise InstrumentFault(code, self.name, motion.group, sentence)

    def _alarm(self, group: str, word: str) -> InstrumentFault:
        code = self._code_of(word)
        sentences: dict[InstrumentCode, str] = {
            "limit": "a limit ended the motion, or did not let it begin",
            "not_homed": "it is not homed: home it",
        }
        return InstrumentFault(
            code, self.name, group, sentences.get(code, f"alarm: {word.replace('_', ' ')}")
        )

    def _code_of(self, word: str) -> InstrumentCode:
        alarms = self.codec.dialect.alarms
        codes: dict[str, InstrumentCode] = {alarms.limit: "limit", alarms.not_homed: "not_homed"}
        return codes.get(word, "alarm")


def _differences(wanted: MotionLimits, took: MotionLimits) -> str:
    """In words, what it did not take as asked; positions to 0.001 mm."""
    parts = [
        f"{name}: asked for {want:g} {unit}, it took {have:g} {unit}"
        for name, want, have, unit, within in (
            ("lowest position", wanted.lowest_mm, took.lowest_mm, "mm", 0.001),
            ("highest position", wanted.highest_mm, took.highest_mm, "mm", 0.001),
            (
                "acceleration",
                wanted.acceleration_mm_s2,
                took.acceleration_mm_s2,
                "mm/s2",
                1e-4 * wanted.acceleration_mm_s2,
            ),
        )
        if abs(want - have) > within
    ]
    return "; ".join(parts)
