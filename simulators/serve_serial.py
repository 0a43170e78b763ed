"""One device on a serial line: a pseudo-terminal, and a symbolic link to it at the path that its peer opens.

Nobody tells the plant's side when a peer opens the terminal. While none has it open the kernel reports a hang-up, so
the port looks every LOOK_S then, and waits for bytes like any other port while a peer is there. A cable that is pulled
is a closed terminal and no link; one that comes back under another name is a link with `RENAMED` behind its name.
"""

from __future__ import annotations

import contextlib
import math
import os
import select
import selectors
import tty
from pathlib import Path
from typing import Protocol

from simulators.device import Device

LOOK_S = 0.02
CHUNK = 65_536
MOST_UNSENT = 1_000_000
RENAMED = ".1"
FIRST = 0


class SerialDevice(Device, Protocol):
    """A device whose cable a person can pull."""

    cable: str
    """in, out or renamed."""


class CannotServe(Exception):
    """A port or a path that cannot be had; the text is one sentence for a person."""


class SerialPort:
    """One device's terminal and its present peer."""

    def __init__(self, name: str, device: SerialDevice, path: Path, selector: selectors.BaseSelector) -> None:
        self.name = name
        self.device = device
        self.address = path
        self._selector = selector
        self._master = -1
        self._link: Path | None = None
        self._has_peer = False
        self._unsent = bytearray()
        self._made_folder = _folder(path)
        self.follow(0.0)

    def follow(self, now_s: float) -> None:
        """Have a terminal under the cable's name while the device is there, none while it is not."""
        place = self._place(now_s)
        if place != self._link:
            self._unplug(now_s)
            if place is not None:
                self._plug(place)
        if self._master >= 0 and not self._has_peer:
            self._look(now_s)

    @property
    def waits_s(self) -> float:
        """How long the loop may wait for this port."""
        return LOOK_S if self._master >= 0 and not self._has_peer else math.inf

    def put(self, data: bytes, now_s: float) -> None:
        """Output of the device, for whoever is there."""
        if self._has_peer:
            self._unsent += data
            self._flush(now_s)

    def close(self, now_s: float) -> None:
        """End of service."""
        self._unplug(now_s)
        if self._made_folder:
            with contextlib.suppress(OSError):
                self.address.parent.rmdir()

    def _place(self, now_s: float) -> Path | None:
        if self.device.cable == "renamed":
            return self.address.with_name(self.address.name + RENAMED)
        return self.address if self.device.accepts(now_s) else None

    def _plug(self, place: Path) -> None:
        self._master, slave = os.openpty()
        tty.setraw(slave)
        terminal = os.ttyname(slave)
        os.close(slave)  # held by nobody but a peer, so that its going away shows
        os.set_blocking(self._master, False)
        if place.is_symlink():
            place.unlink()
        try:
            place.symlink_to(terminal)
        except OSError as error:
            os.close(self._master)
            self._master = -1
            raise CannotServe(f"{self.name} cannot be served at {place}: {error.strerror}") from error
        self._link = place

    def _unplug(self, now_s: float) -> None:
        if self._master < 0:
            return
        self._leave(now_s)
        os.close(self._master)
        self._master = -1
        if self._link is not None:
            self._link.unlink(missing_ok=True)
            self._link = None

    def _look(self, now_s: float) -> None:
        """Whether a peer has opened the terminal."""
        waiting = select.poll()
        waiting.register(self._master, select.POLLIN)
        if any(events & select.POLLHUP for _, events in waiting.poll(0)):
            return
        self._has_peer = True
        self._selector.register(self._master, selectors.EVENT_READ, (FIRST, self._attend))
        self.device.link_opened(now_s)

    def _leave(self, now_s: float) -> None:
        if not self._has_peer:
            return
        self._selector.unregister(self._master)
        self._has_peer = False
        self._unsent.clear()
        self.device.link_closed(now_s)

    def _attend(self, events: int, now_s: float) -> None:
        if events & selectors.EVENT_WRITE:
            self._flush(now_s)
        if events & selectors.EVENT_READ and self._has_peer:
            try:
                data = os.read(self._master, CHUNK)
            except BlockingIOError:
                return
            except OSError:  # the peer closed the terminal
                data = b""
            if data:
                self.device.receive(data, now_s)
            else:
                self._leave(now_s)

    def _flush(self, now_s: float) -> None:
        try:
            sent = os.write(self._master, self._unsent) if self._unsent else 0
        except BlockingIOError:
            sent = 0
        except OSError:
            self._leave(now_s)
            return
        del self._unsent[:sent]
        if len(self._unsent) > MOST_UNSENT:
            self._unsent.clear()  # a peer that reads nothing; a serial line loses what nobody takes
        wanted = selectors.EVENT_READ | (selectors.EVENT_WRITE if self._unsent else 0)
        self._selector.modify(self._master, wanted, (FIRST, self._attend))


def _folder(path: Path) -> bool:
    """Make the folder of a link, for its owner alone; whether it had to be made."""
    folder = path.parent
    if folder.is_dir():
        if folder.stat().st_uid != os.getuid():
            raise CannotServe(f"the folder {folder} belongs to somebody else")
        return False
    try:
        folder.mkdir(mode=0o700, parents=True)
    except OSError as error:
        raise CannotServe(f"the folder {folder} cannot be made: {error.strerror}") from error
    return True
