"""The impulse bench's plant: five devices on one physics, what can be set on it, and what a person sees."""

from __future__ import annotations

from typing import Any

from simulators.bench_plant import BenchPlant, check_sections, part_from, set_from_file, stream
from simulators.impulse.bench import Bench, Power
from simulators.impulse.cell import COILS, SWITCHING_COILS
from simulators.impulse.circuit import Components
from simulators.impulse.digitiser import FAMILIES, Digitiser, FrontEnd
from simulators.impulse.faults import FAULTS, TROUBLES
from simulators.impulse.generator import Generator
from simulators.impulse.meter import Meter
from simulators.impulse.settings import setters
from simulators.impulse.varistor import Kind
from simulators.safety_io import SafetyIo
from simulators.scpi import Identity

IDENTITIES = {
    "generator": Identity("Made-up Instruments", "IG-2", "IG2-0031", "1.4"),
    "digitiser_v": Identity("Made-up Instruments", "TR-12", "TR12-0107", "2.0"),
    "digitiser_i": Identity("Invented Measurement", "Q4", "Q4-2209", "0.9"),
    "meter": Identity("Invented Measurement", "LM-1", "LM1-0450", "1.1"),
}
DIGITISERS = {"digitiser_v": "status-bit", "digitiser_i": "sample-count"}
SECTIONS = ("kind", "seed", "generator", "power", "specimen", "set")


class ImpulsePlant(BenchPlant):
    """Implements `Plant`."""

    kind = "impulse"

    HISTORY = frozenset({"faults"})

    def __init__(self, parts: Components, power: Power, kind: Kind, seed: int) -> None:
        self.bench = Bench(parts, power, kind, stream(seed, "specimen"))
        super().__init__(self.bench, FAULTS, TROUBLES, seed)
        live = self.bench.live
        self.generator = Generator(live, self.bench, IDENTITIES["generator"])
        self.meter = Meter(live, self.bench, IDENTITIES["meter"], self._rng("meter"))
        digitisers = {name: self._digitiser(name, family) for name, family in DIGITISERS.items()}
        self.safety_io = SafetyIo("safety_io", live, self.bench, len(COILS), SWITCHING_COILS)
        self.bench.join(self.generator, self.meter, digitisers, self.safety_io)
        self.instruments = {"generator": self.generator, **digitisers, "meter": self.meter}
        self.simulated = {**self.instruments, "safety_io": self.safety_io}
        self._complete(setters(self))

    def set(self, name: str, value: str, now_s: float) -> None:
        """The same, and what has become of the cloth."""
        super().set(name, value, now_s)
        if name == "cloth":
            self.bench.truth.note(now_s, "cloth", state=self.bench.cloth.state)

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

    def in_words(self, seen: dict[str, Any]) -> list[tuple[str, str]]:
        """What `show` gave, as a person would say it."""
        specimen = seen["specimen"]
        contactors = ", ".join(f"{name} {state}" for name, state in seen["contactors"].items())
        source, ambient = seen["generator"], seen["ambient"]
        broken = ", broken down" if specimen["broken_down"] else ""
        stick = seen["earthing_stick"]
        return [
            ("lamp over the door", seen["lamp"] + (", horn sounds" if seen["horn"] else "")),
            ("door", f"{seen['door']}; emergency stop {seen['emergency_stop']}; stick {stick}"),
            ("exhaust", f"{seen['exhaust']}; mains {seen['mains']}"),
            ("on the terminals", seen["connection"]),
            ("specimen", f"number {specimen['number']}, {seen['specimen_shots']} shots{broken}"),
            ("cloth", seen["cloth"]),
            ("stored", f"{seen['stored_v']:g} V; terminals {seen['terminals_v']:g} V"),
            ("contacts", contactors),
            ("generator", f"set to {source['set_v']:g} V, output {source['output']}, {source['polarity']}"),
            ("shots so far", str(seen["shots"])),
            ("air", f"{ambient['temperature_celsius']:g} degC, {ambient['humidity_percent']:g} %"),
        ]

    def _digitiser(self, name: str, family: str) -> Digitiser:
        rng = self._rng(name)
        front_end = FrontEnd(gain=1 + float(rng.uniform(-2e-3, 2e-3)), offset=float(rng.uniform(-5e-4, 5e-4)))
        return Digitiser(name, self.bench.live, FAMILIES[family], IDENTITIES[name], front_end, rng)


def build_impulse(spec: dict[str, Any], seed: int) -> ImpulsePlant:
    """A plant from a plant file's contents: component values (SI), and what is set from the start.

    ValueError names the entry that is wrong.
    """
    check_sections(spec, SECTIONS)
    plant = ImpulsePlant(
        part_from(Components, spec.get("generator"), "generator"),
        part_from(Power, spec.get("power"), "power"),
        part_from(Kind, spec.get("specimen"), "specimen"),
        seed,
    )
    set_from_file(plant, spec.get("set"))
    return plant
