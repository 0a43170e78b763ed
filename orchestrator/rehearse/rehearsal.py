"""A whole run in virtual time: the engine's own code on a fake clock, memory links and a memory store."""

from __future__ import annotations

import gc
from collections.abc import Callable
from dataclasses import dataclass, replace
from pathlib import Path
from typing import TYPE_CHECKING, Any

from drivers.equipment.off import OffResult, OffWrite, off_all_stepped
from drivers.links.base import Link
from drivers.links.memory import MemoryTransport
from drivers.modbus import ModbusClient
from orchestrator.core.interlock import Rules
from orchestrator.engine.environment import environment
from orchestrator.engine.opening import open_bench
from orchestrator.engine.pace import Pace
from orchestrator.engine.people import Person
from orchestrator.engine.progress import Progress
from orchestrator.engine.run import RunEnd, RunOrder, World, run
from orchestrator.engine.stop import Stop
from orchestrator.monitor.logic import Monitor
from orchestrator.monitor.safety_io import ModbusIo
from orchestrator.monitor.virtual import VirtualPort
from orchestrator.record.journal import Journal
from orchestrator.record.store import MemoryStore
from orchestrator.rehearse.technician import NAME, Technician
from orchestrator.rehearse.world import VirtualClock, VirtualWorld

if TYPE_CHECKING:
    from orchestrator.record.continued import Continued
    from sequences.loader import Loaded, LoadedBench
    from simulators.device import Plant

SAFETY_IO = "safety_io"


@dataclass
class Rehearsal:
    """A virtual world put together for one run; `perform` runs it."""

    order: RunOrder
    virtual: VirtualWorld
    world: World
    store: MemoryStore
    port: VirtualPort
    technician: Technician
    coasts: bool = False

    def perform(self) -> RunEnd:
        """The whole run. Python's search for cycles rests meanwhile: it costs more than it would free."""
        searches = gc.isenabled()
        gc.disable()
        try:
            return run(self.order, self.world)
        finally:
            if searches:
                gc.enable()


class _LinkPace:
    """The monitor's own pace: nothing to look at between slices."""

    def __init__(self, world: VirtualWorld) -> None:
        self.now_s = world.time_s

    def slice(self) -> None:
        """The monitor serves nobody but itself."""


def prepare(
    sequence: Loaded,
    bench: LoadedBench,
    plant: Plant,
    seed: int = 1,
    specimen: str = "REHEARSAL-1",
    on_entry: Callable[[dict[str, Any]], None] | None = None,
    on_progress: Callable[[Progress, float], None] | None = None,
    coasts: bool = False,
    specimens: tuple[str, ...] = (),
) -> Rehearsal:
    """Everything of a bench in one thread. The sequence and the bench are free of findings.

    With `coasts` the renewals of a long energised rest are taken as done instead of being exchanged one by one: the
    record is the same to the byte, and what is missing on the wire is the monitor's own looks. Nothing may then kill,
    freeze or cut off the engine: a fault test goes without.
    """
    order = RunOrder(
        run=f"rehearsal-{seed}-{specimen}",
        sequence=sequence,
        bench=bench,
        specimen=specimen,
        started_by=Person(NAME),
        world="rehearsal",
        environment=environment(),
        seed=seed,
        specimens=specimens,
    )
    return put_together(order, VirtualWorld(plant), on_entry, on_progress, coasts)


def going_on(
    earlier: Rehearsal, continues: Continued, on_entry: Callable[[dict[str, Any]], None] | None = None
) -> Rehearsal:
    """A further run on the same bench, after the daemon was started again there: it goes on with the earlier one."""
    virtual = earlier.virtual
    virtual.actors.clear()
    virtual.hang_up()
    order = replace(earlier.order, run=f"{earlier.order.run}-goes-on", continues=continues)
    return put_together(order, virtual, on_entry, None, earlier.coasts)


def put_together(
    order: RunOrder,
    virtual: VirtualWorld,
    on_entry: Callable[[dict[str, Any]], None] | None = None,
    on_progress: Callable[[Progress, float], None] | None = None,
    coasts: bool = False,
) -> Rehearsal:
    """The world of one run on a bench that is there."""
    file, seed = order.bench.bench, order.seed or 0
    assert file is not None, "a bench file with findings is never rehearsed"
    clock = VirtualClock(virtual)
    port = _monitor_port(Rules.from_dict(file.monitor_rules()), virtual, clock, seed)
    stop = Stop(clock.now_s)
    pace = Pace(clock, stop, port)
    clock.must_renew = lambda: pace.is_energised
    if coasts:
        clock.coast = _coasting(virtual, port)
    technician = Technician(virtual, port, seed)
    virtual.actors += [port, technician]
    virtual.on_inputs = port.changed
    store = MemoryStore()
    progress = Progress()
    if on_progress is not None:
        progress.changed = lambda: on_progress(progress, clock.now_s())
    world = World(
        clock=clock,
        pace=pace,
        stop=stop,
        store=store,
        journal=Journal(store, clock, on_entry),
        monitor=port,
        people=technician,
        bench=open_bench(
            file, pace, lambda name, _: MemoryTransport(virtual.port(name)), _stepped_off(virtual)
        ),
        progress=progress,
        heads=None,
    )
    return Rehearsal(order, virtual, world, store, port, technician, coasts)


LONGEST_COAST_S = 60.0


def _coasting(virtual: VirtualWorld, port: VirtualPort) -> Callable[[float], bool]:
    device: Any = virtual.plant.devices[SAFETY_IO]

    def coast(until_s: float) -> bool:
        until_s = min(until_s, virtual.now_s + LONGEST_COAST_S)
        if not port.coast(until_s):
            return False
        device.renewed_until(until_s)
        return True

    return coast


def _monitor_port(rules: Rules, virtual: VirtualWorld, clock: VirtualClock, seed: int) -> VirtualPort:
    link = Link(SAFETY_IO, MemoryTransport(virtual.port(SAFETY_IO)), _LinkPace(virtual))
    io = ModbusIo(ModbusClient(link, rules.unit), rules, clock.now_s)
    return VirtualPort(Monitor(rules, started_s=clock.now_s()), io, clock, seed)


def restarted_monitor(rehearsal: Rehearsal, blocked: str | None) -> Monitor:
    """A new monitor on the same bench, as a restarted daemon starts it: it writes the safe state first."""
    virtual = rehearsal.virtual
    file = rehearsal.order.bench.bench
    assert file is not None
    rules = Rules.from_dict(file.monitor_rules())
    link = Link(SAFETY_IO, MemoryTransport(virtual.port(SAFETY_IO)), _LinkPace(virtual))
    virtual.drop(SAFETY_IO)
    io = ModbusIo(ModbusClient(link, rules.unit), rules, lambda: virtual.now_s)
    clock = VirtualClock(virtual)
    clock.must_renew = lambda: False
    port = VirtualPort(Monitor(rules, started_s=virtual.now_s, blocked=blocked), io, clock)
    virtual.actors = [port]
    virtual.on_inputs = port.changed
    return port.monitor


def _stepped_off(virtual: VirtualWorld) -> Callable[[list[OffWrite]], Callable[[], list[OffResult]]]:
    """The same off writes, stepped in the one thread there is."""

    def start(machines: list[OffWrite]) -> Callable[[], list[OffResult]]:
        return lambda: off_all_stepped(
            machines, lambda for_s: virtual.run_until(virtual.now_s + for_s), lambda: virtual.now_s
        )

    return start


def plant_for(bench_path: Path, seed: int) -> Plant:
    """The simulated plant of a bench: the plant file beside the bench file."""
    import yaml

    from simulators import plants

    spec = yaml.safe_load((bench_path.parent / "plant.yaml").read_text(encoding="utf-8"))
    return plants.build(spec["kind"], spec, seed)
