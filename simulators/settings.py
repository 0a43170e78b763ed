"""Building blocks of a plant's setters: readers of values, and the setters that every bench has."""

from __future__ import annotations

import re
from collections.abc import Callable, Iterable, Mapping
from functools import partial
from typing import Any

from simulators.cell import Cell
from simulators.divider import Divider
from simulators.instrument import ScpiInstrument
from simulators.link import LINK_FAULTS, SimulatedDevice
from simulators.relay import Relay
from simulators.words import factor_of, number_of, one_of, seconds_of, yes_of

Setter = Callable[[str, float], None]
"""Called with the value's text and the time."""
Reader = Callable[[str], Any]
Table = dict[str, tuple[str, str]]
"""Name -> (what it is or does, values); the first value is that of a sound bench."""

OF_EACH_DEVICE: Table = {
    "link": ("how its link misbehaves", ", ".join(LINK_FAULTS)),
    "restart": ("it loses power for that time and comes back with the settings of power on", "a time: 1 s"),
    "serial": ("another unit of the same type stands there", "a serial number"),
}


def with_every_device(devices: Iterable[str], *tables: Table) -> Table:
    """The tables of a bench, and what can be set at each of its devices."""
    every: Table = {name: row for table in tables for name, row in table.items()}
    every |= {f"{device}.{name}": row for device in devices for name, row in OF_EACH_DEVICE.items()}
    del every["safety_io.serial"]  # Modbus asks for none
    return every


def into(thing: object, attribute: str, read: Reader) -> Setter:
    """A setter that reads the text and keeps the value."""
    return lambda text, now_s: setattr(thing, attribute, read(text))


def words(**values: object) -> Reader:
    """A reader of one of a few words, each with its value."""
    return lambda text: values[one_of(text, tuple(values))]


def within(value: float, lowest: float, highest: float, text: str) -> float:
    """The value where it is in bounds; `text` is what was written."""
    if not lowest <= value <= highest:
        raise ValueError(f"{text!r} is not between {lowest:g} and {highest:g}")
    return value


def on_of(text: str) -> bool:
    """`on` or `off`."""
    return one_of({"true": "on", "false": "off"}.get(text.lower(), text), ("on", "off")) == "on"


def no_of(text: str) -> str:
    """YAML reads a bare `no` and `yes` as truth values."""
    return {"false": "no", "true": "yes"}.get(text.lower(), text)


def air(bench: object) -> dict[str, Setter]:
    """The air in the cell, kept as `celsius` and `humidity`."""
    return {
        "ambient.temperature": into(
            bench, "celsius", lambda text: within(number_of(text, "degC"), 0.0, 100.0, text)
        ),
        "ambient.humidity": into(
            bench, "humidity", lambda text: within(number_of(text, "%"), 0.0, 100.0, text)
        ),
    }


def moved(cell: Cell, thing: str, safe: str, unsafe: str) -> Setter:
    """A person moves a thing; its contacts follow."""
    return lambda text, now_s: cell.place(thing, one_of(text, (safe, unsafe)) == safe)


def input_contacts(cell: Cell) -> dict[str, Setter]:
    """Faults of the input contacts and of the hardware chain."""
    return {
        **{name: contact.fail for name, contact in cell.contacts.items()},
        "hardware_chain.bridged": into(cell, "bridged", yes_of),
    }


def one_refuses(relays: Mapping[str, Relay], direction: str) -> Setter:
    """One of several contactors no longer goes in that direction, or none."""

    def refuse(text: str, now_s: float) -> None:
        chosen = one_of(text, ("none", *relays))
        for name, relay in relays.items():
            if name == chosen:
                relay.refuse(direction, now_s)
            elif relay.refuses == direction:
                relay.refuse("", now_s)

    return refuse


def refuses(relay: Relay, direction: str) -> Setter:
    """A relay no longer goes in that direction: no, yes."""
    return lambda text, now_s: relay.refuse(direction if yes_of(text) else "", now_s)


def feedback(relay: Relay) -> Setter:
    """What a relay's auxiliary contact says."""
    return into(relay, "feedback", words(ok=None, says_open=False, says_closed=True))


def divider(one: Divider, true_v: Callable[[float], float]) -> Setter:
    """How a divider lies: no, reads_0, frozen, x<factor>."""

    def lie(text: str, now_s: float) -> None:
        lies = {"no": (1.0, None), "reads_0": (0.0, None), "frozen": (1.0, true_v(now_s))}
        if text.startswith("x"):
            one.factor, one.frozen_v = factor_of(text), None
        else:
            one.factor, one.frozen_v = lies[one_of(no_of(text), tuple(lies))]

    return lie


def links(simulated: Mapping[str, SimulatedDevice]) -> dict[str, Setter]:
    """Each device's link and supply."""
    table: dict[str, Setter] = {}
    for name, device in simulated.items():
        table[f"{name}.link"] = device.fail_link
        table[f"{name}.restart"] = partial(_restart, device)
    return table


def serials(instruments: Mapping[str, ScpiInstrument]) -> dict[str, Setter]:
    """Other units of the same type."""
    return {f"{name}.serial": partial(_change_unit, one) for name, one in instruments.items()}


def serial_of(text: str) -> str:
    """A serial number."""
    if not re.fullmatch(r"[A-Za-z0-9._-]{1,20}", text):
        raise ValueError(f"{text!r} is no serial number: letters, digits, dot, dash, at most 20")
    return text


def _restart(device: SimulatedDevice, text: str, now_s: float) -> None:
    device.restart(seconds_of(text), now_s)


def _change_unit(instrument: ScpiInstrument, text: str, now_s: float) -> None:
    instrument.set_serial(serial_of(text))
