"""What the steps of an endurance sequence do, one function a kind; the step classes call these."""

from __future__ import annotations

import math
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

TOUCH_SPEED_MM_S = 5.0
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


def touch_off(at: Context, actuator: str, off: str, to: str, result: str, datum: str) -> None:
    """Force against position without load voltage; set as the datum, or compared with it."""
    bench = cycles_of(at).bench
    positions = bench.actuator_rules.positions
    with _checking(at, "touch-off"):
        bench.home_if_needed()
        bench.go(MM * positions[off])
        felt = bench.touch_off(MM * positions[to], TOUCH_SPEED_MM_S)
        bench.go(MM * positions[off])
    force_n = float(np.max(felt.forces_n))
    if force_n > float(bench.actuator_rules.force.highest):
        raise BenchFault(Reason.ACTUATOR_FAULT, f"the drive pressed with {force_n:.1f} N, more than it may")
    touches_mm = _touches_at(felt.positions_mm, felt.forces_n)
    at.journal.append(
        "touch_off",
        result=result,
        force_n=force_n,
        touches_at_mm=touches_mm,
        datum=datum,
        at_cycle=at.gathered.current,
    )
    if datum == "set":
        cycles_of(at).datum_mm = touches_mm
    else:
        compare_with_datum(at, touches_mm)
    keep(at, result, Value(at.gathered.current, force_n, "N"), bench.actuator_rules.instrument)


def _touches_at(positions_mm: NDArray[np.float64], forces_n: NDArray[np.float64]) -> float:
    """Where the force first reaches a fifth of its largest, in mm."""
    return float(positions_mm[int(np.argmax(forces_n >= FELT_FROM * np.max(forces_n)))])


def compare_with_datum(at: Context, touches_mm: float) -> None:
    """A specimen that moved in its fixture, or an axis that lost steps, shows here."""
    cycles = cycles_of(at)
    if cycles.datum_mm is None:
        return
    away_mm = touches_mm - cycles.datum_mm
    allowed_mm = 3.0 * MM * cycles.bench.actuator_rules.confirm_within
    if abs(away_mm) > allowed_mm:
        what = f"the touch-off is {away_mm:+.2f} mm from the datum, allowed {allowed_mm:.2f} mm"
        raise BenchFault(
            Reason.ACTUATOR_FAULT, f"{what}: the specimen moved in its fixture, or the axis lost steps"
        )


def dry_run(at: Context, cycles: int, speed: float) -> None:
    """Cycles on low energy: the contact's state has to follow the position."""
    bench = cycles_of(at).bench
    with _checking(at, "dry run"):
        bench.home_if_needed()
        for cycle in range(1, cycles + 1):
            at.progress.say(f"dry run, cycle {cycle} of {cycles}")
            bench.go(bench.on_mm, MM * speed)
            require_contact(at, CLOSED, f"dry run, cycle {cycle}")
            bench.go(bench.off_mm, MM * speed)
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


def check_contact(at: Context, result: str, after_s: float) -> None:
    """Contact drop at rated current, the contact held closed."""
    cycles = cycles_of(at)
    bench = cycles.bench
    at.arming.require()
    with live(bench.load_rules.output, at, at.gathered.current, "measurement"):
        bench.home_if_needed()
        bench.choose_bank(1)
        bench.move("on")
        at.progress.say(
            "measuring the contact drop", until_s=at.clock.now_s() + after_s, until_what="reading"
        )
        at.pace.wait_until(at.clock.now_s() + after_s)
        volts, amperes = bench.recorder.contact_now()
        bench.move("off")
    _require_load(cycles, amperes)
    of_drop = uncertainties_of(bench.recorder_rules)["contact_drop"]
    for place in np.flatnonzero(cycles.mounts.failed_at == 0):
        drop_v = abs(float(volts[place]))
        mount = int(place) + 1
        value = Value(at.gathered.current, drop_v, "V", *of_drop(drop_v), mount=mount)
        keep(at, result, value, bench.recorder_rules.instrument, current_a=abs(float(amperes[place])))


def _require_load(cycles: Cycles, amperes: NDArray[np.float64]) -> None:
    wanted: Any = cycles.each.current
    going = np.abs(amperes[cycles.mounts.failed_at == 0])
    if going.size and float(going.max()) < wanted.low:
        what = f"the load takes {float(going.max()):.3g} A, wanted {wanted.text}"
        raise BenchFault(Reason.SUPPLY_FAULT, f"{what}: no contact drop is measured at that")


def temperature(at: Context, result: str, channels: tuple[str, ...], above: str | None) -> None:
    """The warmest of the channels, above another one where it is given."""
    cycles = cycles_of(at)
    rules = cycles.bench.recorder_rules.temperature
    names = [*channels, *((above,) if above else ())]
    read = dict(
        zip(names, cycles.bench.recorder.temperatures_c([rules.channels[n] for n in names]), strict=True)
    )
    at.journal.append("temperatures", at_cycle=at.gathered.current, read_c=read)
    base_c = read[above] if above else 0.0
    lost = [n for n in channels if _has_fallen_off(cycles, n, read[n] - base_c, rules.accuracy)]
    if lost or not all(math.isfinite(value) for value in read.values()):
        what = f"{', '.join(lost) or 'a channel'} reads as the air does: has its thermocouple fallen off?"
        at.journal.append("measurement_lost", result=result, at_cycle=at.gathered.current, why=what)
        cycles.note(f"cycle {at.gathered.current}: {what}")
        return
    value = max(read[name] for name in channels) - base_c
    rests_on = 2 if above else 1
    expanded = COVERAGE * math.sqrt(rests_on) * float(rules.accuracy) / math.sqrt(3)
    keep(
        at,
        result,
        Value(at.gathered.current, value, "K" if above else "degC", expanded, COVERAGE),
        cycles.bench.recorder_rules.instrument,
    )


def _has_fallen_off(cycles: Cycles, channel: str, rise_k: float, accuracy_k: float) -> bool:
    """Whether a terminal that was warm reads as the air does; `warmest_k` remembers how warm it was."""
    before_k = cycles.warmest_k.get(channel, 0.0)
    cycles.warmest_k[channel] = max(before_k, rise_k)
    return before_k >= FALLEN_OFF_K and rise_k <= float(accuracy_k)


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
        instrument=instrument,
        **({"mount": value.mount} if value.mount else {}),
        **more,
    )
    at.gathered.add(result, value)
    at.progress.figure(result, value)


def _checking(at: Context, part: str) -> Any:
    """A block on the low-energy check supply: motion is possible, the load's voltage is not."""
    at.arming.require()
    return live(cycles_of(at).bench.load_rules.check_output, at, at.gathered.current, part)
