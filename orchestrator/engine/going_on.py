"""A run that goes on with an earlier one: the reconcile list, walked before the first cycle, kept as the gap.

Eleven points. Who stopped it, why, when, and how long the gap is; the durable count and whether a cycle is uncertain;
frozen files and specimens unchanged; supply, load and every bank by a single flash; actuator homed, touch-off equal to
the datum; contact state equal to the position; ambient; ground fuse and indicator; a named person accepts; the first
cycles attended; the gap in the record. The files were compared before the run began: see `preflight`.
"""

from __future__ import annotations

from datetime import UTC, datetime
from typing import TYPE_CHECKING, Any

import numpy as np

from orchestrator.core.reasons import Reason
from orchestrator.engine.cycle_acts import (
    CLOSED,
    OPEN,
    Datum,
    checking,
    compare_with_datum,
    mounts_words,
    require_contact,
    take_signature,
)
from orchestrator.engine.cycle_words import duration_words
from orchestrator.engine.live import live
from orchestrator.engine.stop import BenchFault

if TYPE_CHECKING:
    from orchestrator.engine.cycle_duty import Cycles
    from orchestrator.record.continued import Continued, Digest
    from orchestrator.steps.touch_off import TouchOff

FLASH_S = 1.0
AMBIENT_WITHIN_K = 5.0
PERSON_CHECKS = (
    "ground fuse continuous and indicator as it was left",
    "specimen, fixture and wiring as they were left",
)


def go_on(cycles: Cycles, earlier: Continued) -> None:
    """Reconcile, point by point; BenchFault or a person's no ends the run where something is not as it was."""
    at = cycles.at
    gap = _gap(cycles, earlier)
    _take_over(cycles, earlier)
    points: list[dict[str, Any]] = [
        _point(
            "stopped",
            f"{earlier.stopped_because}, {_moment(earlier.stopped_utc)}; {gap['words']} ago by the wall clock",
        ),
        _point("count", _count_words(cycles, earlier)),
        _point("unchanged", f"sequence and bench as in run {earlier.run}; specimens read by their labels"),
    ]
    points.append(_home_and_touch(cycles, earlier))
    points.append(_contact_state(cycles))
    points.append(_flash(cycles))
    points.append(_ambient(cycles, earlier))
    accepted = _accept(cycles, points)
    at.journal.append(
        "gap",
        earlier_run=earlier.run,
        stopped_utc=earlier.stopped_utc,
        reason=earlier.reason,
        gap_s=gap["gap_s"],
        clock="wall",
        from_cycle=cycles.mounts.commanded,
        uncertain_cycle=earlier.uncertain_cycle,
        ledger_sha256=earlier.ledger_sha256,
        points=points,
        accepted_by=accepted,
    )


def _point(name: str, words: str) -> dict[str, Any]:
    return {"point": name, "found": words}


def _gap(cycles: Cycles, earlier: Continued) -> dict[str, Any]:
    """The monotonic clock does not survive a restart: the gap is by the wall clock, and says so."""
    now = cycles.at.clock.utc().astimezone(UTC)
    stopped = datetime.fromisoformat(earlier.stopped_utc.replace("Z", "+00:00"))
    gap_s = round((now - stopped).total_seconds(), 1)
    return {"gap_s": gap_s, "words": duration_words(gap_s)}


def _moment(utc: str) -> str:
    """A stamp as people read it."""
    return f"{utc[:19].replace('T', ' ')} UTC"


def _take_over(cycles: Cycles, earlier: Continued) -> None:
    """Counts, figures, measurements and datum of the earlier run, as its ledger and journal hold them."""
    cycles.mounts.go_on_from(*earlier.counts)
    kept: list[Digest] = [cycles.digest, *cycles.shown, *cycles.trends]
    for each in kept:
        earlier.fill(each)
    for result, value in earlier.measurements():
        cycles.at.gathered.add(result, value)
    if earlier.datum is not None:
        cycles.datum = Datum(earlier.datum["touches_at_mm"], earlier.datum["force_n"])


def _count_words(cycles: Cycles, earlier: Continued) -> str:
    counts = ", ".join(f"mount {one['mount']}: {one['confirmed']}" for one in cycles.mounts.to_json())
    uncertain = earlier.uncertain_cycle
    return f"confirmed {counts}" + (f"; cycle {uncertain} is uncertain and not counted" if uncertain else "")


def _home_and_touch(cycles: Cycles, earlier: Continued) -> dict[str, Any]:
    step = _touch_off_of(cycles)
    if step is None:
        with checking(cycles.at, "homing"):
            cycles.bench.enter()
            cycles.bench.move("off")
        return _point("actuator", "homed; the sequence has no touch-off to compare")
    found = take_signature(cycles.at, step)
    if cycles.datum is not None:
        compare_with_datum(found, cycles.datum, step)
    return _point(
        "actuator", f"homed; touches at {found.touches_mm:.2f} mm with {found.force_n:.1f} N, as the datum"
    )


def _touch_off_of(cycles: Cycles) -> TouchOff | None:
    from orchestrator.steps.touch_off import TouchOff

    steps = cycles.at.sequence.initial_measurements
    return next((step for step in steps if isinstance(step, TouchOff)), None)


def _contact_state(cycles: Cycles) -> dict[str, Any]:
    """On low energy: open where it has to be open, closed where closed. A welded contact is found here."""
    with checking(cycles.at, "contact state"):
        cycles.bench.move("off")
        require_contact(cycles.at, OPEN, "before going on")
        cycles.bench.move("on")
        require_contact(cycles.at, CLOSED, "before going on")
        cycles.bench.move("off")
    return _point("contact", "open at off, closed at on")


def _flash(cycles: Cycles) -> dict[str, Any]:
    """Every bank once, for a second: supply and load are there before the specimen is counted on again."""
    at, bench = cycles.at, cycles.bench
    mounts = cycles.mounts
    going = np.flatnonzero(mounts.failed_at == 0 if mounts.reached else mounts.active)
    low, seen, weak = cycles.each.current.low, [], []
    at.arming.require()
    with live(bench.load_rules.output, at, at.gathered.current, "flash"):
        for bank in range(1, bench.load_rules.banks + 1):
            bench.choose_bank(bank)
            bench.move("on")
            at.pace.wait_until(at.clock.now_s() + FLASH_S)
            _, amperes = bench.recorder.contact_now()
            bench.move("off")
            taken = np.abs(amperes)
            seen.append(float(taken[going].min()) if going.size else 0.0)
            if (dark := going[taken[going] < low]).size:
                weak.append(f"bank {bank}{mounts_words(cycles, dark)}")
    if weak:
        what = f"{', '.join(weak)} takes {min(seen):.3g} A, wanted {cycles.each.current.text}"
        raise BenchFault(Reason.SUPPLY_FAULT, f"before going on: {what}")
    return _point("load", "each bank flashed: " + ", ".join(f"{one:.2f} A" for one in seen))


def _ambient(cycles: Cycles, earlier: Continued) -> dict[str, Any]:
    now_c = cycles.at.monitor.snapshot().ambient.get("temperature")
    before_c = earlier.ambient_c
    if now_c is None or before_c is None:
        return _point("ambient", "not measured on this bench")
    if abs(now_c - before_c) > AMBIENT_WITHIN_K:
        what = f"the air has {now_c:.1f} degC, {before_c:.1f} degC before the gap"
        raise BenchFault(Reason.SUPPLY_FAULT, f"before going on: {what}: let it come back, then resume")
    return _point("ambient", f"{now_c:.1f} degC, {before_c:.1f} degC before the gap")


def _accept(cycles: Cycles, points: list[dict[str, Any]]) -> dict[str, str]:
    """A named person has looked as well, and accepts that the run goes on."""
    at = cycles.at
    at.arming.let_in()
    found = tuple(f"{one['point']}: {one['found']}" for one in points)
    text = "Read what was found, look at the bench, then accept that the run goes on."
    answer = at.ask("accept", text, items=PERSON_CHECKS, found=found)
    return answer.by.to_json()
