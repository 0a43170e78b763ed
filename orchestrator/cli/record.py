"""`benchward record`: list, show, verify, report, export and amend the records of a data folder.

Exit codes: 0 fine, 1 the record was refused or does not hold, 2 the command was wrong.
"""

from __future__ import annotations

import argparse
import json
import os
import pwd
import sys
import time
from dataclasses import asdict
from datetime import UTC, datetime
from pathlib import Path
from typing import TYPE_CHECKING, Any

if TYPE_CHECKING:
    from orchestrator.record.amend import Author
    from orchestrator.record.seal import Heads

USUAL_DATA_FOLDER = "benchward-data"
DATA_FOLDER_VARIABLE = "BENCHWARD_DATA"


class WrongCommand(Exception):
    """The command cannot be carried out as given; the text says why, `help` what to type."""

    def __init__(self, sentence: str, help: str) -> None:  # noqa: A002  the house's word
        super().__init__(sentence)
        self.help = help


class _Now:
    """The computer's clock."""

    def now_s(self) -> float:
        return time.monotonic()

    def utc(self) -> datetime:
        return datetime.now(UTC)


def add_parser(subparsers: argparse._SubParsersAction[argparse.ArgumentParser]) -> None:
    """Add the `record` command to the program's commands; nothing heavy is imported."""
    parser = subparsers.add_parser(
        "record",
        help="look at, check, report and amend the records of finished runs",
        description="The technical records of a data folder. RUN is the name of a run, a beginning of it that fits "
        "only one, or the path of a run folder.",
    )
    kinds = parser.add_subparsers(dest="record_command", required=True, metavar="WHAT")
    _add_list(kinds)
    _add_looks(kinds)
    _add_export(kinds)
    _add_amend(kinds)
    for command in kinds.choices.values():
        command.add_argument("--data", type=Path, metavar="FOLDER", help=_data_help())
        command.add_argument("--json", action="store_true", help="print for programs")
    parser.set_defaults(run=run)


def _data_help() -> str:
    return f"the data folder; otherwise ${DATA_FOLDER_VARIABLE}, otherwise ./{USUAL_DATA_FOLDER}"


def _add_list(kinds: Any) -> None:
    command = kinds.add_parser("list", help="all runs, or those of a specimen, an instrument or a sequence")
    command.add_argument("--specimen", metavar="IDENTITY", help="runs of this specimen")
    command.add_argument(
        "--instrument", metavar="SERIAL", help="runs that used this instrument (serial or name)"
    )
    command.add_argument("--sequence", metavar="SHA256", help="runs of this sequence (hash or its beginning)")


def _add_looks(kinds: Any) -> None:
    show = kinds.add_parser("show", help="the data sheet of a run, with its amendments")
    verify = kinds.add_parser(
        "verify", help="whether records are still what was written; all, if no RUN is given"
    )
    report = kinds.add_parser("report", help="make the report of a run and register it with the record")
    show.add_argument("which", metavar="RUN")
    verify.add_argument("which", metavar="RUN", nargs="?")
    report.add_argument("which", metavar="RUN")
    report.add_argument("--by", metavar="NAME", help="who issues it; otherwise your login")
    report.add_argument("--reason", default="report issued", metavar="TEXT", help="why it is issued (again)")
    report.add_argument("--draft", type=Path, metavar="FILE", help="write it to FILE instead, not registered")


def _add_export(kinds: Any) -> None:
    command = kinds.add_parser("export", help="tables and captures as CSV, or everything in one zip")
    command.add_argument("which", metavar="RUN")
    command.add_argument("--to", type=Path, metavar="FOLDER", help="a new folder; otherwise ./RUN-tables")
    command.add_argument(
        "--zip", type=Path, metavar="FILE", help="one zip with the run folder and the tables"
    )
    command.add_argument("--no-captures", action="store_true", help="leave out the captures as CSV")


def _add_amend(kinds: Any) -> None:
    command = kinds.add_parser(
        "amend",
        help="add a remark, or correct a manual reading; nothing is changed in place",
        description="Add a remark, or correct a manual reading. The original stays, and both are shown.",
    )
    command.add_argument("which", metavar="RUN")
    command.add_argument("--remark", metavar="TEXT", help="what is to be said")
    command.add_argument(
        "--correct",
        nargs=3,
        metavar=("ENTRY", "READING", "VALUE"),
        help="entry number, reading and right value",
    )
    command.add_argument("--by", metavar="NAME", help="who amends; otherwise your login")
    command.add_argument("--reason", metavar="TEXT", required=True, help="why")


def run(args: argparse.Namespace) -> int:
    """Carry out the command; returns the exit code."""
    from orchestrator.record.amend import Refused
    from orchestrator.record.reader import NoRecord
    from orchestrator.record.store import StorageFault

    try:
        return _COMMANDS[args.record_command](args)
    except WrongCommand as wrong:
        print(f"error: {wrong}\nhelp: {wrong.help}", file=sys.stderr)
        return 2
    except (Refused, NoRecord, StorageFault) as refused:
        print(f"error: {refused}", file=sys.stderr)
        return 1
    except BrokenPipeError:
        sys.stderr.close()
        return 0
    except OSError as error:
        where = f"{error.filename}: " if error.filename else ""
        print(
            f"error: {where}{error.strerror or error}\nhelp: name another place that you may write to",
            file=sys.stderr,
        )
        return 2


def data_folder(args: argparse.Namespace) -> Path:
    return Path(args.data or os.environ.get(DATA_FOLDER_VARIABLE) or USUAL_DATA_FOLDER)


def _folder(args: argparse.Namespace) -> Path:
    return run_folder(args.which, data_folder(args))


def run_folder(which: str, data: Path) -> Path:
    """The run folder that a run's name, the beginning of one, or a path names. Raises WrongCommand."""
    from orchestrator.record.journal import JOURNAL
    from orchestrator.record.specimens import run_folders

    given = Path(which)
    if (given / JOURNAL).is_file() or (given.is_dir() and len(given.parts) > 1):
        return given
    found = [path for path in run_folders(data) if path.name.startswith(which)]
    exact = [path for path in found if path.name == which]
    if len(exact or found) == 1:
        return (exact or found)[0]
    if not found:
        raise WrongCommand(
            f"no run in {data} begins with {which!r}", "`benchward record list` shows the runs there are"
        )
    names = ", ".join(path.name for path in found[:5])
    raise WrongCommand(f"{which!r} fits {len(found)} runs: {names}", "write more of the name")


def _heads_for(folder: Path, args: argparse.Namespace) -> Heads | None:
    """The list of heads beside a run folder. Outside the data folder a missing one is no finding."""
    from orchestrator.record.seal import Heads

    heads = Heads.of(folder.resolve().parent)
    within = folder.resolve().parent == data_folder(args).resolve()
    return heads if within or heads.path.is_file() else None


def _author(args: argparse.Namespace) -> Author:
    from orchestrator.record.amend import Author

    if args.by:
        return Author(args.by, "declared", args.reason)
    # The account, not LOGNAME, which anybody can set.
    return Author(pwd.getpwuid(os.getuid()).pw_name, "peer", args.reason)


def _list(args: argparse.Namespace) -> int:
    from orchestrator.record.index import Index

    data = data_folder(args)
    if not data.is_dir():
        raise WrongCommand(
            f"there is no data folder {data}", f"name it with --data or ${DATA_FOLDER_VARIABLE}"
        )
    in_progress = _run_in_progress(data)
    index = Index(data)
    try:
        found = index.find(args.specimen, args.instrument, args.sequence)
    finally:
        index.close()
    if args.json:
        rows_json = [asdict(listed) | {"in_progress": listed.folder == in_progress} for listed in found]
        print(json.dumps(rows_json, ensure_ascii=False))
        return 0
    rows: list[tuple[str, ...]] = [
        ("run", "specimen", "began, UTC", "outcome", "verdict", "shots", "stopped by", "record", "")
    ]
    rows += [_list_row(listed, listed.folder == in_progress) for listed in found]
    widths = [max(len(row[place]) for row in rows) for place in range(len(rows[0]))]
    for row in rows:
        print("  ".join(cell.ljust(width) for cell, width in zip(row, widths, strict=True)).rstrip())
    if not found:
        print("no runs")
    return 0


def _run_in_progress(data: Path) -> str | None:
    """The run that the daemon of this folder is at; it has no end yet, and is not interrupted."""
    from orchestrator.cli.status import status_now
    from orchestrator.daemon.locks import is_held
    from orchestrator.daemon.places import places_of_running

    run = status_now(places_of_running(data)).get("run") if is_held(data) else None
    return str(run) if run else None


def _list_row(listed: Any, in_progress: bool) -> tuple[str, ...]:
    amended = f", {listed.amendments} amended" if listed.amendments else ""
    return (
        listed.folder,
        listed.specimen,
        listed.began_utc[:19].replace("T", " "),
        "-" if in_progress else listed.outcome,
        listed.verdict,
        str(listed.shots_applied) if listed.cycles is None else f"{listed.cycles:,} cycles",
        "in progress" if in_progress else listed.reason.replace("_", " "),
        ("sealed" if listed.sealed else "not yet sealed" if in_progress else "no seal") + amended,
        "REHEARSAL" if listed.world == "rehearsal" else "",
    )


def _show(args: argparse.Namespace) -> int:
    from orchestrator.record.cycles import own_counts, words_on_cycles
    from orchestrator.record.reader import read_run
    from orchestrator.record.sheet import data_sheet
    from orchestrator.record.verify import verify

    folder = _folder(args)
    record = read_run(folder)
    found = verify(folder, _heads_for(folder, args))
    if args.json:
        shown = {"run": record.run, "entries": record.entries, "amendments": record.amendments.entries}
        counted = {mount: asdict(one) for mount, one in own_counts(record).items()}
        ledger = {"ledger": counted} if counted else {}
        print(json.dumps(shown | ledger | {"verification": asdict(found)}, ensure_ascii=False))
    else:
        # An interrupted journal ends earlier than its ledger: the sheet tells what the ledger holds as well.
        cycles = "" if record.last("run_ended") else words_on_cycles(record)
        standing = f"{found.sentence} {cycles}".rstrip()
        print(data_sheet(record.entries, record.amendments.entries, standing), end="")
    return 0


def _verify(args: argparse.Namespace) -> int:
    from orchestrator.record.specimens import run_folders
    from orchestrator.record.verify import missing_runs, verify

    folders = [_folder(args)] if args.which else list(run_folders(data_folder(args)))
    found = [verify(folder, _heads_for(folder, args)) for folder in folders]
    missing = [] if args.which else missing_runs(data_folder(args))
    if not found and not missing:
        raise WrongCommand(f"there are no runs in {data_folder(args)}", "name the data folder with --data")
    if args.json:
        print(json.dumps({"runs": [asdict(each) for each in found], "missing": missing}, ensure_ascii=False))
    else:
        for each in found:
            _print_verification(each, every_file=bool(args.which))
        for run_name in missing:
            print(f"{run_name}: the whole run folder is missing: the list of heads holds its seal.")
    return 0 if all(each.ok for each in found) and not missing else 1


def _print_verification(found: Any, every_file: bool) -> None:
    if every_file:
        for name, how in found.checked.items():
            bad = any(finding.file == name and finding.weight == "wrong" for finding in found.findings)
            print(f"{'WRONG' if bad else 'holds':<6} {name}  ({how})")
        for finding in found.findings:
            print(f"{finding.weight}: {finding}")
    print(found.sentence)


def _report(args: argparse.Namespace) -> int:
    from orchestrator.record.amend import Amender
    from orchestrator.record.journal import stamp
    from orchestrator.record.reader import read_run
    from orchestrator.record.seal import Heads
    from orchestrator.record.specimens import history
    from orchestrator.record.verify import verify
    from orchestrator.report.render import Issue, render

    folder, author = _folder(args), _author(args)
    record = read_run(folder)
    verification = verify(folder, _heads_for(folder, args))
    past = history(folder.resolve().parent, str(record.first("run_started").get("specimen") or ""))
    page = render(record, verification, past, Issue.next(record, author.name, stamp(_Now().utc())))
    if args.draft:
        args.draft.write_bytes(page)
        made = args.draft
    else:
        amender = Amender(folder, Heads.of(folder.resolve().parent), _Now())
        made = folder / amender.issue_report(author, page)["what"]["file"]
    print(json.dumps({"report": str(made)}) if args.json else f"report: {made}")
    if any(finding.weight == "wrong" for finding in verification.findings):
        print(f"warning: the report says so too: {verification.sentence}", file=sys.stderr)
        return 1
    return 0


def _export(args: argparse.Namespace) -> int:
    from orchestrator.record.export import write_bundle, write_tables
    from orchestrator.record.reader import read_run

    folder = _folder(args)
    record = read_run(folder)
    target = args.zip or args.to or Path(f"{record.run}-tables")
    if target.exists() and (target.is_file() or any(target.iterdir())):
        raise WrongCommand(
            f"{target} exists already: nothing is written over it", "name a new one with --to or --zip"
        )
    if args.zip:
        heads = _heads_for(folder, args)
        listed = [] if heads is None else [e for e in heads.read().entries if e.get("run") == record.run]
        write_bundle(record, args.zip, listed)
        made = [args.zip]
    else:
        made = write_tables(record, target, not args.no_captures)
    if args.json:
        print(json.dumps({"files": [str(path) for path in made]}))
    else:
        print("\n".join(str(path) for path in made))
    return 0


def _amend(args: argparse.Namespace) -> int:
    from orchestrator.record.amend import Amender
    from orchestrator.record.seal import Heads
    from orchestrator.record.sheet import amendment_words

    if (args.remark is None) == (args.correct is None):
        raise WrongCommand("an amendment is one remark or one correction", "give --remark or --correct")
    folder = _folder(args)
    amender = Amender(folder, Heads.of(folder.resolve().parent), _Now())
    if args.remark is not None:
        made = amender.remark(_author(args), args.remark)
    else:
        number, reading, value = args.correct
        if not number.isdigit():
            raise WrongCommand(
                f"{number!r} is no entry number", "`benchward record show RUN` shows them in brackets"
            )
        made = amender.correct(_author(args), int(number), reading, value)
    print(
        json.dumps(made, ensure_ascii=False)
        if args.json
        else f"amendment {made['n']}: {amendment_words(made)}"
    )
    return 0


_COMMANDS = {
    "list": _list,
    "show": _show,
    "verify": _verify,
    "report": _report,
    "export": _export,
    "amend": _amend,
}
