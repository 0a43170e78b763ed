"""`benchward resume`: go on with a paused run."""

from __future__ import annotations

import argparse

from orchestrator.cli.client import add_by, add_data, simple


def add_parser(subparsers: argparse._SubParsersAction[argparse.ArgumentParser]) -> None:
    """Add the command."""
    parser = subparsers.add_parser(
        "resume",
        help="go on with a paused run",
        description="Go on with a paused run. The bench is armed again by a person where that is due.",
    )
    add_by(parser)
    add_data(parser)
    parser.set_defaults(run=run)


def run(args: argparse.Namespace) -> int:
    """Ask the engine."""
    return simple(args, "resume")
