"""`benchward analyse`: the run's own computations on a waveform file from anywhere, and their validation.

Exit codes: 0 figures given, 1 the record was refused or a validation figure is out, 2 the command was wrong.
"""

from __future__ import annotations

import argparse
import json
import sys
from pathlib import Path
from typing import TYPE_CHECKING, Any

if TYPE_CHECKING:
    from orchestrator.analysis.methods import Analysis
    from orchestrator.analysis.refusal import Refused
    from orchestrator.analysis.waveform import Waveform

METHOD_NAMES = ("impulse-voltage", "impulse-current", "limiting-voltage", "contact-make", "contact-break")


class _WrongCommand(Exception):
    """The command cannot be carried out as given; the text says why, `help` what to type."""

    def __init__(self, sentence: str, help: str) -> None:  # noqa: A002  the house's word
        super().__init__(sentence)
        self.help = help


def add_parser(subparsers: argparse._SubParsersAction[argparse.ArgumentParser]) -> None:
    """Add the `analyse` command to the program's commands; nothing heavy is imported."""
    parser = subparsers.add_parser(
        "analyse",
        help="compute impulse or contact figures from a waveform file",
        description="Compute impulse or contact figures from a waveform file: CSV (first line "
        "`time [us],voltage [kV]`), COMTRADE (name the .cfg) or a capture of this program.",
    )
    parser.add_argument("file", nargs="?", type=Path, metavar="FILE", help="the record")
    parser.add_argument("--method", metavar="METHOD", help=", ".join(METHOD_NAMES))
    parser.add_argument(
        "--voltage", metavar="NAME", help="the channel to use as voltage, if it is named otherwise"
    )
    parser.add_argument(
        "--current", metavar="NAME", help="the channel to use as current, if it is named otherwise"
    )
    parser.add_argument(
        "--accuracy",
        metavar="TEXT",
        help="what the instruments state, such as 'voltage: gain 0.5 %%, offset 0.1 %%, timebase 50 ppm, "
        "range 2.5 kV, bits 12; current: gain 1 %%'",
    )
    parser.add_argument(
        "--open-above",
        metavar="VOLTAGE",
        help="the contact voltage above which a contact counts as open, such as '8 V'; without it the smaller of "
        "8 V and half the voltage of the open contact",
    )
    parser.add_argument("--budget", action="store_true", help="print the uncertainty budget of each figure")
    parser.add_argument(
        "--plot", type=Path, metavar="FILE", help="draw the record into FILE (.png, .svg, .pdf)"
    )
    parser.add_argument("--json", action="store_true", help="print for programs")
    parser.add_argument(
        "--validate",
        action="store_true",
        help="run the reference waveforms on this computer and write a page",
    )
    parser.add_argument("--output", type=Path, metavar="FILE", help="where --validate writes its page (.txt)")
    parser.set_defaults(run=run)


def run(args: argparse.Namespace) -> int:
    """Carry out the command; returns the exit code."""
    from orchestrator.analysis.refusal import Refused

    try:
        return _validate(args) if args.validate else _analyse(args)
    except _WrongCommand as wrong:
        print(f"error: {wrong}\nhelp: {wrong.help}", file=sys.stderr)
        return 2
    except Refused as refusal:
        _say_refused(args, refusal)
        return 1


def _analyse(args: argparse.Namespace) -> int:
    from orchestrator.analysis.methods import Asked, analyse

    _require_command(args)
    asked = Asked(_open_above_v(args))
    waveform = _with_accuracy(_read(args), args.accuracy)
    analysis = analyse(waveform, args.method, asked=asked)
    if args.plot is not None:
        _plot(waveform, analysis, args.plot)
    if args.json:
        print(json.dumps(as_json(analysis, args.budget), indent=2, allow_nan=False))
    else:
        print(as_text(analysis, args.file, args.budget))
    return 0


def _require_command(args: argparse.Namespace) -> None:
    if args.file is None:
        raise _WrongCommand("no file is named", "benchward analyse FILE --method METHOD")
    if args.method not in METHOD_NAMES:
        named = "no method is named" if args.method is None else f"there is no method {args.method!r}"
        raise _WrongCommand(named, f"--method {', '.join(METHOD_NAMES)}")
    if args.plot is not None and args.plot.suffix.lower() not in (".png", ".svg", ".pdf"):
        raise _WrongCommand(f"{args.plot} is no kind of picture", "end the name in .png, .svg or .pdf")
    if args.output is not None:
        raise _WrongCommand("--output belongs to --validate", "use --plot FILE for a drawing")


def _open_above_v(args: argparse.Namespace) -> float | None:
    from orchestrator.analysis.accuracy_text import parse_voltage

    if args.open_above is None:
        return None
    if not args.method.startswith("contact-"):
        raise _WrongCommand("--open-above belongs to the contact methods", "leave it out")
    try:
        return parse_voltage(args.open_above)
    except ValueError as error:
        raise _WrongCommand(f"--open-above: {error}", "--open-above '8 V'") from None


def _read(args: argparse.Namespace) -> Waveform:
    from orchestrator.analysis.channels import renamed
    from orchestrator.analysis.readers import read_waveform

    try:
        waveform = read_waveform(args.file)
    except OSError as error:
        raise _WrongCommand(
            f"{args.file}: {error.strerror or error}", "check the name and the rights"
        ) from None
    roles = {role: name for role in ("voltage", "current") if (name := getattr(args, role)) is not None}
    try:
        return renamed(waveform, roles)
    except ValueError as error:
        raise _WrongCommand(str(error), "name a channel of the record") from None


def _with_accuracy(waveform: Waveform, text: str | None) -> Waveform:
    from orchestrator.analysis.accuracy_text import FORM, parse_accuracy, with_accuracy

    if text is None:
        return waveform
    try:
        return with_accuracy(waveform, parse_accuracy(text))
    except ValueError as error:
        raise _WrongCommand(f"--accuracy: {error}", f"--accuracy '{FORM}'") from None


def _plot(waveform: Waveform, analysis: Analysis, path: Path) -> None:
    from orchestrator.analysis.plot import save

    try:
        save(waveform, analysis, path)
    except OSError as error:
        raise _WrongCommand(
            f"{path}: {error.strerror or error}", "choose a place that can be written"
        ) from None


def _validate(args: argparse.Namespace) -> int:
    from orchestrator.analysis.validate import page, validation

    outcome = validation()
    text = page(outcome)
    if args.output is not None:
        try:
            args.output.write_text(text, encoding="utf-8")
        except OSError as error:
            raise _WrongCommand(f"{args.output}: {error.strerror or error}", "choose another place") from None
    if args.json:
        print(json.dumps(outcome.to_json(), indent=2))
    else:
        print(text, end="")
    return 0 if outcome.all_in else 1


def as_json(analysis: Analysis, with_budget: bool = False) -> dict[str, Any]:
    """The figures in base SI units, as programs read them."""
    results: dict[str, Any] = {}
    for name, result in analysis.results.items():
        results[name] = {
            "value": result.value,
            "unit": result.unit,
            "expanded_uncertainty": result.expanded_uncertainty,
            "coverage_factor": result.coverage_factor,
            "definition": result.definition,
        }
        if with_budget:
            results[name]["budget"] = None if result.budget is None else result.budget.to_json()
    return {"method": analysis.method, "results": results, "warnings": list(analysis.warnings)}


def as_text(analysis: Analysis, file: Path, with_budget: bool = False) -> str:
    """The figures for people: one line each, definitions and warnings below."""
    from orchestrator.analysis.methods import result_in_words

    width = max(len(name) for name in analysis.results)
    lines = [f"{file}: {analysis.method}", ""]
    for name, result in analysis.results.items():
        k = f"  (k = {result.coverage_factor:.2f})" if result.expanded_uncertainty else ""
        lines.append(f"  {name:{width}}  {result_in_words(name, result)}{k}")
    lines += ["", *(f"  {name}: {result.definition}" for name, result in analysis.results.items())]
    lines += [f"warning: {sentence}" for sentence in analysis.warnings]
    if with_budget:
        budgets = ((name, result.budget) for name, result in analysis.results.items())
        lines += [f"\n{name}\n{budget.table()}" for name, budget in budgets if budget is not None]
    return "\n".join(lines)


def _say_refused(args: argparse.Namespace, refusal: Refused) -> None:
    if args.json:
        reason = {"code": refusal.code, "sentence": refusal.sentence, "help": refusal.help}
        print(json.dumps({"method": args.method, "refused": reason}, indent=2))
    print(f"refused ({refusal.code}): {args.file}: {refusal.sentence}\nhelp: {refusal.help}", file=sys.stderr)
