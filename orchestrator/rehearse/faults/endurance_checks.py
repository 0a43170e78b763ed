"""What must hold on the endurance bench beside what must hold on every bench: motion, counts, and what is counted on
the specimen.

Operations of the truth log and rows of the ledger are held against each other one by one, by their times.
"""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import dataclass
from itertools import pairwise
from typing import TYPE_CHECKING, Any

import numpy as np

from orchestrator.core.outcome import Verdict
from orchestrator.core.reasons import Reason
from orchestrator.record.continued import CannotGoOn, continued
from orchestrator.record.ledger import LEDGER
from orchestrator.record.ledger_rows import FIGURES, FINDINGS
from orchestrator.record.ledger_table import LedgerRows, examine
from orchestrator.rehearse.faults.case import ROUNDING_S, Case, Entry
from orchestrator.rehearse.faults.invariants import (
    OPEN_BOUND_S,
    STRUCK_BOUND_S,
    finishes_within_s,
    time_to_safe_s,
)

if TYPE_CHECKING:
    from orchestrator.rehearse.faults.bench_kind import Check

ROW_ROUNDED_S = 0.006  # a row's time has hundredths
SAME_MM = 0.05
CONFIRMED_MM = 0.25  # 0.2 mm and an encoder's own error
DRY_RUN_MOVES = 24  # before the first cycle
STALE = ("gantry.encoder", "stale")
EXACTLY = 1e-6  # of a limit: nearer to it than this, two ways of rounding may differ
OUTSIDE = (
    "abort",
    "guard_opens",
    "guard_bounces",
    "guard_disagrees",
    "smoke",
    "emergency_stop",
    "engine_killed",
)
LEAVES_THE_AXIS_SOUND = (
    *OUTSIDE[:-1],
    "disk_full",
    "write_fails",
    "sync_fails",
    "supply_off",
    "person_says_no",
)
UNPOWERED = ("restarted", "power_cut", "foreign_device")


# ---- energy and motion


def _at_rest(case: Case) -> Iterator[str]:
    """Nothing moves in the end, whatever became of engine and monitor."""
    if case.seen["gantry"]["moving"]:
        yield "the axis still moves at the end"


def _made_safe_in_time(case: Case) -> Iterator[str]:
    """Stop category 1: from what stops a run until the contactors are open, its deadline and no more."""
    taken_s, bound_s = time_to_safe_s(case), _bound_s(case)
    if taken_s is not None and bound_s is not None and taken_s > bound_s:
        yield f"{taken_s:.3f} s from {case.fault} until the contactors were open, allowed {bound_s:g} s"


def _bound_s(case: Case) -> float | None:
    """For the first of a pair; None for what need not stop a run."""
    finishes_s = max(finishes_within_s(case, name) for name in case.bench.contactors)
    first = case.faults[0]
    struck_s = STRUCK_BOUND_S if case.safety_link_struck or case.monitor_struck else 0.0
    if first in OUTSIDE:
        return finishes_s + OPEN_BOUND_S + struck_s
    if first == "engine_frozen":
        return case.rules.renew_s + finishes_s + OPEN_BOUND_S
    if first in ("monitor_killed", "monitor_frozen"):
        return STRUCK_BOUND_S
    return OPEN_BOUND_S if first == "power_cut" else None


def _rests_before_the_cut(case: Case) -> Iterator[str]:
    """With actuator, monitor and engine sound, the axis is brought to rest by its drive before a contactor opens."""
    if len(case.faults) > 1 or case.fault not in LEAVES_THE_AXIS_SOUND:
        return
    rests = [e["at_s"] for e in case.own if e["event"] == "at_rest"]
    for one in case.own:
        if one["event"] == "contactor" and one["name"] in case.bench.contactors and one["state"] == "open":
            for move in _moves(case):
                until_s = min(
                    [move["at_s"] + move["for_s"], *(at_s for at_s in rests if at_s >= move["at_s"])]
                )
                if move["at_s"] < one["at_s"] < until_s:
                    yield f"{one['name']} was cut at {one['at_s']:.3f} s with the axis on its way (line {move['line']})"


def _moves(case: Case) -> list[Entry]:
    return [e for e in case.own if e["event"] == "move"]


def _moves_once(case: Case) -> Iterator[str]:
    """Nothing moves that was not asked for, no line is carried out twice, and nothing pressed is pressed again."""
    moves = _moves(case)
    if len(moves) > case.asked:
        yield f"the axis moved {len(moves)} times, the run asked for {case.asked} motions"
    lowest_mm = min((e["to_mm"] for e in moves), default=0.0)
    for one in moves:
        if abs(one["from_mm"] - one["to_mm"]) < SAME_MM and one["to_mm"] - lowest_mm < SAME_MM:
            yield f"at {one['at_s']:.3f} s the axis was sent to where it pressed already (line {one['line']})"
    if set(UNPOWERED).isdisjoint(case.faults):
        for before, after in pairwise(moves):
            if after["line"] <= before["line"]:
                yield f"line {after['line']} was carried out after line {before['line']}"


# ---- the count


@dataclass(frozen=True)
class _Row:
    """The rows of one cycle: when it was begun (or, where the actuator did not do it, given up), and its mounts."""

    cycle: int
    at_s: float
    position: bool
    mounts: dict[int, tuple[bool, bool, str]]  # electrically confirmed, counted, finding


def _ledger(case: Case) -> LedgerRows | None:
    return examine(case.store.read(LEDGER)).rows if LEDGER in case.store.names() else None


def _rows(case: Case) -> list[_Row]:
    table, begun = _ledger(case), [e for e in case.promised if e["kind"] == "cycles_started"]
    if table is None or not begun:
        return []
    rows = []
    for cycle in np.unique(table.cycle).tolist():
        own = np.flatnonzero(table.cycle == cycle)
        mounts = {
            int(table.mount[n]): (
                bool(table.electrical[n]),
                bool(table.counted[n]),
                FINDINGS[int(table.finding[n])],
            )
            for n in own
        }
        at_s = float(begun[0]["began_s"]) + float(table.t_s[own[0]])
        rows.append(_Row(int(cycle), at_s, bool(table.position[own[0]]), mounts))
    return rows


def _operations(case: Case) -> list[Entry]:
    """Those made where the record says that cycles were made; measurements press the contact as well."""
    spans: list[tuple[float, float]] = []
    for entry in case.promised:
        if entry["kind"] == "intent" and entry["act"] == "energise" and entry["part"] == "cycles":
            spans.append((entry["mono_s"] - ROUNDING_S, np.inf))
        elif entry["kind"] == "off_proof" and spans and spans[-1][1] == np.inf:
            spans[-1] = (spans[-1][0], entry["mono_s"])
    operations = [e for e in case.own if e["event"] == "operation"]
    return [e for e in operations if any(since_s <= e["at_s"] <= until_s for since_s, until_s in spans)]


def _period_s(case: Case) -> float:
    begun = [e for e in case.promised if e["kind"] == "cycles_started"]
    return 60.0 / float(begun[0]["rate_per_min"]) if begun else np.inf


def _owned(case: Case) -> tuple[dict[int, list[Entry]], list[Entry]]:
    """The operations of each cycle with a row, and those of none."""
    owned: dict[int, list[Entry]] = {}
    rows, without = _rows(case), []
    period_s, stroke_s = _period_s(case), max(finishes_within_s(case, name) for name in case.bench.contactors)
    for operation in _operations(case):
        at_s = operation["at_s"]
        begun = [
            r for r in rows if r.position and r.at_s <= at_s + ROW_ROUNDED_S and at_s < r.at_s + period_s
        ]
        # Its stroke may go on when the cycle is given up; the next one is not begun then.
        given_up = [r for r in rows if not r.position and r.at_s - period_s < at_s < r.at_s + stroke_s]
        row = begun[-1] if begun else given_up[0] if given_up else None
        if row is None:
            without.append(operation)
        else:
            owned.setdefault(row.cycle, []).append(operation)
    return owned, without


def _counts_what_was_made(case: Case) -> Iterator[str]:
    """Each confirmed row has its operation in the truth, one only, at which the contact of that mount did its part."""
    owned, _ = _owned(case)
    for row in _rows(case):
        made = owned.get(row.cycle, [])
        if len(made) > 1:
            yield f"cycle {row.cycle} has {len(made)} operations in the truth"
        for mount, (confirmed, counted, _) in row.mounts.items():
            if not (confirmed and counted):
                continue
            if not made:
                yield f"cycle {row.cycle} of mount {mount} is confirmed, and there was no operation"
            elif not _did_its_part(made[0], mount):
                yield f"cycle {row.cycle} of mount {mount} is confirmed, and its contact failed"


def _confirms_true_positions(case: Case) -> Iterator[str]:
    """A confirmed position is where the axis really was, and no encoder that stands still has confirmed it."""
    moves, stale_s = _moves(case), _encoder_stale_s(case)
    pressed_mm = min((e["to_mm"] for e in moves[:DRY_RUN_MOVES]), default=0.0)
    for row in _rows(case):
        until_s = row.at_s + _period_s(case)
        strokes = [
            (one, then)
            for one, then in pairwise(moves)
            if row.at_s - ROW_ROUNDED_S <= one["at_s"] < until_s and one["to_mm"] < one["from_mm"] - SAME_MM
        ]
        if not (row.position and strokes):
            continue
        release = strokes[0][1]
        if abs(release["from_mm"] - pressed_mm) > CONFIRMED_MM:
            yield f"cycle {row.cycle} is confirmed in position, and the axis was at {release['from_mm']:.2f} mm"
        if release["at_s"] > stale_s:
            yield f"cycle {row.cycle} is confirmed in position by an encoder that stood still"


def _encoder_stale_s(case: Case) -> float:
    found = [e["at_s"] for e in case.own if e["event"] == "set" and (e["name"], e["value"]) == STALE]
    return float(min(found, default=np.inf))


def _did_its_part(operation: Entry, mount: int) -> bool:
    return bool(operation["made"][mount - 1] and operation["broke"][mount - 1])


def _counts_the_specimen_alone(case: Case) -> Iterator[str]:
    """What load, supply, actuator or recorder spoilt is never a malfunction."""
    owned, _ = _owned(case)
    for row in _rows(case):
        made = owned.get(row.cycle, [])
        for mount, (confirmed, counted, finding) in row.mounts.items():
            if counted and not confirmed and (not made or _did_its_part(made[0], mount)):
                yield f"cycle {row.cycle} of mount {mount} is counted as {finding}, and the specimen did its part"
    sound = not case.bench.harmed(case.truth)
    if case.end is not None and case.end.cause.reason is Reason.SPECIMEN_FAILED and sound:
        yield f"the specimen is said to have failed, and it did its part: {case.end.cause.what}"


def _no_operation_is_lost(case: Case) -> Iterator[str]:
    """After any ending at most one operation has no row: the last one, and the record names it as uncertain."""
    _, without = _owned(case)
    if not without:
        return
    rows = _rows(case)
    if len(without) > 1:
        yield f"{len(without)} operations have no row, the first at {without[0]['at_s']:.3f} s"
    elif rows and without[0]["at_s"] < rows[-1].at_s:
        yield f"the operation at {without[0]['at_s']:.3f} s has no row, and cycles followed"
    elif _taken_over(case).get("uncertain") != (rows[-1].cycle + 1 if rows else 1):
        yield f"the operation at {without[0]['at_s']:.3f} s has no row, and nobody is told that it is uncertain"


def _taken_over(case: Case) -> dict[str, Any]:
    """What a run that goes on with this one would take over."""
    if not any(e["kind"] == "cycles_started" for e in case.stored):
        return {}
    try:
        found = continued(case.store)
    except CannotGoOn as refused:
        return {"refused": str(refused)}
    return {
        "confirmed": [int(one) for one in found.counts.confirmed],
        "commanded": found.counts.commanded,
        "uncertain": found.uncertain_cycle,
    }


def _can_be_gone_on_with(case: Case) -> Iterator[str]:
    """A further run takes over the count that the truth confirms: what was made, or all of it but the uncertain one."""
    found = _taken_over(case)
    if "refused" in found:
        yield f"nothing can go on with it: {found['refused']}"
    elif found:
        owned, without = _owned(case)
        rows = _rows(case)
        for place, confirmed in enumerate(found["confirmed"]):
            spoilt = sum(
                not row.mounts.get(place + 1, (True, True, ""))[0] for row in rows if row.cycle in owned
            )
            made = sum(len(one) for one in owned.values()) + len(without) - spoilt
            if not confirmed <= made <= confirmed + (found["uncertain"] is not None):
                yield f"mount {place + 1} goes on from {confirmed} confirmed cycles, the truth has {made}"


def _tells_its_counts(case: Case) -> Iterator[str]:
    """A row comes once, and the end of a run tells the counts that the ledger holds."""
    table = _ledger(case)
    if table is None:
        return
    keys = list(zip(table.cycle.tolist(), table.mount.tolist(), strict=True))
    if len(keys) != len(set(keys)):
        yield "a cycle stands twice in the ledger"
    for ended in [e for e in case.stored if e["kind"] == "run_ended" and "cycles" in e]:
        for one in ended["cycles"]:
            confirmed = int(np.sum(table.electrical & table.counted & (table.mount == one["mount"])))
            if confirmed != one["confirmed"] and not _is_the_uncertain_one(ended, table):
                yield f"mount {one['mount']} is told to have {one['confirmed']} cycles, the ledger has {confirmed}"


def _is_the_uncertain_one(ended: Entry, table: LedgerRows) -> bool:
    """A row whose sync failed may stand on the disk: its cycle is told as uncertain."""
    return bool(len(table)) and ended.get("uncertain_cycle") == int(table.cycle[-1])


# ---- verdicts


def _every_f_stays(case: Case) -> Iterator[str]:
    """What the record holds beyond a limit has its F in the verdicts."""
    table = _ledger(case)
    for row in case.verdicts:
        if row["verdict"] != Verdict.FAILS and _is_evidence(case, row, table):
            yield f"{row['verdict']} for {row['clause']} although the record holds a value that fails it"


def _is_evidence(case: Case, row: Entry, table: LedgerRows | None) -> bool:
    if row.get("direction") not in ("at_most", "at_least") or row["judged"] not in ("count", "every cycle"):
        return False
    limit, result = float(row["limit"]), row["result"]
    values: list[float] = []
    if table is not None and result in FINDINGS and row["judged"] == "count":
        values = [float(np.sum(table.counted & (table.finding == FINDINGS.index(result))))]
    elif table is not None and result in FIGURES and row["judged"] == "every cycle":
        values = table.figures[result][table.counted & table.electrical].tolist()
    way = 1 if row["direction"] == "at_most" else -1
    return any(way * (value - limit) > EXACTLY * max(limit, 1e-9) for value in values)


CHECKS: dict[str, Check] = {
    "at rest in the end": _at_rest,
    "made safe in time": _made_safe_in_time,
    "at rest before the cut": _rests_before_the_cut,
    "each motion once": _moves_once,
    "counts what was made": _counts_what_was_made,
    "confirms true positions": _confirms_true_positions,
    "counts the specimen alone": _counts_the_specimen_alone,
    "no operation is lost": _no_operation_is_lost,
    "can be gone on with": _can_be_gone_on_with,
    "tells its counts": _tells_its_counts,
    "an F stays": _every_f_stays,
}
