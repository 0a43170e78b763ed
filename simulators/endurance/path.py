"""Motion of one axis over time in closed form: phases of constant acceleration, never stepped."""

from __future__ import annotations

import math
from dataclasses import dataclass
from functools import lru_cache


@dataclass(frozen=True, slots=True, eq=False)
class Phase:
    """A stretch of constant acceleration, in time from the start of its path."""

    starts_s: float
    ends_s: float
    from_mm: float
    speed_mm_s: float
    acceleration_mm_s2: float

    def position_mm(self, at_s: float) -> float:
        """Where it is."""
        for_s = at_s - self.starts_s
        return self.from_mm + for_s * (self.speed_mm_s + 0.5 * self.acceleration_mm_s2 * for_s)

    def speed_at_mm_s(self, at_s: float) -> float:
        """How fast it is, with its sign."""
        return self.speed_mm_s + self.acceleration_mm_s2 * (at_s - self.starts_s)

    def reaches_s(self, level_mm: float) -> float:
        """When it passes a level that lies between its ends."""
        way_mm, speed, half = level_mm - self.from_mm, self.speed_mm_s, 0.5 * self.acceleration_mm_s2
        root = math.sqrt(max(speed * speed + 4 * half * way_mm, 0.0))
        slower = speed + math.copysign(root, speed if speed else half)
        return self.starts_s + (2 * way_mm / slower if slower else 0.0)


@dataclass(frozen=True, slots=True, eq=False)
class Path:
    """A way without turning back: from `from_mm` to `to_mm`, where it is at rest after `time_s`.

    The same stroke is the same object, which is what makes looking up what it passes cheap.
    """

    phases: tuple[Phase, ...]
    from_mm: float
    to_mm: float
    time_s: float

    def position_mm(self, at_s: float) -> float:
        """Where it is, `at_s` after its start."""
        if at_s >= self.time_s:
            return self.to_mm
        return self._phase(at_s).position_mm(max(at_s, 0.0))

    def speed_mm_s(self, at_s: float) -> float:
        """How fast it is, with its sign."""
        return 0.0 if at_s >= self.time_s else self._phase(at_s).speed_at_mm_s(max(at_s, 0.0))

    def reaches_s(self, level_mm: float) -> float:
        """When it passes a level or comes to rest there; infinity where its way does not lead there."""
        return _reaches_s(self, level_mm)

    def _phase(self, at_s: float) -> Phase:
        for phase in self.phases:
            if at_s < phase.ends_s:
                return phase
        return self.phases[-1]


@lru_cache(maxsize=64)
def at_rest(at_mm: float) -> Path:
    """No way at all."""
    return Path((), at_mm, at_mm, 0.0)


@lru_cache(maxsize=256)
def stroke(from_mm: float, to_mm: float, speed_mm_s: float, acceleration_mm_s2: float) -> Path:
    """From rest to rest with a speed of trapezoidal course, of triangular one where the way is too short for it."""
    way_mm = abs(to_mm - from_mm)
    if way_mm == 0.0:
        return at_rest(to_mm)
    top = min(speed_mm_s, math.sqrt(way_mm * acceleration_mm_s2))
    ramp_s = top / acceleration_mm_s2
    level_s = (way_mm - top * ramp_s) / top
    sign = math.copysign(1.0, to_mm - from_mm)
    return _path(
        from_mm,
        0.0,
        ((ramp_s, sign * acceleration_mm_s2), (level_s, 0.0), (ramp_s, -sign * acceleration_mm_s2)),
        to_mm,
    )


def slowing(from_mm: float, speed_mm_s: float, deceleration_mm_s2: float) -> Path:
    """From a speed to rest, as short as the deceleration has it."""
    time_s = abs(speed_mm_s) / deceleration_mm_s2
    if time_s == 0.0:
        return at_rest(from_mm)
    to_mm = from_mm + 0.5 * speed_mm_s * time_s
    return _path(from_mm, speed_mm_s, ((time_s, -math.copysign(deceleration_mm_s2, speed_mm_s)),), to_mm)


def _path(from_mm: float, speed: float, parts: tuple[tuple[float, float], ...], to_mm: float) -> Path:
    phases, at_s, at_mm = [], 0.0, from_mm
    for time_s, acceleration in parts:
        phase = Phase(at_s, at_s + time_s, at_mm, speed, acceleration)
        phases.append(phase)
        at_s, at_mm, speed = phase.ends_s, phase.position_mm(phase.ends_s), speed + acceleration * time_s
    return Path(tuple(phases), from_mm, to_mm, at_s)


@lru_cache(maxsize=1024)
def _reaches_s(path: Path, level_mm: float) -> float:
    if not min(path.from_mm, path.to_mm) <= level_mm <= max(path.from_mm, path.to_mm):
        return math.inf
    for phase in path.phases:
        ends = phase.from_mm, phase.position_mm(phase.ends_s)
        if min(ends) <= level_mm <= max(ends):
            return min(phase.reaches_s(level_mm), path.time_s)
    return path.time_s
