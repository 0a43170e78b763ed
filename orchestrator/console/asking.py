"""One question at a time: what a person is asked for, step by step, and the order that comes out of it.

No screen in here. A `Form` has one open `Ask`; what is typed or scanned is given to it, and it says what is wrong.
"""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass, field
from typing import Any

from orchestrator.core.identity import label_objection

Facts = dict[str, Any]
NO = "no"
ROOM_ABOVE = 95
NO_MEANS = "To stop the run: type no, then Enter."
SEEN_MYSELF = "seen by yourself"
# Outside of a run there is no question of a role, but only one may do it, and says their own name.
OF_THE_BENCH = {"release": "test operator in charge", "acknowledge": "engineer"}
LABEL = "label at mount "
SET = "set "  # before the name of a value of the sequence, so that it cannot be taken for a name of the card


@dataclass(frozen=True)
class Ask:
    """One thing to be typed or scanned. `check` says what is wrong with a text, None when nothing is."""

    name: str
    prompt: str
    hint: str = ""
    usual: str = ""
    required: bool = True
    sums_up: bool = False  # what was given so far is shown whole
    counted: bool = True  # its place among the others is shown; not beside numbers of its own
    check: Callable[[str], str | None] = lambda text: None


@dataclass
class Form:
    """Asks in their order. `heading` stands above them, `number` is the engine's question (0: none)."""

    kind: str
    heading: list[str]
    asks: list[Ask]
    number: int = 0
    values: dict[str, str] = field(default_factory=dict)
    at: int = 0
    refused: bool = False

    @property
    def open(self) -> Ask | None:
        """What is asked now; None when all is given."""
        return self.asks[self.at] if self.at < len(self.asks) and not self.refused else None

    def give(self, text: str) -> str | None:
        """Take what was typed; what is wrong with it, or None."""
        ask = self.open
        if ask is None:
            return None
        typed = text.strip() or ask.usual
        if typed.casefold() == NO and self.number:
            self.refused = True
            return None
        if not typed and ask.required:
            return f"Something has to be typed: {ask.hint or ask.prompt}"
        wrong = ask.check(typed) if typed else None
        if wrong is None:
            self.values[ask.name] = typed
            self.at += 1
        return wrong

    def back(self) -> None:
        """One step back, to mend what was typed."""
        self.refused = False
        self.at = max(0, self.at - 1)

    def given(self) -> str:
        """What was typed at this step before, to be mended."""
        return self.values.get(self.open.name, "") if self.open else ""

    def lines(self) -> list[str]:
        """What is to be seen: the heading, what is given already, what is asked now."""
        given = [f"[x] {ask.prompt}: {self.values.get(ask.name) or '-'}" for ask in self.asks[: self.at]]
        ask = self.open
        if ask is None:
            return [*self.heading, *given[-4:]]
        if ask.sums_up:
            given = [
                ", ".join(
                    f"{one.name.removeprefix(SET)}: {self.values[one.name]}"
                    for one in self.asks
                    if self.values.get(one.name)
                )
            ]
        count = f"   ({self.at + 1} of {len(self.asks)})" if ask.counted and len(self.asks) > 1 else ""
        return [
            *self.heading,
            *given[-2:],
            f"[ ] {ask.prompt}{count}",
            *([f"    {ask.hint}"] if ask.hint else []),
        ]


# --------------------------------------------------------------------------- the engine's questions


def form_for(question: Facts) -> Form:
    """The form of a question: identity, each item, the choice, a photo, the name, a remark."""
    asks: list[Ask] = []
    if question.get("label_of"):
        asks.append(_scan_again(str(question["label_of"])))
    for place, specimen in enumerate(question.get("labels_of") or (), 1):
        asks.append(_scan_again(str(specimen), place))
    for item in question.get("items") or []:
        asks.append(_item(len(asks) + 1, item, of_run=bool(question.get("question"))))
    if question.get("choices"):
        asks.append(_choice(list(question["choices"])))
    if question.get("needs_photo"):
        asks.append(
            Ask("photo", "Photo: path of the file", "on the daemon's computer; it is copied into the record")
        )
    others = list(question.get("not_by") or [])
    role = question.get("role") or OF_THE_BENCH.get(str(question.get("ask")))
    if others or role:
        asks.append(_who(role, others))
    if question.get("ask") in ("inspect", "observe"):
        asks.append(Ask("remark", "Remark", "Enter = none", required=False))
    if not asks:
        asks.append(Ask("done", "Done?", f"Done: type yes, then Enter.  {NO_MEANS}", check=_is_yes))
    caution = question.get("caution")
    text = str(question.get("text") or "")
    heading = [f"CAUTION: {caution}"] if caution else []
    heading += [text] if len(text) > ROOM_ABOVE else []  # the third question has no more room for it
    heading += [f"- {one}" for one in question.get("found") or ()]
    return Form(str(question.get("ask")), heading, asks, int(question.get("question") or 0))


def _scan_again(specimen: str, place: int = 0) -> Ask:
    """The label at the bench, or that of one mount of several."""

    def check(text: str) -> str | None:
        return label_objection(text, specimen)

    name = f"{LABEL}{place}" if place else "label"
    where = f"at mount {place}, {specimen}" if place else "of the specimen at the bench"
    return Ask(name, f"Scan or type the label {where}", NO_MEANS, check=check)


def _who(role: str | None, others: list[str]) -> Ask:
    """A person who says their own name: another one than those before, in the role that is asked."""

    def check(text: str) -> str | None:
        if any(" ".join(text.split()).casefold() == " ".join(name.split()).casefold() for name in others):
            return f"{text} has confirmed already: this is for another person."
        return None

    hint = f"your name or badge, as the {role}" if role else "your name or badge"
    return Ask("name", "Who are you?", f"{hint}, for the record", check=check)


def _item(number: int, item: str, of_run: bool) -> Ask:
    """A thing to be confirmed by its number; `of_run` False where there is no run that a no could stop."""

    def check(text: str) -> str | None:
        if text == str(number):
            return None
        return f"Type {number} when it is so{', or no' if of_run else ''}. '{text}' is not that."

    return Ask(
        f"item {number}",
        item,
        f"It is so, {SEEN_MYSELF}: type {number}, then Enter.  {NO_MEANS if of_run else ''}".rstrip(),
        check=check,
    )


def _choice(choices: list[str]) -> Ask:
    def check(text: str) -> str | None:
        if chosen(text, choices):
            return None
        return f"Type a number from 1 to {len(choices)}."

    shown = "  ".join(f"{number} {choice}" for number, choice in enumerate(choices, 1))
    return Ask("choice", "What does it show? Its number, then Enter.", shown, check=check, counted=False)


def chosen(text: str, choices: list[str]) -> str | None:
    """The choice meant by its number or its word."""
    if text.isdecimal() and 1 <= int(text) <= len(choices):
        return choices[int(text) - 1]
    return next((choice for choice in choices if choice.casefold() == text.casefold()), None)


def _is_yes(text: str) -> str | None:
    return None if text.casefold() in ("yes", "y") else "Type yes when it is done, or no."


def order_of(form: Form, question: Facts, by: str | None) -> tuple[str, Facts]:
    """Where the filled form goes and what it says."""
    who = form.values.get("name") or by
    if form.kind in ("release", "acknowledge") and form.number == 0:
        return f"/{form.kind}", {"by": who}
    items = [ask.prompt for ask in form.asks if ask.name.startswith("item ") and ask.name in form.values]
    choice = form.values.get("choice")
    return "/answer", {
        "question": form.number,
        "yes": not form.refused,
        "confirmed": [] if form.refused else items,
        "choice": chosen(choice, list(question["choices"])) if choice else None,
        "photo": form.values.get("photo"),
        "remark": form.values.get("remark"),
        "label": form.values.get("label"),
        **_labels(form),
        "by": who,
    }


def _labels(form: Form) -> Facts:
    """Those of several mounts, in their order; nothing is said of labels where there is one or none."""
    names = [ask.name for ask in form.asks if ask.name.startswith(LABEL)]
    return {"labels": [form.values[name] for name in names if name in form.values]} if names else {}
