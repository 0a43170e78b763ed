"""From what a person sent to an answer: which items it confirms, and the photo kept in the record."""

from __future__ import annotations

from dataclasses import replace
from typing import TYPE_CHECKING, Any

from orchestrator.core.identity import CARD_FIELDS
from orchestrator.engine.people import Answer, Person, Question
from orchestrator.engine.photos import kept_photo
from orchestrator.engine.preflight import Refused

if TYPE_CHECKING:
    from orchestrator.record.store import Store

Args = dict[str, Any]


def answer_from(question: Question, args: Args, who: Person, store: Store) -> Answer:
    """The answer; a photo is copied into the record. Refused where it cannot be understood."""
    given = Answer(
        who,
        yes=args.get("yes") is not False,
        confirmed=confirmed_items(question, args),
        choice=text_of(args.get("choice")),
        remark=text_of(args.get("remark")),
        readings={str(k): str(v) for k, v in dict(args.get("readings") or {}).items()},
        labels=tuple(str(one) for one in args.get("labels") or ()),
        **{name: text_of(args.get(name)) for name in ("label", *CARD_FIELDS)},
    )
    if args.get("photo") and given.yes:
        return replace(given, photo=kept_photo(store, question.number, str(args["photo"])))
    return given


def confirmed_items(question: Question, args: Args) -> tuple[str, ...]:
    """The items that an answer confirms: all, or each by its text or the beginning of it."""
    if args.get("confirm_all"):
        return question.items
    confirmed = []
    for text in args.get("confirmed") or []:
        wanted = str(text).strip().casefold()
        found = [item for item in question.items if item.casefold().startswith(wanted)]
        exact = [item for item in found if item.casefold() == wanted]
        if len(exact or found) != 1 or not wanted:
            items = "; ".join(question.items) or "nothing"
            raise Refused("no-such-item", f"'{text}' is not one thing to be confirmed.", f"there is: {items}")
        confirmed.append((exact or found)[0])
    return tuple(confirmed)


def override_from(args: Args) -> str | None:
    """The reason for setting a lapsed calibration aside; refused where somebody wants to give none."""
    if args.get("override_calibration") is None:
        return None
    reason = text_of(args["override_calibration"])
    if reason is None:
        raise Refused("no-reason", "An override needs its reason.", "say why it may be done; it is recorded")
    return reason


def overriding_person(args: Args, who: Person) -> Person:
    """Who answers for a calibration that is set aside: the person named for it, else whoever starts."""
    name = text_of(args.get("override_by"))
    return who if name is None else Person(name)


def done_words(question: Question, answer: Answer) -> str:
    """What an answer did, in a sentence."""
    who = answer.by.name
    if not answer.yes:
        return f"{who} said no: the run stops."
    if question.ask == "connect":
        return f"Confirmed by {who}: connected as asked. Stay out of the cell from the arming on."
    return f"Answered by {who}: {answer.choice or ', '.join(answer.confirmed) or 'yes'}."


def text_of(value: Any) -> str | None:
    """A text with something in it, or None."""
    return value.strip() if isinstance(value, str) and value.strip() else None
