"""`benchward prove`: commissioning of a bench without energy, through the running daemon or one of its own."""

from __future__ import annotations

import argparse
import json
import signal
import subprocess
import sys
import time
from collections.abc import Iterator, Mapping
from contextlib import closing, contextmanager
from pathlib import Path

from orchestrator.cli.client import (
    FINE,
    NOT_VALID,
    WRONG,
    EngineLink,
    Facts,
    Refusal,
    Unreachable,
    accepted,
    add_by,
    add_data,
    complain,
    connect,
    places_from,
    who_from,
)
from orchestrator.cli.serve import good_bench
from orchestrator.daemon.locks import is_held
from orchestrator.daemon.look import snapshots
from orchestrator.daemon.places import Places, data_folder, places_of_running

TOGGLE_WITHIN_S = 120.0
DRY_RUN_WITHIN_S = 60.0
SERVE = "from orchestrator.cli import main; raise SystemExit(main())"
CAUTION = (
    "CAUTION: proving switches nothing on, but it does not make a bench safe either. The hardware interlock chain is "
    "proved by your local procedure, not by this command."
)


def add_parser(subparsers: argparse._SubParsersAction[argparse.ArgumentParser]) -> None:
    """Add the command."""
    parser = subparsers.add_parser(
        "prove",
        help="commissioning without energy",
        description="Prove a bench without energy: the identity of every instrument, settings written and read back, "
        "captures started and proved waiting, off writes; then every safety input: open and close each once.",
        epilog=CAUTION
        + " Exit codes: 0 all proved, 1 findings, 2 wrong command, 3 something was not proved.",
    )
    parser.add_argument("bench", type=Path, metavar="BENCH", help="the bench file")
    parser.add_argument(
        "--timeout",
        type=float,
        default=TOGGLE_WITHIN_S,
        metavar="S",
        help="seconds for opening and closing inputs",
    )
    parser.add_argument("--without-inputs", action="store_true", help="leave the safety inputs out")
    add_by(parser)
    add_data(parser)
    parser.set_defaults(run=run)


def run(args: argparse.Namespace) -> int:
    """Prove, print, and return the exit code."""
    loaded = good_bench(str(args.bench))
    if loaded is None:
        return 1
    try:
        with _daemon(args, loaded.text) as places:
            return _prove(places, args)
    except (Unreachable, Refusal) as error:
        code = complain(error, args.json)
        busy = isinstance(error, Refusal) and error.reply.get("code") == "busy"
        return NOT_VALID if code != WRONG or (isinstance(error, Refusal) and not busy) else WRONG


@contextmanager
def _daemon(args: argparse.Namespace, text: str) -> Iterator[Places]:
    """The running daemon of the data folder, if it serves this bench; else one of our own for the time."""
    data = data_folder(args.data)
    if is_held(data):
        places = places_of_running(data)
        if places.bench_file.read_bytes() != text.encode():
            raise Unreachable(
                f"The daemon of {data} serves another bench file, or another version of it.",
                "end it, or name another data folder with --data",
            )
        yield places
        return
    process = subprocess.Popen(
        [sys.executable, "-c", SERVE, "serve", str(args.bench), "--data", str(data)],
        stdout=subprocess.PIPE,
        text=True,
        start_new_session=True,
    )
    try:
        _wait_until_ready(process)
        yield places_from(args)
    finally:
        process.send_signal(signal.SIGTERM)
        process.communicate()


def _wait_until_ready(process: subprocess.Popen[str]) -> None:
    assert process.stdout is not None
    for line in process.stdout:
        if line.startswith("ready"):
            return
    raise Unreachable("The daemon for proving does not come up.", "mend what it said above, then prove again")


def _prove(places: Places, args: argparse.Namespace) -> int:
    if not args.json:
        print(CAUTION + "\n")
    began_s = time.monotonic()
    rows, dry_run = _dry_run(places, args)
    toggled: dict[str, bool] = {}
    missing: list[str] = []
    if not args.without_inputs:
        toggled, missing = _inputs(places, args, began_s)
    proved = dry_run and not missing
    if args.json:
        print(json.dumps({"proved": proved, "rows": rows, "inputs": toggled, "missing": missing}))
    else:
        print("\n" + _summary(rows, missing, proved))
    return FINE if proved else NOT_VALID


def _dry_run(places: Places, args: argparse.Namespace) -> tuple[list[Facts], bool]:
    """Instruments and captures, by the engine."""
    with closing(EngineLink(places)) as link:
        link.call("watch")
        number = link.send("prove", who_from(args))
        for message in link.messages(time.monotonic() + DRY_RUN_WITHIN_S):
            if "proving" in message and not args.json:
                print(row_text(message["proving"]), flush=True)
            if message.get("id") == number:
                reply = accepted(message)
                return reply["rows"], bool(reply["proved"])
    raise Unreachable("The dry run did not end in time.", "see: benchward status, and logs/engine.log")


def row_text(row: Facts) -> str:
    """One thing that was proved, or was not."""
    return f"{'proved' if row['proved'] else 'NOT PROVED':11}{row['what']}: {row['name']}: {row['how']}"


def _inputs(places: Places, args: argparse.Namespace, began_s: float) -> tuple[dict[str, bool], list[str]]:
    """Every safety input opened and closed once since the beginning; those that are missing."""
    if not args.json:
        print("\nOpen and close each safety input once, at the bench:", flush=True)
    toggled: dict[str, bool] = {}
    shown: list[str] = []
    with connect(places.monitor_sock, places.data) as one:
        for snapshot in snapshots(one, time.monotonic() + args.timeout):
            age_s = time.monotonic() - began_s
            toggled = {name: _since(view, age_s) for name, view in snapshot["inputs"].items()}
            lines = input_lines(snapshot["inputs"], toggled)
            if not args.json:
                print("".join(f"{line}\n" for line in lines if line not in shown), end="", flush=True)
            shown = lines
            if toggled and all(toggled.values()):
                break
    return toggled, [name for name, done in toggled.items() if not done] if toggled else ["no input was read"]


def _since(view: Facts, age_s: float) -> bool:
    """Opened and closed again not longer ago than that, and closed now."""
    toggled_age_s = view.get("toggled_age_s")
    return bool(view["closed"]) and toggled_age_s is not None and toggled_age_s <= age_s


def input_lines(inputs: Mapping[str, Facts], toggled: dict[str, bool]) -> list[str]:
    """Each input as it is now, and whether it was proved: a line each."""
    lines = []
    for name, view in inputs.items():
        channels = " and ".join("closed" if closed else "open" for closed in view["channels"])
        failed = " FAILED: its channels disagree" if view["failed"] else ""
        lines.append(f"  {'proved' if toggled[name] else 'missing':9}{name:22}{channels}{failed}")
    return lines


def _summary(rows: list[Facts], missing: list[str], proved: bool) -> str:
    wrong = [f"{row['what']}: {row['name']}" for row in rows if not row["proved"]]
    wrong += [f"input {name}" for name in missing]
    if proved:
        return "The bench is proved. No output was switched on."
    return f"NOT PROVED: {'; '.join(wrong)}. No output was switched on. Mend that and prove the bench again."
