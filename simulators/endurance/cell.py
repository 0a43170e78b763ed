"""The endurance bench's safety hardware: contactors of load and check, brake, and the chain around them."""

from __future__ import annotations

from simulators.cell import CellPlan, RelayPlan

PLAN = CellPlan(
    switching_coils=("load", "check", "lift brake"),
    relays={
        "load": RelayPlan(coil=0, closes_in_s=0.030, opens_in_s=0.020),
        "check": RelayPlan(coil=1, closes_in_s=0.015, opens_in_s=0.010),
        "brake": RelayPlan(coil=2, closes_in_s=0.040, opens_in_s=0.030, is_lifted=True),
    },
    contacts=("guard.a", "guard.b", "emergency_stop.a", "emergency_stop.b", "smoke_detector.a"),
    chain=("guard.a", "guard.b", "emergency_stop.a", "emergency_stop.b", "smoke_detector.a"),
)
COILS = PLAN.coils
INPUTS = PLAN.inputs
