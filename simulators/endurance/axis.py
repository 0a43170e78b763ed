"""The gantry's axis: a drive that counts steps, an encoder, a brake, limit switches, and what stops it.

Positions are millimetres, downwards is negative. The drive knows its own count only (`counted_mm`); where the axis
really is (`true_mm`) differs from it by what homing has not found yet and by lost steps. The encoder measures the
axis itself, from where it was when the count was last set. The position output is the count.
"""

from __future__ import annotations

import math
from collections import deque
from collections.abc import Callable
from dataclasses import dataclass
from typing import NamedTuple

import numpy as np

from simulators.endurance.path import Path, at_rest, slowing, stroke
from simulators.truth import TruthLog

ENCODER_ERROR_MM = 0.002
BLOCK = 256


@dataclass(frozen=True, slots=True)
class AxisBuild:
    """How the axis is built."""

    found_at_mm: float = 40.0
    home_mm: float = 50.0
    lowest_switch_mm: float = -25.0
    highest_switch_mm: float = 65.0
    homing_mm_s: float = 60.0
    acceleration_mm_s2: float = 4000.0
    stop_mm_s2: float = 4000.0
    brake_mm_s2: float = 20000.0
    step_mm: float = 0.05
    lost_alarm_mm: float = 1.0
    overload_mm: float = -20.0
    """Where what is pressed pushes back with more than the drive's highest force."""


class Order(NamedTuple):
    """A motion to carry out: `what` is move, home, touch or dwell; a dwell's `to_mm` is its time in seconds."""

    number: int
    what: str
    to_mm: float = 0.0
    speed_mm_s: float = 0.0


class Ended(NamedTuple):
    """How an order ended; `alarm` is empty where it is done."""

    order: Order
    counted_mm: float
    encoder_mm: float
    alarm: str = ""


class Axis:
    """Orders are carried out one after the other; `ended` is told of each, `replanned` whenever the way changes."""

    def __init__(self, build: AxisBuild, truth: TruthLog, rng: np.random.Generator) -> None:
        self.build = build
        self.lowest_mm, self.highest_mm = build.lowest_switch_mm, build.highest_switch_mm
        self.acceleration_mm_s2 = build.acceleration_mm_s2
        self.alarm = ""
        self.homed = False
        self.brake_closed = True
        self.limit_pressed = False
        self.moves = 0
        self.moving = False
        self.ended: Callable[[Ended, float], None] = lambda ended, now_s: None
        self.replanned: Callable[[float], None] = lambda now_s: None
        self.due_s = math.inf
        """When the present way, a dwell or a trip of a limit is over."""
        self.touched: tuple[float, float] | None = None
        """From where to where the last touch-off went."""
        self._truth = truth
        self._rng = rng
        self._errors: list[float] = []
        self._orders: deque[Order] = deque()
        self._now: Order | None = None
        self._path: Path = at_rest(0.0)
        self._since_s = 0.0
        self._trip = ""
        self._offset_mm = build.found_at_mm
        self._encoder_offset_mm = build.found_at_mm
        self._error_mm = 0.0
        self._stale_mm = 0.0
        self._stale_until_s = -math.inf

    # Where it is
    def counted_mm(self, now_s: float) -> float:
        """The drive's own count: its position output, and what it believes."""
        return self._path.position_mm(now_s - self._since_s)

    def true_mm(self, now_s: float) -> float:
        """Where the axis really is."""
        return self.counted_mm(now_s) + self._offset_mm

    def encoder_mm(self, now_s: float) -> float:
        """What the encoder says."""
        if now_s < self._stale_until_s:
            return self._stale_mm
        return self.true_mm(now_s) - self._encoder_offset_mm + self._error_mm

    def frame_mm(self) -> float:
        """What the encoder's positions have to be moved by to be true."""
        return self._encoder_offset_mm

    def speed_mm_s(self, now_s: float) -> float:
        """With its sign."""
        return self._path.speed_mm_s(now_s - self._since_s)

    def way(self) -> tuple[Path, float, float]:
        """The present way, its start, and what its positions have to be moved by to be true."""
        return self._path, self._since_s, self._offset_mm

    def goes_down(self) -> bool:
        """Whether the present way leads downwards."""
        return self._path.to_mm < self._path.from_mm

    # What it is told
    def take(self, order: Order, now_s: float) -> None:
        """Carry it out, after those that wait already."""
        self._orders.append(order)
        if self._now is None:
            self._next(now_s)

    def stop(self, now_s: float) -> None:
        """Stop category 1: decelerate; what was ordered is forgotten."""
        self._give_up(self.build.stop_mm_s2, now_s)

    def cut(self, now_s: float) -> None:
        """Stop category 0: the drive has no torque any more, the axis is caught by its own brake."""
        self._give_up(self.build.brake_mm_s2, now_s)
        self.homed = False

    def brake(self, closed: bool, now_s: float) -> None:
        """The bench's brake moved; closing on a moving axis stops it and is an alarm."""
        self.brake_closed = closed
        if closed and self.moving:
            self.fail("drive_off", now_s)

    def fail(self, alarm: str, now_s: float) -> None:
        """An alarm: the axis is caught, the present order ends with it, the others are refused."""
        self.alarm = alarm
        order, waiting = self._now, list(self._orders)
        self._give_up(self.build.brake_mm_s2, now_s)
        for one in ([order] if order is not None else []) + waiting:
            self._tell(one, alarm, now_s)

    def press_limit(self, pressed: bool, now_s: float) -> None:
        """A limit switch is held, or let go."""
        self.limit_pressed = pressed
        if pressed and self.moving:
            self.fail("limit", now_s)

    def clear(self, now_s: float) -> None:
        """Acknowledge the alarm; it comes back where its cause is still there."""
        self.alarm = "limit" if self.limit_pressed else ""

    def lose_steps(self, steps: int, now_s: float) -> None:
        """The motor slips: the axis stays behind its count."""
        self._offset_mm += steps * self.build.step_mm * (1 if self.goes_down() else -1)
        self.replanned(now_s)

    def hold_encoder(self, until_s: float, now_s: float) -> None:
        """The encoder's value stays what it is until then."""
        self._stale_mm = self.encoder_mm(now_s)
        self._stale_until_s = until_s

    def power_on(self, now_s: float) -> None:
        """The drive lost its supply: caught by the brake, count and encoder at zero where it stands."""
        self._give_up(self.build.brake_mm_s2, now_s)
        self._rest(now_s)
        self.alarm, self.homed = "", False
        self.lowest_mm, self.highest_mm = self.build.lowest_switch_mm, self.build.highest_switch_mm
        self.acceleration_mm_s2 = self.build.acceleration_mm_s2
        self._count_as(0.0, self._path.to_mm)
        self.touched, self._stale_until_s = None, -math.inf
        self.replanned(now_s)

    # Time
    def live(self, now_s: float) -> None:
        """The present way is over, if it is time."""
        if now_s < self.due_s:
            return
        if self._trip:
            alarm, self._trip = self._trip, ""
            self.fail(alarm, now_s)
            return
        order, self._now = self._now, None
        self.due_s = math.inf
        self._rest(now_s, as_planned=order is not None)
        if order is not None:
            self._arrive(order, now_s)
        self._next(now_s)

    def _next(self, now_s: float) -> None:
        while self._orders and self._now is None:
            order = self._orders.popleft()
            refused = self.refusal(order)
            if refused:
                self.alarm = "" if refused == "not_homed" else refused
                self._tell(order, refused, now_s)
            else:
                self._start(order, now_s)

    def refusal(self, order: Order) -> str:
        """Why it would not be carried out now, in the controller's word; empty where it would."""
        if order.what == "dwell":
            return ""
        if self.limit_pressed:
            return "limit"
        if self.alarm or self.brake_closed:
            return self.alarm or "drive_off"
        if order.what == "home":
            return ""
        if not self.homed:
            return "not_homed"
        return "" if self.lowest_mm <= order.to_mm <= self.highest_mm else "limit"

    def _start(self, order: Order, now_s: float) -> None:
        self._now = order
        if order.what == "dwell":
            self.due_s = now_s + order.to_mm
            return
        from_mm = self.counted_mm(now_s)
        to_mm, speed = order.to_mm, order.speed_mm_s
        if order.what == "home":
            to_mm, speed = self.build.home_mm - self._offset_mm, self.build.homing_mm_s
        if order.what == "touch":
            self.touched = (from_mm + self._offset_mm, to_mm + self._offset_mm)
        self._set_off(stroke(from_mm, to_mm, speed, self.acceleration_mm_s2), order.number, now_s)

    def _set_off(self, path: Path, number: int, now_s: float) -> None:
        self.moves += 1
        offset_mm, build = self._offset_mm, self.build
        from_mm, to_mm = path.from_mm + offset_mm, path.to_mm + offset_mm
        self._truth.routine(now_s, "move", from_mm=from_mm, to_mm=to_mm, line=number, for_s=path.time_s)
        self._path, self._since_s, self.moving = path, now_s, True
        self.due_s, self._trip = now_s + path.time_s, ""
        if not max(build.lowest_switch_mm, build.overload_mm) < to_mm < build.highest_switch_mm:
            self._watch_for_trips()
        self.replanned(now_s)

    def _watch_for_trips(self) -> None:
        """A switch or too much force lies on the way."""
        trips = [
            (self._since_s + self._path.reaches_s(level_mm - self._offset_mm), alarm)
            for level_mm, alarm in (
                (self.build.lowest_switch_mm, "limit"),
                (self.build.highest_switch_mm, "limit"),
                (self.build.overload_mm, "overload"),
            )
        ]
        trip_s, alarm = min(trips)
        if trip_s < self.due_s:
            self.due_s, self._trip = trip_s, alarm

    def _give_up(self, deceleration_mm_s2: float, now_s: float) -> None:
        self._orders.clear()
        self._now, self._trip, self.due_s = None, "", math.inf
        if self.moving:
            path = slowing(self.counted_mm(now_s), self.speed_mm_s(now_s), deceleration_mm_s2)
            self._path, self._since_s = path, now_s
            self.due_s = now_s + path.time_s
            self.replanned(now_s)

    def _rest(self, now_s: float, as_planned: bool = False) -> None:
        if not self.moving:
            return
        self.moving = False
        self._path, self._since_s = at_rest(self._path.to_mm), now_s
        self._error_mm = self._next_error_mm()
        if not as_planned:
            self._truth.note(now_s, "at_rest", at_mm=self._path.to_mm + self._offset_mm)

    def _arrive(self, order: Order, now_s: float) -> None:
        if order.what == "home":
            self._count_as(self.build.home_mm, self._path.to_mm)
            self.homed = True
        slipped_mm = abs(self._offset_mm - self._encoder_offset_mm)
        if slipped_mm > self.build.lost_alarm_mm:
            self.alarm = "lost_steps"
        self._tell(order, self.alarm, now_s)

    def _count_as(self, counted_mm: float, was_mm: float) -> None:
        """Set the count (and the encoder with it) of an axis that comes or is at rest."""
        true_mm = was_mm + self._offset_mm
        self._offset_mm = self._encoder_offset_mm = true_mm - counted_mm
        self._path, self.due_s = at_rest(counted_mm), math.inf

    def _tell(self, order: Order, alarm: str, now_s: float) -> None:
        if order.what != "dwell":
            self.ended(Ended(order, self.counted_mm(now_s), self.encoder_mm(now_s), alarm), now_s)

    def _next_error_mm(self) -> float:
        if not self._errors:
            self._errors = (ENCODER_ERROR_MM * self._rng.standard_normal(BLOCK)).tolist()
        return self._errors.pop()
