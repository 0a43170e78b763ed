"""`python -m orchestrator.engine`: the engine's process, started by the daemon.

Exit codes: 0 ended when told to, 1 could not begin, 3 the run that was stopped could not prove off.
"""

from __future__ import annotations

import argparse
import contextlib
import os
import signal
import socket
import sys
import threading
import time
from pathlib import Path

from orchestrator.daemon.places import Places
from orchestrator.engine.service import Service
from orchestrator.monitor.process_port import ProcessPort
from sequences.loader import load_bench

CONNECT_WITHIN_S = 10.0


def main(argv: list[str] | None = None) -> int:
    """Run until told to end."""
    args = _arguments(argv)
    places = Places(args.data, args.sockets)
    bench = load_bench(places.bench_file)
    if bench.bench is None:
        print(f"the engine cannot begin: {places.bench_file} has findings", file=sys.stderr)
        return 1
    try:
        port = _connected(places.monitor_sock)
    except ConnectionError as error:
        print(f"the engine cannot begin: {error}", file=sys.stderr)
        return 1
    service = Service(bench, places, port, os.environ.pop("BENCHWARD_API_TOKEN", ""))
    service.end_with(args.life_fd)
    _end_on_signals(service)
    service.desk.make_safe()
    talking = threading.Thread(target=service.serve, name="talking")
    talking.start()
    service.work()
    talking.join()
    port.close()
    return 0 if service.desk.left_safe() else 3


def _arguments(argv: list[str] | None) -> argparse.Namespace:
    parser = argparse.ArgumentParser(prog="python -m orchestrator.engine", description=__doc__)
    parser.add_argument("--sockets", type=Path, required=True, help="folder of the daemon's sockets")
    parser.add_argument("--data", type=Path, required=True, help="the data folder")
    parser.add_argument("--life-fd", type=int, required=True, help="a pipe that closes with the daemon")
    return parser.parse_args(argv)


def _connected(path: Path) -> ProcessPort:
    """The monitor's port, as soon as it is there."""
    token = os.environ.pop("BENCHWARD_MONITOR_TOKEN", "")
    until_s = time.monotonic() + CONNECT_WITHIN_S
    while True:
        try:
            return ProcessPort(path, token)
        except ConnectionError:
            if time.monotonic() >= until_s:
                raise
            time.sleep(0.02)


def _end_on_signals(service: Service) -> None:
    """A signal only wakes the talking thread, which stops the run: nothing is raised in the run thread."""
    woken, wake = socket.socketpair()
    woken.setblocking(False)
    wake.setblocking(False)
    for number in (signal.SIGTERM, signal.SIGINT, signal.SIGHUP):
        signal.signal(number, lambda got, frame: None)
    signal.set_wakeup_fd(wake.fileno(), warn_on_full_buffer=False)

    def look() -> None:
        with contextlib.suppress(BlockingIOError):
            for number in woken.recv(16):
                service.end(f"signal {signal.Signals(number).name}")

    service.server.watch_fd(woken, look)
    service.kept_open = (woken, wake)


if __name__ == "__main__":
    raise SystemExit(main())
