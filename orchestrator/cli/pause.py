"""`benchward pause`: hold the run after the present shot."""

from __future__ import annotations

import argparse

from orchestrator.cli.client import add_by, add_data, simple


def add_parser(subparsers: argparse._SubParsersAction[argparse.ArgumentParser]) -> None:
    """Add the command."""
    parser = subparsers.add_parser(
        "pause",
        help="hold the run after the present shot",
        description="Hold the run after the present shot, everything off. It stays paused until it is resumed.",
    )
    add_by(parser)
    add_data(parser)
    parser.set_defaults(run=run)


def run(args: argparse.Namespace) -> int:
    """Ask the engine."""
    return simple(args, "pause")
