"""The impulse bench's safety hardware: contactors of the two sources, discharge, earth, and the chain around them."""

from __future__ import annotations

from simulators.cell import CellPlan, RelayPlan

PLAN = CellPlan(
    switching_coils=("high_voltage", "lift discharge", "lift earth", "leakage"),
    relays={
        "high_voltage": RelayPlan(coil=0, closes_in_s=0.030, opens_in_s=0.020),
        "leakage": RelayPlan(coil=3, closes_in_s=0.020, opens_in_s=0.015),
        "discharge": RelayPlan(coil=1, closes_in_s=0.035, opens_in_s=0.030, is_lifted=True),
        "earth": RelayPlan(coil=2, closes_in_s=0.040, opens_in_s=0.035, is_lifted=True),
    },
    contacts=(
        "door.a",
        "door.b",
        "earthing_stick_home.a",
        "emergency_stop.a",
        "emergency_stop.b",
        "exhaust.a",
    ),
    chain=("door.a", "door.b", "emergency_stop.a", "emergency_stop.b"),
)
COILS = PLAN.coils
SWITCHING_COILS = len(PLAN.switching_coils)
INPUTS = PLAN.inputs
