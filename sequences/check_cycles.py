"""Checks of a duty of cycles by itself: what a cycle is made of, how fast, how often it is measured and watched."""

from __future__ import annotations

import math

from sequences.asking import Checking
from sequences.bench import Load
from sequences.capture import CYCLE_FIGURES
from sequences.check_motion import (
    Travel,
    asked_for,
    bench_actuator,
    bench_recorder,
    check_positions,
    check_speed,
    stroke_s,
    travel_m,
)
from sequences.check_steps import check_equipment
from sequences.duties import Cycles, cycles_of
from sequences.fields import nearest
from sequences.model import EachCycle, LoadWanted, TrendLimit
from sequences.places import Path_
from sequences.quantity import dimension_of, show

# Boiling voltage and least arc voltage of the usual contact materials, with room on either side. From memory.
BOILING_V = 0.7
LEAST_ARC_V = 13.0
DUTY: Path_ = ("duty",)
EACH: Path_ = ("each_cycle",)


def check_cycles(checking: Checking) -> None:
    """The whole of a duty of cycles, if it is one."""
    cycles = cycles_of(checking.sequence)
    if cycles is None:
        return
    each, travel = cycles.each, travel_of(cycles.each)
    for key, wanted in (("actuator", "actuator"), ("load", "load"), ("recorder", "contact recorder")):
        check_equipment(checking, (*EACH, key), getattr(each, key), wanted)
    check_positions(checking, travel)
    _switches_at(checking, cycles.each)
    check_speed(checking, travel)
    _rate(checking, cycles)
    _banks(checking, cycles)
    _mounts(checking, cycles)
    _open_above(checking, cycles)
    _current(checking, cycles)
    _often_enough(checking, cycles)
    for index, trend in enumerate(checking.sequence.trend_limits):
        _trend(checking, ("trend_limits", index), trend, cycles)
    _energy(checking)


def travel_of(each: EachCycle) -> Travel:
    """The move of a cycle."""
    return Travel(each.actuator, each.off, each.on, each.speed, EACH, (*EACH, "actuator"))


def _switches_at(checking: Checking, each: EachCycle) -> None:
    """Where the records begin: a position that is asked for, and that the move passes."""
    name, travel, here = each.switches_at, travel_of(each), (*EACH, "switches_at")
    if name is None:
        return
    asked_for(checking, travel, "switches_at", name)
    given = bench_actuator(checking, travel.actuator)
    if given is None or any(one not in given.positions for one in (travel.off, name, travel.on)):
        return
    off, at, on = (1000 * given.positions[one] for one in (travel.off, name, travel.on))
    if not min(off, on) < at < max(off, on):
        what = (
            f'On the bench "{name}" lies at {at:.4g} mm, and a move from "{travel.off}" to "{travel.on}" goes from '
            f"{off:.4g} mm to {on:.4g} mm: nothing would be recorded."
        )
        advice = "take the position at which the contact switches, as taught at this bench"
        checking.say("position-not-passed", here, what, advice, compared=travel.places())


def _energy(checking: Checking) -> None:
    """The cycles energise by themselves, so an interlock is needed even without any step that does."""
    steps = any(at.step.opens_block for at in checking.steps())
    if not checking.sequence.interlock and not steps:
        what = "The cycles energise, and the sequence names no interlock."
        advice = "write interlock: [guard, emergency_stop] or what the bench has"
        compared: list[Path_] = [("interlock",), DUTY]
        checking.say("energy-without-interlock", EACH, what, advice, key=True, compared=compared)


# --------------------------------------------------------------------------- times


def moves_s(checking: Checking, cycles: Cycles) -> float | None:
    """How long the two moves of a cycle take on the bench; None without one that has the positions."""
    travel = travel_of(cycles.each)
    given = bench_actuator(checking, travel.actuator)
    way = travel_m(given, travel) if given else None
    if given is None or way is None or not checking.known(*travel.places(), (*EACH, "speed")):
        return None
    return 2 * stroke_s(way, min(travel.speed, given.highest_speed), given.acceleration)


def _rate(checking: Checking, cycles: Cycles) -> None:
    """A rate that on time, both moves and the record of the break leave room for."""
    duty, travel = cycles.duty, travel_of(cycles.each)
    has_s = 1 / duty.rate
    moves = moves_s(checking, cycles)
    recorder = bench_recorder(checking, cycles.each.recorder)
    record_s = recorder.break_record_s() if recorder and moves is not None else 0.0
    needs_s = duty.on_time + (moves or 0.0) + record_s
    if needs_s <= has_s:
        return
    parts = [f"on for {show(duty.on_time, 's')}"]
    given = bench_actuator(checking, travel.actuator)
    way = travel_m(given, travel) if given else None
    if moves is not None and given is not None and way is not None:
        parts.insert(
            0,
            f"two moves of {way * 1000:.4g} mm at {cycles.each.speed * 1000:.4g} mm/s and "
            f"{given.acceleration:.4g} m/s2 take {show(moves, 's')}",
        )
    if record_s:
        parts.append(f"the record of the break ends {show(record_s, 's')} later")
    what = (
        f"{show(duty.rate, '1/s')} leaves {show(has_s, 's')} for a cycle, and it needs {show(needs_s, 's')}: "
        f"{', '.join(parts)}."
    )
    fits = math.floor(600 / needs_s) / 10 or 60 / needs_s
    advice = f"write {fits:.4g} 1/min or less, a shorter on_time or a higher speed"
    checking.say("rate-not-reached", (*DUTY, "rate"), what, advice, compared=[(*DUTY, "on_time")])


def _banks(checking: Checking, cycles: Cycles) -> None:
    """Time enough for each bank to cool before its next turn."""
    duty, name = cycles.duty, cycles.each.load
    wanted = checking.sequence.equipment.get(name)
    if duty.bank_off_at_least is None or not isinstance(wanted, LoadWanted):
        return
    on_s = duty.on_time + (moves_s(checking, cycles) or 0.0)
    off_s = wanted.banks / duty.rate - on_s
    if off_s >= duty.bank_off_at_least:
        return
    turns = f"every {wanted.banks} cycles" if wanted.banks > 1 else "every cycle"
    what = (
        f"At {show(duty.rate, '1/s')} each of the {wanted.banks} bank{'s' * (wanted.banks > 1)} has a turn {turns}, "
        f"{wanted.banks / duty.rate:.4g} s, and is on for {on_s:.3g} s of them at most: that leaves {off_s:.4g} s off, "
        f"and {duty.bank_off_at_least:.4g} s are wanted."
    )
    need = (duty.bank_off_at_least + on_s) * duty.rate
    advice = f"take {math.ceil(need)} banks or more, or a lower rate"
    compared: list[Path_] = [
        (*DUTY, "rate"),
        (*DUTY, "on_time"),
        (*EACH, "load"),
        ("equipment", name, "banks"),
    ]
    checking.say("bank-off-too-short", (*DUTY, "bank_off_at_least"), what, advice, compared=compared)


# --------------------------------------------------------------------------- mounts, levels


def _mounts(checking: Checking, cycles: Cycles) -> None:
    failure = cycles.mounts.failure
    path: Path_ = ("mounts", "failure")
    if failure.rule == "first" and failure.times is not None:
        what = "The rule first means one malfunction and has no times."
        advice = "remove it, or write rule: nth"
        checking.say("mount-rule-times", (*path, "times"), what, advice, key=True, compared=[(*path, "rule")])
    elif failure.rule != "first" and failure.times is None:
        what = f"The rule {failure.rule} does not say how many malfunctions it means."
        compared: list[Path_] = [(*path, "rule"), (*path, "times")]
        checking.say("mount-rule-times", path, what, "write times: 2 or more", compared=compared)


def _supply(checking: Checking, cycles: Cycles) -> tuple[float, str] | None:
    """The voltage across the open contact at its highest moment, and how it is said."""
    name = cycles.each.load
    wanted = checking.sequence.equipment.get(name)
    if not isinstance(wanted, LoadWanted):
        return None
    if not checking.known((*EACH, "load"), ("equipment", name, "supply"), ("equipment", name, "frequency")):
        return None
    return wanted.supply, show(wanted.supply, "V")


def _open_above(checking: Checking, cycles: Cycles) -> None:
    """Between the drop of a closed contact and the voltage across an open one."""
    path: Path_ = (*EACH, "open_above")
    open_v, supply = cycles.each.open_above, _supply(checking, cycles)
    if supply and open_v >= supply[0]:
        what = f"A contact counts as open above {show(open_v, 'V')}, and the supply has {supply[1]}: it would never."
        checking.say("open-above-unusable", path, what, "write a voltage well below the supply")
        return
    for index, requirement in enumerate(checking.sequence.requirements):
        limit = requirement.at_most
        if (
            limit is not None
            and limit.unit == "V"
            and limit >= open_v
            and _is_drop(checking, requirement.result)
        ):
            what = (
                f"A contact counts as open above {show(open_v, 'V')}, and a closed one may have a drop of "
                f"{limit.text}."
            )
            compared: list[Path_] = [("requirements", index, "at_most"), ("requirements", index, "result")]
            checking.say("open-above-unusable", path, what, "write a higher voltage", compared=compared)
            return
    if not BOILING_V <= open_v <= LEAST_ARC_V:
        what = (
            f"{show(open_v, 'V')} does not lie between the boiling voltage and the least arc voltage of the usual "
            f"contact materials, {BOILING_V:g} V to {LEAST_ARC_V:g} V."
        )
        checking.say("open-above-unusual", path, what, "compare it with the data of the contact", "warning")


def _is_drop(checking: Checking, result: str) -> bool:
    """Whether a result is the voltage across the closed contact."""
    if result == "contact_drop":
        return True
    return any(at.step.kind == "check_contact" and result in at.results() for at in checking.steps())


def _current(checking: Checking, cycles: Cycles) -> None:
    """The steady current that is expected is the load's."""
    band, name = cycles.each.current, cycles.each.load
    wanted = checking.sequence.equipment.get(name)
    if isinstance(wanted, LoadWanted) and not band.holds(wanted.current):
        what = f"{band.text} is expected, and the load takes {show(wanted.current, 'A')}."
        compared: list[Path_] = [(*EACH, "load"), ("equipment", name, "current")]
        checking.say(
            "current-unlike-load", (*EACH, "current"), what, "make the two fit each other", compared=compared
        )


# --------------------------------------------------------------------------- measured and watched


def _often_enough(checking: Checking, cycles: Cycles) -> None:
    declared, between = cycles.duty.cycles, checking.sequence.intermediate_measurements
    count: list[Path_] = [(*DUTY, "cycles")]
    if between and between.every > declared:
        what = f"They are due after every {between.every} cycles, and the duty has {declared}: never."
        path: Path_ = ("intermediate_measurements", "every")
        checking.say("intermediate-never", path, what, f"write {declared} or less", compared=count)
    attended = checking.sequence.attended
    if attended is None:
        what = "Nobody has to watch the first cycles after a start or a resume."
        advice = "write attended: {cycles: 10}"
        absent: list[Path_] = [("attended",)]
        checking.say("attended-missing", DUTY, what, advice, "warning", key=True, compared=absent)
    elif attended.cycles > declared:
        what = f"{attended.cycles} cycles have to be watched, and the duty has {declared}."
        checking.say(
            "attended-too-many", ("attended", "cycles"), what, f"write {declared} or less", compared=count
        )


def _trend(checking: Checking, path: Path_, trend: TrendLimit, cycles: Cycles) -> None:
    kind = CYCLE_FIGURES.get(trend.result)
    if kind is None:
        what = f'"{trend.result}" is no figure of the cycles, so it has no trend.'
        checking.say("trend-on-nothing", (*path, "result"), what, nearest(trend.result, CYCLE_FIGURES))
        return
    keys = [key for key in ("warn_above", "grows_by") if getattr(trend, key) is not None]
    if not keys:
        what = "The trend limit has neither warn_above nor grows_by: it never warns."
        absent = [(*path, "warn_above"), (*path, "grows_by")]
        checking.say("trend-on-nothing", path, what, "write warn_above: or grows_by:", compared=absent)
    for key in keys:
        limit = getattr(trend, key)
        if limit.unit != kind.unit:
            words = dimension_of(kind.unit).words
            what = f'"{limit.text}" is {dimension_of(limit.unit).words}, and {trend.result} is {words}.'
            checking.say("limit-unit", (*path, key), what, f"write {words}", compared=[(*path, "result")])
    if trend.over > cycles.duty.cycles:
        what = f"The median is taken over {trend.over} cycles, and the duty has {cycles.duty.cycles}: it never warns."
        count: list[Path_] = [(*DUTY, "cycles")]
        checking.say(
            "trend-never", (*path, "over"), what, "take it over fewer cycles", "warning", compared=count
        )
    _before_the_limit(checking, path, trend)


def _before_the_limit(checking: Checking, path: Path_, trend: TrendLimit) -> None:
    """A warning that comes before the limit is passed."""
    warn = trend.warn_above
    for index, requirement in enumerate(checking.sequence.requirements):
        limit = requirement.at_most if requirement.result == trend.result else None
        if warn is not None and limit is not None and limit.unit == warn.unit and warn >= limit:
            what = f"It warns above {warn.text}, and the limit is {limit.text} already."
            compared: list[Path_] = [
                ("requirements", index, "at_most"),
                ("requirements", index, "result"),
                (*path, "result"),
            ]
            place: Path_ = (*path, "warn_above")
            checking.say(
                "trend-never", place, what, "write less than the limit", "warning", compared=compared
            )


def bench_load(checking: Checking, name: str) -> Load | None:
    """The bench's load of that name."""
    given = checking.bench.equipment.get(name) if checking.bench else None
    return given if isinstance(given, Load) else None
