"""The coupled physics of the endurance bench: the gantry presses, contacts make and break, loads take current."""

from __future__ import annotations

import math
from collections.abc import Callable, Sequence

from simulators.bench_plant import stream
from simulators.divider import Divider
from simulators.endurance.axis import Axis, AxisBuild
from simulators.endurance.cell import INPUTS
from simulators.endurance.circuit import ContactCircuit
from simulators.endurance.loads import LoadBuild
from simulators.endurance.path import Path
from simulators.endurance.press import ALWAYS_CLOSED, NO_BREAK, NO_MAKE, WELL, Press
from simulators.endurance.recorder import Recorder
from simulators.endurance.wear import SpecimenBuild, Specimens
from simulators.safety_io import SafetyIo

WAYS_KEPT = 256
LEVEL_DOWN, CLOSES, LEVEL_UP, OPENS = range(4)
LEAST_MM_S = 1.0
"""Of a contact that is moved slower than this, slower does not matter."""


class Bench(ContactCircuit):
    """All of it but the instruments' insides. `live` brings it up to a time; instruments are joined by the plant."""

    HISTORY = frozenset({"inputs_version"})

    recorder: Recorder
    safety_io: SafetyIo

    def __init__(self, axis: AxisBuild, specimen: SpecimenBuild, load: LoadBuild, seed: int) -> None:
        super().__init__(specimen, load, Specimens(specimen, seed, stream(seed, "specimens")))
        self.axis = Axis(axis, self.truth, stream(seed, "axis"))
        self.axis.replanned = self._plan
        self.dividers = {"supply_divider": Divider(), "contact_divider": Divider()}
        self.cycles = 0
        self.operations = 0
        self.not_made = [0] * specimen.mounts
        self.not_broken = [0] * specimen.mounts
        self.tricks: dict[int, list[Callable[[float], None]]] = {}
        """What happens in a counted cycle, at its make."""
        self.later: list[Callable[[float], None]] = []
        """What happens as soon as the present event is over."""
        self.missed: set[int] = set()
        """Mounts whose contact does not make in the present press."""
        self.inputs_version = 0
        self._last_outcome: list[int] | None = None
        self._all_true = [True] * specimen.mounts
        self._presses = 0
        self._marks: list[tuple[float, int]] = []
        self._closes_s = math.inf
        """When the contact closes on the present way, where something is set on a cycle."""
        self._ways: dict[tuple[Path, float, float, bool], list[tuple[float, int]]] = {}
        self._acts = (self._level_down, self._close, self._level_up, self._open)
        self._inputs = self.cell.discrete_inputs(0.0)
        self._now_s = 0.0

    def join(self, recorder: Recorder, safety_io: SafetyIo) -> None:
        """Wire the devices to the circuit, before anything else."""
        self.recorder = recorder
        self.safety_io = safety_io
        relays = {name: "closed" if relay.closed else "open" for name, relay in self.cell.relays.items()}
        self.truth.note(0.0, "start", contactors=relays, inputs=dict(zip(INPUTS, self._inputs, strict=True)))
        self.settle_all(0.0)

    # What a person does
    def fit_specimens(self, now_s: float) -> None:
        """New specimens of the type on all mounts; cycles are counted from the start."""
        self.specimens.fit(range(self.specimen.mounts))
        self.cycles = self.operations = 0
        self.not_made = [0] * self.specimen.mounts
        self.not_broken = [0] * self.specimen.mounts
        self.terminals.attached = True
        self._heat(now_s)

    # Time
    def live(self, now_s: float) -> None:
        """Let everything happen that happens by itself until `now_s`, in order."""
        while (at_s := self.next_due_s()) <= now_s:
            if at_s > self._now_s:
                self._now_s = at_s
            self._happen(self._now_s)
        if self._marks and self._marks[0][0] <= now_s:
            self._pass_marks(now_s)
        if now_s > self._now_s:
            self._now_s = now_s

    def next_due_s(self) -> float:
        """When something happens by itself that anybody could notice.

        Of what the gantry passes that is the make alone, where something is set on one. The rest happens at its own
        time too, but nothing of it shows before somebody looks, or before the gantry is at rest.
        """
        due_s, watchdog_s = self.axis.due_s, self.safety_io.watchdog_due_s
        if watchdog_s < due_s:
            due_s = watchdog_s
        if self.cell.due_s < due_s:
            due_s = self.cell.due_s
        return due_s if due_s < self._closes_s else self._closes_s

    def _happen(self, now_s: float) -> None:
        if self._marks and self._marks[0][0] <= now_s:
            self._pass_marks(now_s)
        elif self.axis.due_s <= now_s:
            self.axis.live(now_s)
        else:  # rare, and everything in it is looked at together
            if self.safety_io.watchdog_due_s <= now_s:
                self.truth.note(now_s, "watchdog", state="expired")
                self.safety_io.expire(now_s)
            self.cell.advance(now_s)
            self._cell_changed(now_s)
        while self.later:
            self.later.pop(0)(now_s)

    def _pass_marks(self, now_s: float) -> None:
        """What the gantry has passed until now, each at its time."""
        while self._marks and self._marks[0][0] <= now_s:
            at_s, act = self._marks.pop(0)
            self._acts[act](at_s)

    # The safety controller's wiring
    def discrete_inputs(self, now_s: float) -> Sequence[bool]:
        """The inputs by address: as of the last look at the cell, which follows whatever changes one."""
        return self._inputs

    def input_registers(self, now_s: float) -> Sequence[int]:
        """Before and behind the contact of mount 1 in 0.1 V, temperature in 0.1 degC, humidity in 0.1 %."""
        return (
            round(10 * self.dividers["supply_divider"].reads(self.volts)),
            round(10 * self.dividers["contact_divider"].reads(self.behind_v(now_s))),
            round(10 * self.celsius),
            round(10 * self.humidity),
        )

    def coils_changed(self, coils: Sequence[bool], now_s: float, by: str) -> None:
        """The controller commands."""
        self.cell.command(coils, now_s, by)
        self._cell_changed(now_s)

    def settle_all(self, now_s: float) -> None:
        """Anything may have changed: bring cell, ways, heat and inputs in line with it."""
        self.cell.settle(now_s)
        self._plan(now_s)
        self._cell_changed(now_s)

    def _cell_changed(self, now_s: float) -> None:
        closed = self.cell.is_closed("brake")
        if closed != self.axis.brake_closed:
            self.axis.brake(closed, now_s)
        self.follow_source()
        self._heat(now_s)
        self._note_inputs(now_s)

    # The way of the gantry
    def level_changed(self, now_s: float) -> None:
        """The recorder's trigger level."""
        self._plan(now_s)

    def _plan(self, now_s: float) -> None:
        """What the present way will pass, in order."""
        self._closes_s = math.inf
        if not self.axis.moving:
            self._marks = []
            return
        path, since_s, offset_mm = self.axis.way()
        key = (path, offset_mm, self.recorder.level_mm, self._pressed)
        ahead = self._ways.get(key)
        if ahead is None:
            if len(self._ways) >= WAYS_KEPT:
                self._ways.clear()
            ahead = self._ways[key] = self._passed(path, offset_mm)
        self._marks = [(since_s + at_s, act) for at_s, act in ahead if since_s + at_s >= now_s]
        if self.tricks:
            self._closes_s = min([at_s for at_s, act in self._marks if act == CLOSES], default=math.inf)

    def _passed(self, path: Path, offset_mm: float) -> list[tuple[float, int]]:
        """What a way passes, by the time from its start: trigger level and contact, downwards or upwards."""
        build, level_mm = self.specimen, self.recorder.level_mm
        if path.to_mm < path.from_mm:
            ahead = [(path.reaches_s(level_mm), LEVEL_DOWN)]
            if not self._pressed:
                ahead.append((path.reaches_s(build.closes_mm - offset_mm), CLOSES))
        else:
            ahead = [(path.reaches_s(level_mm), LEVEL_UP)]
            if self._pressed:
                ahead.append((path.reaches_s(build.opens_mm - offset_mm), OPENS))
        return sorted(one for one in ahead if one[0] < math.inf)

    def _new_press(self, now_s: float) -> Press:
        block, row = self.specimens.row(self._presses, self.cycles)
        self._presses += 1
        outcome = None
        if self.connection == "link":
            outcome = [ALWAYS_CLOSED] * self.mounts
        elif not self.specimens.all_well:
            outcome = [ALWAYS_CLOSED if welded else WELL for welded in self.specimens.welded]
        press = self._press = Press(block, row, outcome)
        press.make_volts, press.make_is_load = self.volts, self.is_load
        press.bank = self.electrics.bank
        press.filament_k = self.electrics.cold_k(now_s)
        return press

    def _level_down(self, now_s: float) -> None:
        press = self._press
        if press is None or press.is_over or press.make_trigger_s < math.inf:
            press = self._new_press(now_s)
            if self._pressed:
                press.closed_s = -math.inf
        press.make_trigger_s = now_s
        self.recorder.make_triggered(press, now_s)

    def _close(self, now_s: float) -> None:
        press = self._press
        if press is None or press.is_over or press.closed_s < math.inf:
            press = self._new_press(now_s)
        self._pressed, self._closes_s = True, math.inf
        press.closed_s, press.closing_mm_s = now_s, self._speed_mm_s(now_s)
        if press.make_volts > 0 and press.make_is_load and self.connection == "specimen":
            self._operate(press, now_s)
        if self.missed or not self.specimens.all_well:
            press.outcome = [self._outcome(mount, press.outcome_of(mount)) for mount in range(self.mounts)]
            self.missed.clear()
        if self.electrics.burnt:
            press.shares = tuple(self.electrics.lamps_left(mount) for mount in range(self.mounts))
        self._heat(now_s)

    def _speed_mm_s(self, now_s: float) -> float:
        return max(abs(self.axis.speed_mm_s(now_s)), LEAST_MM_S)

    def _operate(self, press: Press, now_s: float) -> None:
        """A make under voltage: it wears the contact; what was set on it happens."""
        press.is_loaded = True
        self.operations += 1
        for mount, how in self.specimens.operated():
            self.truth.note(now_s, "end of life", mount=mount + 1, how=how, operation=self.operations)
        if press.record:
            self.cycles += 1
            press.number = self.cycles
            if self.cycles in self.tricks:
                for trick in self.tricks.pop(self.cycles):
                    trick(now_s)
                self.follow_source()
                press.dip = self.electrics.dip

    def _outcome(self, mount: int, before: int) -> int:
        if before == ALWAYS_CLOSED:
            return before
        if self.specimens.welded[mount]:
            return NO_BREAK
        return NO_MAKE if self.specimens.dead[mount] or mount in self.missed else WELL

    def _level_up(self, now_s: float) -> None:
        press = self._press
        if press is None or press.break_trigger_s < math.inf:
            return
        press.break_trigger_s = now_s
        if press.opened_s == math.inf:
            press.break_volts, press.break_is_load = self.volts, self.is_load
        press.after_volts = self.volts / (self.electrics.dip if self.is_load else 1.0)
        self.recorder.break_triggered(press, now_s)
        self._finish(press)

    def _open(self, now_s: float) -> None:
        press = self._press
        self._pressed = False
        if press is None:
            return
        press.opened_s, press.opening_mm_s = now_s, self._speed_mm_s(now_s)
        if press.break_trigger_s == math.inf:
            press.break_volts, press.break_is_load = self.volts, self.is_load
        if press.is_loaded:
            self._note_operation(press, now_s)
        self._heat(now_s)
        self._finish(press)

    def _finish(self, press: Press) -> None:
        """Where both the trigger and the contact are past."""
        if press.break_trigger_s < math.inf and not self._pressed:
            press.is_over = True
            if self.electrics.dip != 1.0:
                self.electrics.dip = 1.0
                self.follow_source()

    def _note_operation(self, press: Press, now_s: float) -> None:
        outcome = press.outcome
        made, broke = self._all_true, self._all_true
        if outcome is not None:
            made = [one in (WELL, NO_BREAK) for one in outcome]
            broke = [one in (WELL, NO_MAKE) for one in outcome]
            for mount in range(self.mounts):
                self.not_made[mount] += not made[mount]
                self.not_broken[mount] += not broke[mount]
        note = self.truth.routine if outcome == self._last_outcome else self.truth.note
        self._last_outcome = outcome
        note(now_s, "operation", n=self.operations, cycle=press.number, made=made, broke=broke)

    def _note_inputs(self, now_s: float) -> None:
        inputs = self.cell.discrete_inputs(now_s)
        if inputs == self._inputs:
            return
        for name, before, after in zip(INPUTS, self._inputs, inputs, strict=True):
            if before != after:
                self.truth.note(now_s, "input", name=name, value=after)
        self._inputs = inputs
        self.inputs_version += 1
