"""`benchward start`: begin a run; with --wait, show what happens until its end."""

from __future__ import annotations

import argparse
import json
import shlex
import sys
from contextlib import closing
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
    places_from,
    who_from,
)
from orchestrator.daemon.places import Places

REPLY_WITHIN_S = 30.0


def add_parser(subparsers: argparse._SubParsersAction[argparse.ArgumentParser]) -> None:
    """Add the command."""
    parser = subparsers.add_parser(
        "start",
        help="start a run of a sequence on a specimen",
        description="Start a run. Nothing is energised before a person has armed the bench. With --wait it shows "
        "what happens until the end; Ctrl-C then aborts the run, a second Ctrl-C only stops the showing.",
        epilog="Exit codes: 0 started, or run valid and nothing failed; 1 the specimen failed, or findings; 2 refused; "
        "3 the run is not valid, or off is not proven.",
    )
    parser.add_argument("sequence", type=Path, metavar="SEQUENCE", help="the sequence file")
    parser.add_argument(
        "--specimen",
        action="append",
        required=True,
        metavar="ID",
        help="the specimen's identity, as on its label; once for each mount, in their order",
    )
    parser.add_argument(
        "--set",
        action="append",
        default=[],
        metavar="NAME=VALUE",
        help="a value of the sequence's set_at_start",
    )
    parser.add_argument("--group", metavar="TEXT", help="the group of specimens that this one belongs to")
    parser.add_argument("--condition", metavar="TEXT", help="the specimen's condition on arrival")
    parser.add_argument("--firmware", metavar="TEXT", help="the firmware of the specimen")
    parser.add_argument("--indicator-lot", metavar="TEXT", help="the lot of the cloth or tissue")
    parser.add_argument("--remark", metavar="TEXT", help="a remark for the record")
    parser.add_argument(
        "--override-calibration",
        metavar="REASON",
        help="start although a calibration lapses before the planned end; needs --by; recorded with its reason",
    )
    parser.add_argument(
        "--override-by", metavar="NAME", help="who answers for it, where that is not who starts the run"
    )
    parser.add_argument("--wait", action="store_true", help="show what happens until the run ends")
    add_by(parser)
    add_data(parser)
    parser.set_defaults(run=run, started=False)


def run(args: argparse.Namespace) -> int:
    """Start, and wait where asked to."""
    wrong = [text for text in args.set if "=" not in text]
    if wrong:
        print(
            f'"{wrong[0]}" gives no value.\nhelp: --set NAME=VALUE, as in --set "interval=60 s"',
            file=sys.stderr,
        )
        return WRONG
    if not all(one.isprintable() for one in args.specimen):
        print(
            "The specimen's identity has a line break or another character that cannot be printed.\n"
            "help: give it as on its label, in one line",
            file=sys.stderr,
        )
        return WRONG
    if args.override_calibration is not None and not (args.override_by or args.by):
        print(
            "An override needs the name of the person who answers for it.\nhelp: --by NAME",
            file=sys.stderr,
        )
        return WRONG
    places = places_from(args)
    try:
        with closing(EngineLink(places)) as link:
            return _start(link, places, args)
    except (Unreachable, Refusal) as error:
        if isinstance(error, Refusal) and error.reply.get("code") == "findings":
            error.help = f"mend what is listed; this shows it again: {_checking(places, args)}"
        code = complain(error, args.json)
        return NOT_VALID if args.wait and isinstance(error, Unreachable) and args.started else code


def _checking(places: Places, args: argparse.Namespace) -> str:
    """The whole line that checks what was to be started, on the bench that is served."""
    settings = [word for text in args.set for word in ("--set", text)]
    return shlex.join(
        ["benchward", "check", str(args.sequence), "--bench", str(places.bench_file), *settings]
    )


def _start(link: EngineLink, places: Places, args: argparse.Namespace) -> int:
    if args.wait:
        link.call("watch")
    order = {
        "sequence": str(args.sequence.resolve()),
        "specimen": args.specimen[0],
        "more_specimens": args.specimen[1:],
        "parameters": dict(text.partition("=")[::2] for text in args.set),
        "group": args.group,
        "condition": args.condition,
        "firmware": args.firmware,
        "indicator_lot": args.indicator_lot,
        "remark": args.remark,
        "override_calibration": args.override_calibration,
        "override_by": args.override_by,
    }
    if not args.wait:
        return _say_started(args, link.call("start", who_from(args), REPLY_WITHIN_S, **order))
    return watched(link, places, args, order)


def watched(link: EngineLink, places: Places, args: argparse.Namespace, order: Facts) -> int:
    """Put the order to start and show what happens until the run's end; `args.started` says whether it began."""
    from orchestrator.cli.showing import show_run

    number = link.send("start", who_from(args), **order)

    def began(message: Facts) -> Facts | None:
        """The reply to the start, among what else comes."""
        if message.get("id") != number:
            return None
        args.started = True
        return accepted(message)

    return show_run(link, places, began, args.json, args.by)


def _say_started(args: argparse.Namespace, reply: Facts) -> int:
    if args.json:
        print(json.dumps(reply))
        return FINE
    for text in reply["warnings"]:
        print(text + "\n", file=sys.stderr)
    print(f"Run {reply['run']} has begun. Its record: {reply['folder']}")
    print("What to do now: benchward status   To stop at once: benchward abort")
    return FINE
