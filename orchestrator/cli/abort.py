"""`benchward abort`: straight to the interlock monitor, whatever became of the rest; then it tells what happened."""

from __future__ import annotations

import argparse
import contextlib
import json
import os
import re
import socket
import sys
import time
from pathlib import Path

from orchestrator.cli.client import (
    FINE,
    NOT_VALID,
    EngineLink,
    Facts,
    Refusal,
    Unreachable,
    add_by,
    add_data,
    connect,
    places_from,
)
from orchestrator.daemon.lines import user_name
from orchestrator.daemon.locks import is_held
from orchestrator.daemon.look import snapshots
from orchestrator.daemon.places import Places, runtime_folder

PROOF_WITHIN_S = 15.0
ENGINE_WITHIN_S = 1.0
NO_WORD = "OFF IS NOT PROVEN: the interlock monitor does not answer. Treat the bench as live, cut the mains by hand."
NOBODY = "Nothing was aborted: no running daemon was found. Press the emergency stop if anything may be live."


def add_parser(subparsers: argparse._SubParsersAction[argparse.ArgumentParser]) -> None:
    """Add the command."""
    parser = subparsers.add_parser(
        "abort",
        help="stop at once; no question is asked",
        description="Stop at once: the interlock monitor cuts every output, also while the engine hangs. Waits for "
        "the proof of off. It is no emergency stop: that is the red button. Exit codes: 0 off proven, 3 not.",
    )
    add_by(parser)
    add_data(parser)
    parser.set_defaults(run=run, passed_over=[])


def run(args: argparse.Namespace) -> int:
    """Abort, then look until off is proven."""
    asked_s = time.monotonic()
    found = _meant(args)
    failed: dict[Places, Facts] = {}
    for places in found:  # all are told before any of them is waited for
        try:
            abort_now(places, args.by)
        except Unreachable as error:
            failed[places] = {"ok": False, "off_proven": None, "sentence": str(error), "help": error.help}
    if not args.json:
        _say_taken(found, failed)
    if args.passed_over:
        print(f"passed over: {' '.join(args.passed_over)}", file=sys.stderr, flush=True)
    if not found:
        _say(
            args.json, {"ok": False, "off_proven": None, "sentence": NOBODY, "help": "then: benchward status"}
        )
    said = [failed.get(places) or proof_of_off(places, asked_s) for places in found]
    for places, facts in zip(found, said, strict=True):
        name = {"bench": _bench_name(places)} if len(found) > 1 else {}
        _say(args.json, facts | name)
    return FINE if said and all(facts["off_proven"] for facts in said) else NOT_VALID


def _say_taken(found: list[Places], failed: dict[Places, Facts]) -> None:
    names = [
        f" ({_bench_name(places)})" if len(found) > 1 else "" for places in found if places not in failed
    ]
    if len(found) > 1:
        print(f"{len(found)} daemons run, and none was named: all of them are aborted")
    for name in names:
        print(f"abort: the interlock monitor took it{name}", flush=True)


def _meant(args: argparse.Namespace) -> list[Places]:
    """The daemon of the data folder; where that has none and none was named, every one that runs for this user."""
    named = places_from(args)
    if args.data and is_held(named.data):
        return [named]
    if _is_listening(named.abort_sock):
        return [named]
    others = [] if args.data else running()
    return [named, *others] if is_held(named.data) else others


def running() -> list[Places]:
    """Every daemon of this user whose monitor takes an abort; whatever the terminal's folder and environment are."""
    sockets = sorted(
        {path.parent.resolve() for base in runtime_folders() for path in base.glob("*/abort.sock")}
    )
    # The data folder only serves for words here.
    return [Places(folder, folder) for folder in sockets if _is_listening(folder / "abort.sock")]


def runtime_folders() -> set[Path]:
    """Where this user's daemons have their sockets: another terminal may have another environment."""
    user = f"benchward-{os.getuid()}"
    return {runtime_folder(), Path("/run/user") / str(os.getuid()) / user, Path("/tmp") / user}


def _is_listening(path: Path) -> bool:
    with socket.socket(socket.AF_UNIX, socket.SOCK_STREAM) as one:
        one.settimeout(1.0)
        try:
            one.connect(str(path))
        except TimeoutError:
            return True  # somebody is there, but slow
        except OSError:
            return False
    return True


def _bench_name(places: Places) -> str:
    """The bench as its file calls it; else the folder."""
    try:
        named = re.search(r"^name:\s*(\S.*)$", places.bench_file.read_text("utf-8"), re.MULTILINE)
    except (OSError, ValueError):
        named = None
    return named[1].strip() if named else str(places.sockets)


def abort_now(places: Places, by: str | None) -> None:
    """Monitor first, then the engine. Raises Unreachable when the monitor does not take it."""
    who = by or user_name(os.getuid())
    try:
        tell_monitor(places, who)
    finally:
        _tell_engine(places, who)


def _tell_engine(places: Places, by: str) -> None:
    """So that a run ends that is about to begin, too; an engine that is gone has none."""
    with contextlib.suppress(Unreachable, Refusal), contextlib.closing(EngineLink(places)) as link:
        link.call("abort", {"name": by, "how": "declared"}, ENGINE_WITHIN_S)


def tell_monitor(places: Places, by: str) -> None:
    """One message to the monitor's own socket. Raises Unreachable when nobody takes it."""
    with connect(places.abort_sock, places.data) as one:
        one.sendall(json.dumps({"who": by}).encode() + b"\n")
        try:
            taken = one.recv(256)
        except OSError:
            taken = b""
    if not taken:
        raise Unreachable(NO_WORD, "call the test operator in charge")


def proof_of_off(places: Places, asked_s: float) -> Facts:
    """What the monitor says: the cause it keeps, and off proven or not."""
    try:
        with connect(places.monitor_sock, places.data) as one:
            last: Facts = {}
            for last in snapshots(one, time.monotonic() + PROOF_WITHIN_S):
                if (last.get("proof") or {}).get("safe") or last.get("blocked"):
                    break
    except Unreachable:
        return {"ok": False, "off_proven": None, "sentence": NO_WORD}
    return _facts(last, asked_s)


def _facts(snapshot: Facts, asked_s: float) -> Facts:
    proof = snapshot.get("proof") or {}
    safe = bool(proof.get("safe"))
    against = "; ".join(proof.get("against") or ["no proof was given in time"])
    words = (
        "Off is proven." if safe else f"OFF IS NOT PROVEN ({against}): treat the bench as live and stay out."
    )
    sentence = " ".join([words, *_because(snapshot.get("cause") or {}, asked_s)])
    return {"ok": safe, "off_proven": safe, "sentence": sentence, "bench_state": snapshot.get("bench_state")}


def _because(cause: Facts, asked_s: float) -> list[str]:
    """The monitor keeps the first cause: it may be older than this abort."""
    if not cause:
        return []
    what = str(cause.get("what")).rstrip(".")
    at_s = cause.get("at_s")
    if isinstance(at_s, int | float) and at_s < asked_s:
        return [f"It had stopped before this abort already, because: {what}."]
    return [f"Stopped because: {what}."]


def _say(as_json: bool, facts: Facts) -> None:
    if as_json:
        print(json.dumps(facts))
        return
    bench = f"{facts['bench']}: " if facts.get("bench") else ""
    print(bench + facts["sentence"], file=sys.stdout if facts["ok"] else sys.stderr)
    if facts.get("help"):
        print(f"help: {facts['help']}", file=sys.stderr)
