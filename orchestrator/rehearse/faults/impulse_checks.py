"""What must hold on the impulse bench beside what must hold on every bench: the store, the shots, the captures."""

from __future__ import annotations

import hashlib
from collections.abc import Iterator
from itertools import pairwise, zip_longest
from typing import TYPE_CHECKING, Any

from orchestrator.core.outcome import Verdict
from orchestrator.rehearse.faults.case import ROUNDING_S, Case, Entry

if TYPE_CHECKING:
    from orchestrator.rehearse.faults.bench_kind import Check

PROOF_AGE_S = 2.0
CROSSING_V = 0.5  # the log notes the crossing of the limit, by a hair on either side
FIGURES_AGREE_WITHIN = 0.05
EXACTLY = 1e-6  # of a limit: nearer to it than this, two ways of rounding may differ


def _discharged_in_time(case: Case) -> Iterator[str]:
    """From each opening of the high-voltage contactor the store is touch-safe within the bench's discharge time."""
    limit_v, time_s = case.rules.touch_safe_v, case.rules.discharge_s
    moves = [e for e in case.truth if e["event"] == "contactor" and e["name"] == "high_voltage"]
    stored = [e for e in case.truth if e["event"] == "stored_voltage"]
    for opened, following in zip_longest(moves, moves[1:]):
        until_s = opened["at_s"] + time_s
        if opened["state"] != "open" or until_s > (following["at_s"] if following else case.ended_s):
            continue
        volts = [e["volts"] for e in stored if e["at_s"] <= until_s]
        if volts and abs(volts[-1]) > limit_v + CROSSING_V and case.blocked is None:
            yield f"{abs(volts[-1]):.0f} V stored {time_s:g} s after the contactor opened, and start is not blocked"


# ---- shots


def _commanded(case: Case) -> list[Entry]:
    return [e for e in case.truth if e["event"] == "shot" and e["by"] == "commanded"]


def _one_shot_a_trigger(case: Case) -> Iterator[str]:
    """From each announced trigger to the next at most one commanded shot, and none before the first."""
    intents = [e for e in [*case.promised, *case.rest] if e["kind"] == "intent" and e["act"] == "trigger"]
    at_s = [float("-inf"), *(e["mono_s"] - ROUNDING_S for e in intents), float("inf")]
    commanded = _commanded(case)
    for number, (since_s, until_s) in enumerate(pairwise(at_s)):
        shots = [e for e in commanded if since_s <= e["at_s"] < until_s]
        if len(shots) > min(number, 1):
            yield f"{len(shots)} shots after {number} announced triggers and before the next"


def _no_blind_shot(case: Case) -> Iterator[str]:
    """Each commanded shot found every digitiser of its capture really waiting."""
    proofs = [e for e in [*case.promised, *case.rest] if e["kind"] == "proof_of_capture" and e["waiting"]]
    for shot in _commanded(case):
        fresh = [p for p in proofs if 0 <= shot["at_s"] - p["mono_s"] + 1e-6 <= PROOF_AGE_S + 1e-3]
        names = {p["instrument"] for p in fresh if p["when"] == "before trigger"}
        blind = names - set(shot["digitisers_waiting"])
        if not names:
            yield f"shot {shot['number']} was fired without a fresh proof of capture"
        elif blind:
            yield f"shot {shot['number']} was fired while {', '.join(sorted(blind))} did not wait"


def _every_recorder_is_proved(case: Case) -> Iterator[str]:
    """Of each commanded shot, every recorder that its step asks for was proved waiting before the trigger."""
    written = [*case.promised, *case.rest]
    proofs = [e for e in written if e["kind"] == "proof_of_capture" and e["waiting"]]
    announced = [e for e in written if e["kind"] == "intent" and e["act"] == "trigger"]
    for shot in _commanded(case):
        fresh = [p for p in proofs if 0 <= shot["at_s"] - p["mono_s"] + 1e-6 <= PROOF_AGE_S + 1e-3]
        proved = {p["instrument"] for p in fresh if p["when"] == "before trigger"}
        parts = [e["part"] for e in announced if e["mono_s"] - ROUNDING_S <= shot["at_s"]]
        if missing := case.recorders.get(parts[-1] if parts else "", frozenset()) - proved:
            yield f"shot {shot['number']} was fired without a proof of {', '.join(sorted(missing))}"


# ---- captures and verdicts


def _figures_rest_on_durable_captures(case: Case) -> Iterator[str]:
    """Raw codes first, then what is computed from them; the codes are those that the journal names."""
    captured: dict[tuple[Any, ...], Entry] = {}
    for entry in case.stored:
        key = _key(entry)
        if entry["kind"] == "capture":
            captured[key] = entry
        elif entry["kind"] == "figures" and entry["valid"]:
            yield from _capture_is_there(case, captured.get(key), entry)


def _capture_is_there(case: Case, capture: Entry | None, figures: Entry) -> Iterator[str]:
    which = f"the figures of {figures['part']} shot {figures['shot']}"
    if capture is None:
        yield f"{which} stand in the journal before their capture"
    elif capture["file"] not in case.store.names():
        yield f"{which} rest on {capture['file']}, which is not there"
    elif hashlib.sha256(case.store.read(capture["file"])).hexdigest() != capture["sha256"]:
        yield f"{which} rest on {capture['file']}, which is another"


def _figures_are_those_of_their_shot(case: Case) -> Iterator[str]:
    """A valid peak is that of the shot which was really fired: its sign, and its size within some per cent."""
    fired = {_key(e): e["triggered_s"] for e in case.stored if e["kind"] == "triggered"}
    for entry in case.stored:
        if entry["kind"] != "figures" or not entry["valid"] or _key(entry) not in fired:
            continue
        at_s = fired[_key(entry)]
        shot = min(_shots(case), key=lambda e: abs(e["at_s"] - at_s), default=None)
        for name, true in (("limiting_voltage", "peak_v"), ("peak_current", "peak_a")):
            if shot is not None and name in entry["results"]:
                signed = shot[true] * shot["polarity"]
                off_by = abs(entry["results"][name]["value"] / signed - 1.0)
                if off_by > FIGURES_AGREE_WITHIN:
                    yield f"{name} of {entry['part']} shot {entry['shot']} is not that of the shot fired"


def _key(entry: Entry) -> tuple[Any, ...]:
    return entry.get("part"), entry.get("shot"), entry.get("repeat")


def _shots(case: Case) -> list[Entry]:
    return [e for e in case.truth if e["event"] == "shot"]


def _every_f_stays(case: Case) -> Iterator[str]:
    """A value in the record beyond a limit on every shot, or a mark that was seen, has its F in the verdicts."""
    for row in case.verdicts:
        if row["judged"] == "every shot" and row["verdict"] != Verdict.FAILS and _evidence_against(case, row):
            yield f"{row['verdict']} for {row['clause']} although the record holds a value that fails it"


def _evidence_against(case: Case, row: Entry) -> bool:
    if row["must_be"] is not None:
        seen = [e for e in case.told if e["kind"] == "observation" and e["indicator"] == row["result"]]
        return any(e["state"] != row["must_be"] for e in seen)
    valid = [e for e in case.told if e["kind"] == "figures" and e["valid"] and e["part"] == "duty"]
    values = [e["results"][row["result"]]["value"] for e in valid if row["result"] in e["results"]]
    values += [e["value"] for e in case.told if e["kind"] == "measurement" and e["result"] == row["result"]]
    way = 1 if row["direction"] == "at_most" else -1
    return any(way * (abs(value) - row["limit"]) > EXACTLY * row["limit"] for value in values)


CHECKS: dict[str, Check] = {
    "discharged in time": _discharged_in_time,
    "one shot a trigger": _one_shot_a_trigger,
    "no shot without proof of capture": _no_blind_shot,
    "every recorder asked for is proved": _every_recorder_is_proved,
    "figures rest on durable captures": _figures_rest_on_durable_captures,
    "figures are those of their shot": _figures_are_those_of_their_shot,
    "an F stays": _every_f_stays,
}
