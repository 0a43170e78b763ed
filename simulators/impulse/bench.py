"""The coupled physics of the impulse bench: what closes, charges, fires and burns, and the log of it."""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np

from simulators.cell import Cell
from simulators.divider import Divider
from simulators.impulse import circuit
from simulators.impulse.cell import INPUTS, PLAN
from simulators.impulse.circuit import Array, Components, Wave
from simulators.impulse.cloth import Cloth
from simulators.impulse.digitiser import Digitiser
from simulators.impulse.generator import Generator
from simulators.impulse.meter import Meter
from simulators.impulse.store import Store, StorePath
from simulators.impulse.varistor import FAILED_OHM, Kind, Varistor
from simulators.safety_io import SafetyIo
from simulators.truth import TruthLog

TOUCH_SAFE_V = 50.0
LINK_SIEMENS = 200.0
EARTH_SIEMENS = 500.0
CONDUCTS_AFTER_S = 1e-3
"""The generator's switch goes out this long after the end of the wave."""
POLARISES_PART, POLARISES_TAU_S = 0.3, 0.2
"""A fresh direct voltage drives a little more current at first."""
CONNECTIONS = ("open", "link", "specimen")


@dataclass(frozen=True, slots=True)
class Power:
    """The slow side of the generator: what charges and what bleeds the store. SI units."""

    charging_v_per_s: float = 1000.0
    bleeder_ohm: float = 18e6
    discharge_ohm: float = 100e3
    dump_ohm: float = 22e3


@dataclass
class Probe:
    """A probe as it is really fitted: volts or amperes for one volt at the digitiser's input."""

    ratio: float
    plugged_in: bool = True

    def signal(self, wave: Array, polarity: int) -> Array | None:
        """What the digitiser sees; None where it is not plugged in."""
        return wave * (polarity / self.ratio) if self.plugged_in else None


@dataclass
class Troubles:
    """Faults of the power side, each at rest by default."""

    resistor_is_burnt: bool = False
    dump_fails: bool = False
    supply_is_dead: bool = False
    charges_to_x: float = 1.0
    leftover_v: float = 0.0
    self_trigger_v: float = math.inf
    self_trigger_after_shot: int = 0
    fails_at_shot: int = 0


class Bench:
    """All of it but the instruments' insides. `live` brings it up to a time; instruments are joined by the plant."""

    HISTORY = frozenset({"inputs_version"})

    generator: Generator
    meter: Meter
    digitisers: dict[str, Digitiser]
    safety_io: SafetyIo

    def __init__(self, parts: Components, power: Power, kind: Kind, rng: np.random.Generator) -> None:
        self.parts = parts
        self.power = power
        self.kind = kind
        self.truth = TruthLog()
        self.cell = Cell(self.truth, PLAN)
        self.store = Store()
        self.cloth = Cloth(scorch_j=8.0)
        self.connection = "open"
        self.celsius = 23.0
        self.humidity = 45.0
        self.probes = {"voltage_probe": Probe(1000.0), "current_probe": Probe(200.0)}
        self.dividers = {"store_divider": Divider(), "terminals_divider": Divider()}
        self.troubles = Troubles()
        self.shots = 0
        self.specimens = 0
        self.inputs_version = 0
        self._rng = rng
        self._marks: list[tuple[float, str]] = []
        self._inputs = self.cell.discrete_inputs(0.0)
        self._meter_since_s = math.inf
        self._terminals_v = 0.0
        self._now_s = 0.0
        self.fit_specimen()

    def join(
        self, generator: Generator, meter: Meter, digitisers: dict[str, Digitiser], safety_io: SafetyIo
    ) -> None:
        """Wire the devices to the circuit, before anything else."""
        self.generator = generator
        self.meter = meter
        self.digitisers = digitisers
        self.safety_io = safety_io
        relays = {name: "closed" if relay.closed else "open" for name, relay in self.cell.relays.items()}
        self.truth.note(0.0, "start", contactors=relays, inputs=dict(zip(INPUTS, self._inputs, strict=True)))
        self.settle_all(0.0)

    # What a person does
    def fit_specimen(self) -> None:
        """A new specimen of the type, a little different from the last."""
        self.specimens += 1
        self.specimen = Varistor(self.kind, self.specimens, self._rng, self.celsius)

    # Time
    def live(self, now_s: float) -> None:
        """Let everything happen that happens by itself until `now_s`, in order."""
        while (at_s := self.next_due_s()) <= now_s:
            self._now_s = max(at_s, self._now_s)
            self._happen(self._now_s)
        if now_s > self._now_s:
            self._now_s = now_s

    def next_due_s(self) -> float:
        """When something happens by itself."""
        due_s = min(self.cell.due_s, self.safety_io.watchdog_due_s, self.cloth.due_s)
        return min(due_s, self._marks[0][0]) if self._marks else due_s

    def _happen(self, now_s: float) -> None:
        if self.safety_io.watchdog_due_s <= now_s:
            self.truth.note(now_s, "watchdog", state="expired")
            self.safety_io.expire(now_s)
        self.cell.advance(now_s)
        if self.cloth.advance(now_s):
            self.truth.note(now_s, "cloth", state=self.cloth.state)
        while self._marks and self._marks[0][0] <= now_s:
            self._pass_mark(self._marks.pop(0)[1], now_s)
        self._cell_changed(now_s)

    # The safety controller's wiring
    def discrete_inputs(self, now_s: float) -> Sequence[bool]:
        """The inputs by address: as of the last look at the cell, which follows whatever changes one."""
        return self._inputs

    def input_registers(self, now_s: float) -> Sequence[int]:
        """Store in V, terminals in 0.1 V, temperature in 0.1 degC, humidity in 0.1 %."""
        return (
            round(self.dividers["store_divider"].reads(self.store_v(now_s))),
            round(10 * self.dividers["terminals_divider"].reads(self.terminals_v())),
            round(10 * self.celsius),
            round(10 * self.humidity),
        )

    def coils_changed(self, coils: Sequence[bool], now_s: float, by: str) -> None:
        """The controller commands."""
        self.cell.command(coils, now_s, by)
        self._cell_changed(now_s)

    # Store and terminals
    def store_v(self, now_s: float) -> float:
        """True voltage of the store."""
        return self.store.volts(now_s)

    def terminals_v(self) -> float:
        """True direct voltage at the specimen's terminals (between shots the generator's switch is open)."""
        shorted = self.cell.is_closed("earth") or self.connection == "link"
        return 0.0 if shorted or not self._meter_reaches() else self.meter.source_v

    def terminals_at_v(self, now_s: float) -> float:
        """The same at a time."""
        return self.terminals_v()

    def meter_current_a(self, now_s: float) -> float:
        """What the meter drives through its terminals."""
        if not self._meter_reaches() or self.meter.source_v == 0:
            return 0.0
        if self.cell.is_closed("earth") or self.connection == "link":
            return math.inf
        if self.connection == "open":
            return 0.0
        fresh = math.exp(-(now_s - self._meter_since_s) / POLARISES_TAU_S)
        return self.specimen.leakage_a(self.meter.source_v) * (1 + POLARISES_PART * fresh)

    def is_charging(self) -> bool:
        """Whether the supply can put energy into the store."""
        allowed = self.cell.mains and not self.troubles.supply_is_dead
        return allowed and self.generator.output_on and self.cell.is_closed("high_voltage")

    def settle_all(self, now_s: float) -> None:
        """Anything may have changed: bring cell, store, marks and inputs in line with it."""
        self.cell.settle(now_s)
        self._cell_changed(now_s)

    def _cell_changed(self, now_s: float) -> None:
        self.settle(now_s)
        self._note_inputs(now_s)

    def settle(self, now_s: float) -> None:
        """Something changed outside the cell: bring store and marks in line with it."""
        self._follow_store(now_s)
        if self.terminals_v() != self._terminals_v:
            self._terminals_v = self.terminals_v()
            self.truth.note(now_s, "terminals_voltage", volts=self._terminals_v)
        if not self._meter_reaches():
            self._meter_since_s = math.inf
        elif math.isinf(self._meter_since_s):
            self._meter_since_s = now_s

    def _follow_store(self, now_s: float) -> None:
        before = self.store.path
        self.store.follow(self._path(), now_s)
        if self.store.path != before:
            self.truth.note(now_s, "stored_voltage", volts=self.store_v(now_s), why=self._path_in_words())
        self._mark(now_s)

    def _path(self) -> StorePath:
        power, siemens = self.power, 1 / self.power.bleeder_ohm
        if self.cell.is_closed("discharge") and not self.troubles.resistor_is_burnt:
            siemens += 1 / power.discharge_ohm
        if not self.generator.output_on and not self.troubles.dump_fails:
            siemens += 1 / power.dump_ohm
        tau_s = self.parts.store_f / siemens
        if not self.is_charging():
            return StorePath(tau_s=tau_s)
        level_v = self.generator.set_v * self.troubles.charges_to_x
        return StorePath(power.charging_v_per_s, level_v, tau_s)

    def _path_in_words(self) -> str:
        if self.store.path.supply_v_per_s:
            return f"charging towards {self.store.path.level_v:.0f} V"
        return "discharging" if self.store.path.tau_s < 10 else "isolated"

    def _meter_reaches(self) -> bool:
        return self.cell.is_closed("leakage") and self.meter.output_on

    # Marks on the store's way
    def _mark(self, now_s: float) -> None:
        """Plan what the store's voltage will trigger on its present way."""
        ahead = [(self.store.reaches_s(TOUCH_SAFE_V), "touch_safe")]
        if self.store.path.supply_v_per_s:
            ahead.append((self.store.reaches_s(self.store.path.level_v), "charged"))
            if self.specimen.shots >= self.troubles.self_trigger_after_shot:
                ahead.append((self.store.reaches_s(self.troubles.self_trigger_v), "self_trigger"))
        self._marks = sorted((at_s, word) for at_s, word in ahead if now_s < at_s < math.inf)

    def _pass_mark(self, word: str, now_s: float) -> None:
        volts = self.store_v(now_s)
        if word == "touch_safe":
            rising = bool(self.store.path.supply_v_per_s)
            why = "no longer touch-safe" if rising else "touch-safe"
            self.truth.note(now_s, "stored_voltage", volts=volts, why=why)
        elif word == "charged":
            self.truth.note(now_s, "stored_voltage", volts=volts, why="charged")
        else:
            self.troubles.self_trigger_v = math.inf
            self.fire(now_s, "self")

    # The shot
    def fire(self, now_s: float, by: str) -> None:
        """The generator's switch closes."""
        self.shots += 1
        charged_v, polarity = self.store_v(now_s), self.generator.polarity
        reaches_specimen = self.connection == "specimen" and not self.cell.is_closed("earth")
        was_whole = not self.specimen.failed
        if reaches_specimen and self.specimen.shots + 1 == self.troubles.fails_at_shot:
            self.specimen.fail()
        wave = self._wave(charged_v, polarity)
        energy_j = wave.load_energy_j() if reaches_specimen else 0.0
        self._note_shot(now_s, by, wave, energy_j)
        self._trigger_digitisers(wave, polarity, now_s)
        if reaches_specimen:
            self._spend(energy_j, was_whole, now_s)
        left_v = circuit.volts_left(self.parts, wave, CONDUCTS_AFTER_S)
        self.store.put(max(left_v, min(self.troubles.leftover_v, charged_v)), now_s)
        self.truth.note(now_s, "stored_voltage", volts=self.store_v(now_s), why="after the shot")
        self._mark(now_s)

    def _wave(self, charged_v: float, polarity: int) -> Wave:
        if self.cell.is_closed("earth"):
            return circuit.fire_linear(self.parts, charged_v, EARTH_SIEMENS)
        if self.connection == "open":
            return circuit.fire_linear(self.parts, charged_v, 0.0)
        if self.connection == "link":
            return circuit.fire_linear(self.parts, charged_v, LINK_SIEMENS)
        if self.specimen.failed:
            return circuit.fire_linear(self.parts, charged_v, 1 / FAILED_OHM)
        return circuit.fire(self.parts, charged_v, self.specimen.curve(polarity))

    def _note_shot(self, now_s: float, by: str, wave: Wave, energy_j: float) -> None:
        self.truth.note(
            now_s,
            "shot",
            number=self.shots,
            by=by,
            charged_v=wave.charged_v,
            polarity=self.generator.polarity,
            connection=self.connection,
            meter_connected=self.cell.is_closed("leakage"),
            earthed=self.cell.is_closed("earth"),
            specimen=self.specimen.number if self.connection == "specimen" else None,
            specimen_energy_j=energy_j,
            peak_v=float(np.max(np.abs(wave.terminals_v))),
            peak_a=float(np.max(np.abs(wave.load_a))),
            charge_c=float(np.sum(wave.load_a)) * circuit.GRID_S,
            digitisers_waiting=[name for name, one in self.digitisers.items() if one.is_waiting(now_s)],
        )

    def _trigger_digitisers(self, wave: Wave, polarity: int, now_s: float) -> None:
        volts = self.probes["voltage_probe"].signal(wave.terminals_v, polarity)
        amperes = self.probes["current_probe"].signal(wave.load_a, polarity)
        self.digitisers["digitiser_v"].line_triggered(now_s, volts)
        self.digitisers["digitiser_i"].line_triggered(now_s, amperes)

    def _spend(self, energy_j: float, was_whole: bool, now_s: float) -> None:
        self.specimen.take(energy_j, now_s)
        broke = was_whole and self.specimen.failed
        if broke:
            self.truth.note(now_s, "specimen", number=self.specimen.number, state="broken down")
        self.cloth.take(self.specimen.shots, energy_j, broke, now_s)

    def _note_inputs(self, now_s: float) -> None:
        inputs = self.cell.discrete_inputs(now_s)
        if inputs == self._inputs:
            return
        for name, before, after in zip(INPUTS, self._inputs, inputs, strict=True):
            if before != after:
                self.truth.note(now_s, "input", name=name, value=after)
        self._inputs = inputs
        self.inputs_version += 1
