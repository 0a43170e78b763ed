"""What each name of FAULTS does to the plant. A value that does not fit is a ValueError in words."""

from __future__ import annotations

import math
import re
from collections.abc import Callable
from functools import partial
from typing import TYPE_CHECKING, Any

from simulators.impulse.bench import CONNECTIONS, Divider
from simulators.impulse.cloth import STATES
from simulators.impulse.digitiser import Digitiser
from simulators.impulse.generator import HIGHEST_V
from simulators.instrument import ScpiInstrument
from simulators.link import SimulatedDevice
from simulators.relay import Relay
from simulators.words import factor_of, number_of, one_of, seconds_of, whole_of, yes_of

if TYPE_CHECKING:
    from simulators.impulse.plant import ImpulsePlant

Setter = Callable[[str, float], None]
"""Called with the value's text and the time."""
Reader = Callable[[str], Any]
_AFTER_SHOT = re.compile(r"(.+?)\s+after shot\s+(\d+)")


def setters(plant: ImpulsePlant) -> dict[str, Setter]:
    """One setter for each name of FAULTS."""
    return {
        **_hands(plant),
        **_cell(plant),
        **_relays(plant),
        **_measuring(plant),
        **_generator(plant),
        **_specimen(plant),
        **_devices(plant),
    }


def _into(thing: object, attribute: str, read: Reader) -> Setter:
    """A setter that reads the text and keeps the value."""
    return lambda text, now_s: setattr(thing, attribute, read(text))


def _words(**values: object) -> Reader:
    """A reader of one of a few words, each with its value."""
    return lambda text: values[one_of(text, tuple(values))]


def _volts(text: str) -> float:
    return _within(number_of(text, "V"), 0.0, HIGHEST_V, text)


def _ratio(text: str) -> float:
    return _within(number_of(text, ""), 1e-3, 1e9, text)


def _within(value: float, lowest: float, highest: float, text: str) -> float:
    if not lowest <= value <= highest:
        raise ValueError(f"{text!r} is not between {lowest:g} and {highest:g}")
    return value


def _shot(text: str) -> int:
    return 0 if text == "never" else whole_of(text, lowest=1)


def _on(text: str) -> bool:
    return one_of({"true": "on", "false": "off"}.get(text.lower(), text), ("on", "off")) == "on"


def _hands(plant: ImpulsePlant) -> dict[str, Setter]:
    bench = plant.bench

    def fit(text: str, now_s: float) -> None:
        one_of(text, ("new",))
        bench.fit_specimen()

    def lay(text: str, now_s: float) -> None:
        bench.cloth.put("unmarked" if text == "fresh" else one_of(text, STATES))

    return {
        "connection": _into(bench, "connection", lambda text: one_of(text, CONNECTIONS)),
        "specimen": fit,
        "cloth": lay,
        "ambient.temperature": _into(
            bench, "celsius", lambda text: _within(number_of(text, "degC"), 0.0, 100.0, text)
        ),
        "ambient.humidity": _into(
            bench, "humidity", lambda text: _within(number_of(text, "%"), 0.0, 100.0, text)
        ),
        "mains": lambda text, now_s: plant.switch_mains(_on(text), now_s),
    }


def _cell(plant: ImpulsePlant) -> dict[str, Setter]:
    cell = plant.bench.cell

    def move(thing: str, safe: str, unsafe: str, text: str, now_s: float) -> None:
        cell.place(thing, one_of(text, (safe, unsafe)) == safe)

    return {
        "door": partial(move, "door", "closed", "open"),
        "earthing_stick": partial(move, "earthing_stick_home", "home", "away"),
        "emergency_stop": partial(move, "emergency_stop", "released", "pressed"),
        "exhaust": partial(move, "exhaust", "running", "stopped"),
        **{name: contact.fail for name, contact in cell.contacts.items()},
        "hardware_chain.bridged": _into(cell, "bridged", yes_of),
        "safety_io.watchdog": _into(plant.safety_io, "watchdog_dead", _words(ok=False, dead=True)),
    }


def _relays(plant: ImpulsePlant) -> dict[str, Setter]:
    relays, troubles = plant.bench.cell.relays, plant.bench.troubles
    contactors = ("high_voltage", "leakage")

    def contactor(direction: str, text: str, now_s: float) -> None:
        chosen = one_of(text, ("none", *contactors))
        for name in contactors:
            if name == chosen:
                relays[name].refuse(direction, now_s)
            elif relays[name].refuses == direction:
                relays[name].refuse("", now_s)

    def refuse(relay: Relay, direction: str, text: str, now_s: float) -> None:
        relay.refuse(direction if yes_of(text) else "", now_s)

    def discharge(text: str, now_s: float) -> None:
        burnt = text == "resistor"
        refuse(relays["discharge"], "close", "no" if burnt else text, now_s)
        troubles.resistor_is_burnt = burnt

    says = _words(ok=None, says_open=False, says_closed=True)
    return {
        "contactor.welds": partial(contactor, "open"),
        "contactor.does_not_close": partial(contactor, "close"),
        "contactor.mirror": _into(relays["high_voltage"], "feedback", says),
        "discharge.fails": discharge,
        "discharge.does_not_lift": partial(refuse, relays["discharge"], "open"),
        "discharge.feedback": _into(relays["discharge"], "feedback", says),
        "earth.fails": partial(refuse, relays["earth"], "close"),
        "earth.does_not_lift": partial(refuse, relays["earth"], "open"),
        "earth.feedback": _into(relays["earth"], "feedback", says),
    }


def _measuring(plant: ImpulsePlant) -> dict[str, Setter]:
    bench = plant.bench

    def divider(one: Divider, true_v: Callable[[float], float], text: str, now_s: float) -> None:
        lies = {"no": (1.0, None), "reads_0": (0.0, None), "frozen": (1.0, true_v(now_s))}
        if text.startswith("x"):
            one.factor, one.frozen_v = factor_of(text), None
        else:
            one.factor, one.frozen_v = lies[one_of(_no(text), tuple(lies))]

    dividers = bench.dividers
    table: dict[str, Setter] = {
        "store_divider.fails": partial(divider, dividers["store_divider"], bench.store_v),
        "terminals_divider.fails": partial(divider, dividers["terminals_divider"], bench.terminals_at_v),
        "meter.reads": _into(plant.meter, "reads_x", factor_of),
    }
    for name, probe in bench.probes.items():
        table[f"{name}.ratio"] = _into(probe, "ratio", _ratio)
        table[f"{name}.cable"] = _into(probe, "plugged_in", _on)
    for name, one in bench.digitisers.items():
        table |= {
            f"{name}.waiting_bit": _into(one, "waiting_bit", _words(ok=None, stuck_0=False, stuck_1=True)),
            f"{name}.misses_trigger": _into(
                one, "misses", lambda text: one_of(_no(text), ("no", "yes", "next"))
            ),
            f"{name}.stalls": _into(one, "stalls", yes_of),
            f"{name}.gain": _into(one, "gain_x", factor_of),
            f"{name}.front_panel.range": partial(_turn_range, one),
        }
    return table


def _turn_range(one: Digitiser, text: str, now_s: float) -> None:
    one.turn_range(_volts(text))


def _no(text: str) -> str:
    """YAML reads a bare `no` and `yes` as truth values."""
    return {"false": "no", "true": "yes"}.get(text.lower(), text)


def _generator(plant: ImpulsePlant) -> dict[str, Setter]:
    generator, troubles, settle = plant.generator, plant.bench.troubles, plant.bench.settle

    def self_trigger(text: str, now_s: float) -> None:
        if text == "now":
            plant.bench.fire(now_s, "self")
            return
        match = _AFTER_SHOT.fullmatch(text)
        volts = match[1] if match else text
        troubles.self_trigger_v = math.inf if text == "never" else _volts(volts)
        troubles.self_trigger_after_shot = int(match[2]) if match else 0
        settle(now_s)

    def turn(knob: str, read: Callable[[str], float], text: str, now_s: float) -> None:
        generator.turn(knob, read(text), now_s)

    return {
        "generator.front_panel.voltage": partial(turn, "voltage", _volts),
        "generator.front_panel.output": partial(turn, "output", _on),
        "generator.front_panel.polarity": partial(turn, "polarity", _words(positive=1, negative=-1)),
        "generator.voltage_read_back": _into(generator, "read_back_x", factor_of),
        "generator.charges_to": _into(troubles, "charges_to_x", factor_of),
        "generator.does_not_charge": _into(troubles, "supply_is_dead", yes_of),
        "generator.does_not_fire": _into(generator, "does_not_fire", yes_of),
        "generator.dump_fails": _into(troubles, "dump_fails", yes_of),
        "generator.leftover": _into(troubles, "leftover_v", _volts),
        "generator.self_triggers_at": self_trigger,
    }


def _specimen(plant: ImpulsePlant) -> dict[str, Setter]:
    bench = plant.bench

    def bad(attribute: str, text: str, now_s: float) -> None:
        setattr(bench.specimen, attribute, factor_of(text))

    return {
        "specimen.limits_at": partial(bad, "clamps_x"),
        "specimen.leaks": partial(bad, "leaks_x"),
        "specimen.fails_at_shot": _into(bench.troubles, "fails_at_shot", _shot),
        "cloth.glows_at_shot": _into(bench.cloth, "glows_at_shot", _shot),
        "cloth.glow_delay": _into(bench.cloth, "glow_delay_s", seconds_of),
        "cloth.burns_at_shot": _into(bench.cloth, "burns_at_shot", _shot),
    }


def _devices(plant: ImpulsePlant) -> dict[str, Setter]:
    table: dict[str, Setter] = {}
    for name, device in plant.simulated.items():
        table[f"{name}.link"] = device.fail_link
        table[f"{name}.restart"] = partial(_restart, device)
    for name, instrument in plant.instruments.items():
        table[f"{name}.serial"] = partial(_change_unit, instrument)
    return table


def _restart(device: SimulatedDevice, text: str, now_s: float) -> None:
    device.restart(seconds_of(text), now_s)


def _change_unit(instrument: ScpiInstrument, text: str, now_s: float) -> None:
    instrument.set_serial(_serial(text))


def _serial(text: str) -> str:
    if not re.fullmatch(r"[A-Za-z0-9._-]{1,20}", text):
        raise ValueError(f"{text!r} is no serial number: letters, digits, dot, dash, at most 20")
    return text
