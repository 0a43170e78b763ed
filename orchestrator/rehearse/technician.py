"""The technician of a rehearsal: does in the virtual cell what a question asks for, takes time for it, answers."""

from __future__ import annotations

import math
import random
from collections.abc import Callable
from dataclasses import dataclass, replace
from typing import TYPE_CHECKING, Any

from orchestrator.engine.people import Answer, Person, Question, objection

if TYPE_CHECKING:
    from orchestrator.monitor.port import MonitorPort
    from orchestrator.rehearse.world import VirtualWorld

NAME = "technician of the rehearsal"
LOOK_EVERY_S = 2.0
TRIES_TO_ARM = 3
# What an eye sees of the cloth, in the words of the indicator's states.
SEEN = {"glowing": "ignited", "burning": "ignited", "none": "ignited"}
# How to open and close each safety input by hand, where it has not been proven yet.
TOGGLES = {
    "door": ("door", "open", "closed"),
    "earthing_stick_home": ("earthing_stick", "away", "home"),
    "emergency_stop": ("emergency_stop", "pressed", "released"),
    "exhaust": ("exhaust", "stopped", "running"),
    "guard": ("guard", "open", "closed"),
    "smoke_detector": ("smoke_detector", "smoke", "clear"),
}
WAYS_IN = ("door", "guard")


@dataclass(frozen=True)
class Act:
    """Something done at an instant."""

    at_s: float
    do: Callable[[], None]


class Technician:
    """Implements `People`; also an actor of the virtual world. `hand_s` is how long one act takes."""

    hand_s = (2.0, 6.0)

    def __init__(self, world: VirtualWorld, monitor: MonitorPort, seed: int) -> None:
        self.person = Person(NAME)
        self.done: list[tuple[float, str]] = []
        self._world = world
        self._things = world.plant.names()
        self._monitor = monitor
        self._seed = seed
        self._random = random.Random(seed)
        self._acts: list[Act] = []
        self._question: Question | None = None
        self._answer: Answer | None = None
        self._arms = 0
        self._says_no = False
        self.before_answer: Callable[[str], None] = lambda ask: None

    # ---- People

    def put(self, question: Question) -> None:
        self._question, self._answer = question, None
        # How long the hands take depends on what is asked, and not on what was asked before.
        self._random = random.Random(f"{self._seed} {question.ask} {question.text}")
        self._at_s = self._world.now_s
        self._acts = []
        getattr(self, f"_{question.ask}", self._confirm)(question)

    def withdraw(self) -> None:
        self._question, self._answer, self._acts = None, None, []

    def answer(self, now_s: float) -> Answer | None:
        return self._answer

    # ---- actor

    def due_s(self) -> float:
        return self._acts[0].at_s if self._acts else math.inf

    def run(self, now_s: float) -> None:
        act = self._acts.pop(0)
        act.do()

    # ---- what a question makes a person do

    def _connect(self, question: Question) -> None:
        self._go_in("open")
        self._hand("earthing_stick", "away")
        self._hand("connection", str(question.connection))
        if question.connection == "specimen":
            self._hand("cloth", "fresh")
        self._hand("earthing_stick", "home")
        self._go_in("closed")
        self._then(lambda: self._say(question, label=question.label_of, labels=question.labels_of))

    def _inspect(self, question: Question) -> None:
        self._go_in("open")
        self._go_in("closed")
        self._then(lambda: self._say(question, photo="photo-of-the-rehearsal.jpg"))

    def _arm(self, question: Question) -> None:
        for name, view in self._monitor.snapshot().inputs.items():
            if name in TOGGLES and not (view["proven"] and view["closed"]):
                thing, unsafe, safe = TOGGLES[name]
                self._hand(thing, unsafe)
                self._hand(thing, safe)
        self._arms = self._arms + 1 if "Not armed" in question.text else 0
        if self._arms >= TRIES_TO_ARM:
            self._then(lambda: self._refuse(question))
        else:
            self._then(lambda: self._say(question))

    def say_no(self) -> None:
        """The next answer is a no."""
        self._says_no = True

    def _refuse(self, question: Question) -> None:
        """A bench that cannot be armed is nothing a technician repairs by asking again."""
        self.done.append((self._world.now_s, f"says no: {question.text}"))
        self._answer = Answer(self.person, yes=False)

    def _observe(self, question: Question) -> None:
        ends_s = question.not_before_s or self._world.now_s
        self._then(lambda: self._look(question, ends_s), after_s=0.5)

    def _look(self, question: Question, ends_s: float) -> None:
        now_s = self._world.now_s
        state = str(self._world.plant.show(now_s)["cloth"])
        state = SEEN.get(state, state)
        if state != question.choices[0] or now_s >= ends_s:
            self._say(question, choice=state)
        else:
            until_s = min(ends_s, now_s + LOOK_EVERY_S)
            self._acts.append(Act(until_s, lambda: self._look(question, ends_s)))

    def _confirm(self, question: Question) -> None:
        self._then(lambda: self._say(question))

    # ---- inside

    def _then(self, do: Callable[[], None], after_s: float | None = None) -> None:
        """The next act of the hands: each takes some seconds."""
        # In hundredths, so that a person who does something again only shifts what follows against the polls.
        self._at_s += round(self._random.uniform(*self.hand_s), 2) if after_s is None else after_s
        self._acts.append(Act(self._at_s, do))

    def _go_in(self, state: str) -> None:
        """The way into the cell, whatever this bench has."""
        for thing in WAYS_IN:
            self._hand(thing, state)

    def _hand(self, thing: str, value: str) -> None:
        if thing not in self._things:  # this bench has none
            return

        def do() -> None:
            self.done.append((self._world.now_s, f"{thing} {value}"))
            self._world.plant.set(thing, value, self._world.now_s)

        self._then(do)

    def _say(self, question: Question, **more: Any) -> None:
        self.before_answer(question.ask)
        if self._question is not question:  # withdrawn in the meantime
            return
        if self._says_no:
            self._says_no = False
            self._refuse(question)
            return
        by = Person(f"another {NAME}, number {len(question.not_by) + 1}") if question.not_by else self.person
        answer = replace(Answer(by, confirmed=question.items), **more)
        why_not = objection(question, answer, self._world.now_s)
        if why_not is not None:
            raise AssertionError(f"the rehearsal's technician cannot answer: {why_not}")
        self.done.append((self._world.now_s, f"answers: {question.text}"))
        self._answer = answer
