"""A leakage meter that is overloaded: by the specimen, which is evidence, or because it is broken, which is none.

Evidence only where nothing else explains it: it is overloaded twice in a row, the bench's own divider shows the voltage
applied at the terminals while the output is on, and with its output off the meter comes to rest at nothing. Then the
current is known to be more than the highest that the meter may be used for.
"""

from __future__ import annotations

from typing import TYPE_CHECKING, Any

from orchestrator.core.reasons import Reason
from orchestrator.engine.live import require_on
from orchestrator.engine.stop import BenchFault

if TYPE_CHECKING:
    from drivers.equipment.protocols import LeakageMeter
    from orchestrator.engine.context import Context

LIVE_ABOVE = 0.5  # of the voltage applied
AT_REST_BELOW = 0.01  # of the meter's highest
RESTS_WITHIN_S = 1.0
LOOK_EVERY_S = 0.05


def require_proven_overload(at: Context, equipment: str, voltage_v: float, current_a: float) -> None:
    """Return where the specimen has overloaded the meter; a bench fault otherwise.

    Called inside the live block, with the meter's output on; leaves it off.
    """
    rules: Any = at.bench.file.equipment[equipment]
    name, highest_a = rules.instrument, float(rules.highest)
    what = f"{name} is overloaded: {current_a:.3g} A at {voltage_v:g} V"
    meter = at.bench.meter(equipment)
    again_a = meter.current_a()
    if not again_a > highest_a:
        raise BenchFault(Reason.INSTRUMENT_FAULT, f"{what}, and {again_a:.3g} A when it was asked again")
    _require_voltage_at_terminals(at, rules.output, name, voltage_v)
    meter.off()
    _require_rest(at, meter, name, highest_a)


def _require_voltage_at_terminals(at: Context, output: str, name: str, voltage_v: float) -> None:
    """By a reading newer than the overload: a short beside the specimen, or a source that gives way, shows here."""
    divider_v = require_on(output, at).facts["voltages"].get("terminals")
    if divider_v is None or divider_v < LIVE_ABOVE * voltage_v:
        seen = "has no divider there" if divider_v is None else f"reads {divider_v:g} V there"
        what = f"{name} is overloaded and should apply {voltage_v:g} V to the terminals, the bench {seen}"
        raise BenchFault(Reason.SUPPLY_FAULT, what)


def _require_rest(at: Context, meter: LeakageMeter, name: str, highest_a: float) -> None:
    """With its output off there is nothing to measure: a meter that still reads something is broken."""
    until_s = at.clock.now_s() + RESTS_WITHIN_S
    resting_a = meter.current_a()
    while not abs(resting_a) < AT_REST_BELOW * highest_a:
        if at.clock.now_s() >= until_s:
            what = f"{name} is overloaded, and still reads {resting_a:.3g} A with its output off: it is not believed"
            raise BenchFault(Reason.INSTRUMENT_FAULT, what)
        at.pace.wait_until(at.clock.now_s() + LOOK_EVERY_S)
        resting_a = meter.current_a()
