"""An endurance bench as an installation: its plant with a gantry on a real pseudo-terminal, and the daemon."""

from __future__ import annotations

import json
from contextlib import AbstractContextManager
from pathlib import Path
from typing import Any

from orchestrator.cli.client import EngineLink, Refusal
from orchestrator.daemon.places import places_of_running
from orchestrator.record.continued import rows_of, with_earlier
from orchestrator.record.ledger import count
from orchestrator.record.reader import read_run
from tests.daemon_rig import OVER, PATIENCE_S, PERSON, Facts, Installation, _until_input, running
from tests.run.worlds import changed, with_free_ports

WEIR_GATE = Path(__file__).parents[1] / "sequences" / "library" / "weir_gate"
FIRST, LAST = 15602, 15604
TOGGLES = {
    "guard": ("open", "closed"),
    "emergency_stop": ("pressed", "released"),
    "smoke_detector": ("smoke", "clear"),
}
QUICK_BENCH = {
    "warning: 2 s": "warning: 0.1 s",
    "warning: 1 s": "warning: 0.1 s",
    "discharge_time: 1 s": "discharge_time: 0.5 s",
}
QUICK_SEQUENCE = {
    "cycles: {usual: 44000,": "cycles: {usual: 8,",
    "checked_every: {usual: 2000,": "checked_every: {usual: 4,",
    "watched: {usual: 10,": "watched: {usual: 4,",
    "rate: 12 1/min": "rate: 100 1/min",
    "on_time: 2 s": "on_time: 0.1 s",
    "dry_run: {cycles: 10, speed: 30 mm/s}": "dry_run: {cycles: 1, speed: 200 mm/s}",
    "speed: 20 mm/s": "speed: 200 mm/s",
    "after: 1 s": "after: 0.1 s",
}


class EnduranceInstallation(Installation):
    """Weir gate made quick, on free ports and a line in the folder."""

    def __init__(self, folder: Path) -> None:
        super().__init__(folder)
        self.line = folder / "lines" / "gantry"
        bench = changed((WEIR_GATE / "bench.yaml").read_text(), QUICK_BENCH)
        bench = with_free_ports(bench, range(FIRST, LAST))
        self.bench.write_text(changed(bench, {"ASRL/tmp/benchward-weir-gate/gantry": f"ASRL{self.line}"}))
        self.sequence.write_text(changed((WEIR_GATE / "sequence.yaml").read_text(), QUICK_SEQUENCE))
        (folder / "plant.yaml").write_text((WEIR_GATE / "plant.yaml").read_text())

    # ---- runs

    def go_on(self, run: str) -> Facts:
        """Go on with a stopped run over the socket. Raises Refusal."""
        assert self.link is not None
        return self.link.call("start", PERSON, PATIENCE_S, go_on_with=run)

    def is_blocked(self) -> bool:
        """Whether the start is blocked until a person has released it."""
        return bool(json.loads(self.shell("status", "--json").stdout)["blocked"])

    def until_cycle(self, number: int) -> Facts:
        """The status that shows at least so many cycles."""
        for message in self.messages(f"cycle {number}"):
            assert "ended" not in message, message["ended"]["sentence"]
            if "status" in message and int(message["status"]["going_on"].get("shot") or 0) >= number:
                return dict(message["status"])
        raise AssertionError("the engine says nothing more")

    # ---- the technician

    def do(self, question: Facts) -> bool:
        if question["ask"] == "connect":
            self.hand("connection", question["connection"])
        if question["ask"] == "arm" and not self.proven:
            self.prove_inputs()
        other = EngineLink(places_of_running(self.data))
        try:
            other.call(
                "answer",
                PERSON,
                question=question["question"],
                confirm_all=True,
                photo=str(self.photo) if question["needs_photo"] else None,
                label=question.get("label_of"),
            )
        except Refusal as refusal:
            assert refusal.reply["code"] in OVER, refusal
        finally:
            other.close()
        return True

    def prove_inputs(self) -> None:
        other = EngineLink(places_of_running(self.data))
        other.call("watch")
        for name, (unsafe, safe) in TOGGLES.items():
            self.hand(name, unsafe)
            _until_input(other, name, lambda one: not one["closed"])
            self.hand(name, safe)
            _until_input(other, name, lambda one: one["closed"] and one["proven"])
        other.close()
        self.proven = True

    # ---- what happened

    def entries(self, run: str) -> list[Facts]:
        lines = (self.data / run / "journal.jsonl").read_text().splitlines()
        return [json.loads(line) for line in lines]

    def confirmed(self, run: str) -> int:
        """Confirmed cycles of mount 1, over all runs that belong together."""
        return count(rows_of(with_earlier(read_run(self.data / run))))[1].confirmed

    def pressed(self) -> int:
        """Cycles that the specimen has really had under the load."""
        return len({entry["cycle"] for entry in self.truth("operation") if entry["cycle"]})

    def energised_s(self) -> float:
        """When the load was switched on last."""
        return float(self.truth("contactor", name="load", state="closed")[-1]["at_s"])

    def is_safe(self) -> dict[str, Any]:
        """Contactors and motion as a person sees them."""
        from orchestrator.cli.simulators import control_path
        from simulators.control import ask

        shown = ask(control_path(self.bench), {"show": True})["show"]
        return {**shown["contactors"], "moving": shown["gantry"]["moving"]}


SAFE = {"load": "open", "check": "open", "brake": "closed", "moving": False}


def endurance_installation(folder: Path) -> AbstractContextManager[EnduranceInstallation]:
    """Plant and daemon of the endurance bench running."""
    return running(EnduranceInstallation(folder))
