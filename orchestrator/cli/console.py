"""`benchward console`: the technician's screen. The libraries of the screen are loaded only when it is opened."""

from __future__ import annotations

import argparse
import os
import sys

from orchestrator.cli.client import FINE, NOT_VALID, WRONG, add_by, places_from

NO_TERMINAL = (
    "The console needs a terminal.\nhelp: for pipes and programs there are `benchward status` and --json"
)

FAILED = (
    "The console failed; a run goes on without it.\nhelp: to stop it: benchward abort; then: benchward status"
)


def add_parser(subparsers: argparse._SubParsersAction[argparse.ArgumentParser]) -> None:
    """Add the command."""
    parser = subparsers.add_parser(
        "console",
        help="the technician's screen: start, watch, answer, stop",
        description="The technician's screen: may I go in, what is going on, what do I do. F12 or Ctrl-X aborts from "
        "everywhere, straight to the interlock monitor, and asks nothing. It is no emergency stop: that is the red "
        "button. It needs 80 columns and 24 rows, works over SSH, without colour (NO_COLOR) and without Unicode.",
    )
    parser.add_argument(
        "--sequence", default="", metavar="FILE", help="the sequence that the specimen card offers"
    )
    parser.add_argument("--ascii", action="store_true", help="draw with plain characters only")
    parser.add_argument("--look", action="store_true", help="only look: do not take control of the bench")
    add_by(parser)
    parser.add_argument(
        "--data", metavar="FOLDER", help="the daemon's data folder ($BENCHWARD_DATA, else ./benchward-data)"
    )
    parser.set_defaults(run=run)


def run(args: argparse.Namespace) -> int:
    """Open the screen until it is left."""
    if not (sys.stdin.isatty() and sys.stdout.isatty()):
        print(NO_TERMINAL, file=sys.stderr)
        return WRONG
    from orchestrator.console.app import Console
    from orchestrator.console.link import ApiLink
    from orchestrator.daemon.lines import user_name

    sequence = os.path.abspath(args.sequence) if args.sequence else ""  # noqa: PTH100 (a text for the daemon)
    plain = args.ascii or "utf" not in (sys.stdout.encoding or "").lower()
    console = Console(ApiLink(places_from(args)), user_name(os.getuid()), args.by, sequence, plain, args.look)
    console.run(mouse=False)
    if console.return_code:
        print(FAILED, file=sys.stderr)
        return NOT_VALID
    return FINE
