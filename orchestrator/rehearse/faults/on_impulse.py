"""The impulse bench in the fault test: what is done to it, and what its plant's truth log means."""

from __future__ import annotations

from orchestrator.rehearse.faults.bench_kind import ANY, BenchKind, Seen
from orchestrator.rehearse.faults.case import Entry
from orchestrator.rehearse.faults.first_causes import (
    EMERGENCY_STOP,
    INTERLOCK,
    OF_A_LINK,
    OF_AN_INSTRUMENT,
    POWER,
)
from orchestrator.rehearse.faults.impulse_checks import CHECKS
from orchestrator.rehearse.faults.kinds import (
    CHANGES,
    Fault,
    applies_later,
    further_kinds,
    further_numbers,
    moment,
    moves_again,
    of_an_input,
    of_power,
)

MOST_NUMBERS = 5
"""Other than zero in one answer: samples held, range, interval, samples and offset of a digitiser."""
_INPUTS = {
    "door_opens": ("the door is opened", "door"),
    "stick_taken": ("the earthing stick leaves its hook", "earthing_stick_home"),
    "exhaust_stops": ("the exhaust stops", "exhaust"),
    "door_bounces": ("a door contact bounces for 30 ms", "door.a"),
    "door_disagrees": ("one door contact opens, its twin stays closed", "door.a"),
    "emergency_stop": ("the emergency stop is pressed", "emergency_stop"),
}
_POWER = (
    ("contactor_welds", "the high-voltage contactor stays closed", "high_voltage_open"),
    ("leakage_contactor_welds", "the leakage contactor stays closed", "leakage_open"),
    ("discharge_fails", "the discharge stays open", "discharge_closed"),
    ("earth_fails", "the earth stays open", "earth_closed"),
)


def _is_broken(truth: list[Entry]) -> bool:
    return any(e["event"] == "specimen" and e["state"] == "broken down" for e in truth)


def _is_marked(truth: list[Entry]) -> bool:
    return any(e["event"] == "cloth" and e["state"] not in ("unmarked", "none") for e in truth)


def _harmed(truth: list[Entry]) -> frozenset[str]:
    return frozenset({ANY} if _is_broken(truth) or _is_marked(truth) else ())


def _never_p(truth: list[Entry]) -> frozenset[str]:
    return frozenset({ANY} if _is_broken(truth) else ())


def _left_v(seen: Seen) -> float:
    return float(abs(seen["stored_v"]))


def _is_shot(entry: Entry) -> bool:
    return bool(entry["event"] == "shot")


IMPULSE = BenchKind(
    name="impulse",
    own=(
        *(of_an_input(name, *row) for name, row in _INPUTS.items()),
        Fault("door_sticks", "input", "a door contact no longer moves", CHANGES, moves_again("door.a")),
        *(of_power(*row) for row in _POWER),
        moment("probe_switched", "measuring", "the voltage probe gives ten times the voltage", applies_later),
        *further_numbers(MOST_NUMBERS),
    ),
    settings={
        "door_opens": (("door", "open"),),
        "stick_taken": (("earthing_stick", "away"),),
        "exhaust_stops": (("exhaust", "stopped"),),
        "door_bounces": (("door.a", "bounces:0.03 s"),),
        "door_disagrees": (("door.a", "open"),),
        "door_sticks": (("door.a", "sticks"),),
        "emergency_stop": (("emergency_stop", "pressed"),),
        "contactor_welds": (("contactor.welds", "high_voltage"),),
        "leakage_contactor_welds": (("contactor.welds", "leakage"),),
        "discharge_fails": (("discharge.fails", "yes"),),
        "earth_fails": (("earth.fails", "yes"),),
        "probe_switched": (("voltage_probe.ratio", "100"),),
    },
    link_faults=further_kinds(MOST_NUMBERS),
    first_causes={
        **dict.fromkeys([*_INPUTS, "door_sticks"], INTERLOCK),
        "emergency_stop": EMERGENCY_STOP,
        **dict.fromkeys([name for name, _, _ in _POWER], POWER),
        "probe_switched": OF_AN_INSTRUMENT,
    },
    of_a_link=OF_A_LINK,
    contactors=("high_voltage", "leakage"),
    precautions=("discharge", "earth"),
    cannot_open=frozenset({"contactor_welds", "leakage_contactor_welds"}),
    left_v=_left_v,
    voltage_event="stored_voltage",
    applies=_is_shot,
    resumes=_is_shot,
    applied="shots",
    none_later="no shot is captured",
    harmed=_harmed,
    never_p=_never_p,
    marked=_is_marked,
    # The only source of a number, with nothing to hold it against: a plausible error there rests on calibration.
    single_source={"wrong_value": (b"MEASure:CURRent",), "wrong_unit": (b"MEASure:CURRent",)},
    seconds=(
        "abort",
        "door_opens",
        "emergency_stop",
        "engine_killed",
        "monitor_killed",
        "power_cut",
        "sync_fails",
        "lost",
    ),
    checks=CHECKS,
)
