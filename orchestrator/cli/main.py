"""`benchward`: one command a module, imported only when it is used."""

from __future__ import annotations

import argparse
import difflib
import importlib
import os
import sys
import tempfile
import traceback
from collections.abc import Sequence

COMMANDS: dict[str, tuple[str, str]] = {
    # In the order of use.
    "simulators": (
        "orchestrator.cli.simulators",
        "a bench's simulated plant on real ports, no hardware needed",
    ),
    "check": ("orchestrator.cli.check", "say what is wrong with a sequence or a bench file"),
    "rehearse": ("orchestrator.cli.rehearse", "run a sequence in virtual time, in seconds"),
    "fault-test": ("orchestrator.cli.fault_test", "every fault at every point of a rehearsed run"),
    "serve": ("orchestrator.cli.serve", "the daemon of one bench; everything below talks to it"),
    "prove": ("orchestrator.cli.prove", "commissioning: instruments, inputs, a dry run without energy"),
    "start": ("orchestrator.cli.start", "start a run of a sequence on a specimen"),
    "console": ("orchestrator.cli.console", "the technician's screen: start, watch, answer, stop"),
    "status": ("orchestrator.cli.status", "may I go in, what is going on, what do I do"),
    "answer": (
        "orchestrator.cli.answer",
        "do what a person is asked for: admit, arm, inspect, observe, release",
    ),
    "pause": ("orchestrator.cli.pause", "hold the run after the present shot"),
    "resume": ("orchestrator.cli.resume", "go on with a paused run"),
    "abort": ("orchestrator.cli.abort", "stop at once; no question is asked"),
    "why": ("orchestrator.cli.why", "why a run stopped: cause, safety then, what came before, what to check"),
    "analyse": ("orchestrator.cli.analyse", "compute impulse figures from a waveform file"),
    "record": ("orchestrator.cli.record", "list, show, verify, export and report technical records"),
    "schema": ("orchestrator.cli.schema", "the JSON Schema of sequences and bench files, for editors"),
}
CAUTION = """\
CAUTION: stored energy, arc, shock and fire can kill. The hardware interlock chain is the safety function, this
software is not. Local codes and the practice of licensed persons come first.
"""
EPILOG = "benchward COMMAND --help tells more. Exit codes: 0 fine, 1 failed or findings, 2 wrong command, 3 not valid."
WRONG, NOT_KNOWN = 2, 3
# What somebody in a hurry types for `abort`.
STOPPING = (
    "abort",
    "stop",
    "halt",
    "quit",
    "off",
    "kill",
    "end",
    "cancel",
    "exit",
    "emergency",
    "estop",
    "stopp",
)


def main(argv: Sequence[str] | None = None) -> int:
    """Run one command; its exit code. No traceback reaches a person."""
    given = list(sys.argv[1:] if argv is None else argv)
    if not given or given[0] in ("-h", "--help"):
        print(help_text())
        return 0 if given else WRONG
    if given[0] not in COMMANDS:
        print(f"benchward: there is no command '{given[0]}'.\nhelp: {_help_for(given[0])}", file=sys.stderr)
        return WRONG
    try:
        return _run(given)
    except KeyboardInterrupt:
        print("interrupted", file=sys.stderr)
        return NOT_KNOWN
    except BrokenPipeError:
        os.dup2(os.open(os.devnull, os.O_WRONLY), 1)  # what is left to flush must not complain again
        return WRONG
    except Exception as error:  # noqa: BLE001 (the process ends here: one sentence, the details in a file)
        print(f"benchward {given[0]} failed: {type(error).__name__}: {error}", file=sys.stderr)
        print(f"help: this is a fault of the software; the details are in {_kept_details()}", file=sys.stderr)
        return NOT_KNOWN


def help_text() -> str:
    """All commands, a line each, in the order of use."""
    lines = [f"  {name:12}{help_line}" for name, (_, help_line) in COMMANDS.items()]
    return "\n".join(["usage: benchward COMMAND ...", "", *lines, "", CAUTION + EPILOG])


def _run(given: list[str]) -> int:
    module = importlib.import_module(COMMANDS[given[0]][0])
    parser = argparse.ArgumentParser(prog="benchward", description=CAUTION)
    module.add_parser(parser.add_subparsers(dest="command", metavar="COMMAND"))
    try:
        args = _parsed(parser, given)
    except SystemExit as end:  # argparse has said why
        return int(end.code or 0)
    return int(args.run(args))


def _parsed(parser: argparse.ArgumentParser, given: list[str]) -> argparse.Namespace:
    """The arguments. Nothing that is typed beside `abort` keeps it from aborting."""
    if given[0] != "abort":
        return parser.parse_args(given)
    try:
        args, passed_over = parser.parse_known_args(given)
    except SystemExit as end:
        if not end.code:
            raise  # its help was asked for
        args = parser.parse_args(["abort"])
        passed_over = given[1:]
    args.passed_over = passed_over
    return args


def _help_for(unknown: str) -> str:
    if difflib.get_close_matches(unknown.lower(), STOPPING, 1, 0.75):
        return "to stop at once: benchward abort (all commands: benchward --help)"
    return "benchward --help lists them"


def _kept_details() -> str:
    """Where the traceback of the error in hand is kept."""
    with tempfile.NamedTemporaryFile("w", prefix="benchward-", suffix=".txt", delete=False) as file:
        traceback.print_exc(file=file)
    return file.name
