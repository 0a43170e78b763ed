"""Checks of a bench file's actuators, loads and contact recorders: positions, ratings, and outputs kept apart."""

from __future__ import annotations

from typing import TYPE_CHECKING

from sequences.bench import Actuator, ContactRecorder, Load
from sequences.quantity import show

if TYPE_CHECKING:
    from sequences.check_bench_file import Looking
    from sequences.places import Path_


def check_endurance(looking: Looking) -> None:
    """Every actuator, load and contact recorder of the bench."""
    for name, one in looking.bench.equipment.items():
        path: Path_ = ("equipment", name)
        if isinstance(one, Actuator):
            _actuator(looking, path, one)
        elif isinstance(one, Load):
            _load(looking, path, one)
        elif isinstance(one, ContactRecorder):
            _recorder(looking, path, one)


def _actuator(looking: Looking, path: Path_, one: Actuator) -> None:
    low, high = one.soft_limits.lowest, one.soft_limits.highest
    limits = (*path, "soft_limits")
    if low >= high:
        what = f"The lowest position {_mm(low)} is not below the highest {_mm(high)}."
        ends = [(*limits, "highest")]
        looking.say("ratings-disagree", (*limits, "lowest"), what, "exchange the two", compared=ends)
        return
    places: dict[Path_, float] = {(*path, "positions", name): at for name, at in one.positions.items()}
    places[(*path, "home")] = one.home
    for place, at in places.items():
        if not low <= at <= high:
            what = f'"{place[-1]}" is {_mm(at)}, and the soft limits are {_mm(low)} to {_mm(high)}.'
            advice = "teach it again, or mend the soft limits"
            ends = [(*limits, "lowest"), (*limits, "highest")]
            looking.say("position-outside-limits", place, what, advice, compared=ends)


def _load(looking: Looking, path: Path_, one: Load) -> None:
    output, check = looking.bench.outputs.get(one.output), looking.bench.outputs.get(one.check_output)
    if one.output == one.check_output:
        what = f'The checks without the load would work through the load\'s own output "{one.output}".'
        advice = "give the low-energy supply an output of its own"
        named: list[Path_] = [(*path, "output")]
        looking.say("check-output-is-load", (*path, "check_output"), what, advice, compared=named)
        return
    if output and one.supply > output.highest:
        may = show(output.highest, "V")
        what = f"The supply has {show(one.supply, 'V')}, and its output {one.output} may carry {may}."
        rated: list[Path_] = [(*path, "output"), ("outputs", one.output, "highest")]
        looking.say("ratings-disagree", (*path, "supply"), what, "mend one of the two", compared=rated)
    touch_safe = looking.bench.touch_safe
    if check and check.highest > touch_safe:
        what = (
            f"The check output {one.check_output} may carry {show(check.highest, 'V')}, above the "
            f"{show(touch_safe, 'V')} that are safe to touch."
        )
        compared: list[Path_] = [("outputs", one.check_output, "highest"), ("touch_safe",)]
        advice = "checks and dry runs want a supply that is safe to touch"
        looking.say("ratings-disagree", (*path, "check_output"), what, advice, compared=compared)


def _recorder(looking: Looking, path: Path_, one: ContactRecorder) -> None:
    for name, samples, before in (
        ("make", one.make_samples, one.make_pre),
        ("break", one.break_samples, one.break_pre),
    ):
        if before >= samples:
            what = (
                f"The record of a {name} has {samples} samples, and {before} of them lie before its trigger."
            )
            of_record = [(*path, f"{name}_samples")]
            advice = f"write fewer than {samples}"
            looking.say("ratings-disagree", (*path, f"{name}_pre"), what, advice, compared=of_record)


def _mm(value: float) -> str:
    return f"{value * 1000:.4g} mm"
