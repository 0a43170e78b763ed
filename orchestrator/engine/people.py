"""What a run asks of people, and the answers. One question is open at a time."""

from __future__ import annotations

import math
import threading
from collections.abc import Callable
from dataclasses import dataclass, field
from typing import Any, Protocol

from orchestrator.core.identity import CARD_FIELDS, label_objection, labels_objection
from orchestrator.engine.pace import Pace


@dataclass(frozen=True)
class Person:
    """Who acted. `how` says what that rests on: "peer" (the socket's user) or "declared" (badge, typed name)."""

    name: str
    how: str = "declared"

    def to_json(self) -> dict[str, str]:
        return {"name": self.name, "how": self.how}


@dataclass(frozen=True)
class Question:
    """One thing a person must do or say.

    `ask` is the act (connect, inspect, arm, observe, hold, release, acknowledge); `items` are to be confirmed one by
    one; `choices` are the possible states of an indicator; "unmarked" before `not_before_s` is too early.
    """

    number: int
    ask: str
    text: str
    items: tuple[str, ...] = ()
    choices: tuple[str, ...] = ()
    needs_photo: bool = False
    not_before_s: float | None = None
    caution: str | None = None
    connection: str | None = None  # what is to be connected: open, link, specimen
    role: str | None = None  # the one role that it is asked of
    not_by: tuple[str, ...] = ()  # who has answered before and does not count again
    label_of: str | None = None  # the specimen whose label is read again with the answer
    labels_of: tuple[str, ...] = ()  # the same where there are several mounts: of each, in their order
    found: tuple[str, ...] = ()  # what the bench has found out, to be read before the answer

    def to_json(self) -> dict[str, Any]:
        asked_of = {"role": self.role} if self.role else {}
        others = {"not_by": list(self.not_by)} if self.not_by else {}
        label: dict[str, Any] = {"label_of": self.label_of} if self.label_of else {}
        label |= {"labels_of": list(self.labels_of)} if self.labels_of else {}
        found = {"found": list(self.found)} if self.found else {}
        return {
            "question": self.number,
            "ask": self.ask,
            "text": self.text,
            "items": list(self.items),
            "choices": list(self.choices),
            "needs_photo": self.needs_photo,
            "not_before_s": self.not_before_s,
            "caution": self.caution,
            "connection": self.connection,
            **asked_of,
            **others,
            **label,
            **found,
        }


@dataclass(frozen=True)
class Answer:
    """A person's answer: `yes` False means "no, stop here".

    `label` is the specimen's as it was read again at the bench, `labels` those of several mounts in their order; group,
    condition and firmware are as they were found there, where that differs from the admission or was not known then.
    """

    by: Person
    yes: bool = True
    confirmed: tuple[str, ...] = ()
    choice: str | None = None
    photo: str | None = None
    remark: str | None = None
    readings: dict[str, str] = field(default_factory=dict)
    label: str | None = None
    labels: tuple[str, ...] = ()
    group: str | None = None
    condition: str | None = None
    firmware: str | None = None

    def to_json(self) -> dict[str, Any]:
        found: dict[str, Any] = {name: getattr(self, name) for name in ("label", *CARD_FIELDS)}
        found["labels"] = list(self.labels)
        return {
            "by": self.by.to_json(),
            "yes": self.yes,
            "confirmed": list(self.confirmed),
            "choice": self.choice,
            "photo": self.photo,
            "remark": self.remark,
            "readings": dict(self.readings),
            **{name: text for name, text in found.items() if text},
        }


def objection(question: Question, answer: Answer, now_s: float) -> str | None:
    """Why this answer does not answer the question yet, in a sentence; None when it does."""
    if not answer.yes:
        said = answer.choice or answer.confirmed
        return "Say no, or what you see and confirm, not both." if said else None
    if any(_same(answer.by.name, name) for name in question.not_by):
        return f"{answer.by.name} has confirmed already: this is for another person."
    if (why_not := _label_objection(question, answer)) is not None:
        return why_not
    missing = [item for item in question.items if item not in answer.confirmed]
    if missing:
        return f"Not confirmed yet: {', '.join(missing)}."
    if question.needs_photo and not answer.photo:
        return "A photo is required: give its path."
    if question.choices and answer.choice not in question.choices:
        return f"Say one of: {', '.join(question.choices)}."
    early = question.not_before_s is not None and now_s < question.not_before_s
    if early and question.choices and answer.choice == question.choices[0]:
        assert question.not_before_s is not None
        left_s = question.not_before_s - now_s
        return f"The observation window runs for another {left_s:.0f} s; '{answer.choice}' counts only at its end."
    return None


def _label_objection(question: Question, answer: Answer) -> str | None:
    """The specimen at the bench has to be the one of the run, by its label read there."""
    if question.label_of is not None:
        return label_objection(answer.label, question.label_of)
    if question.labels_of:
        return labels_objection(answer.labels, question.labels_of)
    given = [name for name in CARD_FIELDS if getattr(answer, name)]
    return (
        f"This question asks for no {given[0]}: it is told when the specimen is connected." if given else None
    )


def _same(one: str, other: str) -> bool:
    """Whether two names are one person's: case and white space do not count."""
    return " ".join(one.split()).casefold() == " ".join(other.split()).casefold()


class People(Protocol):
    """Where answers come from: the daemon's inbox, or the technician of a rehearsal."""

    def put(self, question: Question) -> None:
        """Show the question."""

    def answer(self, now_s: float) -> Answer | None:
        """The answer, when there is one that answers it."""

    def withdraw(self) -> None:
        """The question is no longer open."""


def ask(
    people: People, question: Question, pace: Pace, heard: Callable[[Answer], None] = lambda answer: None
) -> Answer:
    """Ask and wait, for as long as it takes; Stopped ends the waiting.

    `heard` is told the answer before anything else is done with it, also where a stop came at the same moment.
    """
    people.put(question)
    try:
        pace.wait_for(lambda: people.answer(pace.now_s()) is not None, math.inf)
        answer = people.answer(pace.now_s())
        assert answer is not None, "an answer that was there stays until the question is withdrawn"
        return answer
    finally:
        given = people.answer(pace.now_s())
        people.withdraw()
        if given is not None:
            heard(given)


class Inbox:
    """Answers that arrive from another thread, one open question at a time."""

    def __init__(self) -> None:
        self._lock = threading.Lock()
        self._question: Question | None = None
        self._answer: Answer | None = None

    @property
    def question(self) -> Question | None:
        return self._question

    def put(self, question: Question) -> None:
        with self._lock:
            self._question, self._answer = question, None

    def withdraw(self) -> None:
        with self._lock:
            self._question, self._answer = None, None

    def answer(self, now_s: float) -> Answer | None:
        return self._answer

    def deliver(self, number: int | None, answer: Answer, now_s: float) -> str | None:
        """Hand in an answer; None when it was taken, otherwise why not, in a sentence."""
        with self._lock:
            question = self._question
            if question is None:
                return "Nothing is being asked at the moment."
            if number is not None and number != question.number:
                return (
                    f"Question {number} is no longer open; the open one is {question.number}: {question.text}"
                )
            why_not = objection(question, answer, now_s)
            if why_not is None:
                self._answer = answer
            return why_not
