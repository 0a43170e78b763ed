"""What each name of FAULTS does to the plant. A value that does not fit is a ValueError in words."""

from __future__ import annotations

import math
import re
from collections.abc import Callable
from typing import TYPE_CHECKING

from simulators.endurance.faults import ALARMS, CONNECTIONS
from simulators.endurance.gantry import CABLES, FOREIGN
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
    serial_of,
    serials,
    within,
    words,
)
from simulators.words import factor_of, number_of, one_of, seconds_of, whole_of

if TYPE_CHECKING:
    from simulators.endurance.plant import EndurancePlant

Trick = Callable[[float], None]
_MOUNT = re.compile(r"(.*?)\s+mount\s+(\d+)")
_BURNS = re.compile(r"(\d+)\s+at\s+(\d+)")


def setters(plant: EndurancePlant) -> dict[str, Setter]:
    """One setter for each name of FAULTS."""
    return {
        **_hands(plant),
        **_cell(plant),
        **_gantry(plant),
        **_specimens(plant),
        **_circuit(plant),
        **links(plant.simulated),
        **serials(plant.instruments),
    }


class Tricks:
    """What is set for a cycle to come; setting a name again takes back what it planned before."""

    def __init__(self, plant: EndurancePlant) -> None:
        self._plant = plant
        self._planned: dict[str, list[tuple[int, Trick]]] = {}

    def plan(self, name: str, tricks: list[tuple[int, Trick]]) -> None:
        """Each at the make of its cycle. ValueError for a cycle that is past."""
        bench = self._plant.bench
        for cycle, _ in tricks:
            if cycle <= bench.cycles:
                raise ValueError(f"cycle {cycle} is past: {bench.cycles} have been counted")
        for cycle, trick in self._planned.pop(name, ()):
            waiting = bench.tricks.get(cycle, [])
            if trick in waiting:
                waiting.remove(trick)
        self._planned[name] = tricks
        for cycle, trick in tricks:
            bench.tricks.setdefault(cycle, []).append(trick)


def _hands(plant: EndurancePlant) -> dict[str, Setter]:
    bench = plant.bench

    def fit(text: str, now_s: float) -> None:
        one_of(text, ("new",))
        bench.fit_specimens(now_s)

    def lamps(text: str, now_s: float) -> None:
        one_of(text, ("new",))
        bench.electrics.burnt.clear()

    return {
        "connection": into(bench, "connection", lambda text: one_of(text, CONNECTIONS)),
        "specimen": fit,
        "lamp": lamps,
        "thermocouple": into(bench.terminals, "attached", on_of),
        "supply": into(bench.electrics, "supply_on", on_of),
        **air(bench),
        "mains": lambda text, now_s: plant.switch_mains(on_of(text), now_s),
    }


def _cell(plant: EndurancePlant) -> dict[str, Setter]:
    cell, bench = plant.bench.cell, plant.bench
    relays = cell.relays
    contactors = {name: relays[name] for name in ("load", "check")}
    return {
        "guard": moved(cell, "guard", "closed", "open"),
        "emergency_stop": moved(cell, "emergency_stop", "released", "pressed"),
        "smoke_detector": moved(cell, "smoke_detector", "clear", "smoke"),
        **input_contacts(cell),
        "safety_io.watchdog": into(plant.safety_io, "watchdog_dead", words(ok=False, dead=True)),
        "contactor.welds": one_refuses(contactors, "open"),
        "contactor.does_not_close": one_refuses(contactors, "close"),
        "contactor.mirror": feedback(relays["load"]),
        "brake.fails": refuses(relays["brake"], "close"),
        "brake.does_not_lift": refuses(relays["brake"], "open"),
        "brake.feedback": feedback(relays["brake"]),
        "supply_divider.fails": divider(bench.dividers["supply_divider"], bench.source_v),
        "contact_divider.fails": divider(bench.dividers["contact_divider"], bench.behind_v),
    }


def _gantry(plant: EndurancePlant) -> dict[str, Setter]:
    gantry, axis = plant.gantry, plant.bench.axis

    def encoder(text: str, now_s: float) -> None:
        axis.hold_encoder(math.inf if one_of(text, ("ok", "stale")) == "stale" else -math.inf, now_s)

    def stale(text: str, now_s: float) -> None:
        axis.hold_encoder(-math.inf if text == "never" else now_s + seconds_of(text), now_s)

    def slip(text: str, now_s: float) -> None:
        if text != "never":
            axis.lose_steps(whole_of(text, lowest=1), now_s)

    def slip_at(text: str, now_s: float) -> None:
        tricks: list[tuple[int, Trick]] = []
        if text != "never":
            cycle, _, steps = text.partition(":")
            lost = whole_of(steps, lowest=1)
            tricks = [(whole_of(cycle, lowest=1), lambda at_s: axis.lose_steps(lost, at_s))]
        plant.tricks.plan("gantry.loses_steps_at_cycle", tricks)

    def alarm(text: str, now_s: float) -> None:
        if one_of(text, ALARMS) == "none":
            axis.clear(now_s)
        else:
            axis.fail(text, now_s)

    def cable(text: str, now_s: float) -> None:
        gantry.plug(one_of(text, CABLES), now_s)

    def identity(text: str, now_s: float) -> None:
        gantry.identity = {"own": gantry.own, "foreign": FOREIGN}[one_of(text, ("own", "foreign"))]

    return {
        "gantry.cable": cable,
        "gantry.encoder": encoder,
        "gantry.encoder_stale": stale,
        "gantry.loses_steps": slip,
        "gantry.loses_steps_at_cycle": slip_at,
        "gantry.limit_switch": lambda text, now_s: axis.press_limit(
            one_of(text, ("ok", "pressed")) == "pressed", now_s
        ),
        "gantry.alarm": alarm,
        "gantry.identity": identity,
        "gantry.serial": lambda text, now_s: gantry.set_serial(serial_of(text)),
    }


def _specimens(plant: EndurancePlant) -> dict[str, Setter]:
    bench = plant.bench
    specimens = bench.specimens

    def changed(name: str, value: float) -> None:
        setattr(specimens, name, value)
        specimens.forget()

    def weld(mount: int) -> Trick:
        return lambda now_s: specimens.weld(mount)

    def miss(mount: int) -> Trick:
        return lambda now_s: bench.missed.add(mount)

    def each(name: str, make: Callable[[int], Trick]) -> Setter:
        def plan(text: str, now_s: float) -> None:
            plant.tricks.plan(name, [(cycle, make(mount)) for cycle, mount in _cycles(text, bench.mounts)])

        return plan

    def grows(text: str, now_s: float) -> None:
        changed("drop_grows_from", math.inf if text == "never" else float(whole_of(text)))

    return {
        "specimen.welds_at_cycle": each("specimen.welds_at_cycle", weld),
        "specimen.fails_to_make_at": each("specimen.fails_to_make_at", miss),
        "specimen.bounces": lambda text, now_s: changed("bounces_x", factor_of(text)),
        "specimen.drop": lambda text, now_s: changed("drop_x", factor_of(text)),
        "specimen.drop_grows_from": grows,
    }


def _circuit(plant: EndurancePlant) -> dict[str, Setter]:
    bench = plant.bench
    electrics = bench.electrics

    def burns(text: str, now_s: float) -> None:
        tricks: list[tuple[int, Trick]] = []
        if text != "never":
            text, mount = _with_mount(text, bench.mounts)
            match = _BURNS.fullmatch(text)
            if match is None or not 1 <= int(match[1]) <= bench.banks:
                raise ValueError(f"{text!r} is no bank at a cycle, such as 1 at 7204")
            bank = int(match[1])
            tricks = [(int(match[2]), lambda at_s: electrics.burn(mount, bank))]
        plant.tricks.plan("lamp.burns", tricks)

    def dips(text: str, now_s: float) -> None:
        tricks: list[tuple[int, Trick]] = []
        if text != "never":
            cycle, _, part = text.partition(":")
            share = within(number_of(part, "%") / 100, 0.0, 2.0, part)
            tricks = [(whole_of(cycle, lowest=1), lambda at_s: setattr(electrics, "dip", share))]
        plant.tricks.plan("supply.dips_at_cycle", tricks)

    def falls_off(text: str, now_s: float) -> None:
        cycles = [] if text == "never" else [whole_of(text, lowest=1)]
        plant.tricks.plan(
            "thermocouple.falls_off_at_cycle",
            [(cycle, lambda at_s: setattr(bench.terminals, "attached", False)) for cycle in cycles],
        )

    def at_cycle(text: str, now_s: float) -> None:
        tricks: list[tuple[int, Trick]] = []
        if text != "never":
            cycle, _, rest = text.strip().partition(" ")
            name, equals, value = rest.partition("=")
            if not equals or name.strip() not in plant.names():
                raise ValueError(f"{text!r} names nothing to set, as in 31417 mains=off")
            later = bench.later
            tricks = [
                (
                    whole_of(cycle, lowest=1),
                    lambda at_s: later.append(lambda then_s: plant.set(name.strip(), value.strip(), then_s)),
                )
            ]
        plant.tricks.plan("at_cycle", tricks)

    return {
        "lamp.burns": burns,
        "supply.dips_at_cycle": dips,
        "thermocouple.falls_off_at_cycle": falls_off,
        "at_cycle": at_cycle,
        "recorder.misses_trigger": into(
            plant.recorder, "misses", lambda text: one_of(no_of(text), ("no", "yes", "next"))
        ),
    }


def _with_mount(text: str, mounts: int) -> tuple[str, int]:
    """The text without its mount, and that mount counted from 0; the first where none is named."""
    match = _MOUNT.fullmatch(text.strip())
    if match is None:
        return text.strip(), 0
    if not 1 <= int(match[2]) <= mounts:
        raise ValueError(f"there is no mount {match[2]}; there are {mounts}")
    return match[1], int(match[2]) - 1


def _cycles(text: str, mounts: int) -> list[tuple[int, int]]:
    """Cycles and mounts of `15002,15003 mount 2`."""
    if text == "never":
        return []
    numbers, mount = _with_mount(text, mounts)
    return [(whole_of(number, lowest=1), mount) for number in numbers.split(",")]
