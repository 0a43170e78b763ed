"""A toy bench for the monitor's tests: rules like the Tidewater bench's, and physics of a dozen lines.

The real plant (`simulators`) judges the process; this one is small enough for hundreds of thousands of turns.
"""

from __future__ import annotations

from typing import Any

from orchestrator.core.interlock import Reading, Rules

RULES: dict[str, Any] = {
    "unit": 1,
    "poll_s": 0.005,
    "fresh_s": 0.25,
    "agree_s": 0.5,
    "watchdog": {"register": 0, "time_s": 0.5},
    "touch_safe_v": 50.0,
    "discharge_s": 5.0,
    "inputs": [
        {"name": "door", "channels": [0, 1], "prove_within_s": 12 * 3600.0},
        {"name": "earthing_stick_home", "channels": [2], "prove_within_s": 12 * 3600.0},
        {"name": "emergency_stop", "channels": [3, 4], "prove_within_s": 24 * 3600.0},
        {"name": "exhaust", "channels": [5], "prove_within_s": 24 * 3600.0},
    ],
    "feedback": {"high_voltage_open": 6, "leakage_open": 7, "discharge_closed": 8, "earth_closed": 9},
    "voltages": {"store": {"register": 0, "scale": 1.0}, "terminals": {"register": 1, "scale": 0.1}},
    "ambient": {
        "temperature": {"register": 2, "scale": 0.1},
        "humidity": {"register": 3, "scale": 0.1},
    },
    "signals": {"red": 4, "green": 5, "horn": 6},
    "outputs": [
        {
            "name": "high_voltage",
            "coil": 0,
            "off_feedback": "high_voltage_open",
            "lifts": ["discharge", "earth"],
            "stop_category": 0,
            "deadline_s": 0.0,
            "warning_s": 2.0,
        },
        {
            "name": "leakage",
            "coil": 3,
            "off_feedback": "leakage_open",
            "lifts": ["earth"],
            "stop_category": 0,
            "deadline_s": 0.0,
            "warning_s": 1.0,
        },
    ],
    "lifted": {
        "discharge": {"coil": 1, "closed_feedback": "discharge_closed"},
        "earth": {"coil": 2, "closed_feedback": "earth_closed"},
    },
}
PROVEN = {"door": 0.0, "earthing_stick_home": 0.0, "emergency_stop": 0.0, "exhaust": 0.0}
INTERLOCK = ["door", "earthing_stick_home", "emergency_stop", "exhaust"]
ALL = tuple(INTERLOCK)


def rules(**changes: Any) -> Rules:
    """The toy bench's rules; `stop_category` and `deadline_s` change the high-voltage output."""
    data = {**RULES, **{k: v for k, v in changes.items() if k in RULES}}
    stop = {k: v for k, v in changes.items() if k in ("stop_category", "deadline_s")}
    data["outputs"] = [{**data["outputs"][0], **stop}, *data["outputs"][1:]]
    return Rules.from_dict(data)


class ToyBench:
    """Relays that follow their coils after `relay_s`, a store that charges at once and discharges in a second."""

    def __init__(self, relay_s: float = 0.02) -> None:
        self.relay_s = relay_s
        self.channels = [True] * 6
        self.coils = (False,) * 7
        self.welded = False
        self.store_v = 0.0
        self.now_s = 0.0
        self.closed_contactor = {0: False, 3: False}
        self.in_force = {1: True, 2: True}
        self._moves: dict[int, tuple[float, bool]] = {}

    def write(self, coils: tuple[bool, ...]) -> None:
        for coil, (before, after) in enumerate(zip(self.coils, coils, strict=True)):
            if before != after and coil <= 3:
                self._moves[coil] = (self.now_s + self.relay_s, after)
        self.coils = tuple(coils)

    def set(self, name: str, *channels: bool) -> None:
        """Channel values of an input: one for all, or one each."""
        rule = next(i for i in RULES["inputs"] if i["name"] == name)
        for index, channel in enumerate(rule["channels"]):
            self.channels[channel] = channels[index % len(channels)]

    def live_until(self, now_s: float) -> None:
        for coil, (at_s, on) in list(self._moves.items()):
            if at_s <= now_s:
                del self._moves[coil]
                self._move(coil, on)
        if self.closed_contactor[0] and not self.in_force[1]:
            self.store_v = 1700.0
        elif self.in_force[1]:
            self.store_v *= 0.05 ** max(0.0, now_s - self.now_s)
        self.now_s = now_s

    def _move(self, coil: int, on: bool) -> None:
        if coil in self.closed_contactor:
            self.closed_contactor[coil] = on or (self.welded and self.closed_contactor[coil])
        else:
            self.in_force[coil] = not on

    @property
    def dead(self) -> bool:
        """Whether one could touch it: the toy's own truth."""
        return not any(self.closed_contactor.values()) and self.store_v < 50

    def reading(self) -> Reading:
        feedback = (
            not self.closed_contactor[0],
            not self.closed_contactor[3],
            self.in_force[1],
            self.in_force[2],
        )
        registers = (round(self.store_v), round(self.store_v * 10) % 65536, 221, 480)
        return Reading(self.now_s, (*self.channels, *feedback), registers)
