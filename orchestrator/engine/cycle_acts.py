"""What the steps of an endurance sequence do, one function a kind; the step classes call these."""

from __future__ import annotations

import math
from dataclasses import dataclass
from typing import TYPE_CHECKING, Any

import numpy as np

from orchestrator.core.reasons import Reason
from orchestrator.engine.cycle_bench import MM
from orchestrator.engine.cycle_rules import COVERAGE, uncertainties_of
from orchestrator.engine.judge import Value
from orchestrator.engine.live import live
from orchestrator.engine.stop import BenchFault

if TYPE_CHECKING:
    from numpy.typing import NDArray

    from orchestrator.engine.context import Context
    from orchestrator.engine.cycle_duty import Cycles
    from orchestrator.steps.check_contact import CheckContact
    from orchestrator.steps.dry_run import DryRun
    from orchestrator.steps.temperature import Temperature
    from orchestrator.steps.touch_off import TouchOff

CHECK_OPEN_ABOVE_V = 1.0  # of the low-energy check supply, 5 V at most: a closed contact is far below
FELT_FROM = 0.2  # of the largest force: where a touch-off says that it touches
FALLEN_OFF_K = (
    5.0  # a terminal that was this much warmer and now reads as the air does has lost its thermocouple
)
CLOSED, OPEN = "closed", "open"


def cycles_of(at: Context) -> Cycles:
    """The cyclic duty of the run; the check before the run keeps these steps out of other duties."""
    from orchestrator.engine.cycle_duty import Cycles

    assert isinstance(at.duty, Cycles), "a step of an endurance sequence in another duty"
    return at.duty


@dataclass(frozen=True)
class Datum:
    """The signature of the mounted specimen: where the force rises, and how far it rises."""

    touches_mm: float
    force_n: float


def touch_off(at: Context, step: TouchOff) -> None:
    """Force against position without load voltage; set as the datum, or compared with it."""
    cycles, bench = cycles_of(at), cycles_of(at).bench
    found = take_signature(at, step)
    at.journal.append(
        "touch_off",
        result=step.result,
        force_n=found.force_n,
        touches_at_mm=found.touches_mm,
        datum=step.datum,
        at_cycle=at.gathered.current,
    )
    if step.datum == "set":
        cycles.datum = found
    elif cycles.datum is not None:
        compare_with_datum(found, cycles.datum, step)
    keep(at, step.result, Value(at.gathered.current, found.force_n, "N"), bench.actuator_rules.instrument)


def take_signature(at: Context, step: TouchOff) -> Datum:
    """One slow press on the low-energy check supply."""
    bench = cycles_of(at).bench
    positions = bench.actuator_rules.positions
    with checking(at, "touch-off"):
        at.progress.say("touch-off")
        bench.enter()
        bench.go(MM * positions[step.off])
        felt = bench.touch_off(MM * positions[step.on], MM * step.speed)
        bench.go(MM * positions[step.off])
    force_n = float(np.max(felt.forces_n))
    if force_n > float(bench.actuator_rules.force.highest):
        raise BenchFault(Reason.ACTUATOR_FAULT, f"the drive pressed with {force_n:.1f} N, more than it may")
    touches = int(np.argmax(felt.forces_n >= FELT_FROM * force_n))
    return Datum(float(felt.positions_mm[touches]), force_n)


def compare_with_datum(found: Datum, datum: Datum, step: TouchOff) -> None:
    """A specimen that moved in its fixture, or an axis that lost steps, shows here."""
    away_mm, part = found.touches_mm - datum.touches_mm, found.force_n / datum.force_n - 1.0
    why = []
    if abs(away_mm) > MM * step.shift_at_most:
        why.append(f"it touches {away_mm:+.2f} mm from the datum, allowed {MM * step.shift_at_most:.2f} mm")
    if abs(part) > step.force_within:
        why.append(f"its force is {part:+.0%} from the datum's, allowed {float(step.force_within):.0%}")
    if why:
        what = f"the touch-off is not the datum's: {'; '.join(why)}"
        raise BenchFault(Reason.ACTUATOR_FAULT, f"{what}. The specimen moved, wore, or the axis lost steps")


def dry_run(at: Context, step: DryRun) -> None:
    """Cycles on low energy: the contact's state has to follow the position."""
    bench, cycles, speed_mm_s = cycles_of(at).bench, step.cycles, MM * step.speed
    with checking(at, "dry run"):
        bench.enter()
        for cycle in range(1, cycles + 1):
            at.progress.say(f"dry run, cycle {cycle} of {cycles}")
            bench.go(bench.on_mm, speed_mm_s)
            require_contact(at, CLOSED, f"dry run, cycle {cycle}")
            bench.go(bench.off_mm, speed_mm_s)
            require_contact(at, OPEN, f"dry run, cycle {cycle}")
    at.journal.append("dry_run", cycles=cycles)


def require_contact(at: Context, wanted: str, when: str) -> None:
    """The low-energy check of every mount's contact. Raises BenchFault naming those that are not as wanted."""
    cycles = cycles_of(at)
    volts, _ = cycles.bench.recorder.contact_now()
    is_open = np.abs(volts) > CHECK_OPEN_ABOVE_V
    wrong = np.flatnonzero((is_open != (wanted == OPEN)) & (cycles.mounts.failed_at == 0))
    if wrong.size:
        mounts = ", ".join(str(int(place) + 1) for place in wrong)
        state = CLOSED if wanted == OPEN else OPEN
        what = f"{when}: the contact of mount {mounts} is {state} where it has to be {wanted}"
        raise BenchFault(Reason.ACTUATOR_FAULT, f"{what}: welded, worn, or the position is not what it was")


def check_contact(at: Context, step: CheckContact) -> None:
    """Contact drop at rated current, the contact held closed."""
    cycles = cycles_of(at)
    bench = cycles.bench
    at.arming.require()
    with live(bench.load_rules.output, at, at.gathered.current, "contact check"):
        bench.enter()
        bench.choose_bank(1)
        bench.move("on")
        at.progress.say(
            "measuring the contact drop", until_s=at.clock.now_s() + step.after, until_what="reading"
        )
        at.pace.wait_until(at.clock.now_s() + step.after)
        volts, amperes = bench.recorder.contact_now()
        bench.move("off")
    _require_load(cycles, volts, amperes)
    of_drop = uncertainties_of(bench.recorder_rules)["contact_drop"]
    for place in np.flatnonzero(cycles.mounts.failed_at == 0):
        drop_v = abs(float(volts[place]))
        mount = int(place) + 1
        value = Value(at.gathered.current, drop_v, "V", *of_drop(drop_v), mount=mount)
        keep(at, step.result, value, bench.recorder_rules.instrument, current_a=abs(float(amperes[place])))


def _require_load(cycles: Cycles, volts: NDArray[np.float64], amperes: NDArray[np.float64]) -> None:
    """A load that takes too little through a good contact spoils the reading, and more than it can take is a reading
    that is wrong; a bad contact is what is measured."""
    wanted: Any = cycles.each.current
    taken, good = np.abs(amperes), np.abs(volts) <= cycles.expected.drop_bad_v
    beside = ((taken < wanted.low) & good) | (taken > wanted.high)
    places = np.flatnonzero(beside & (cycles.mounts.failed_at == 0))
    if places.size:
        where = mounts_words(cycles, places)
        what = f"the load{where} takes {float(taken[places[0]]):.3g} A, wanted {wanted.text}"
        raise BenchFault(Reason.SUPPLY_FAULT, f"{what}: no contact drop is measured at that")


def mounts_words(cycles: Cycles, places: NDArray[np.intp]) -> str:
    """Which mounts, for a sentence; nothing where there is one only."""
    several = len(cycles.mounts.specimens) > 1
    return f" of mount {', '.join(str(int(place) + 1) for place in places)}" if several else ""


def temperature(at: Context, step: Temperature) -> None:
    """The warmest of the channels above another one."""
    cycles = cycles_of(at)
    rules = cycles.bench.recorder_rules.temperature
    assert rules is not None, "a temperature is read where the bench has thermocouples"
    names = [*step.channels, step.above]
    numbers = [rules.channels[name] for name in names]
    read = dict(zip(names, cycles.bench.recorder.temperatures_c(numbers), strict=True))
    cycle = at.gathered.current
    at.journal.append("temperatures", at_cycle=cycle, read_c=read)
    rises = {name: read[name] - read[step.above] for name in step.channels}
    lost = [name for name, rise in rises.items() if _has_fallen_off(cycles, name, rise, rules.accuracy)]
    if lost:
        what = f"{', '.join(lost)} reads as {step.above} does: has its thermocouple fallen off?"
        at.journal.append("measurement_lost", result=step.result, at_cycle=cycle, why=what)
        cycles.note(f"cycle {cycle}: {what}")
        return
    expanded = COVERAGE * math.sqrt(2) * float(rules.accuracy) / math.sqrt(3)
    value = Value(cycle, max(rises.values()), "K", expanded, COVERAGE)
    keep(at, step.result, value, cycles.bench.recorder_rules.instrument)


def _has_fallen_off(cycles: Cycles, channel: str, rise_k: float, accuracy_k: float) -> bool:
    """Whether a terminal that was warm reads as the air does; `warmest_k` remembers how warm it was."""
    before_k = cycles.warmest_k.get(channel, 0.0)
    if rise_k > before_k:
        cycles.warmest_k[channel] = rise_k
    return not math.isfinite(rise_k) or (before_k >= FALLEN_OFF_K and rise_k <= float(accuracy_k))


def keep(at: Context, result: str, value: Value, instrument: str, **more: Any) -> None:
    """A measurement in the record, among the evidence and on the screen."""
    at.journal.append(
        "measurement",
        result=result,
        value=value.value,
        unit=value.unit,
        expanded_uncertainty=value.expanded_uncertainty,
        coverage_factor=value.coverage_factor,
        shot=value.shot or None,
        counted="cycle",
        instrument=instrument,
        **({"mount": value.mount} if value.mount else {}),
        **more,
    )
    at.gathered.add(result, value)
    at.progress.figure(result, value)


def checking(at: Context, part: str) -> Any:
    """A block on the low-energy check supply: motion is possible, the load's voltage is not."""
    at.arming.require()
    return live(cycles_of(at).bench.load_rules.check_output, at, at.gathered.current, part)
