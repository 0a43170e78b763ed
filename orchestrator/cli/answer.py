"""`benchward answer`: every act of a person. Without an answer it shows what is asked."""

from __future__ import annotations

import argparse
import json
import textwrap
from pathlib import Path
from typing import Any

from orchestrator.cli.client import (
    FINE,
    EngineLink,
    Facts,
    Refusal,
    Unreachable,
    add_by,
    add_data,
    complain,
    places_from,
    who_from,
)
from orchestrator.core.status_text import question_lines

BENCH_ACTS = ("release", "acknowledge")


def add_parser(subparsers: argparse._SubParsersAction[argparse.ArgumentParser]) -> None:
    """Add the command."""
    parser = subparsers.add_parser(
        "answer",
        help="do what a person is asked for",
        description="Answer what is asked: connecting, arming, inspecting, observing, a hold point, the release of a "
        "blocked start, a failure of the software. Without an answer it shows the question. What you confirm goes "
        "into the record under your name: confirm only what you have done and seen yourself.",
    )
    parser.add_argument(
        "--question", type=int, metavar="N", help="which question you mean; refused when it is over"
    )
    says = parser.add_mutually_exclusive_group()
    says.add_argument("--yes", action="store_true", help="yes, where nothing is to be confirmed")
    says.add_argument("--no", action="store_true", help="no: the run stops")
    items = parser.add_mutually_exclusive_group()
    items.add_argument(
        "--confirm", nargs="+", metavar="ITEM", help="each thing confirmed, or its first words"
    )
    items.add_argument("--confirm-all", action="store_true", help="everything that is to be confirmed")
    parser.add_argument("--choice", metavar="STATE", help="what the indicator shows")
    parser.add_argument("--photo", type=Path, metavar="PATH", help="a photo; it is copied into the record")
    parser.add_argument(
        "--reading",
        action="append",
        default=[],
        metavar="NAME=TEXT",
        help="a value read by eye; may be repeated",
    )
    parser.add_argument("--remark", metavar="TEXT", help="a remark for the record")
    add_by(parser)
    add_data(parser)
    parser.set_defaults(run=run)


def run(args: argparse.Namespace) -> int:
    """Show the question, or answer it."""
    try:
        link = EngineLink(places_from(args))
        try:
            question = link.call("status")["status"]["do"]["question"]
            if not _answers(args):
                return _show(question, args.json)
            return _answer(link, args, question)
        finally:
            link.close()
    except (Unreachable, Refusal) as error:
        return complain(error, args.json)


def _answers(args: argparse.Namespace) -> bool:
    said = (
        args.yes,
        args.no,
        args.confirm,
        args.confirm_all,
        args.choice,
        args.photo,
        args.reading,
        args.remark,
    )
    return any(said)


def _show(question: Facts | None, as_json: bool) -> int:
    if as_json:
        print(json.dumps({"question": question}))
    elif question is None:
        print("Nothing is being asked at the moment.")
    else:
        print(question_text(question))
    return FINE


def question_text(question: Facts) -> str:
    """The question as a person reads it, and how to answer."""
    lines = textwrap.wrap(f"Question {question['question']}: {question['text']}", 78)
    if question.get("caution"):
        lines += textwrap.wrap(f"CAUTION: {question['caution']}", 78)
    lines += [f"  {line}" for line in question_lines(question)]
    return "\n".join([*lines, f"answer with: {how_to_answer(question)}"])


def how_to_answer(question: Facts) -> str:
    """The command that answers this kind of question."""
    parts = ["benchward answer"]
    if question.get("items"):
        parts.append("--confirm-all")
    if question.get("choices"):
        parts.append(f"--choice {question['choices'][0]}")
    if question.get("needs_photo"):
        parts.append("--photo PATH")
    if question.get("ask") in BENCH_ACTS:
        parts.append("--by NAME")
    return " ".join(parts if len(parts) > 1 else [*parts, "--yes"])


def _answer(link: EngineLink, args: argparse.Namespace, question: Facts | None) -> int:
    if (
        question is not None
        and question["ask"] in BENCH_ACTS
        and args.question in (None, question["question"])
    ):
        return _bench_act(link, args, question)
    given = {
        "question": args.question,
        "yes": not args.no,
        "confirm_all": args.confirm_all,
        "confirmed": args.confirm or [],
        "choice": args.choice,
        "photo": str(args.photo.resolve()) if args.photo else None,
        "remark": args.remark,
        "readings": dict(text.partition("=")[::2] for text in args.reading),
    }
    return _said(args, link.call("answer", who_from(args), **given))


def _bench_act(link: EngineLink, args: argparse.Namespace, question: Facts) -> int:
    """Release and acknowledgement need a name and the confirmation of what was looked at."""
    if args.no:
        return _said(args, {"ok": True, "sentence": "Nothing is changed: the next start stays refused."})
    if not (args.confirm_all or args.confirm):
        help_ = f"confirm it: {how_to_answer(question)}"
        raise Refusal({"code": "not-answered", "sentence": "It was not confirmed.", "help": help_})
    return _said(args, link.call(question["ask"], who_from(args)))


def _said(args: argparse.Namespace, reply: dict[str, Any]) -> int:
    print(json.dumps(reply) if args.json else reply["sentence"])
    return FINE
