"""`benchward answer`: every act of a person. Without an answer it shows what is asked."""

from __future__ import annotations

import argparse
import json
import shlex
import sys
import textwrap
import time
from pathlib import Path
from typing import Any

from orchestrator.cli.client import (
    FINE,
    WRONG,
    EngineLink,
    Facts,
    Refusal,
    Unreachable,
    accepted,
    add_by,
    add_data,
    who_from,
    with_engine,
)
from orchestrator.core.identity import CARD_FIELDS
from orchestrator.core.status_text import BENCH_ACTS, how_to_answer, question_lines, question_name
from orchestrator.daemon.places import data_folder

# Said only by somebody who names what was read: a repeated line must not do the next act unseen.
NAMED_ACTS = ("arm", "connect", *BENCH_ACTS)
ARMED_WITHIN_S = 5.0


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
        "--question",
        metavar="N",
        help="the question you have read; needed to connect, arm, release, acknowledge; refused when it is over",
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
    parser.add_argument(
        "--label",
        action="append",
        metavar="TEXT",
        help="the specimen's label, read again at the bench; another one than the run's is refused; with several "
        "mounts once for each, in their order",
    )
    for name in CARD_FIELDS:
        parser.add_argument(
            f"--{name}", metavar="TEXT", help=f"the specimen's {name}, as found when it is connected"
        )
    parser.add_argument("--remark", metavar="TEXT", help="a remark for the record")
    add_by(parser)
    add_data(parser)
    parser.set_defaults(run=run)


def run(args: argparse.Namespace) -> int:
    """Show the question, or answer it."""

    def talk(link: EngineLink) -> int:
        question = link.call("status")["status"]["do"]["question"]
        if not _answers(args):
            return _show(question, args)
        if question is not None and _is_unnamed(args, question):
            return _show_first(args, question)
        return _answer(link, args, question)

    return with_engine(args, talk)


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
        args.label,
    )
    return any(said)


def _show(question: Facts | None, args: argparse.Namespace) -> int:
    if args.json:
        print(json.dumps({"question": question}))
    elif question is None:
        print("Nothing is being asked at the moment.")
    else:
        print(question_text(question, _more(args)))
    return FINE


def _more(args: argparse.Namespace) -> str:
    """What the line to type needs besides, to reach the same daemon."""
    return f" --data {shlex.quote(args.data)}" if args.data else ""


def to_reach(data: Path) -> str:
    """The same, for whoever types it in this folder and this environment."""
    return "" if data == data_folder() else f" --data {shlex.quote(str(data))}"


def question_text(question: Facts, more: str = "") -> str:
    """The question as a person reads it, and how to answer."""
    lines = textwrap.wrap(f"Question {question_name(question)}: {question['text']}", 78)
    if question.get("caution"):
        lines += textwrap.wrap(f"CAUTION: {question['caution']}", 78)
    for line in question_lines(question):
        lines += textwrap.wrap(line, 78, initial_indent="  ", subsequent_indent="      ")
    return "\n".join([*lines, f"answer with: {how_to_answer(question)}{more}"])


def _is_unnamed(args: argparse.Namespace, question: Facts) -> bool:
    """Confirmed without the question's name, where only who has read the question may confirm."""
    return question["ask"] in NAMED_ACTS and not args.no and args.question is None


def _show_first(args: argparse.Namespace, question: Facts) -> int:
    """Nothing is done: what is asked comes before the answer."""
    sentence = "Nothing was done: read what is asked first, then answer it by its name."
    if args.json:
        print(json.dumps({"ok": False, "code": "not-answered", "sentence": sentence, "question": question}))
    else:
        print(f"{sentence}\n\n{question_text(question, _more(args))}", file=sys.stderr)
    return WRONG


def _answer(link: EngineLink, args: argparse.Namespace, question: Facts | None) -> int:
    if question is None:
        raise _refused("no-question", "Nothing is being asked at the moment.", "see: benchward status")
    if args.question not in (None, question_name(question)):
        asked = f"the open one is {question_name(question)}: {question['text']}"
        sentence = f"Question {args.question} is not open; {asked}"
        raise _refused("not-answered", sentence, "see what is asked: benchward answer")
    if question["ask"] in BENCH_ACTS:
        return _bench_act(link, args, question)
    given = {
        "question": question["question"],
        "yes": not args.no,
        "confirm_all": args.confirm_all,
        "confirmed": args.confirm or [],
        "choice": args.choice,
        "photo": str(args.photo.resolve()) if args.photo else None,
        "remark": args.remark,
        "readings": dict(text.partition("=")[::2] for text in args.reading),
        **_labels(args, question),
        **{name: getattr(args, name) for name in CARD_FIELDS},
    }
    if question["ask"] == "arm" and not args.no:
        return _said(args, _arm(link, args, given))
    return _said(args, link.call("answer", who_from(args), **given))


def _labels(args: argparse.Namespace, question: Facts) -> Facts:
    """One label, or those of all mounts. More than are asked for is a mistake that nobody guesses about."""
    read = args.label or []
    if question.get("labels_of"):
        return {"labels": read}
    if len(read) > 1:
        asked = "one label" if question.get("label_of") else "no label"
        raise _refused("not-answered", f"{len(read)} labels were given.", f"this question asks for {asked}")
    return {"label": read[0] if read else None}


def _refused(code: str, sentence: str, help_: str) -> Refusal:
    return Refusal({"ok": False, "code": code, "sentence": sentence, "help": help_})


def _arm(link: EngineLink, args: argparse.Namespace, given: Facts) -> Facts:
    """The answer, then what became of it: armed, refused by the monitor, or one more person is asked."""
    link.call("watch")
    number = link.send("answer", who_from(args), **given)
    reply: Facts | None = None
    became: str | None = None
    for message in link.messages(time.monotonic() + ARMED_WITHIN_S):
        if message.get("id") == number:
            reply = accepted(message)
        became = became or _became(message, given["question"])
        if reply is not None and became:
            return reply | {"sentence": became}
    help_ = "stay outside; see: benchward status; to stop: benchward abort"
    raise Unreachable("Whether the bench is armed is not known: treat it as armed.", help_)


def _became(message: Facts, number: int) -> str | None:
    """What a message says of an arming; None where it says nothing of it."""
    entry = message.get("event") or {}
    if entry.get("kind") == "arming":
        if entry["granted"]:
            return f"ARMED by {entry['by']}: stay outside. To stop at once: benchward abort"
        return f"NOT ARMED: {str(entry['sentence']).rstrip('.')}. You are asked again: benchward answer"
    asked = ((message.get("status") or {}).get("do") or {}).get("question")
    if asked is not None and asked["question"] > number:
        return f"Confirmed. Stay outside. Now question {asked['question']} is open: {asked['text']}"
    return None


def _bench_act(link: EngineLink, args: argparse.Namespace, question: Facts) -> int:
    """Release and acknowledgement need a name and the confirmation of what was looked at."""
    if args.no:
        return _said(args, {"ok": True, "sentence": "Nothing is changed: the next start stays refused."})
    if not (args.confirm_all or args.confirm):
        help_ = f"confirm it: {how_to_answer(question)}"
        raise _refused("not-answered", "It was not confirmed.", help_)
    return _said(args, link.call(question["ask"], who_from(args)))


def _said(args: argparse.Namespace, reply: dict[str, Any]) -> int:
    print(json.dumps(reply) if args.json else reply["sentence"])
    return FINE
