"""`benchward resume`: go on with a paused run, or with a run that was stopped."""

from __future__ import annotations

import argparse
import json

from orchestrator.cli.client import (
    FINE,
    NOT_VALID,
    WRONG,
    EngineLink,
    Facts,
    add_by,
    add_data,
    places_from,
    simple,
    who_from,
    with_engine,
)
from orchestrator.cli.start import REPLY_WITHIN_S, watched


def add_parser(subparsers: argparse._SubParsersAction[argparse.ArgumentParser]) -> None:
    """Add the command."""
    parser = subparsers.add_parser(
        "resume",
        help="go on with a paused run, or with one that was stopped",
        description="Without RUN: go on with the paused run in progress. With RUN: go on with a run of cycles that was "
        "paused, stopped or cut off. The bench is then reconciled point by point, a named person accepts what was "
        "found, and the gap stands in the record; refused where sequence, bench or specimen is not as it was.",
    )
    parser.add_argument(
        "earlier", nargs="?", metavar="RUN", help="the run to go on with, as record list names it"
    )
    parser.add_argument("--override-calibration", metavar="REASON", help="as for start; needs --by")
    parser.add_argument("--remark", metavar="TEXT", help="a remark for the record")
    parser.add_argument("--wait", action="store_true", help="with RUN: show what happens until it ends")
    add_by(parser)
    add_data(parser)
    parser.set_defaults(run=run, started=False)


def run(args: argparse.Namespace) -> int:
    """Ask the engine."""
    if args.earlier is None:
        return simple(args, "resume", override_calibration=args.override_calibration)
    code = with_engine(args, lambda link: _go_on(link, args))
    return NOT_VALID if args.started and code == WRONG else code  # lost in the middle of the run


def _go_on(link: EngineLink, args: argparse.Namespace) -> int:
    order = {
        "go_on_with": args.earlier,
        "override_calibration": args.override_calibration,
        "remark": args.remark,
    }
    if args.wait:
        link.call("watch")
        return watched(link, places_from(args), args, order)
    reply: Facts = link.call("start", who_from(args), REPLY_WITHIN_S, **order)
    if args.json:
        print(json.dumps(reply))
        return FINE
    print(f"Run {reply['run']} goes on with {args.earlier}. Its record: {reply['folder']}")
    print("What to do now: benchward status   To stop at once: benchward abort")
    return FINE
