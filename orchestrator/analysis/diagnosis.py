"""Who is to blame for a cycle: contact, load, supply or actuator, from what was seen while it was on and after.

Common practice of the trade, no source. While the actuator is where it was sent:

| load voltage | contact voltage | current | finding |
| --- | --- | --- | --- |
| on | about 0 | as expected | ok |
| on | about 0 | none | load_open |
| on | about 0 | low or high | load_partial |
| 0 | full | none | fail_to_make |
| partial | some volts | reduced | high_resistance |
| on after off | about 0 | flows | fail_to_break |
| 0 | 0 | none, no supply | supply_lost |

Whatever a load, a supply or an actuator does must never be counted on the specimen, so the order of the
questions is part of the table (ORDER): a contact is blamed only where nothing else explains what was seen. The
one thing that no supply explains is a current that flows although the contact was to be open. Where the three
voltages do not add up, a lead is off, and nothing is said about the specimen (not_recorded). Neither is
anything said of what ends after its record: a make so late, a bounce or an arc so long. If it stays, the next
cycle's record shows it.

A dip is a supply below 90 % of its nominal value (as in EN 50160, from memory). Down to there, and above the
nominal value, the expected current is taken to follow the supply; a contact's voltage, its current.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from orchestrator.analysis.contact import CycleFigures
from orchestrator.analysis.contact_edges import Flags
from orchestrator.analysis.waveform import Array

Codes = NDArray[np.uint8]
FINDINGS = (
    "ok",
    "fail_to_make",
    "fail_to_break",
    "high_resistance",
    "load_open",
    "load_partial",
    "supply_lost",
    "supply_dip",
    "actuator",
    "not_recorded",
)
MALFUNCTIONS = ("fail_to_make", "fail_to_break", "high_resistance")  # count on the specimen
CODE = {name: code for code, name in enumerate(FINDINGS)}
IS_MALFUNCTION: Flags = np.array(
    [name in MALFUNCTIONS for name in FINDINGS]
)  # by code; the others are discounted
SUPPLY_LOST = 0.3  # of the nominal supply: below, there is none
SUPPLY_DIP = 0.9
NO_CURRENT = 0.1  # of the lowest expected current: below, there is none
LOAD_ON = 0.5  # of the supply: a load voltage above is on
FEWEST_RECURRING = 3
MISSING = 0.35  # of the supply: what contact and load may lack before a lead is off


@dataclass(frozen=True, eq=False)
class Seen:
    """What the cycle's record says beside the contact's own figures: one number for all mounts, or one for each.

    Voltages are sizes (r.m.s. of alternating ones). `position_ok`: the drive confirmed both positions.
    `recorded`: the record is complete and nothing in it was overloaded.
    """

    supply_before_v: float | Array
    supply_on_v: float | Array
    load_on_v: float | Array
    supply_after_v: float | Array
    position_ok: bool | Flags = True
    recorded: bool | Flags = True


@dataclass(frozen=True)
class Expected:
    """What a good cycle shows. Above `drop_bad_v` a closed contact's voltage is its own fault."""

    supply_v: float
    current_low_a: float
    current_high_a: float
    drop_bad_v: float


@dataclass(frozen=True)
class Recurrence:
    """An anomaly that comes back every `period` cycles is at home in one bank of the load, counted from 1."""

    period: int
    bank: int


def diagnose(figures: CycleFigures, seen: Seen, expected: Expected) -> Codes:
    """One code of FINDINGS for each mount."""
    if figures.mounts == 1 and _one_is_fine(figures, seen, expected):
        return np.zeros(1, dtype=np.uint8)
    fine = _fine(figures, seen, expected)
    if np.count_nonzero(fine) == len(fine):
        return np.zeros(fine.shape, dtype=np.uint8)
    evidence = _evidence(figures, seen, expected)
    conditions = [np.broadcast_to(evidence[question], fine.shape) for question, _ in ORDER]
    codes = np.select(conditions, [CODE[finding] for _, finding in ORDER], CODE["not_recorded"])
    return np.where(fine, CODE["ok"], codes).astype(np.uint8)


# The first question that is answered with yes gives the finding. If none is, it cannot be told: not_recorded.
ORDER = (
    ("incomplete", "not_recorded"),
    ("misplaced", "actuator"),
    ("stays_on", "fail_to_break"),
    ("lead_off", "not_recorded"),
    ("no_supply", "supply_lost"),
    ("low_supply", "supply_dip"),
    ("stays_off", "fail_to_make"),
    ("resists", "high_resistance"),
    ("no_load", "load_open"),
    ("other_load", "load_partial"),
)


def _fine(figures: CycleFigures, seen: Seen, expected: Expected) -> Flags:
    """Nothing to ask about: what nearly every cycle is."""
    lowest = SUPPLY_DIP * expected.supply_v
    least_a, most_a = _limits_a(seen, expected)
    supplied = (
        (seen.supply_before_v >= lowest) & (seen.supply_on_v >= lowest) & (seen.supply_after_v >= lowest)
    )
    on = seen.load_on_v >= LOAD_ON * seen.supply_on_v
    worked = figures.open_before & figures.made & figures.broke & (figures.drop_v <= expected.drop_bad_v)
    carried = (figures.steady_a >= least_a) & (figures.steady_a <= most_a)
    return np.asarray(worked & carried & (supplied & on & seen.position_ok & seen.recorded))


def _one_is_fine(figures: CycleFigures, seen: Seen, expected: Expected) -> bool:
    """The same of one mount, in plain numbers."""
    lowest, drop_v, steady_a = SUPPLY_DIP * expected.supply_v, figures.drop_v.item(), figures.steady_a.item()
    supplied = seen.supply_on_v / expected.supply_v
    open_before, _, made, _, broke, _ = figures.flags.tobytes()
    return bool(
        open_before
        and made
        and broke
        and drop_v <= expected.drop_bad_v
        and expected.current_low_a * min(supplied, 1.0) <= steady_a
        and steady_a <= expected.current_high_a * max(supplied, 1.0)
        and seen.supply_before_v >= lowest
        and seen.supply_on_v >= lowest
        and seen.supply_after_v >= lowest
        and seen.load_on_v >= LOAD_ON * seen.supply_on_v
        and seen.position_ok
        and seen.recorded
    )


def _limits_a(seen: Seen, expected: Expected) -> tuple[Array, Array]:
    supplied: Array = np.asarray(seen.supply_on_v / expected.supply_v)
    return (
        expected.current_low_a * np.minimum(supplied, 1.0),
        expected.current_high_a * np.maximum(supplied, 1.0),
    )


def _evidence(figures: CycleFigures, seen: Seen, expected: Expected) -> dict[str, Flags]:
    """The answers to the questions of ORDER."""
    lowest = np.minimum(np.minimum(seen.supply_before_v, seen.supply_on_v), seen.supply_after_v)
    least_a, most_a = _limits_a(seen, expected)
    carries = figures.steady_a >= NO_CURRENT * expected.current_low_a
    overload = np.maximum(figures.steady_a / most_a, 1.0)
    resists = figures.drop_v > expected.drop_bad_v * overload
    load_on = np.asarray(seen.load_on_v >= LOAD_ON * seen.supply_on_v)
    return {
        "incomplete": ~(np.asarray(seen.recorded) & _known(figures, seen)),
        "misplaced": ~np.asarray(seen.position_ok),
        "stays_on": figures.flowing_before | (figures.flowing_after & ~figures.parted),
        "lead_off": ~_adds_up(figures, seen),
        "no_supply": lowest < SUPPLY_LOST * expected.supply_v,
        "low_supply": lowest < SUPPLY_DIP * expected.supply_v,
        "stays_off": ~carries & resists & ~load_on,
        "resists": carries & resists,
        "no_load": ~carries & ~resists & load_on,
        "other_load": carries & ~resists & ((figures.steady_a < least_a) | (figures.steady_a > most_a)),
    }


def _adds_up(figures: CycleFigures, seen: Seen) -> Flags:
    """Contact and load voltage together are the supply, but for the leads; less means that a lead is off."""
    lacking = seen.supply_on_v - (figures.drop_v + seen.load_on_v)
    return np.asarray(lacking <= MISSING * seen.supply_on_v)


def _known(figures: CycleFigures, seen: Seen) -> Flags:
    of_contact = figures.steady_a + figures.drop_v + figures.inrush_a
    return np.isfinite(
        of_contact + seen.supply_before_v + seen.supply_on_v + seen.load_on_v + seen.supply_after_v
    )


def recurrence(cycles: Sequence[int] | NDArray[np.int64], banks: int) -> Recurrence | None:
    """The bank of the load that the latest anomalies belong to; None if they are not of one bank.

    `cycles` are the numbers of the operations with an anomaly, counted from 1 in step with the banks: the
    first uses bank 1. The latest FEWEST_RECURRING must be one turn of the banks apart: a contact does not
    know which bank it switches.
    """
    latest = np.unique(np.asarray(cycles, dtype=np.int64))[-FEWEST_RECURRING:]
    if banks < 2 or len(latest) < FEWEST_RECURRING or (np.diff(latest) != banks).any():
        return None
    return Recurrence(banks, int((latest[-1] - 1) % banks) + 1)
