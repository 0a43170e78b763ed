"""A bench proved without energy: every instrument identified, its settings written and read back, every capture
started, proved waiting and stopped, every source switched off over its own link. No output is ever switched on."""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass, field
from functools import partial
from typing import TYPE_CHECKING, Any

from drivers.equipment.instrument import differences
from drivers.equipment.protocols import InstrumentFault
from drivers.links.base import LinkFault
from orchestrator.core.reasons import Reason
from orchestrator.engine.bench import RecorderUnit, SourceUnit
from orchestrator.engine.opening import off_in_threads, open_bench, real_transport
from orchestrator.engine.stop import BenchFault
from sequences.bench import Digitiser, ImpulseSource, LeakageMeter

if TYPE_CHECKING:
    from orchestrator.engine.pace import Pace
    from sequences.bench import Bench

WAITING_WITHIN_S = 2.0
HALF = 0.5  # of the largest range: any expected peak that fits serves a dry run
FAULTS = (LinkFault, InstrumentFault, BenchFault)


@dataclass
class Proving:
    """One bench being proved; `rows` grow as it goes, each told to `tell`."""

    file: Bench
    pace: Pace
    tell: Callable[[dict[str, Any]], None]
    rows: list[dict[str, Any]] = field(default_factory=list)

    def run(self) -> list[dict[str, Any]]:
        """All of it; a part that fails does not keep the others from being proved."""
        self.bench = open_bench(self.file, self.pace, real_transport, off_in_threads)
        try:
            names = self.file.instruments
            known = {name for name in names if self._part("identity", name, partial(self._identity, name))}
            for name, unit in self.file.equipment.items():
                self._equipment(name, unit, known)
            for output in self.file.outputs:
                self._part("off over its own link", output, partial(self._off, output))
        finally:
            self.bench.close_all()
        return self.rows

    def _part(self, what: str, name: str, do: Callable[[], str]) -> bool:
        """One row: what was proved of what, and how, or why not."""
        try:
            row = {"what": what, "name": name, "proved": True, "how": do()}
        except FAULTS as fault:
            row = {"what": what, "name": name, "proved": False, "how": str(fault)}
        self.rows.append(row)
        self.tell(row)
        return bool(row["proved"])

    def _identity(self, name: str) -> str:
        identity = self.bench.instrument(name).open()
        due = self.file.instruments[name].calibration_due
        return f"{identity.maker} {identity.model}, serial {identity.serial}, calibration due {due}"

    def _equipment(self, name: str, unit: Any, known: set[str]) -> None:
        if isinstance(unit, Digitiser):
            for channel, rules in unit.channels.items():
                if rules.instrument in known:
                    self._part(
                        "settings and capture", f"{name}, {channel}", partial(self._capture, unit, channel)
                    )
        elif unit.instrument in known:
            prove = self._source if isinstance(unit, ImpulseSource) else self._meter
            self._part("settings", name, partial(prove, unit))

    def _capture(self, unit: Digitiser, channel: str) -> str:
        rules = unit.channels[channel]
        peak = HALF * rules.full_scales()[-1]
        one = RecorderUnit(channel, self.bench.instrument(rules.instrument), unit, peak)
        one.prepare()
        _require_same(one.name, one.compare()[2])
        one.start()
        try:
            proof = one.prove_waiting(self.pace, WAITING_WITHIN_S)
        finally:
            one.stop()
        if not proof.waiting:
            raise BenchFault(
                Reason.INSTRUMENT_FAULT, f"{one.name} does not wait for its trigger ({proof.detail})"
            )
        return f"settings read back, waiting for trigger by {proof.method}, stopped"

    def _source(self, unit: ImpulseSource) -> str:
        lowest_v = unit.charging_voltage.lowest
        one = SourceUnit(unit.instrument, self.bench.instrument(unit.instrument))
        for polarity in ("negative", "positive"):
            one.prepare(lowest_v, polarity)
            _require_same(unit.instrument, one.compare()[2])
        return f"{lowest_v:g} V and both polarities read back; not charged, trigger inhibited"

    def _meter(self, unit: LeakageMeter) -> str:
        meter = self.bench.instrument(unit.instrument)
        wanted = {"voltage_v": 1.0}
        meter.prepare(wanted["voltage_v"], unit.highest)
        _require_same(unit.instrument, differences(wanted, meter.read_back()))
        return "1 V read back; its output stayed off"

    def _off(self, output: str) -> str:
        results = self.bench.start_off(output)()
        wrong = [f"{one['instrument']}: {one['result']}" for one in results if one["result"] != "confirmed"]
        if wrong:
            raise BenchFault(Reason.INSTRUMENT_FAULT, "; ".join(wrong))
        return ", ".join(f"{one['instrument']} confirmed" for one in results) or "no source works through it"


def _require_same(name: str, differs: list[str]) -> None:
    if differs:
        raise BenchFault(Reason.INSTRUMENT_FAULT, f"{name} reads back other settings: {'; '.join(differs)}")
