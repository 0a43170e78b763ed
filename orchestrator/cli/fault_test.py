"""`benchward fault-test`: every fault at every point of a sequence, before a specimen is spent."""

from __future__ import annotations

import argparse
import json
import os
import shlex
import sys
from collections.abc import Set
from pathlib import Path
from typing import TYPE_CHECKING

if TYPE_CHECKING:
    from orchestrator.rehearse.faults.campaign import Order, Result
    from sequences.loader import Loaded

WRONG = 2
FEW_SHOTS = 4
MOST_CYCLES = 500


def add_parser(subparsers: argparse._SubParsersAction[argparse.ArgumentParser]) -> None:
    parser = subparsers.add_parser(
        "fault-test",
        help="every fault at every point of a rehearsed run",
        description="Rehearse the sequence with every fault at every point (fault insertion testing, IEC 61508-7) and "
        "judge each ending by the simulated bench's physics and by the record. Exit code 1 on a breach.",
    )
    parser.add_argument("sequence", type=Path, metavar="SEQUENCE", help="the sequence file")
    parser.add_argument(
        "--bench", type=Path, metavar="BENCH", help="the bench file (bench.yaml beside SEQUENCE)"
    )
    parser.add_argument(
        "--set", action="append", default=[], metavar="NAME=VALUE", help="a value of set_at_start; repeatable"
    )
    parser.add_argument("--seed", type=int, default=1, metavar="N", help="same seed, same test (1)")
    parser.add_argument(
        "--all-shots",
        action="store_true",
        help=f"as many shots or cycles as usual; without it few, {FEW_SHOTS} at least, where their number may be set",
    )
    parser.add_argument("--workers", type=int, default=os.cpu_count() or 1, metavar="N", help="processes")
    parser.add_argument("--stop-after", type=int, metavar="N", help="end early after so many breaches")
    parser.add_argument(
        "--keep", type=Path, metavar="FILE", help="keep finished parts here, and go on from them"
    )
    parser.add_argument("--report", type=Path, metavar="FILE", help="write the safety argument (Markdown)")
    parser.add_argument("--ci-xml", type=Path, metavar="FILE", help="write a test report for CI services")
    parser.add_argument("--json", action="store_true", help="for programs: one JSON object instead of text")
    parser.set_defaults(run=run)


def run(args: argparse.Namespace) -> int:
    """Test, print, write what was asked for; 0 held, 1 breaches or findings, 2 the command was wrong."""
    # Before numpy is loaded: a process that forks thousands of times has no use for threads.
    os.environ.setdefault("OPENBLAS_NUM_THREADS", "1")
    from orchestrator.cli.rehearse import Refused
    from orchestrator.rehearse.faults import wording
    from orchestrator.rehearse.faults.campaign import campaign

    try:
        order = order_for(args)
    except Refused as refused:
        print(f"benchward fault-test: {refused}", file=sys.stderr)
        return refused.exit_code
    if args.workers < 1:
        print("benchward fault-test: --workers takes a number from 1 up", file=sys.stderr)
        return WRONG
    try:
        result = campaign(order, args.workers, _show_progress, args.stop_after, args.keep)
    except KeyboardInterrupt:
        where = (
            f"; what was finished is in {args.keep}"
            if args.keep
            else " (--keep FILE would keep what is finished)"
        )
        print(f"\nbenchward fault-test: ended by hand{where}", file=sys.stderr)
        return 3
    command = rehearse_command(args, order)
    if args.report is not None:
        args.report.write_text(wording.page(result, command))
    if args.ci_xml is not None:
        args.ci_xml.write_text(wording.ci_xml(result))
    print(json.dumps(wording.as_json(result)) if args.json else wording.as_text(result, command))
    return 0 if result.passed else 1


def order_for(args: argparse.Namespace) -> Order:
    """The files as texts, free of findings. Raises Refused."""
    from orchestrator.cli.rehearse import Refused, checked, pairs
    from orchestrator.rehearse.faults.campaign import Order

    sequence, bench, bench_path = checked(args)
    plant = bench_path.parent / "plant.yaml"
    try:
        plant_text = plant.read_text(encoding="utf-8")
    except OSError as error:
        raise Refused(
            f"{plant} cannot be read: {error.strerror}; a fault test needs the simulated bench"
        ) from error
    given = pairs(args.set, "--set")
    few = {} if args.all_shots else {name: to for name, to in _few(sequence).items() if name not in given}
    _require_not_too_many(sequence, few.keys())
    if few:  # what is tried must be free of findings itself
        lessened = [*args.set, *(f"{name}={to}" for name, to in few.items())]
        checked(argparse.Namespace(**{**vars(args), "set": lessened}))
    return Order(sequence.text, bench.text, plant_text, tuple(sorted((few | given).items())), args.seed)


def _require_not_too_many(sequence: Loaded, lessened: Set[str]) -> None:
    """The whole run is held point by point: days of cycles are more than a computer holds. Raises Refused."""
    from orchestrator.cli.rehearse import Refused
    from sequences.duties import cycles_of

    asked = cycles_of(sequence.sequence) if sequence.sequence is not None else None
    if (
        asked is None
        or asked.duty.cycles <= MOST_CYCLES
        or _parameter_at(sequence, "duty", "cycles") in lessened
    ):
        return
    raise Refused(
        f"{asked.duty.cycles} cycles are too many: every point of the run is held, and repeated cycles are collapsed "
        f"anyway. Set at most {MOST_CYCLES} with --set, or without --all-shots as few as the file allows"
    )


def _few(sequence: Loaded) -> dict[str, str]:
    """Few shots or cycles where the file lets their number be set; few cycles between measurements, few watched."""
    from sequences.duties import declared_count

    model = sequence.sequence
    if model is None:
        return {}
    key = model.duty.told_by
    count = _parameter_at(sequence, "duty", key)
    fewest = max(FEW_SHOTS, round(model.set_at_start[count].lowest)) if count else 0
    if count is None or fewest >= declared_count(model):
        return {}
    others = (
        _parameter_at(sequence, "intermediate_measurements", "every"),
        _parameter_at(sequence, "attended", "cycles"),
    )
    return {count: str(fewest), **{name: model.set_at_start[name].lowest.text for name in others if name}}


def _parameter_at(sequence: Loaded, *path: str) -> str | None:
    """The parameter that stands for the value at a path of keys."""
    from sequences.tree import Scalar, Table

    node = sequence.located.root
    for key in path:
        node = node.get(key) if isinstance(node, Table) else None
    offered = sequence.sequence.set_at_start if sequence.sequence else {}
    return node.text if isinstance(node, Scalar) and node.text in offered else None


def rehearse_command(args: argparse.Namespace, order: Order) -> str:
    """The beginning of the command that shows a cell again."""
    words = ["benchward", "rehearse", str(args.sequence)]
    words += ["--bench", str(args.bench)] if args.bench else []
    words += [word for name, value in order.given for word in ("--set", f"{name}={value}")]
    words += ["--seed", str(args.seed)]
    return shlex.join(words)


def _show_progress(result: Result) -> None:
    """One line in place on a terminal, nothing elsewhere."""
    if sys.stderr.isatty():
        text = f"\r{len(result.found)} cells tried, {len(result.breaches)} breaches "
        print(text, end="", file=sys.stderr, flush=True)
