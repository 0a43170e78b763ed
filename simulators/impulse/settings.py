"""What each name of FAULTS does to the plant. A value that does not fit is a ValueError in words."""

from __future__ import annotations

import math
import re
from collections.abc import Callable
from functools import partial
from typing import TYPE_CHECKING

from simulators.impulse.bench import CONNECTIONS
from simulators.impulse.cloth import STATES
from simulators.impulse.digitiser import Digitiser
from simulators.impulse.generator import HIGHEST_V
from simulators.settings import (
    Setter,
    air,
    divider,
    feedback,
    input_contacts,
    into,
    links,
    moved,
    no_of,
    on_of,
    one_refuses,
    refuses,
    serials,
    within,
    words,
)
from simulators.words import factor_of, number_of, one_of, seconds_of, whole_of, yes_of

if TYPE_CHECKING:
    from simulators.impulse.plant import ImpulsePlant

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
        **links(plant.simulated),
        **serials(plant.instruments),
    }


def _volts(text: str) -> float:
    return within(number_of(text, "V"), 0.0, HIGHEST_V, text)


def _ratio(text: str) -> float:
    return within(number_of(text, ""), 1e-3, 1e9, text)


def _shot(text: str) -> int:
    return 0 if text == "never" else whole_of(text, lowest=1)


def _hands(plant: ImpulsePlant) -> dict[str, Setter]:
    bench = plant.bench

    def fit(text: str, now_s: float) -> None:
        one_of(text, ("new",))
        bench.fit_specimen()

    def lay(text: str, now_s: float) -> None:
        bench.cloth.put("unmarked" if text == "fresh" else one_of(text, STATES))

    return {
        "connection": into(bench, "connection", lambda text: one_of(text, CONNECTIONS)),
        "specimen": fit,
        "cloth": lay,
        **air(bench),
        "mains": lambda text, now_s: plant.switch_mains(on_of(text), now_s),
    }


def _cell(plant: ImpulsePlant) -> dict[str, Setter]:
    cell = plant.bench.cell
    return {
        "door": moved(cell, "door", "closed", "open"),
        "earthing_stick": moved(cell, "earthing_stick_home", "home", "away"),
        "emergency_stop": moved(cell, "emergency_stop", "released", "pressed"),
        "exhaust": moved(cell, "exhaust", "running", "stopped"),
        **input_contacts(cell),
        "safety_io.watchdog": into(plant.safety_io, "watchdog_dead", words(ok=False, dead=True)),
    }


def _relays(plant: ImpulsePlant) -> dict[str, Setter]:
    relays, troubles = plant.bench.cell.relays, plant.bench.troubles
    contactors = {name: relays[name] for name in ("high_voltage", "leakage")}
    stays_open = refuses(relays["discharge"], "close")

    def discharge(text: str, now_s: float) -> None:
        burnt = text == "resistor"
        stays_open("no" if burnt else text, now_s)
        troubles.resistor_is_burnt = burnt

    return {
        "contactor.welds": one_refuses(contactors, "open"),
        "contactor.does_not_close": one_refuses(contactors, "close"),
        "contactor.mirror": feedback(relays["high_voltage"]),
        "discharge.fails": discharge,
        "discharge.does_not_lift": refuses(relays["discharge"], "open"),
        "discharge.feedback": feedback(relays["discharge"]),
        "earth.fails": refuses(relays["earth"], "close"),
        "earth.does_not_lift": refuses(relays["earth"], "open"),
        "earth.feedback": feedback(relays["earth"]),
    }


def _measuring(plant: ImpulsePlant) -> dict[str, Setter]:
    bench = plant.bench

    dividers = bench.dividers
    table: dict[str, Setter] = {
        "store_divider.fails": divider(dividers["store_divider"], bench.store_v),
        "terminals_divider.fails": divider(dividers["terminals_divider"], bench.terminals_at_v),
        "meter.reads": into(plant.meter, "reads_x", factor_of),
    }
    for name, probe in bench.probes.items():
        table[f"{name}.ratio"] = into(probe, "ratio", _ratio)
        table[f"{name}.cable"] = into(probe, "plugged_in", on_of)
    for name, one in bench.digitisers.items():
        table |= {
            f"{name}.waiting_bit": into(one, "waiting_bit", words(ok=None, stuck_0=False, stuck_1=True)),
            f"{name}.misses_trigger": into(
                one, "misses", lambda text: one_of(no_of(text), ("no", "yes", "next"))
            ),
            f"{name}.stalls": into(one, "stalls", yes_of),
            f"{name}.gain": into(one, "gain_x", factor_of),
            f"{name}.front_panel.range": partial(_turn_range, one),
        }
    return table


def _turn_range(one: Digitiser, text: str, now_s: float) -> None:
    one.turn_range(_volts(text))


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
        "generator.front_panel.output": partial(turn, "output", on_of),
        "generator.front_panel.polarity": partial(turn, "polarity", words(positive=1, negative=-1)),
        "generator.voltage_read_back": into(generator, "read_back_x", factor_of),
        "generator.charges_to": into(troubles, "charges_to_x", factor_of),
        "generator.does_not_charge": into(troubles, "supply_is_dead", yes_of),
        "generator.does_not_fire": into(generator, "does_not_fire", yes_of),
        "generator.dump_fails": into(troubles, "dump_fails", yes_of),
        "generator.leftover": into(troubles, "leftover_v", _volts),
        "generator.self_triggers_at": self_trigger,
    }


def _specimen(plant: ImpulsePlant) -> dict[str, Setter]:
    bench = plant.bench

    def bad(attribute: str, text: str, now_s: float) -> None:
        setattr(bench.specimen, attribute, factor_of(text))

    return {
        "specimen.limits_at": partial(bad, "clamps_x"),
        "specimen.leaks": partial(bad, "leaks_x"),
        "specimen.fails_at_shot": into(bench.troubles, "fails_at_shot", _shot),
        "cloth.glows_at_shot": into(bench.cloth, "glows_at_shot", _shot),
        "cloth.glow_delay": into(bench.cloth, "glow_delay_s", seconds_of),
        "cloth.burns_at_shot": into(bench.cloth, "burns_at_shot", _shot),
    }
