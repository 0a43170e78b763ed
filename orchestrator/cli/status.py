"""`benchward status`: may I go in, what is going on, what do I do. Loads nothing but the standard library."""

from __future__ import annotations

import argparse
import json
import shutil
import time
from contextlib import closing

from orchestrator.cli.client import (
    EngineLink,
    Facts,
    Refusal,
    Unreachable,
    add_data,
    places_from,
)
from orchestrator.core.status import aged, compose
from orchestrator.core.status_text import render
from orchestrator.daemon.look import look
from orchestrator.daemon.places import Places, daemon_facts

WITHIN_S = 2.0
MONITOR_WITHIN_S = 1.0
FINE, NOT_KNOWN = 0, 3
NARROWEST, WIDEST = 60, 100


def add_parser(subparsers: argparse._SubParsersAction[argparse.ArgumentParser]) -> None:
    """Add the command."""
    parser = subparsers.add_parser(
        "status",
        help="may I go in, what is going on, what do I do",
        description="The three questions, from proof alone. What is not known is said to be not known: treat it as "
        "live. Exit codes: 0 known, 3 not known or off not proven.",
    )
    add_data(parser)
    parser.set_defaults(run=run)


def run(args: argparse.Namespace) -> int:
    """Look and print."""
    status = status_now(places_from(args))
    if args.json:
        print(json.dumps(status))
    else:
        width = shutil.get_terminal_size((80, 24)).columns
        print(render(status, max(NARROWEST, min(width, WIDEST))))
    return NOT_KNOWN if status["may_i_go_in"]["answer"] == "not known" else FINE


def status_now(places: Places) -> Facts:
    """The engine's word; where that is lost, the monitor's facts, and that it is not known."""
    try:
        with closing(EngineLink(places)) as link:
            status: Facts = link.call("status", within_s=WITHIN_S)["status"]
    except (Unreachable, Refusal) as error:
        bench = {"bench": daemon_facts(places.data).get("bench")}
        return compose(look(places.monitor_sock, MONITOR_WITHIN_S), bench, None, time.monotonic(), str(error))
    return aged(status, time.monotonic())
