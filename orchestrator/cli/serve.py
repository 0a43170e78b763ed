"""`benchward serve`: the daemon of one bench, in the foreground."""

from __future__ import annotations

import argparse
import sys
from typing import TYPE_CHECKING

if TYPE_CHECKING:
    from sequences.loader import LoadedBench


def add_parser(subparsers: argparse._SubParsersAction[argparse.ArgumentParser]) -> None:
    """Add the command; nothing heavy is imported."""
    parser = subparsers.add_parser(
        "serve",
        help="the daemon of one bench",
        description="Serve one bench: starts the interlock monitor, the engine and the API, and stays in the "
        "foreground. Ctrl-C (or SIGTERM) stops a run by its way to safe and then ends all in order.",
        epilog="Exit codes: 0 ended with off proven, 1 findings or could not begin, 2 the folder or a resource is "
        "taken, 3 a part was lost or off is not proven.",
    )
    parser.add_argument("bench", metavar="BENCH", help="the bench file")
    parser.add_argument(
        "--data", metavar="FOLDER", help="where records are kept ($BENCHWARD_DATA, else ./benchward-data)"
    )
    parser.set_defaults(run=run)


def run(args: argparse.Namespace) -> int:
    """Serve until told to end."""
    from orchestrator.daemon.daemon import COULD_NOT_BEGIN, CannotBegin, Daemon
    from orchestrator.daemon.locks import Taken
    from orchestrator.daemon.places import WrongPlace, data_folder

    loaded = good_bench(args.bench)
    if loaded is None:
        return 1
    try:
        return Daemon(loaded, data_folder(args.data), lambda text: print(text, flush=True)).run()
    except Taken as error:
        print(f"{error}\nhelp: end that one first, or serve with another --data FOLDER", file=sys.stderr)
        return 2
    except WrongPlace as error:
        print(
            f"{error}: nothing was started, nothing was energised\nhelp: make room there, mend the rights, or serve "
            "with another --data FOLDER",
            file=sys.stderr,
        )
        return 2
    except CannotBegin as error:
        print(f"{error}\nhelp: mend that and serve again; nothing was energised", file=sys.stderr)
        return COULD_NOT_BEGIN


def good_bench(file: str) -> LoadedBench | None:
    """The bench file; None after all its findings were printed, where one of them refuses it."""
    from orchestrator.cli.check import checked_bench
    from sequences import tree
    from sequences.findings import refused, render

    loaded, findings = checked_bench(tree.read(file))
    for one in findings:
        print(render(one), file=sys.stderr)
    return None if refused(findings) or loaded.bench is None else loaded
