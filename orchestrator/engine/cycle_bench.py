"""The equipment of a cyclic duty as the run has it: an actuator by named positions, a contact recorder, a load.

Rules
- A motion is commanded once; the driver asks after a lost acknowledgement and never sends a motion again.
- A cycle's record is the one with the next number; another one, or none, makes the cycle "not recorded", and the
  records are started and proved anew: which cycle a late one belongs to, nobody could tell.
"""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import asdict, dataclass
from typing import TYPE_CHECKING, Any, TypeVar

from drivers.equipment.instrument import differences
from drivers.equipment.protocols import InstrumentFault, MotionLimits, RecorderSettings
from drivers.links.base import LinkFault
from orchestrator.core.reasons import Reason
from orchestrator.engine.live import look
from orchestrator.engine.stop import BenchFault
from sequences.bench import Actuator as ActuatorRules
from sequences.bench import ContactRecorder as RecorderRules
from sequences.bench import Load as LoadRules

if TYPE_CHECKING:
    from drivers.equipment.protocols import Actuator, ActuatorState, ContactRecorder, CycleRecord, TouchOff
    from orchestrator.engine.context import Context

T = TypeVar("T")
R = TypeVar("R")
MM = 1000.0
SPARE_S = 0.005  # behind the end of the break record: it is asked for when it is there


@dataclass(frozen=True)
class Operated:
    """One cycle as it was carried out. `record` is None where the recorder gave none; `why` then says so."""

    cycle: int
    begun_s: float
    bank: int
    record: CycleRecord | None
    why: str = ""


def _rules(at: Context, name: str, kind: type[R]) -> R:
    """What the bench file says of one piece of equipment; that it is of the kind was checked before the run."""
    rules = at.bench.file.equipment[name]
    assert isinstance(rules, kind), f"{name} is no {kind.__name__}"
    return rules


class CycleBench:
    """Actuator, recorder and banks of one sequence, each through its own link."""

    def __init__(self, at: Context) -> None:
        self.at = at
        each, mounts = at.sequence.each_cycle, at.sequence.mounts
        assert each is not None and mounts is not None, (
            "a duty of cycles says what a cycle is, and of how many"
        )
        self.mounts = mounts.count
        self.actuator_rules = _rules(at, each.actuator, ActuatorRules)
        self.recorder_rules = _rules(at, each.recorder, RecorderRules)
        self.load_rules = _rules(at, each.load, LoadRules)
        self.actuator: Actuator = at.bench.instrument(self.actuator_rules.instrument)
        self.recorder: ContactRecorder = at.bench.instrument(self.recorder_rules.instrument)
        self.on_mm = MM * self.actuator_rules.positions[each.on]
        self.off_mm = MM * self.actuator_rules.positions[each.off]
        between = each.switches_at
        half_way_mm = 0.5 * (self.on_mm + self.off_mm)
        self.switches_mm = MM * self.actuator_rules.positions[between] if between else half_way_mm
        self.speed_mm_s = MM * each.speed
        self._within_mm = MM * self.actuator_rules.confirm_within
        self._records_asked = 0
        self._bank = 0
        self._records_are_lost = False
        self._is_homed = False  # in this run: an axis that lost steps in an earlier one says that it still is

    def prepare(self) -> None:
        """Write and read back every setting of actuator and recorder. Raises BenchFault where one differs."""
        rules, recorder = self.actuator_rules, self.recorder_rules
        limits = MotionLimits(
            lowest_mm=MM * rules.soft_limits.lowest,
            highest_mm=MM * rules.soft_limits.highest,
            acceleration_mm_s2=MM * rules.acceleration,
        )
        self.actuator.prepare(limits)
        self._compare(rules.instrument, limits, self.actuator.read_back())
        settings = RecorderSettings(
            mounts=self.mounts,
            make_samples=recorder.make_samples,
            break_samples=recorder.break_samples,
            make_pre=recorder.make_pre,
            break_pre=recorder.break_pre,
            sample_interval_s=1.0 / recorder.sample_rate,
            voltage_range_v=float(recorder.voltage.range),
            current_range_a=float(recorder.current.range),
            trigger_level_mm=self.switches_mm,
        )
        self.recorder.prepare(settings)
        self._compare(recorder.instrument, settings, self.recorder.read_back())

    def _compare(self, name: str, wanted: Any, read: Any) -> None:
        facts = {"wanted": asdict(wanted), "read_back": asdict(read)}
        self.at.journal.append("settings", shot=self.at.gathered.current, instrument=name, **facts)
        differs = differences(wanted, read)
        if differs:
            what = f"{name} reads back other settings: {'; '.join(differs)}"
            raise BenchFault(Reason.INSTRUMENT_FAULT, what)

    def ready(self) -> None:
        """Inside a block, before the first cycle of it: homed, at the off position, records waiting."""
        self.enter()
        self.move("off")
        self.start_records()

    def enter(self) -> None:
        """At the beginning of each block: leaving one opens every bank. The axis finds its reference once a run, and
        whenever it has lost it."""
        self._bank = 0
        if not (self._motion(self.actuator.state).homed and self._is_homed):
            self.at.progress.say("homing the actuator")
            self._motion(self.actuator.home)
            self._is_homed = True

    def go(self, to_mm: float, speed_mm_s: float | None = None) -> ActuatorState:
        """To a position in mm, at the duty's speed or a slower one."""
        speed = speed_mm_s or self.speed_mm_s
        return self._motion(lambda: self.actuator.move(to_mm, speed, self._within_mm))

    def touch_off(self, to_mm: float, speed_mm_s: float) -> TouchOff:
        """Slowly against the specimen, the force taken on the way."""
        return self._motion(lambda: self.actuator.touch_off(to_mm, speed_mm_s))

    def start_records(self, when: str = "before the first cycle") -> None:
        """Records count from 1 again; refused unless the recorder proves that it waits."""
        self.recorder.start()
        self._records_asked, self._records_are_lost = 0, False
        proof = self.recorder.waiting()
        at = self.at
        name = self.recorder_rules.instrument
        at.journal.append(
            "proof_of_capture",
            shot=at.gathered.current,
            instrument=name,
            method=proof.method,
            waiting=proof.waiting,
            age_s=round(at.clock.now_s() - proof.at_s, 6),
            when=when,
        )
        if not proof.waiting:
            what = f"{name} does not wait for cycles: none is begun, the specimen is as it was"
            raise BenchFault(Reason.INSTRUMENT_FAULT, what)

    def stand_by(self, bank: int) -> None:
        """Before a cycle is begun: its bank chosen; records counted anew where the one before it was not to be had."""
        if self._records_are_lost:
            self.recorder.stop()
            self.start_records("behind a cycle without a record")
        self.choose_bank(bank)

    def choose_bank(self, bank: int) -> None:
        """The commutator; nothing is sent where the bank is chosen already."""
        if bank != self._bank:
            self.recorder.choose_bank(bank)
            self._bank = bank

    def move(self, to: str) -> ActuatorState:
        """To "on" or "off", at the duty's speed, confirmed by read-back and encoder."""
        return self.go(self.on_mm if to == "on" else self.off_mm)

    def _motion(self, do: Callable[[], T]) -> T:
        """What goes wrong on the way is the actuator's fault, whatever layer noticed it."""
        try:
            return do()
        except (LinkFault, InstrumentFault) as fault:
            self._require_monitor()
            raise BenchFault(Reason.ACTUATOR_FAULT, str(fault)) from fault

    def _require_monitor(self) -> None:
        """A brake that closes on a moving axis is an alarm of its drive: what closed it comes first."""
        reply = look(self.load_rules.output, self.at)
        if not reply.granted:
            self.at.pace.slice()
        if not reply.facts:
            raise BenchFault(Reason.MONITOR_LOST, reply.sentence)

    def operate(self, cycle: int, bank: int, on_s: float) -> Operated:
        """One make and one break after `stand_by`, and the record of it. Raises BenchFault for the actuator."""
        at = self.at
        pace = at.pace
        begun_s = pace.now_s()
        self.move("on")
        pace.wait_until(pace.now_s() + on_s)
        self.move("off")
        rules = self.recorder_rules
        pace.wait_until(pace.now_s() + rules.break_samples / rules.sample_rate + SPARE_S)
        return self._fetched(cycle, begun_s, bank)

    def _fetched(self, cycle: int, begun_s: float, bank: int) -> Operated:
        self._records_asked += 1
        number = self._records_asked
        try:
            record = self.recorder.fetch(number)
        except InstrumentFault as fault:
            why = str(fault)
        else:
            why = self._why_unusable(record, number)
        self._records_are_lost = bool(why)
        return Operated(cycle, begun_s, bank, None if why else record, why)

    def _why_unusable(self, record: CycleRecord, number: int) -> str:
        name = self.recorder.name
        if not record.complete:
            return f"{name} holds no whole record of it"
        if record.number != number or record.next_number != number + 1:
            return f"{name} numbers it {record.number}, {number} was asked for"
        return f"{name} was overloaded: it clips" if record.overload else ""
