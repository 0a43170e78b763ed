"""`benchward why`: why a run stopped, from its record alone; it needs no daemon and asks none."""

from __future__ import annotations

import argparse
import json
import sys
from pathlib import Path
from typing import TYPE_CHECKING

if TYPE_CHECKING:
    from collections.abc import Iterable

    from orchestrator.record.why import Moment, Why

WIDTH = 80
FINE, DOUBTFUL, WRONG = 0, 1, 2


def add_parser(subparsers: argparse._SubParsersAction[argparse.ArgumentParser]) -> None:
    """Add the command; nothing heavy is imported."""
    parser = subparsers.add_parser(
        "why",
        help="why a run stopped, from its record",
        description="Explain why a run stopped: first cause, what its last proof of off said, the ten seconds before, "
        "what to check, what became of the specimen, what to do. It reads the record and nothing else: whether the "
        "bench is safe now, only `benchward status` and a test at the bench can say.",
        epilog="Exit codes: 0 explained; 1 explained, but the record is damaged, or there is none; 2 the command was "
        "wrong.",
    )
    parser.add_argument(
        "which", metavar="RUN", nargs="?", help="name of a run, a beginning of it, or its folder (the newest)"
    )
    parser.add_argument(
        "--data", type=Path, metavar="FOLDER", help="the data folder ($BENCHWARD_DATA, else ./benchward-data)"
    )
    parser.add_argument("--json", action="store_true", help="print for programs")
    parser.set_defaults(run=run)


def run(args: argparse.Namespace) -> int:
    """Explain; returns the exit code."""
    from orchestrator.cli.record import WrongCommand, data_folder, run_folder
    from orchestrator.record.reader import NoRecord, read_run
    from orchestrator.record.seal import Heads
    from orchestrator.record.specimens import newest_run
    from orchestrator.record.store import StorageFault
    from orchestrator.record.verify import verify
    from orchestrator.record.why import why

    try:
        data = data_folder(args)
        folder = run_folder(args.which, data) if args.which else newest_run(data)
        if folder is None:
            raise WrongCommand(f"there are no runs in {data}", "name the data folder with --data")
        heads = Heads.of(folder.resolve().parent)
        explained = why(read_run(folder))
        found = verify(folder, heads if heads.path.is_file() else None)
    except WrongCommand as wrong:
        print(f"error: {wrong}\nhelp: {wrong.help}", file=sys.stderr)
        return WRONG
    except (NoRecord, StorageFault) as error:
        print(f"error: {error}", file=sys.stderr)
        return DOUBTFUL
    damaged = not found.ok and not found.interrupted
    if args.json:
        print(
            json.dumps(
                explained.to_json() | {"record": found.sentence, "damaged": damaged}, ensure_ascii=False
            )
        )
    else:
        print(in_text(explained, found.sentence))
    return DOUBTFUL if damaged else FINE


def in_text(one: Why, record: str, width: int = WIDTH) -> str:
    """The three questions as everywhere, then what they rest on."""
    from orchestrator.core.status_text import labelled

    stopped = [f"Noticed at {_clock(one.stopped_utc)}" + (f", by {one.who}." if one.who else ".")]
    released = [f"Released by: {one.released_by}."] if one.released_by else []
    text = [
        f"Run {one.run}: {one.title}, specimen {one.specimen}",
        f"{_capital(one.outcome_words)}.",
        "-" * width,
    ]
    parts: list[tuple[str, list[str]]] = [
        ("May I go in?", ["(?) NOT KNOWN FROM A RECORD.", one.safe]),
        ("What happened?", [one.happened, *stopped]),
        ("What do I do?", [one.next, *released]),
    ]
    for label, lines in parts:
        text += labelled(label, lines, width)
    text += ["-" * width, *labelled("Check", [f"- {line}" for line in one.check], width)]
    text += labelled("The specimen", [one.specimen_words], width)
    text += labelled("Later causes", [f"- {line}" for line in one.later] or ["none"], width)
    text += ["-" * width, *_moments("The ten seconds before it", one.before, width)]
    text += _moments("And after it, to the end of the record", one.after, width)
    if one.details:
        text += ["-" * width, "Details for the report:", one.details.rstrip()]
    text += ["-" * width, *labelled("The record", [record], width)]
    return "\n".join(line.rstrip() for line in text)


def _moments(heading: str, moments: Iterable[Moment], width: int) -> list[str]:
    from textwrap import wrap

    lines = [f"{heading}:"]
    for one in moments:
        head = f"{one.at_s:+8.2f} s  "
        lines += wrap(one.words, width, initial_indent=head, subsequent_indent=" " * len(head))
    return lines if len(lines) > 1 else [f"{heading}: nothing is recorded."]


def _clock(utc: str) -> str:
    from orchestrator.record.wording import moment

    return moment(utc)


def _capital(text: str) -> str:
    return text[:1].upper() + text[1:]
