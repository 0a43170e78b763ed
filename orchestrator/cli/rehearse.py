"""`benchward rehearse`: the whole run in virtual time, on the simulated bench, in seconds instead of hours."""

from __future__ import annotations

import argparse
import json
import sys
from pathlib import Path
from typing import TYPE_CHECKING, Any

if TYPE_CHECKING:
    from orchestrator.engine.run import RunEnd
    from orchestrator.rehearse.rehearsal import Rehearsal
    from sequences.findings import Finding
    from sequences.loader import Loaded, LoadedBench

WRONG = 2
MARK = "REHEARSAL: simulated bench, virtual time. Nothing of this happened to a real specimen."


class Refused(Exception):
    """The command cannot be done; the text says why, `exit_code` is the command's."""

    def __init__(self, text: str, exit_code: int = WRONG) -> None:
        super().__init__(text)
        self.exit_code = exit_code


def add_parser(subparsers: argparse._SubParsersAction[argparse.ArgumentParser]) -> None:
    parser = subparsers.add_parser(
        "rehearse",
        help="run a sequence in virtual time on the simulated bench",
        description="The whole run in virtual time, intervals and all, with a simulated technician.",
    )
    parser.add_argument("sequence", type=Path, metavar="SEQUENCE", help="the sequence file")
    parser.add_argument(
        "--bench", type=Path, metavar="BENCH", help="the bench file (bench.yaml beside SEQUENCE)"
    )
    parser.add_argument(
        "--set", action="append", default=[], metavar="NAME=VALUE", help="a value of set_at_start; repeatable"
    )
    parser.add_argument("--seed", type=int, default=1, metavar="N", help="same seed, same record (1)")
    parser.add_argument("--specimen", default="REHEARSAL-1", metavar="ID", help="identity of the specimen")
    parser.add_argument(
        "--plant",
        action="append",
        default=[],
        metavar="NAME=VALUE",
        help="set something on the simulated bench before the start (names: benchward simulators --names)",
    )
    parser.add_argument(
        "--fault", metavar="NAME@POINT", help="one fault at one point, as benchward fault-test names them"
    )
    parser.add_argument("--output", type=Path, metavar="FOLDER", help="keep the record in this new folder")
    parser.add_argument("--json", action="store_true", help="for programs: one JSON object instead of text")
    parser.set_defaults(run=run)


def run(args: argparse.Namespace) -> int:
    """Rehearse, print, and return the exit code of the run's outcome."""
    from orchestrator.core.outcome import exit_code

    try:
        if args.fault:
            rehearsal, end, broken = _with_fault(args)
        else:
            rehearsal = _prepared(args)
            end, broken = rehearsal.perform(), []
        if args.output is not None:
            _keep(rehearsal, args.output)
    except Refused as refused:
        print(f"benchward rehearse: {refused}", file=sys.stderr)
        return refused.exit_code
    print(json.dumps(_as_json(rehearsal, end)) if args.json else _as_text(rehearsal, end))
    for sentence in broken:
        print(f"BREACH {sentence}")
    if broken:
        return 1
    return 3 if end is None else exit_code(end.outcome, end.off_proven is True)


def _with_fault(args: argparse.Namespace) -> tuple[Rehearsal, RunEnd | None, list[str]]:
    """One cell of the fault test, to be looked at."""
    from orchestrator.cli.fault_test import order_for
    from orchestrator.rehearse.faults.benches import BY_NAME, nearest_fault
    from orchestrator.rehearse.faults.kinds import PAIR
    from orchestrator.rehearse.faults.walk import single

    args.all_shots = True  # what is rehearsed is what was asked for
    fault, _, point = args.fault.partition("@")
    for name in fault.split(PAIR):
        if name not in BY_NAME:
            raise Refused(f"there is no fault {name!r}; the nearest is {nearest_fault(name)}")
    try:
        return single(order_for(args).make, fault, point)
    except KeyError:
        raise Refused(
            f"the run has no point {point!r}; points are named like exchange:generator:57"
        ) from None


def _prepared(args: argparse.Namespace) -> Rehearsal:
    from orchestrator.rehearse.rehearsal import plant_for, prepare

    sequence, bench, bench_path = checked(args)
    try:
        plant = plant_for(bench_path, args.seed)
        for name, value in pairs(args.plant, "--plant").items():
            plant.set(name, value, 0.0)
    except (OSError, ValueError) as error:
        raise Refused(str(error)) from error
    assert sequence.sequence is not None
    return prepare(sequence, bench, plant, args.seed, args.specimen, _tell_progress, coasts=True)


def _tell_progress(entry: dict[str, Any]) -> None:
    """What takes seconds shows how far it is: a line on the terminal for each segment of cycles."""
    if entry["kind"] == "segment" and sys.stderr.isatty():
        print(f"cycles {entry['first']} to {entry['last']} are rehearsed", file=sys.stderr, flush=True)


def checked(args: argparse.Namespace) -> tuple[Loaded, LoadedBench, Path]:
    """The sequence and its bench, free of findings, and where the bench file is. Raises Refused."""
    from orchestrator.steps import KINDS
    from sequences.checker import check
    from sequences.loader import load_bench, load_sequence

    bench_path = args.bench or args.sequence.parent / "bench.yaml"
    bench = load_bench(bench_path)
    sequence = load_sequence(args.sequence, KINDS, pairs(args.set, "--set"))
    findings = [*bench.findings, *sequence.findings]
    if sequence.sequence is not None and bench.bench is not None:
        findings += check(sequence, bench)
    _require_no_findings(findings)
    return sequence, bench, bench_path


def pairs(texts: list[str], option: str) -> dict[str, str]:
    for text in texts:
        if "=" not in text:
            raise Refused(f"{option} takes NAME=VALUE, not {text!r}")
    return {name.strip(): value.strip() for name, _, value in (text.partition("=") for text in texts)}


def _require_no_findings(findings: list[Finding]) -> None:
    from sequences.findings import in_order, refused, render

    if refused(findings):
        text = "\n\n".join(render(finding) for finding in in_order(findings))
        raise Refused(f"refused, nothing was rehearsed\n{text}", exit_code=1)


def _keep(rehearsal: Rehearsal, folder: Path) -> None:
    if folder.exists():
        raise Refused(f"{folder} is there already; a record is never written over")
    try:
        rehearsal.store.save_to(folder)
    except OSError as error:
        raise Refused(f"the record cannot be kept in {folder}: {error.strerror}") from error


def _as_text(rehearsal: Rehearsal, end: RunEnd | None) -> str:
    from orchestrator.cli.happenings import plain
    from orchestrator.rehearse import timeline

    entries = rehearsal.world.journal.entries
    lines = timeline.timeline(entries, rehearsal.technician.done, rehearsal.virtual.plant.truth())
    return plain(
        "\n".join(
            [
                MARK,
                "",
                timeline.in_words(lines),
                "",
                *_end_in_words(end),
                f"Duration {rehearsal.virtual.now_s:.1f} s of virtual time, seed {rehearsal.order.seed}.",
                MARK,
            ]
        )
    )


def _end_in_words(end: RunEnd | None) -> list[str]:
    from orchestrator.core.outcome import in_words
    from orchestrator.record.wording import limit_words

    if end is None:
        return ["The engine ended in the middle of the run; plant and monitor lived on alone."]
    rows = [
        f"  {row.verdict.value:4} {row.requirement.clause}: {row.requirement.result} {limit_words(row.to_json())}, "
        f"{row.requirement.judged}. {row.sentence}"
        for row in end.rows
    ]
    return [end.sentence, in_words(end.outcome, end.cause.what), *rows]


def _as_json(rehearsal: Rehearsal, end: RunEnd | None) -> dict[str, Any]:
    facts: dict[str, Any] = {
        "rehearsal": True,
        "run": rehearsal.order.run,
        "seed": rehearsal.order.seed,
        "duration_s": rehearsal.virtual.now_s,
        "journal": rehearsal.world.journal.entries,
    }
    if end is not None:
        facts |= {
            "outcome": end.outcome.value,
            "reason": end.cause.reason.value,
            "off_proven": end.off_proven,
            "sentence": end.sentence,
            "verdicts": [row.to_json() for row in end.rows],
        }
    return facts
