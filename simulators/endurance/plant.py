"""The endurance bench's plant: gantry, recorder and safety I/O on one physics, what can be set, what a person sees."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass, field
from typing import Any

from simulators.bench_plant import BenchPlant, check_sections, part_from, set_from_file
from simulators.endurance.axis import AxisBuild
from simulators.endurance.bench import Bench
from simulators.endurance.cell import COILS, PLAN
from simulators.endurance.faults import FAULTS, TROUBLES
from simulators.endurance.gantry import Gantry
from simulators.endurance.lines_dialect import LinesGantry
from simulators.endurance.loads import KINDS, LoadBuild
from simulators.endurance.recorder import Recorder, front_end
from simulators.endurance.records import Codes
from simulators.endurance.settings import Tricks, setters
from simulators.endurance.wear import SpecimenBuild
from simulators.endurance.words_dialect import WordsGantry
from simulators.safety_io import SafetyIo
from simulators.scpi import Identity
from simulators.settings import serial_of
from simulators.words import unknown

DIALECTS: dict[str, type[Gantry]] = {"motion-words": WordsGantry, "motion-lines": LinesGantry}
IDENTITIES = {
    "gantry": Identity("Made-up Instruments", "GX-3", "GX3-0007", "1.0"),
    "recorder": Identity("Invented Measurement", "CR-64", "CR64-0012", "1.2"),
}
SECTIONS = ("kind", "seed", "dialect", "serials", "gantry", "specimen", "load", "set")


@dataclass(frozen=True)
class Parts:
    """What the plant is built from."""

    dialect: str = "motion-words"
    axis: AxisBuild = field(default_factory=AxisBuild)
    specimen: SpecimenBuild = field(default_factory=SpecimenBuild)
    load: LoadBuild = field(default_factory=LoadBuild)


class EndurancePlant(BenchPlant):
    """Implements `Plant`."""

    kind = "endurance"

    def __init__(self, parts: Parts, seed: int) -> None:
        self.bench = bench = Bench(parts.axis, parts.specimen, parts.load, seed)
        super().__init__(bench, FAULTS, TROUBLES, seed)
        live = bench.live
        self.gantry: Gantry = DIALECTS[parts.dialect](
            live, bench.axis, IDENTITIES["gantry"], parts.specimen.force_n, self._rng("touch-off")
        )
        codes = Codes(bench.electrics, front_end(self._rng("front end")), self._rng("noise"))
        self.recorder = Recorder(live, bench, IDENTITIES["recorder"], codes, self._rng("recorder"))
        self.safety_io = SafetyIo("safety_io", live, bench, len(COILS), len(PLAN.switching_coils))
        bench.join(self.recorder, self.safety_io)
        self.instruments = {"recorder": self.recorder}
        self.simulated = {"safety_io": self.safety_io, "gantry": self.gantry, "recorder": self.recorder}
        self.tricks = Tricks(self)
        self._complete(setters(self))

    def show(self, now_s: float) -> dict[str, Any]:
        """What a person in front of the bench would see, and the faults that are set."""
        self.bench.live(now_s)
        bench, cell, axis = self.bench, self.bench.cell, self.bench.axis
        build, electrics, specimens = bench.load, bench.electrics, bench.specimens
        return {
            "lamp": cell.lamp(),
            "horn": cell.horn(),
            "guard": "closed" if cell.placed["guard"] else "open",
            "emergency_stop": "released" if cell.placed["emergency_stop"] else "pressed",
            "smoke": not cell.placed["smoke_detector"],
            "mains": "on" if cell.mains else "off",
            "connection": bench.connection,
            "contactors": {name: "closed" if relay.closed else "open" for name, relay in cell.relays.items()},
            "gantry": {
                "at_mm": round(axis.true_mm(now_s), 3),
                "moving": axis.moving,
                "homed": axis.homed,
                "alarm": axis.alarm or "none",
                "cable": self.gantry.cable,
            },
            "load": {
                "kind": build.kind,
                "bank": electrics.bank,
                "supply": "on" if electrics.supply_on else "off",
                "burnt": sorted(f"bank {bank} mount {mount + 1}" for mount, bank in electrics.burnt),
            },
            "source_v": round(bench.volts, 2),
            "contacts": ["closed" if bench.is_closed(mount) else "open" for mount in range(bench.mounts)],
            "specimens": {
                "mounts": bench.mounts,
                "fitted": specimens.fitted,
                "welded": [mount + 1 for mount, welded in enumerate(specimens.welded) if welded],
                "stay_open": [mount + 1 for mount, dead in enumerate(specimens.dead) if dead],
            },
            "moves": axis.moves,
            "operations": bench.operations,
            "cycles": bench.cycles,
            "made": [bench.operations - missed for missed in bench.not_made],
            "broke": [bench.operations - missed for missed in bench.not_broken],
            "terminals_rise_k": [round(bench.terminals.rise_k(one, now_s), 2) for one in (0, 1)],
            "ambient": {"temperature_celsius": bench.celsius, "humidity_percent": bench.humidity},
            "faults": dict(self.faults),
        }

    def in_words(self, seen: dict[str, Any]) -> list[tuple[str, str]]:
        """What `show` gave, as a person would say it."""
        gantry, load, ambient = seen["gantry"], seen["load"], seen["ambient"]
        contactors = ", ".join(f"{name} {state}" for name, state in seen["contactors"].items())
        moving = "moving" if gantry["moving"] else "at rest"
        homed = "" if gantry["homed"] else ", not homed"
        alarm = "" if gantry["alarm"] == "none" else f", alarm {gantry['alarm']}"
        bank = f"bank {load['bank']}" if load["bank"] else "no bank"
        burnt = f"; burnt: {', '.join(load['burnt'])}" if load["burnt"] else ""
        closed = seen["contacts"].count("closed")
        return [
            ("lamp over the door", seen["lamp"] + (", horn sounds" if seen["horn"] else "")),
            ("guard", f"{seen['guard']}; emergency stop {seen['emergency_stop']}; mains {seen['mains']}"),
            ("smoke", "smoke" if seen["smoke"] else "none"),
            ("contactors", contactors),
            ("gantry", f"at {gantry['at_mm']:g} mm, {moving}{homed}{alarm}; cable {gantry['cable']}"),
            ("load", f"{load['kind']}, {bank}, supply {load['supply']}{burnt}"),
            ("before the contact", f"{seen['source_v']:g} V"),
            ("specimens", f"{seen['connection']}; contacts closed {closed} of {len(seen['contacts'])}"),
            ("cycles", f"{seen['cycles']} of these specimens; {seen['operations']} under voltage"),
            ("moves so far", str(seen["moves"])),
            ("air", f"{ambient['temperature_celsius']:g} degC, {ambient['humidity_percent']:g} %"),
        ]


def build_endurance(spec: dict[str, Any], seed: int) -> EndurancePlant:
    """A plant from a plant file's contents: component values, and what is set from the start.

    ValueError names the entry that is wrong.
    """
    check_sections(spec, SECTIONS)
    dialect = str(spec.get("dialect", "motion-words"))
    if dialect not in DIALECTS:
        raise ValueError(f"dialect: {dialect!r} is not one of: {', '.join(DIALECTS)}")
    load = spec.get("load")
    parts = Parts(
        dialect,
        part_from(AxisBuild, spec.get("gantry"), "gantry"),
        part_from(SpecimenBuild, spec.get("specimen"), "specimen"),
        part_from(LoadBuild, load if isinstance(load, Mapping) else None, "load", {"kind": KINDS}),
    )
    plant = EndurancePlant(parts, seed)
    _label(plant, spec.get("serials"))
    set_from_file(plant, spec.get("set"))
    return plant


def _label(plant: EndurancePlant, serials: object) -> None:
    """The serial numbers of this bench's units, where they are others than the usual."""
    given = serials if isinstance(serials, Mapping) else {}
    for name, serial in given.items():
        if name == "gantry":
            plant.gantry.set_serial(serial_of(str(serial)))
        elif name in plant.instruments:
            plant.instruments[name].set_serial(serial_of(str(serial)))
        else:
            raise ValueError(f"serials: {unknown(str(name), IDENTITIES)}")
