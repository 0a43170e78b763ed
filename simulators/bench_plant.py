"""What the plants of all benches share: devices on one physics, what can be set, planned faults, truth."""

from __future__ import annotations

import hashlib
from abc import ABC, abstractmethod
from collections.abc import Callable, Mapping
from dataclasses import fields
from typing import Any, Protocol, TypeVar

import numpy as np

from simulators.cell import Cell
from simulators.device import Device
from simulators.instrument import ScpiInstrument
from simulators.link import SimulatedDevice
from simulators.settings import Setter
from simulators.truth import TruthLog
from simulators.words import number_of, one_of, unknown, whole_of

T = TypeVar("T")
Named = dict[str, tuple[str, str]]
"""Names that can be set, each with what it is and its values."""


class Physics(Protocol):
    """A bench without the insides of its instruments."""

    truth: TruthLog
    cell: Cell
    inputs_version: int

    def live(self, now_s: float) -> None: ...

    def next_due_s(self) -> float: ...

    def settle_all(self, now_s: float) -> None: ...


class BenchPlant(ABC):
    """Implements `Plant` but for what a person sees."""

    kind: str
    simulated: dict[str, SimulatedDevice]
    instruments: dict[str, ScpiInstrument]

    def __init__(self, physics: Physics, named: Named, troubles: Named, seed: int) -> None:
        self._physics = physics
        self._named = named
        self._troubles = troubles
        self._seed = seed
        self._setters: dict[str, Setter] = {}
        self._all: tuple[SimulatedDevice, ...] = ()
        self.devices: dict[str, Device] = {}
        self.faults: dict[str, str] = {}

    @abstractmethod
    def show(self, now_s: float) -> dict[str, Any]:
        """What a person in front of the bench would see, and the faults that are set."""

    @abstractmethod
    def in_words(self, seen: dict[str, Any]) -> list[tuple[str, str]]:
        """What `show` gave, as a person would say it: what it is, how it is."""

    def advance(self, now_s: float) -> dict[str, list[tuple[float, bytes]]]:
        """Live until `now_s`; the output of each device that has any."""
        self._physics.live(now_s)
        output = {}
        for device in self._all:
            if device.due_s <= now_s and (pieces := device.collect(now_s)):
                output[device.name] = pieces
        return output

    def next_due_s(self) -> float:
        """The next instant at which something happens by itself."""
        due_s = self._physics.next_due_s()
        for device in self._all:
            if device.due_s < due_s:
                due_s = device.due_s
        return due_s

    def set(self, name: str, value: str, now_s: float) -> None:
        """Change what a person or a fault changes. ValueError says what does not fit, and what would."""
        setter = self._setters.get(name)
        if setter is None:
            raise unknown(name, self._named)
        self._physics.live(now_s)
        try:
            setter(str(value), now_s)
        except ValueError as error:
            raise ValueError(f"{name}: {error} (values: {self._named[name][1]})") from error
        for device in self._all:
            device.replan()
        self._remember(name, str(value))
        self._physics.truth.note(now_s, "set", name=name, value=str(value))
        self._physics.settle_all(now_s)

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
        return self._physics.inputs_version

    def truth(self) -> list[dict[str, Any]]:
        """The truth log."""
        return self._physics.truth.entries

    def names(self) -> Named:
        """Everything that can be set."""
        return self._named

    def listen(self, sink: Callable[[dict[str, Any]], None]) -> None:
        """Hand every further entry of the truth log to `sink` as it happens."""
        self._physics.truth.sink = sink

    def switch_mains(self, on: bool, now_s: float) -> None:
        """The supply of everything: without it relays fall to rest and no device answers."""
        self._physics.cell.mains = on
        self._physics.cell.settle(now_s)
        for device in self.simulated.values():
            device.powered = on
            if not on:
                device.restart(0.0, now_s)
        self._physics.settle_all(now_s)

    def _complete(self, setters: dict[str, Setter]) -> None:
        """All devices are there."""
        self._all = tuple(self.simulated.values())
        self.devices = dict(self.simulated)
        self._setters = setters

    def _remember(self, name: str, value: str) -> None:
        """Keep which faults are set; the first of a fault's values is that of a sound bench."""
        kept = name in self._troubles or name.endswith((".link", ".serial"))
        sound = self._troubles[name][1].split(",")[0] if name in self._troubles else "ok"
        if kept and value != sound:
            self.faults[name] = value
        else:
            self.faults.pop(name, None)

    def _rng(self, name: str) -> np.random.Generator:
        """A stream of its own for each part, so that one part's use does not shift another's."""
        return stream(self._seed, name)


def stream(seed: int, name: str) -> np.random.Generator:
    """The random numbers of one part."""
    key = int.from_bytes(hashlib.sha256(name.encode()).digest()[:4], "big")
    return np.random.Generator(np.random.PCG64([seed, key]))


def check_sections(spec: dict[str, Any], sections: tuple[str, ...]) -> None:
    """ValueError for a section of a plant file that does not exist."""
    for section in spec:
        if section not in sections:
            raise unknown(section, sections)


def set_from_file(plant: BenchPlant, given: Mapping[object, object] | None) -> None:
    """The bench as it is found: the `set` section of a plant file."""
    for name, value in (given or {}).items():
        plant.set(str(name), _text(value), 0.0)


def part_from(
    kind: type[T], given: object, section: str, words: Mapping[str, tuple[str, ...]] | None = None
) -> T:
    """A dataclass filled from a mapping; what is left out keeps its usual value.

    Its fields are numbers, whole where the usual value is, or one of a few words where `words` says so.
    """
    if given is None:
        return kind()
    if not isinstance(given, Mapping):
        raise ValueError(f"{section}: component values by name are expected, not {given!r}")
    usual = {field.name: field.default for field in fields(kind)}  # type: ignore[arg-type]
    for name in given:
        if name not in usual:
            raise ValueError(f"{section}: {unknown(str(name), usual)}")
    try:
        values = {str(name): _read(str(name), value, usual, words or {}) for name, value in given.items()}
    except ValueError as error:
        raise ValueError(f"{section}: {error}") from error
    return kind(**values)


def _read(name: str, value: object, usual: dict[str, Any], words: Mapping[str, tuple[str, ...]]) -> Any:
    if name in words:
        return one_of(str(value), words[name])
    if isinstance(usual[name], int):
        return whole_of(str(value), lowest=1)
    return number_of(str(value), "")


def _text(value: object) -> str:
    """A value of a plant file as text: YAML makes truth values of bare words such as `no`."""
    return {True: "yes", False: "no"}[value] if isinstance(value, bool) else str(value)
