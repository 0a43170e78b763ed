"""How the commands reach a running daemon. Standard library only."""

from __future__ import annotations

import argparse
import json
import socket
import sys
import time
from collections.abc import Callable, Iterator
from contextlib import closing
from pathlib import Path
from typing import Any

from orchestrator.daemon.locks import is_held
from orchestrator.daemon.places import Places, data_folder, places_of_running

FINE, FAILED, WRONG, NOT_VALID = 0, 1, 2, 3
NOT_SAFE = ("start-blocked", "not-proven", "not-released", "monitor-lost", "internal-error")
CODES = {"findings": FAILED, **dict.fromkeys(NOT_SAFE, NOT_VALID)}
UNOPENED = {"file-missing", "not-a-file", "not-permitted", "cannot-read"}
ANSWER_WITHIN_S = 10.0
MOST_LINE_BYTES = 16_000_000

Facts = dict[str, Any]


class Unreachable(Exception):
    """No daemon, or it does not answer: a sentence and what to do."""

    def __init__(self, sentence: str, help: str) -> None:  # noqa: A002 (the house's word)
        super().__init__(sentence)
        self.help = help


class Refusal(Exception):
    """The daemon does not do what was asked; its own words."""

    def __init__(self, reply: Facts) -> None:
        super().__init__(reply.get("sentence", "refused"))
        self.reply = reply
        self.help = str(reply.get("help", ""))
        found = {str(one.get("code")) for one in reply.get("findings") or []}
        unopened = bool(found) and found <= UNOPENED  # as `benchward check` has it
        self.exit_code = WRONG if unopened else CODES.get(str(reply.get("code")), WRONG)


def add_data(parser: argparse.ArgumentParser) -> None:
    """Which daemon: by its data folder. And the form for programs."""
    parser.add_argument(
        "--data", metavar="FOLDER", help="the daemon's data folder ($BENCHWARD_DATA, else ./benchward-data)"
    )
    parser.add_argument("--json", action="store_true", help="print for programs")


def add_by(parser: argparse.ArgumentParser) -> None:
    """Who acts."""
    parser.add_argument(
        "--by",
        metavar="NAME",
        help="who acts, where several share an account: recorded as declared, not proved",
    )


def places_from(args: argparse.Namespace) -> Places:
    """The places of the daemon that the command means."""
    return places_of_running(data_folder(args.data))


def who_from(args: argparse.Namespace) -> Facts | None:
    """The person declared; None: the daemon takes the user of the connection."""
    return {"name": args.by, "how": "declared"} if getattr(args, "by", None) else None


class EngineLink:
    """One connection to the engine."""

    def __init__(self, places: Places) -> None:
        self._socket = connect(places.engine_sock, places.data)
        self._rest = bytearray()
        self._asked = 0

    def close(self) -> None:
        self._socket.close()

    def call(
        self, do: str, who: Facts | None = None, within_s: float = ANSWER_WITHIN_S, **args: Any
    ) -> Facts:
        """One command, its reply. Raises Refusal and Unreachable. What else comes meanwhile is passed over."""
        number = self.send(do, who, **args)
        until_s = time.monotonic() + within_s
        for message in self.messages(until_s):
            if message.get("id") == number:
                return accepted(message)
        raise Unreachable(
            f"The engine did not answer within {within_s:g} s.",
            "see: benchward status; to stop: benchward abort",
        )

    def send(self, do: str, who: Facts | None = None, **args: Any) -> int:
        """Put a command without waiting for its reply; its number."""
        self._asked += 1
        message = {"id": self._asked, "do": do, "args": args, "who": who}
        try:
            self._socket.settimeout(ANSWER_WITHIN_S)
            self._socket.sendall(json.dumps(message).encode() + b"\n")
        except OSError as error:
            raise gone() from error
        return self._asked

    def messages(self, until_s: float = float("inf")) -> Iterator[Facts]:
        """What comes, until the time is over. Raises Unreachable when the engine is gone."""
        while True:
            while (end := self._rest.find(b"\n")) >= 0:
                line = bytes(self._rest[:end])
                del self._rest[: end + 1]
                yield json.loads(line)
            left_s = until_s - time.monotonic()
            if left_s <= 0:
                return
            self._receive(min(left_s, 3600.0))

    def _receive(self, longest_s: float) -> None:
        try:
            self._socket.settimeout(longest_s)
            data = self._socket.recv(262_144)
        except TimeoutError:
            return
        except OSError as error:
            raise gone() from error
        if not data or len(self._rest) > MOST_LINE_BYTES:
            raise gone()
        self._rest += data


def accepted(reply: Facts) -> Facts:
    """The reply; Refusal where it is one."""
    if not reply.get("ok"):
        raise Refusal(reply)
    return reply


def gone() -> Unreachable:
    """The engine went away in the middle."""
    return Unreachable(
        "The engine is gone.", "treat the bench as live; see: benchward status, and the daemon's log"
    )


def connect(path: Path, data: Path) -> socket.socket:
    """A connection to one of the daemon's sockets. Raises Unreachable."""
    one = socket.socket(socket.AF_UNIX, socket.SOCK_STREAM)
    one.settimeout(2.0)
    try:
        one.connect(str(path))
    except PermissionError:
        one.close()
        raise Unreachable(
            f"You may not talk to the daemon of {data}.", "ask for its group (the bench file's `group`)"
        ) from None
    except OSError:
        one.close()
        raise no_daemon(data) from None
    return one


def no_daemon(data: Path) -> Unreachable:
    """Nobody listens: either no daemon is there, or a part of it is lost."""
    if is_held(data):
        return Unreachable(
            f"The daemon of {data} runs, but its engine does not answer.",
            "treat the bench as live; `benchward abort` still works; then restart the daemon",
        )
    return Unreachable(
        f"No daemon serves the data folder {data}.",
        "start one with `benchward serve BENCH`, or name its data folder with --data",
    )


def complain(error: Unreachable | Refusal, as_json: bool) -> int:
    """Say it, and the exit code that belongs to it."""
    if as_json:
        facts = error.reply if isinstance(error, Refusal) else {"ok": False, "code": "no-daemon"}
        print(json.dumps({"sentence": str(error), "help": error.help, **facts}))
    for text in error.reply.get("rendered", []) if isinstance(error, Refusal) else []:
        print(text + "\n", file=sys.stderr)
    print(f"{error}\nhelp: {error.help}", file=sys.stderr)
    return error.exit_code if isinstance(error, Refusal) else WRONG


def with_engine(args: argparse.Namespace, talk: Callable[[EngineLink], int]) -> int:
    """Talk to the engine that the command means; the exit code. What goes wrong is said here."""
    try:
        with closing(EngineLink(places_from(args))) as link:
            return talk(link)
    except (Unreachable, Refusal) as error:
        return complain(error, args.json)


def simple(args: argparse.Namespace, do: str, **more: Any) -> int:
    """A command that is put to the engine and whose sentence is printed."""

    def put(link: EngineLink) -> int:
        reply = link.call(do, who_from(args), **more)
        said = " ".join(str(reply[key]) for key in ("sentence", "then") if reply.get(key))
        print(json.dumps(reply) if args.json else said or "done")
        return FINE

    return with_engine(args, put)
