"""The interlock monitor's process: one thread that polls, decides, writes, and waits for nobody.

The first write is the safe one. The watchdog of the safety I/O is renewed only in a turn that has just read and
decided, so that a monitor that hangs or dies drops the power. Exit: 0 off proven, 1 could not work, 3 off not proven.
"""

from __future__ import annotations

import argparse
import contextlib
import fcntl
import gc
import json
import os
import select
import signal
import sys
import time
import traceback
from collections.abc import Sequence
from dataclasses import dataclass, field
from pathlib import Path
from typing import Any

from drivers.links import link_to
from drivers.links.base import OwnPace
from drivers.modbus import ModbusClient
from orchestrator.core.interlock import Reading, Rules
from orchestrator.core.states import BenchState
from orchestrator.monitor.kept import Kept
from orchestrator.monitor.logic import Monitor
from orchestrator.monitor.peers import Hub, take_token
from orchestrator.monitor.safety_io import FAULTS, ModbusIo, SafetyIo
from orchestrator.monitor.values import Request, Turn

LONGEST_POLL_S = 0.005
WRITE_EVERY_S = 0.1
SHOW_ENGINE_EVERY_S = 0.05
SHOW_ALL_EVERY_S = 0.1
PRIORITY = 10
MOST_LOG_BYTES = 4096  # what a pipe that can be written at all takes without blocking


def log(event: dict[str, Any]) -> None:
    """One JSON line to stderr, or none where it would have to be waited for."""
    text = json.dumps({"utc_s": round(time.time(), 6), **event}, default=str).encode()[: MOST_LOG_BYTES - 1]
    with contextlib.suppress(OSError, ValueError):
        if select.select([], [2], [], 0)[1]:
            os.write(2, text + b"\n")


@dataclass
class Written:
    """What the safety I/O was last told, and when."""

    coils: tuple[bool, ...] = ()
    at_s: float = float("-inf")
    link: int = -1


@dataclass
class Loop:
    """The turns of the process around the logic."""

    monitor: Monitor
    io: SafetyIo
    hub: Hub
    kept: Kept
    life_fd: int | None = None
    stopping: bool = False
    _written: Written = field(default_factory=Written)
    _started: bool = False
    _fault: str = ""
    _proven: set[str] = field(default_factory=set)
    _shown_engine_s: float = float("-inf")
    _shown_all_s: float = float("-inf")
    _ending: bool = False

    def run(self) -> int:
        """Until told to end and off is proven, or cannot be."""
        poll_s = min(self.monitor.rules.poll_s, LONGEST_POLL_S)
        next_s = time.monotonic()
        while not self._ended():
            self.hub.serve(next_s)
            if self.hub.abort is not None:
                self._abort()
            if time.monotonic() >= next_s:  # also while somebody goes on aborting: off is proven by looking
                self._poll()
                next_s = max(next_s + poll_s, time.monotonic())
        return self._end()

    def safe(self) -> bool:
        """Every coil off; whether the safety I/O took it."""
        off = (False,) * self.monitor.rules.coil_count
        try:
            self.io.write(off)
        except FAULTS as fault:
            self._link_said(str(fault))
            return False
        self._written = Written(off, time.monotonic())
        return True

    # ---- turns

    def _poll(self) -> None:
        if not self._started:
            self._started = self.safe()
        reading = self._read() if self._started else None
        self._look_at_orders()
        requests, self.hub.requests = self.hub.requests, []
        self._turn(reading, requests)

    def _abort(self) -> None:
        """At once, before anything is read."""
        request, self.hub.abort = self.hub.abort, None
        if request is not None:
            self._turn(None, [request])

    def _turn(self, reading: Reading | None, requests: Sequence[Request]) -> None:
        turn = self.monitor.turn(time.monotonic(), reading, requests)
        self._write(turn, reading)
        self._keep(turn)  # first on disk, then told: a kill in between must not forget a blocked start
        self._tell(turn)

    def _read(self) -> Reading | None:
        try:
            reading = self.io.read()
        except FAULTS as fault:
            self._link_said(str(fault))
            return None
        self._link_said("")
        return reading

    def _write(self, turn: Turn, reading: Reading | None) -> None:
        now_s = time.monotonic()
        due = turn.coils != self._written.coils or now_s - self._written.at_s >= WRITE_EVERY_S
        due = due or (reading is not None and reading.link != self._written.link)
        try:
            if due and self._may_write(turn, reading, now_s):
                self.io.write(turn.coils)
                self._written = Written(
                    turn.coils, now_s, self._written.link if reading is None else reading.link
                )
            if turn.renew_watchdog:
                self.io.renew_watchdog()
        except FAULTS as fault:
            self._link_said(str(fault))

    def _may_write(self, turn: Turn, reading: Reading | None, now_s: float) -> bool:
        """Energy coils are written on only right after a look: a stopped and continued process must not."""
        rules = self.monitor.rules
        energy = [o.coil for o in rules.outputs.values()] + [one.coil for one in rules.lifted.values()]
        if not any(turn.coils[coil] for coil in energy):
            return True
        return reading is not None and now_s - reading.at_s < rules.fresh_s

    def _link_said(self, fault: str) -> None:
        if fault != self._fault:
            log({"event": "link_fault" if fault else "link_well", "because": fault or self._fault})
            self._fault = fault

    # ---- telling and keeping

    def _tell(self, turn: Turn) -> None:
        now_s = time.monotonic()
        for event in turn.events:
            log(event)
            self.hub.tell_engine("event", event)
        news = bool(turn.events or turn.replies)
        to_all = bool(turn.events) or now_s - self._shown_all_s >= SHOW_ALL_EVERY_S
        if news or to_all or now_s - self._shown_engine_s >= SHOW_ENGINE_EVERY_S:
            self.hub.show(self.monitor.snapshot(), to_all)
            self._shown_engine_s = now_s
            self._shown_all_s = now_s if to_all else self._shown_all_s
        for reply in turn.replies:
            self.hub.reply(reply)

    def _keep(self, turn: Turn) -> None:
        for event in turn.events:
            if event["event"] == "blocked":
                self._report(self.kept.block(event["sentence"], event["facts"]))
            elif event["event"] == "released":
                self._report(self.kept.release())
            elif event["event"] == "input_proven":
                self._proven.add(event["name"])
        if self._proven and not self.monitor.blocks:
            self._report(self.kept.prove(self._proven))
            self._proven = set()

    def _report(self, error: str | None) -> None:
        if error is not None:
            log({"event": "not_kept", "because": error})

    # ---- the end

    def _look_at_orders(self) -> None:
        if self.life_fd is not None and _is_at_end(self.life_fd):
            log({"event": "daemon_gone"})
            self.life_fd, self.stopping = None, True
        if self.stopping and not self._ending:
            self._ending = True
            self.hub.requests.append({"act": "monitor_ends"})

    def _ended(self) -> bool:
        """Told to end, and the proof of off is there or its time is over."""
        if not self._ending or self.monitor.blocks:
            return False
        proof = self.monitor.proof
        return self.monitor.machine.state == BenchState.OFF_NOT_PROVEN or (proof is not None and proof.safe)

    def _end(self) -> int:
        proof = self.monitor.proof
        proven = proof is not None and proof.safe
        self.safe()
        log({"event": "ends", "off_proven": proven})
        return 0 if proven else 3


def _is_at_end(fd: int) -> bool:
    try:
        return bool(select.select([fd], [], [], 0)[0]) and os.read(fd, 4096) == b""
    except OSError:
        return True


def _hurry() -> str:
    """Real-time scheduling where it is permitted."""
    try:
        os.sched_setscheduler(0, os.SCHED_FIFO, os.sched_param(PRIORITY))
    except OSError:
        return "other"
    return "fifo"


def _only_one(folder: Path) -> int:
    """Hold the folder's lock for the life of the process. ValueError when another monitor holds it."""
    fd = os.open(folder / "monitor.lock", os.O_RDWR | os.O_CREAT | os.O_CLOEXEC, 0o660)
    try:
        fcntl.flock(fd, fcntl.LOCK_EX | fcntl.LOCK_NB)
    except OSError:
        raise ValueError(f"another interlock monitor already serves {folder}") from None
    return fd


def _arguments(argv: Sequence[str] | None) -> argparse.Namespace:
    parser = argparse.ArgumentParser(prog="python -m orchestrator.monitor", description=__doc__)
    parser.add_argument("--rules", type=Path, required=True, help="the bench's monitor rules, JSON")
    parser.add_argument("--resource", required=True, help="the safety I/O, TCPIP::host::port::SOCKET")
    parser.add_argument("--socket", type=Path, required=True, help="folder of monitor.sock and abort.sock")
    parser.add_argument("--data", type=Path, required=True, help="folder of blocked.json and proven.json")
    parser.add_argument("--engine-fd", type=int, help="descriptor from which the engine's token is read")
    parser.add_argument("--life-fd", type=int, help="descriptor whose end means that the daemon is gone")
    return parser.parse_args(argv)


def _built(args: argparse.Namespace) -> Loop:
    rules = Rules.from_dict(json.loads(args.rules.read_text()))
    token = take_token(args.engine_fd)
    args.socket.mkdir(parents=True, exist_ok=True)
    _only_one(args.socket)
    kept = Kept(args.data)
    client = ModbusClient(link_to(args.resource, "safety_io", OwnPace(), "socket"), rules.unit)
    monitor = Monitor(
        rules, started_s=time.monotonic(), blocked=kept.blocked(), proven_age_s=kept.proven_age_s()
    )
    greeting = {"pid": os.getpid(), "scheduling": _hurry(), "poll_s": min(rules.poll_s, LONGEST_POLL_S)}
    hub = Hub(args.socket, token, rules.group, greeting)
    log({"event": "begins", **greeting, "resource": args.resource, "blocked": monitor.blocked})
    for note in hub.notes:
        log(note)
    return Loop(monitor, ModbusIo(client, rules, time.monotonic), hub, kept, args.life_fd)


def main(argv: Sequence[str] | None = None) -> int:
    """Run until told to end; whatever happens, the last write is the safe one."""
    args = _arguments(argv)
    try:
        loop = _built(args)
    except (OSError, ValueError, LookupError, TypeError) as error:
        print(f"the interlock monitor cannot start: {type(error).__name__}: {error}", file=sys.stderr)
        return 1

    def stop(signum: int, frame: object) -> None:
        loop.stopping = True  # a second signal changes nothing: the way to safe is never skipped

    for one in (signal.SIGTERM, signal.SIGINT, signal.SIGHUP):
        signal.signal(one, stop)
    gc.freeze()
    try:
        return loop.run()
    except Exception:  # noqa: BLE001 (the process ends here, with the outputs off)
        log({"event": "bug", "traceback": traceback.format_exc()})
        loop.safe()
        return 1
    finally:
        loop.hub.close()
