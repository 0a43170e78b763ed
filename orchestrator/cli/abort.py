"""`benchward abort`: straight to the interlock monitor, whatever became of the rest; then it tells what happened."""

from __future__ import annotations

import argparse
import contextlib
import json
import os
import sys
import time

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
from orchestrator.daemon.look import snapshots
from orchestrator.daemon.places import Places

PROOF_WITHIN_S = 15.0
ENGINE_WITHIN_S = 1.0
NO_WORD = "OFF IS NOT PROVEN: the interlock monitor does not answer. Treat the bench as live, cut the mains by hand."


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
    parser.set_defaults(run=run)


def run(args: argparse.Namespace) -> int:
    """Abort, then look until off is proven."""
    places = places_from(args)
    try:
        abort_now(places, args.by)
    except Unreachable as error:
        _say(args.json, {"ok": False, "off_proven": None, "sentence": str(error), "help": error.help})
        return NOT_VALID
    if not args.json:
        print("abort: the interlock monitor took it", flush=True)
    facts = proof_of_off(places)
    _say(args.json, facts)
    return FINE if facts["off_proven"] else NOT_VALID


def abort_now(places: Places, by: str | None) -> None:
    """Monitor first, then the engine. Raises Unreachable when the monitor does not take it."""
    who = by or user_name(os.getuid())
    try:
        tell_monitor(places, who)
    finally:
        _tell_engine(places, who)


def _tell_engine(places: Places, by: str) -> None:
    """So that a run ends that is about to begin, too; an engine that is gone has none."""
    with contextlib.suppress(Unreachable, Refusal):
        link = EngineLink(places)
        try:
            link.call("abort", {"name": by, "how": "declared"}, ENGINE_WITHIN_S)
        finally:
            link.close()


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


def proof_of_off(places: Places) -> Facts:
    """What the monitor says: the cause it keeps, and off proven or not."""
    try:
        with connect(places.monitor_sock, places.data) as one:
            last: Facts = {}
            for last in snapshots(one, time.monotonic() + PROOF_WITHIN_S):
                if (last.get("proof") or {}).get("safe") or last.get("blocked"):
                    break
    except Unreachable:
        return {"ok": False, "off_proven": None, "sentence": NO_WORD}
    return _facts(last)


def _facts(snapshot: Facts) -> Facts:
    proof = snapshot.get("proof") or {}
    safe = bool(proof.get("safe"))
    against = "; ".join(proof.get("against") or ["no proof was given in time"])
    words = (
        "Off is proven." if safe else f"OFF IS NOT PROVEN ({against}): treat the bench as live and stay out."
    )
    cause = (snapshot.get("cause") or {}).get("what")
    sentence = f"{words} Stopped because: {cause}." if cause else words
    return {"ok": safe, "off_proven": safe, "sentence": sentence, "bench_state": snapshot.get("bench_state")}


def _say(as_json: bool, facts: Facts) -> None:
    if as_json:
        print(json.dumps(facts))
        return
    print(facts["sentence"], file=sys.stdout if facts["ok"] else sys.stderr)
    if facts.get("help"):
        print(f"help: {facts['help']}", file=sys.stderr)
