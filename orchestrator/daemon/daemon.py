"""The daemon: checks, locks, starts the three processes, watches over them, ends them in order.

It does nothing with the bench itself. Ending: the engine (its run stops by its way to safe), the API, then the
interlock monitor, which proves off last. When the daemon itself is killed, its pipes close and the others end alone.
"""

from __future__ import annotations

import json
import os
import secrets
import select
import signal
import socket
import time
from collections.abc import Callable
from contextlib import suppress
from pathlib import Path
from typing import TYPE_CHECKING

from orchestrator.daemon.children import Child, begin
from orchestrator.daemon.locks import FolderLock, ResourceLocks
from orchestrator.daemon.look import look
from orchestrator.daemon.places import Places, make_folders, places_for
from orchestrator.daemon.unproven import block_after_unproven

if TYPE_CHECKING:
    from sequences.bench import Bench
    from sequences.loader import LoadedBench

READY_WITHIN_S = 20.0
LOOK_EVERY_S = 0.25
ENGINE_MARGIN_S = 20.0
API_WITHIN_S = 5.0
PROOF_WITHIN_S = 1.5
FEWEST_S_BETWEEN_STARTS = 1.0
FINE, COULD_NOT_BEGIN, LOST = 0, 1, 3


class CannotBegin(Exception):
    """The daemon does not come up; one sentence, and the words of the process that failed."""


class Daemon:
    """One bench served. `run` returns when it has ended."""

    def __init__(self, bench: LoadedBench, data: Path, say: Callable[[str], None]) -> None:
        assert bench.bench is not None, "a bench file with findings is not served"
        self._loaded = bench
        self._bench: Bench = bench.bench
        self._say = say
        self.places: Places = places_for(data)
        self._children: dict[str, Child] = {}
        self._tokens = {"monitor": secrets.token_hex(16), "api": secrets.token_hex(16)}
        self._told_to_end: str | None = None
        self._api_began_s = 0.0

    def run(self) -> int:
        """Serve until told to end. Raises Taken, WrongPlace and CannotBegin before anything is served."""
        make_folders(self.places, self._bench.group)
        lock = FolderLock(self.places.data)
        try:
            resources = ResourceLocks(self._resources())
            try:
                lock.say(sockets=str(self.places.sockets), bench=self._bench.name)
                return self._serve()
            finally:
                resources.close()
        finally:
            lock.close()

    def _resources(self) -> list[str]:
        units = self._bench.instruments.values()
        return [self._bench.safety_io.resource, *(unit.resource for unit in units)]

    def _serve(self) -> int:
        self._catch_signals()
        self._freeze_files()
        self._life_read, self._life_write = os.pipe()
        try:
            try:
                self._begin_all()
            except CannotBegin:
                self._end_in_order()
                raise
            proven, line = self._bench_line()
            self._say(line)
            self._say("ready" if proven else "ready: the daemon is up, the bench is NOT")
            code = self._watch()
            return max(code, self._end_in_order())
        finally:
            os.close(self._life_read)
            os.close(self._life_write)

    # ---- beginning

    def _freeze_files(self) -> None:
        """The monitor and the engine read what was checked, whatever happens to the file meanwhile."""
        self.places.bench_file.write_text(self._loaded.text, encoding="utf-8")
        rules = {**self._bench.monitor_rules(), "group": self._bench.group}
        self.places.rules_file.write_text(json.dumps(rules), encoding="utf-8")

    def _begin_all(self) -> None:
        where = f"bench {self._bench.name}, data {self.places.data}"
        self._say(f"serving {where}")
        self._block_after_unproven()
        self._begin_monitor()
        self._begin_engine()
        self._begin_api()

    def _block_after_unproven(self) -> None:
        """Before the monitor reads it: what the run before left behind, if nobody was alive to keep it."""
        failed = block_after_unproven(self.places.data)
        if failed is not None:
            raise CannotBegin(
                f"off was not proven at the end of the run before, and that cannot be kept: {failed}"
            )

    def _begin_monitor(self) -> None:
        arguments = [
            "--rules", str(self.places.rules_file), "--resource", self._bench.safety_io.resource,
            "--socket", str(self.places.sockets), "--data", str(self.places.data),
        ]  # fmt: skip
        self._begin("interlock monitor", "orchestrator.monitor", arguments, self.places.monitor_sock)

    def _begin_engine(self) -> None:
        arguments = ["--sockets", str(self.places.sockets), "--data", str(self.places.data)]
        self._begin("engine", "orchestrator.engine", arguments, self.places.engine_sock)

    def _begin_api(self) -> None:
        self._api_began_s = time.monotonic()
        arguments = ["--sockets", str(self.places.sockets), "--data", str(self.places.data)]
        arguments += ["--group", self._bench.group] if self._bench.group else []
        self._begin("API", "orchestrator.api", arguments, self.places.api_sock)

    def _begin(self, name: str, module: str, arguments: list[str], listens_at: Path) -> None:
        listens_at.unlink(missing_ok=True)
        log = self.places.logs / f"{module.rpartition('.')[2]}.log"
        life = ["--life-fd", str(self._life_read)]
        child = begin(name, module, [*arguments, *life], log, self._secrets(name), [self._life_read])
        self._children[name] = child
        self._wait_until_it_listens(child, listens_at)
        self._say(f"  {name:18} pid {child.pid:<8} {listens_at.name}")

    def _secrets(self, name: str) -> dict[str, str]:
        """The tokens that this process needs, and no other."""
        monitor, api = (
            {"BENCHWARD_MONITOR_TOKEN": self._tokens["monitor"]},
            {"BENCHWARD_API_TOKEN": self._tokens["api"]},
        )
        return {"interlock monitor": monitor, "engine": monitor | api, "API": api}[name]

    def _wait_until_it_listens(self, child: Child, path: Path) -> None:
        until_s = time.monotonic() + READY_WITHIN_S
        while not _listens(path):
            if child.ended() is not None or time.monotonic() >= until_s:
                words = child.last_words() or "it said nothing"
                raise CannotBegin(f"the {child.name} does not come up: {words}")
            if self._told_to_end is not None:
                raise CannotBegin(f"ended by {self._told_to_end} while the {child.name} came up")
            self._rest(0.02)

    def _bench_line(self) -> tuple[bool, str]:
        """Whether the bench can be used at the beginning, and what the interlock monitor says of it."""
        snapshot = look(self.places.monitor_sock, PROOF_WITHIN_S, wants_proof=True) or {}
        proof = snapshot.get("proof") or {}
        if snapshot.get("blocked"):
            return False, f"  {snapshot['blocked']}"
        if proof.get("safe"):
            return True, f"  bench              {snapshot['bench_state']}, off is proven"
        against = "; ".join(proof.get("against") or ["the interlock monitor says nothing"])
        return False, f"  bench              OFF IS NOT PROVEN ({against}): treat it as live"

    # ---- watching

    def _watch(self) -> int:
        """Until told to end (0), or until a process is gone that the bench cannot be without (3)."""
        while self._told_to_end is None:
            for name in ("interlock monitor", "engine"):
                code = self._children[name].ended()
                if code is not None:
                    self._say(_gone(name, code, self._children[name].log))
                    return LOST
            if self._children["API"].ended() is not None:
                self._restart_api()
            self._rest(LOOK_EVERY_S)
        self._say(f"{self._told_to_end}: ending; a run is stopped by its way to safe")
        return FINE

    def _restart_api(self) -> None:
        if time.monotonic() - self._api_began_s < FEWEST_S_BETWEEN_STARTS:
            return
        self._say("the API ended and is started again; the run does not depend on it")
        try:
            self._begin_api()
        except CannotBegin as error:
            self._say(str(error))

    # ---- ending

    def _end_in_order(self) -> int:
        """Engine, API, monitor; 0 when off was proven last, 3 otherwise."""
        engine_code = self._end_one("engine", self._bench.discharge_time + ENGINE_MARGIN_S)
        self._end_one("API", API_WITHIN_S)
        monitor_code = self._end_one("interlock monitor", self._bench.discharge_time + ENGINE_MARGIN_S)
        if monitor_code == 0:
            self._say("ended; off is proven")
        elif monitor_code is not None:
            self._say("ended; OFF IS NOT PROVEN: treat the bench as live and stay out")
        return FINE if engine_code in (0, None) and monitor_code in (0, None) else LOST

    def _end_one(self, name: str, within_s: float) -> int | None:
        child = self._children.get(name)
        if child is None:
            return None
        child.tell_to_end()
        code = self._wait_for(child, within_s)
        if code is None:
            self._say(f"the {name} did not end within {within_s:.0f} s and is killed")
            child.kill()
            return LOST
        return code

    def _wait_for(self, child: Child, within_s: float) -> int | None:
        until_s = time.monotonic() + within_s
        while child.ended() is None and time.monotonic() < until_s:
            self._rest(0.02)
        return child.ended()

    # ---- signals

    def _catch_signals(self) -> None:
        """The first one ends everything in order; a further one changes nothing."""
        self._woken, self._wake = socket.socketpair()
        self._woken.setblocking(False)
        self._wake.setblocking(False)
        for number in (signal.SIGTERM, signal.SIGINT, signal.SIGHUP):
            signal.signal(number, self._note_signal)
        signal.signal(signal.SIGCHLD, lambda got, frame: None)
        signal.set_wakeup_fd(self._wake.fileno(), warn_on_full_buffer=False)

    def _note_signal(self, number: int, frame: object) -> None:
        self._told_to_end = self._told_to_end or signal.Signals(number).name

    def _rest(self, longest_s: float) -> None:
        """Until a signal comes, at most so long."""
        select.select([self._woken], [], [], longest_s)
        with suppress(BlockingIOError):
            self._woken.recv(64)


def _listens(path: Path) -> bool:
    """Whether somebody takes connections there."""
    with socket.socket(socket.AF_UNIX, socket.SOCK_STREAM) as probe:
        probe.settimeout(0.2)
        try:
            probe.connect(str(path))
        except OSError:
            return False
    return True


def _gone(name: str, code: int, log: Path) -> str:
    how = f"was killed by {signal.Signals(-code).name}" if code < 0 else f"ended with code {code}"
    return f"the {name} {how}: treat the bench as live until off is proven; details: {log}"
