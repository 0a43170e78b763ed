"""The console in a terminal of its own: how late it shows what happens, what it costs, and an abort in a crowd.

A whole installation runs beside it: plant, interlock monitor, engine, API. Run alone: python -m tests.bench.console
"""

from __future__ import annotations

import http.client
import os
import socket
import tempfile
import threading
import time
from collections.abc import Callable, Iterator
from contextlib import contextmanager, suppress
from pathlib import Path

from orchestrator.daemon.places import places_of_running
from tests.bench.row import Row
from tests.console.terminal import CTRL_X, Terminal
from tests.daemon_rig import Installation, installation

EVENTS = 60
ON_SCREEN_S = 0.15
CPU_OVER_S = 60.0
UPDATES_A_SECOND = 10
BUSY_SHARE, IDLE_SHARE = 0.10, 0.05
LISTENERS = 200
ASKERS = 4
ABORTS = 6
CUT_S = 0.1


def rows() -> list[Row]:
    """All rows of the console; each against the bound that it has to keep."""
    with tempfile.TemporaryDirectory() as folder, installation(Path(folder)) as lab, console(lab) as terminal:
        return [
            on_screen(lab, terminal),
            cost(
                terminal,
                f"CPU of the console, {UPDATES_A_SECOND} changes a second",
                BUSY_SHARE,
                moving(lab),
            ),
            cost(terminal, "CPU of the console, nothing happens", IDLE_SHARE, lambda until_s: None),
            abort_in_a_crowd(lab, terminal),
        ]


@contextmanager
def console(lab: Installation) -> Iterator[Terminal]:
    """The console, showing the bench."""
    terminal = Terminal(lab.data, "--look")
    try:
        terminal.until("(_) YES. Off and earthed, proven.")
        yield terminal
    finally:
        terminal.close()


def bound(what: str, ours_s: float, limit_s: float) -> Row:
    """A row whose baseline is the bound itself."""
    return Row(what, ours_s, "the bound", limit_s, ours_s / limit_s, 1.0)


def on_screen(lab: Installation, terminal: Terminal) -> Row:
    """From the hand at the door to the word on the screen: plant, monitor, engine, API and console together."""
    late_s = []
    for number in range(EVENTS):
        value, word = (("open", "door OPEN"), ("closed", "door closed"))[number % 2]
        since, moved_s = len(terminal.written), time.monotonic()
        lab.hand("door", value)
        late_s.append(terminal.until(word, since) - moved_s)
    worst_s = sorted(late_s)[int(0.99 * EVENTS)]
    return bound(f"door moved until on the screen, p99 of {EVENTS}", worst_s, ON_SCREEN_S)


def moving(lab: Installation) -> Callable[[float], None]:
    """The door, back and forth."""

    def move(until_s: float) -> None:
        number = 0
        began_s = time.monotonic()
        while time.monotonic() < until_s:
            lab.hand("door", ("open", "closed")[number % 2])
            number += 1
            pause = threading.Event()
            pause.wait(max(0.0, began_s + number / UPDATES_A_SECOND - time.monotonic()))
        lab.hand("door", "closed")

    return move


def cost(terminal: Terminal, what: str, share: float, during: Callable[[float], None]) -> Row:
    """Processor time of the console's process for each second, as seconds."""
    before_s, began_s = cpu_s(terminal.process.pid), time.monotonic()
    during(began_s + CPU_OVER_S)
    threading.Event().wait(max(0.0, began_s + CPU_OVER_S - time.monotonic()))
    used = (cpu_s(terminal.process.pid) - before_s) / (time.monotonic() - began_s)
    return bound(f"{what}, of each second", used, share)


def cpu_s(pid: int) -> float:
    """Processor time that a process has had (fields 14 and 15 of /proc/PID/stat, proc(5))."""
    fields = Path(f"/proc/{pid}/stat").read_text().rpartition(")")[2].split()
    return (int(fields[11]) + int(fields[12])) / os.sysconf("SC_CLK_TCK")


def abort_in_a_crowd(lab: Installation, terminal: Terminal) -> Row:
    """From the key to the contactor by the plant's truth log, with listeners that do not read and many who ask."""
    cut_s = []
    with crowd(lab):
        for number in range(ABORTS):
            lab.start(f"TW-{number + 1:02d}")
            lab.until_event("charging", lambda e: e["kind"] == "intent" and e["act"] == "charge")
            began_s = lab.energised_s()
            pressed_s = terminal.press(CTRL_X)
            cut_s.append(lab.await_truth("contactor", began_s, name="high_voltage", state="open") - pressed_s)
            lab.until_ended()
    what = f"abort key until contactor open, {LISTENERS} listeners, worst of {ABORTS}"
    return bound(what, max(cut_s), CUT_S)


@contextmanager
def crowd(lab: Installation) -> Iterator[None]:
    """Listeners that take nothing, and clients that ask for the status as fast as they are answered."""
    path = str(places_of_running(lab.data).api_sock)
    ending = threading.Event()
    listeners = [listener(path) for _ in range(LISTENERS)]
    askers = [threading.Thread(target=ask, args=(path, ending), daemon=True) for _ in range(ASKERS)]
    for one in askers:
        one.start()
    try:
        yield
    finally:
        ending.set()
        for asker in askers:
            asker.join()
        for one_socket in listeners:
            one_socket.close()


def listener(path: str) -> socket.socket:
    """One that has asked for events and reads none."""
    one = socket.socket(socket.AF_UNIX, socket.SOCK_STREAM)
    one.connect(path)
    one.sendall(b"GET /events HTTP/1.1\r\nHost: localhost\r\n\r\n")
    return one


def ask(path: str, ending: threading.Event) -> None:
    """Status after status."""
    while not ending.is_set():
        with suppress(OSError, http.client.HTTPException), socket.socket(socket.AF_UNIX) as one:
            one.settimeout(2.0)
            one.connect(path)
            one.sendall(b"GET /status HTTP/1.1\r\nHost: localhost\r\nConnection: close\r\n\r\n")
            while one.recv(65_536):
                pass


if __name__ == "__main__":
    from tests.bench.__main__ import in_words

    for row in rows():
        print(in_words(row), flush=True)
