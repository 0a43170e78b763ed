"""An invented endurance run, written with the record's own store, journal and ledger: no bench, nothing measured.

People, makers and values are made up; the limits are house limits of a made-up laboratory.
"""

from __future__ import annotations

from dataclasses import dataclass, field
from datetime import UTC, datetime, timedelta
from typing import Any

import numpy as np

from orchestrator.record.journal import Journal
from orchestrator.record.ledger import Ledger
from orchestrator.record.ledger_rows import COUNTED, FINDINGS
from orchestrator.record.seal import Heads, seal, write_environment
from orchestrator.record.sheet import data_sheet
from orchestrator.record.store import Store

PERIOD_S = 5.0
TECHNICIAN = {"name": "tech-2", "how": "declared"}
SEQUENCE = """\
title: Presses of a sluice pedal contact
specimen: {type: sluice pedal contact, condition: new, after_a_stop: may go on}
mounts: {count: 2, failure: {rule: consecutive, times: 2}}
each_cycle: {open_above: 8 V}
trend_limits:
  - {result: contact_drop, warn_above: 120 mV, over: 200}
"""


@dataclass
class InventedClock:
    """Stands still until told."""

    s: float = 0.0
    began: datetime = datetime(2026, 3, 5, 9, 14, tzinfo=UTC)

    def now_s(self) -> float:
        return self.s

    def utc(self) -> datetime:
        return self.began + timedelta(seconds=self.s)


@dataclass(frozen=True)
class Plan:
    """What the invented run is to be. `findings` maps (cycle, mount) to a finding; `upto` ends it after that cycle."""

    run: str = "20260305-0914-WG-01"
    specimens: tuple[str, ...] = ("WG-01", "WG-02")
    declared: int = 40
    every: int = 10
    upto: int | None = None
    findings: dict[tuple[int, int], str] = field(default_factory=dict)
    ended: bool = True
    energised_at_the_end: bool = False
    sealed: bool = True
    continues: str | None = None
    begins_after: int = 0
    world: str = "real"
    began: datetime = datetime(2026, 3, 5, 9, 14, tzinfo=UTC)
    times: int = 2
    captures: bool = False


@dataclass
class Endurance:
    """Writes a plan into a store."""

    plan: Plan
    store: Store
    clock: InventedClock = field(default_factory=InventedClock)

    def write(self, heads: Heads | None = None) -> Journal:
        plan = self.plan
        self.clock.began = plan.began
        self.journal = Journal(self.store, self.clock)
        self._open()
        self.ledger = Ledger(self.store)
        self.chance = np.random.default_rng(7 + plan.begins_after)
        self.counts = {mount: {"confirmed": 0, "malfunctions": 0} for mount in self._mounts}
        self.in_a_row = dict.fromkeys(self._mounts, 0)
        self.failed: dict[int, int] = {}
        self._initial()
        last = self._cycles()
        if plan.ended:
            self._end(last)
        if plan.ended and plan.sealed:
            self.store.create("sheet.txt", data_sheet(self.journal.entries).encode())
            sealed = seal(self.store, self.journal, self.clock)
            if heads is not None:
                heads.append(plan.run, "seal", sealed.sha256)
        return self.journal

    @property
    def _mounts(self) -> range:
        return range(1, len(self.plan.specimens) + 1)

    def say(self, kind: str, after_s: float = 0.1, **facts: Any) -> None:
        self.clock.s += after_s
        self.journal.append(kind, **facts)

    def _open(self) -> None:
        plan = self.plan
        more = {"continues": plan.continues} if plan.continues else {}
        self.store.create("sequence.yaml", SEQUENCE.encode())
        self.store.create("bench.yaml", b"laboratory: Laboratory of Nowhere\n")
        write_environment(self.store, {"benchward": "0"})
        self.say(
            "run_started", run=plan.run, title="Presses of a sluice pedal contact", scenario="Weir gate",
            sequence_sha256="a" * 64, bench="Bench 7", bench_sha256="b" * 64, specimen=plan.specimens[0],
            specimens=list(plan.specimens), started_by=TECHNICIAN, parameters={"cycles": plan.declared},
            world=plan.world, seed=None, software="0", part_of=[], **more,
        )  # fmt: skip
        self.say("ambient", temperature=22.5, humidity=0.41)

    def _initial(self) -> None:
        plan = self.plan
        if plan.continues is None:
            self.say("touch_off", force_n=44.1, touches_at_mm=-1.25, datum="set", result="force", at_cycle=0)
            self._measure("checked_drop", 0.08, "V", 0)
            self.say("dry_run", cycles=10)
        else:
            self.say(
                "gap", earlier_run=plan.continues, stopped_utc="2026-03-05T09:20:00.000000Z", reason="power_lost",
                gap_s=560.0, clock="wall", from_cycle=plan.begins_after, uncertain_cycle=plan.begins_after + 1,
                ledger_sha256="c" * 64, accepted_by=TECHNICIAN,
                points=[{"point": "count", "found": "confirmed mount 1: 25"}],
            )  # fmt: skip
        self.began_s = self.clock.s
        mounts = [
            {"mount": m, "specimen": s, "cycles": 0, "confirmed": 0, "malfunctions": 0}
            for m, s in zip(self._mounts, plan.specimens, strict=True)
        ]
        self.say(
            "cycles_started", 0.0, mounts=mounts, of=plan.declared, began_s=self.began_s, rate_per_min=12.0
        )
        self.say("intent", act="energise", output="load", shot=plan.begins_after + 1, part="cycles")

    def _cycles(self) -> int:
        plan = self.plan
        last = plan.upto if plan.upto is not None else plan.declared
        first = plan.begins_after + 1
        for cycle in range(first, last + 1):
            self._cycle(cycle)
            if cycle % plan.every == 0:
                self._block_ends(first, cycle)
                first = cycle + 1
                if cycle < last or plan.energised_at_the_end:
                    self.say("intent", act="energise", output="load", shot=cycle + 1, part="cycles")
        if plan.ended and first <= last:
            self._block_ends(first, last)
        elif first <= last and not plan.energised_at_the_end and not plan.ended:
            self.say("off_proof", output="load", shot=last, safe=True, voltages={"contact_side": 0.1})
        return last

    def _cycle(self, cycle: int) -> None:
        self.clock.s = self.began_s + PERIOD_S * (cycle - self.plan.begins_after)
        active = np.array([m not in self.failed for m in self._mounts])
        codes = np.array(
            [FINDINGS.index(self.plan.findings.get((cycle, m), "ok")) for m in self._mounts], np.uint8
        )
        scale = np.array([[0.003], [0.002], [2.0], [9.0], [3.6], [0.08], [0.002], [0.001]])
        matrix = scale * self.chance.uniform(0.95, 1.05, (8, len(codes)))
        matrix[:, codes == FINDINGS.index("fail_to_make")] = np.nan
        self.ledger.append_cycle(cycle, 1, self.clock.s - self.began_s, "CP", active, codes, matrix, 0.998)
        for mount in self._mounts:
            if active[mount - 1]:
                self._count(cycle, mount, FINDINGS[codes[mount - 1]])

    def _count(self, cycle: int, mount: int, finding: str) -> None:
        counts, specimen = self.counts[mount], self.plan.specimens[mount - 1]
        if finding == "ok":
            counts["confirmed"] += 1
            self.in_a_row[mount] = 0
            return
        counted = finding in COUNTED
        self.say(
            "anomaly", 0.01, cycle=cycle, mount=mount, bank=1, finding=finding, counted=counted, why="seen so"
        )
        if counted:
            counts["malfunctions"] += 1
            self.in_a_row[mount] += 1
            if self.in_a_row[mount] >= self.plan.times:
                self.failed[mount] = cycle
                why = f"mount {mount}, specimen {specimen}: 2 malfunctions in a row at cycle {cycle}"
                self.say(
                    "mount_stopped",
                    0.01,
                    mount=mount,
                    specimen=specimen,
                    cycle=cycle,
                    finding=finding,
                    why=why,
                )

    def mounts_json(self) -> list[dict[str, Any]]:
        return [
            {
                "mount": m, "specimen": self.plan.specimens[m - 1], "cycles": sum(self.counts[m].values()),
                **self.counts[m], "in_a_row": self.in_a_row[m], "failed_at": self.failed.get(m),
            }
            for m in self._mounts
        ]  # fmt: skip

    def _block_ends(self, first: int, last: int) -> None:
        self.say("off_proof", output="load", shot=last, safe=True, voltages={"contact_side": 0.1})
        digest = self.ledger.segment_hash(first, last)
        self.say("segment", first=first, last=last, ledger_sha256=digest, mounts=self.mounts_json())
        self._measure("checked_drop", 0.08 + 0.02 * last / self.plan.declared, "V", last)

    def _measure(self, result: str, value: float, unit: str, cycle: int) -> None:
        for mount in self._mounts:
            self.say(
                "measurement", result=result, value=value + 0.001 * mount, unit=unit, expanded_uncertainty=0.004,
                coverage_factor=2.0, shot=cycle or None, mount=mount, instrument="recorder",
            )  # fmt: skip

    def _end(self, last: int) -> None:
        done = last == self.plan.declared
        reason = "count_reached" if done else "planned_pause"
        self.say(
            "trend_warning", cycle=last, mount=1, result="contact_drop", median=0.1234, unit="V", over=200
        )
        said = (
            "2 specimens without a failure in 40 cycles: with 90 % confidence at least 31.6 % last 40 cycles."
        )
        self.say("lifetime", statement="SuccessRun", specimens=2, cycles=last, confidence=0.9, in_words=said)
        self.say("cause", reason=reason, what=f"{last} cycles done", first=True, at_s=self.clock.s)
        self.say(
            "verdict", clause="house 5.3", result="bounce_time", judged="every cycle", direction="at_most",
            limit=0.009, unit="s", rule="simple_acceptance", value=0.0021, verdict="P", sentence="largest 2.1 ms",
            expanded_uncertainty=None, coverage_factor=None, acceptance_limit=0.009, shots=[], must_be=None,
        )  # fmt: skip
        self.say(
            "run_ended", outcome="pass" if done else "none", reason=reason, off_proven=True,
            sentence="Ended as planned.", after_a_stop="may go on", cycles=self.mounts_json(), commanded=last,
        )  # fmt: skip
