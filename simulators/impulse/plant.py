"""The impulse bench's plant: five devices on one physics, what can be set on it, and what a person sees."""

from __future__ import annotations

import hashlib
from collections.abc import Callable, Mapping
from dataclasses import fields
from typing import Any, TypeVar

import numpy as np

from simulators.device import Device
from simulators.impulse.bench import Bench, Power
from simulators.impulse.cell import COILS, SWITCHING_COILS
from simulators.impulse.circuit import Components
from simulators.impulse.digitiser import FAMILIES, Digitiser, FrontEnd
from simulators.impulse.faults import FAULTS, TROUBLES, unknown
from simulators.impulse.generator import Generator
from simulators.impulse.meter import Meter
from simulators.impulse.settings import setters
from simulators.impulse.varistor import Kind
from simulators.instrument import ScpiInstrument
from simulators.link import SimulatedDevice
from simulators.safety_io import SafetyIo
from simulators.scpi import Identity
from simulators.words import number_of

T = TypeVar("T")

IDENTITIES = {
    "generator": Identity("Made-up Instruments", "IG-2", "IG2-0031", "1.4"),
    "digitiser_v": Identity("Made-up Instruments", "TR-12", "TR12-0107", "2.0"),
    "digitiser_i": Identity("Invented Measurement", "Q4", "Q4-2209", "0.9"),
    "meter": Identity("Invented Measurement", "LM-1", "LM1-0450", "1.1"),
}
DIGITISERS = {"digitiser_v": "status-bit", "digitiser_i": "sample-count"}
SECTIONS = ("kind", "seed", "generator", "power", "specimen", "set")


class ImpulsePlant:
    """Implements `Plant`."""

    def __init__(self, parts: Components, power: Power, kind: Kind, seed: int) -> None:
        self._seed = seed
        self.bench = Bench(parts, power, kind, self._rng("specimen"))
        live = self.bench.live
        self.generator = Generator(live, self.bench, IDENTITIES["generator"])
        self.meter = Meter(live, self.bench, IDENTITIES["meter"], self._rng("meter"))
        digitisers = {name: self._digitiser(name, family) for name, family in DIGITISERS.items()}
        self.safety_io = SafetyIo("safety_io", live, self.bench, len(COILS), SWITCHING_COILS)
        self.bench.join(self.generator, self.meter, digitisers, self.safety_io)
        self.instruments: dict[str, ScpiInstrument] = {
            "generator": self.generator,
            **digitisers,
            "meter": self.meter,
        }
        self.simulated: dict[str, SimulatedDevice] = {**self.instruments, "safety_io": self.safety_io}
        self._all = tuple(self.simulated.values())
        self.devices: dict[str, Device] = dict(self.simulated)
        self.faults: dict[str, str] = {}
        self._setters = setters(self)

    def advance(self, now_s: float) -> dict[str, list[tuple[float, bytes]]]:
        """Live until `now_s`; the output of each device that has any."""
        self.bench.live(now_s)
        output = {}
        for name, device in self.simulated.items():
            if device.due_s <= now_s and (pieces := device.collect(now_s)):
                output[name] = pieces
        return output

    def next_due_s(self) -> float:
        """The next instant at which something happens by itself."""
        return min([self.bench.next_due_s(), *[device.due_s for device in self._all]])

    def set(self, name: str, value: str, now_s: float) -> None:
        """Change what a person or a fault changes. ValueError says what does not fit, and what would."""
        setter = self._setters.get(name)
        if setter is None:
            raise unknown(name, FAULTS)
        self.bench.live(now_s)
        try:
            setter(str(value), now_s)
        except ValueError as error:
            raise ValueError(f"{name}: {error} (values: {FAULTS[name][1]})") from error
        for device in self._all:
            device.replan()
        self._remember(name, str(value))
        self.bench.truth.note(now_s, "set", name=name, value=str(value))
        self.bench.settle_all(now_s)
        if name == "cloth":
            self.bench.truth.note(now_s, "cloth", state=self.bench.cloth.state)

    def plan_fault(self, device: str, exchange: int, kind: str) -> None:
        """Let one exchange of a device's link, counted from 1 since the start, go wrong: see LINK_FAULTS."""
        if device not in self.simulated:
            raise unknown(device, self.simulated)
        self.simulated[device].plan_fault(exchange, kind)

    def exchanges(self) -> dict[str, int]:
        """How many messages each device has had."""
        return {name: device.exchanges for name, device in self.simulated.items()}

    def inputs_version(self) -> int:
        """Grows whenever a discrete input of the safety I/O changed."""
        return self.bench.inputs_version

    def truth(self) -> list[dict[str, Any]]:
        """The truth log."""
        return self.bench.truth.entries

    def names(self) -> dict[str, tuple[str, str]]:
        """Everything that can be set."""
        return FAULTS

    def listen(self, sink: Callable[[dict[str, Any]], None]) -> None:
        """Hand every further entry of the truth log to `sink` as it happens."""
        self.bench.truth.sink = sink

    def show(self, now_s: float) -> dict[str, Any]:
        """What a person in front of the bench would see, and the faults that are set."""
        self.bench.live(now_s)
        bench, cell = self.bench, self.bench.cell
        return {
            "lamp": cell.lamp(),
            "horn": cell.horn(),
            "door": "closed" if cell.placed["door"] else "open",
            "earthing_stick": "home" if cell.placed["earthing_stick_home"] else "away",
            "emergency_stop": "released" if cell.placed["emergency_stop"] else "pressed",
            "exhaust": "running" if cell.placed["exhaust"] and cell.mains else "stopped",
            "mains": "on" if cell.mains else "off",
            "connection": bench.connection,
            "specimen": {"number": bench.specimen.number, "broken_down": bench.specimen.failed},
            "cloth": bench.cloth.state,
            "stored_v": round(bench.store_v(now_s), 1),
            "terminals_v": round(bench.terminals_v(), 2),
            "contactors": {name: "closed" if relay.closed else "open" for name, relay in cell.relays.items()},
            "generator": {
                "set_v": self.generator.set_v,
                "output": "on" if self.generator.output_on else "off",
                "polarity": "positive" if self.generator.polarity > 0 else "negative",
            },
            "shots": bench.shots,
            "specimen_shots": bench.specimen.shots,
            "ambient": {"temperature_celsius": bench.celsius, "humidity_percent": bench.humidity},
            "faults": dict(self.faults),
        }

    def switch_mains(self, on: bool, now_s: float) -> None:
        """The supply of everything: without it relays fall to rest and no device answers."""
        self.bench.cell.mains = on
        self.bench.cell.settle(now_s)
        for device in self.simulated.values():
            device.powered = on
            if not on:
                device.restart(0.0, now_s)
        self.bench.settle_all(now_s)

    def _remember(self, name: str, value: str) -> None:
        """Keep which faults are set; the first of a fault's values is that of a sound bench."""
        kept = name in TROUBLES or name.endswith((".link", ".serial"))
        sound = TROUBLES[name][1].split(",")[0] if name in TROUBLES else "ok"
        if kept and value != sound:
            self.faults[name] = value
        else:
            self.faults.pop(name, None)

    def _digitiser(self, name: str, family: str) -> Digitiser:
        rng = self._rng(name)
        front_end = FrontEnd(gain=1 + float(rng.uniform(-2e-3, 2e-3)), offset=float(rng.uniform(-5e-4, 5e-4)))
        return Digitiser(name, self.bench.live, FAMILIES[family], IDENTITIES[name], front_end, rng)

    def _rng(self, name: str) -> np.random.Generator:
        """A stream of its own for each part, so that one part's use does not shift another's."""
        key = int.from_bytes(hashlib.sha256(name.encode()).digest()[:4], "big")
        return np.random.Generator(np.random.PCG64([self._seed, key]))


def build_impulse(spec: dict[str, Any], seed: int) -> ImpulsePlant:
    """A plant from a plant file's contents: component values (SI), and what is set from the start.

    ValueError names the entry that is wrong.
    """
    for section in spec:
        if section not in SECTIONS:
            raise unknown(section, SECTIONS)
    plant = ImpulsePlant(
        _values(Components, spec.get("generator"), "generator"),
        _values(Power, spec.get("power"), "power"),
        _values(Kind, spec.get("specimen"), "specimen"),
        seed,
    )
    for name, value in (spec.get("set") or {}).items():
        plant.set(str(name), _text(value), 0.0)
    return plant


def _text(value: object) -> str:
    """A value of a plant file as text: YAML makes truth values of bare words such as `no`."""
    return {True: "yes", False: "no"}[value] if isinstance(value, bool) else str(value)


def _values(kind: type[T], given: object, section: str) -> T:
    """A dataclass of numbers filled from a mapping; what is left out keeps its usual value."""
    if given is None:
        return kind()
    if not isinstance(given, Mapping):
        raise ValueError(f"{section}: component values by name are expected, not {given!r}")
    known = [field.name for field in fields(kind)]  # type: ignore[arg-type]
    for name in given:
        if name not in known:
            raise ValueError(f"{section}: {unknown(str(name), known)}")
    try:
        return kind(**{str(name): number_of(str(value), "") for name, value in given.items()})
    except ValueError as error:
        raise ValueError(f"{section}: {error}") from error
