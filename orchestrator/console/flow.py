"""What the console does in answer to the bench and to the person: forms, orders, replies. No widgets in here."""

from __future__ import annotations

from collections.abc import Callable
from typing import Any, Protocol

from orchestrator.console.asking import Form, form_for, order_of
from orchestrator.console.card import (
    LAPSED,
    MOUNT,
    ask_for_override,
    complete,
    go_on_order,
    going_on_card,
    new_card,
    objection_to_sequence,
    objection_to_specimen,
    start_order,
    told_at_mount,
)
from orchestrator.console.known import Known
from orchestrator.console.link import Link, named, path_with
from orchestrator.console.words import BEGIN, WELL_ENDED

Facts = dict[str, Any]
Then = Callable[[Facts], None]
LEAVE_WITHIN_S = 1.0
KEEP_EVERY_S = 10.0  # the engine lets control go after three times as long
GO_ON_OR_BEGIN = "Go on with it: F9. New run: F8."
CARD_KEPT = "The card is laid aside with what was filled in: F8 comes back to it."
ONLY_LOOKS = "You only look: F10 takes control."
NOBODY_TOOK_IT = "NOBODY TOOK THE ABORT. Stay out. Cut the mains by hand."


class Screen(Protocol):
    """What the flow needs of a screen."""

    def ask(self, method: str, path: str, body: Facts | None, then: Then) -> None:
        """Put a request without waiting; `then` is called with its reply."""

    def turn_to(self, view: str) -> None:
        """Show a view."""

    def say(self, text: str) -> None:
        """One line for the person."""


class Flow:
    """Who acts, what is asked, what was ordered. All calls come from the screen's own thread."""

    def __init__(
        self, link: Link, screen: Screen, known: Known, who: str, by: str | None, sequence: str, looks: bool
    ) -> None:
        self.form: Form | None = None
        self.card: Form | None = None  # kept while something else is asked or looked at
        self.offer: Form | None = None  # to go on with a stopped run of cycles; kept in the same way
        self.left: Facts = {}  # what the last run left for one that goes on
        self.stopping = False
        self.nobody_took_it = False
        self.journal: list[Facts] = []
        self.wave: Facts = {}
        self._link, self._screen, self._known = link, screen, known
        self._who, self._by, self._sequence = who, by, sequence
        self._question: Facts = {}
        self._sequence_facts: Facts = {}
        self._run: str | None = None
        self._journal_of: str | None = None
        self._waits = False
        self._control_number: int | None = None
        self._takes = not looks  # control that nobody has
        self._looks = looks
        self._acts = False
        self._kept_s = 0.0
        self._asked_control = self._over = False

    # ---- stopping

    def abort(self) -> None:
        """To the monitor at once and before all else; the engine is told afterwards, by whoever still listens."""
        taken = self._link.abort(self._by or self._who)
        self.stopping, self.nobody_took_it = taken, not taken
        self._screen.say("Abort: the interlock monitor took it." if taken else NOBODY_TOOK_IT)
        self._screen.ask("POST", "/abort", {"by": self._by}, lambda reply: None)

    # ---- following the bench

    def follow(self, status: Facts) -> None:
        """What is asked now, and what has ended since the last look."""
        self._follow_control(status.get("control"))
        self._acts = self.may_act(status.get("control"))
        self._follow_question(status)
        run = status.get("run")
        if self._known.lost is not None:  # nobody knows whether the run is still there
            return
        if status["may_i_go_in"]["answer"] == "yes":
            self.nobody_took_it = False
        if run != self._run:
            if run is not None:
                self.stopping = self.nobody_took_it = False
            elif self._run is not None:
                self._has_ended()
            self._run = run
        ended = self._known.last_end
        if ended is not None and run is None and ended.get("run") != self._journal_of:
            self._journal_of = str(ended.get("run"))
            self.left = {}
            self._screen.ask("GET", named("runs", self._journal_of), None, self._take_journal)

    def _has_ended(self) -> None:
        self._screen.turn_to("why")
        ended = self._known.last_end or {}
        well = ended.get("reason") in WELL_ENDED
        self._screen.say(
            "The run has ended; its verdicts are in F7." if well else "The run has stopped; why: F7."
        )

    def _take_journal(self, reply: Facts) -> None:
        self.journal = list(reply.get("journal") or [])
        if any(entry.get("kind") == "cycles_started" for entry in self.journal):
            self._screen.ask("GET", named("runs", str(reply.get("run")), "go-on"), None, self._take_left)

    def _take_left(self, reply: Facts) -> None:
        self.left = reply if reply.get("ok") and reply.get("mounts") else {}

    def _follow_question(self, status: Facts) -> None:
        question = status["do"].get("question")
        if question is not None and not (self._acts or _is_for_anybody(question)):
            question = None  # somebody else is asked
        if question is None:
            if self.form is not None and self.form is not self.card and self.form is not self.offer:
                self._drop_form("bench")
            self._question = {}
            return
        if question == self._question:
            return
        self._question = question
        self.form = form_for({**question, "caution": status["do"].get("caution")})
        self._screen.say("")
        self._screen.turn_to("act")

    def may_act(self, control: Facts | None) -> bool:
        """Whether orders of this console count: control is its own, or nobody's and it did not come only to look."""
        return self._has(control) if control is not None else not self._looks

    def how_to_begin(self) -> str:
        """Where the specimen card is, and the run that may go on."""
        if self.form is not None and self.form is self.offer:
            return "Answer below."
        if self.may_go_on_with() is not None and self.form is None:
            return GO_ON_OR_BEGIN
        if self.card is None:
            return BEGIN
        return "Fill in the card below." if self.form is self.card else f"{BEGIN} Your card is laid aside."

    def may_answer(self, status: Facts) -> bool:
        """Whether what is asked now, or begun, is for this console."""
        question = status["do"].get("question")
        return self._acts or (question is not None and _is_for_anybody(question))

    def _drop_form(self, view: str) -> None:
        self.form = None
        self._screen.turn_to(view)

    # ---- typing

    def give(self, text: str) -> None:
        """What was typed or scanned."""
        form = self.form
        if form is None:
            return
        if self._waits:
            self._screen.say("Not taken: the daemon has not answered the last one yet.")
            return
        ask = form.open
        wrong = form.give(text)
        self._screen.say(wrong or "")
        if wrong is not None or ask is None:
            return
        if form is self.card:
            self._card_goes_on(form, ask.name)
        elif form is self.offer:
            if form.open is None:
                self._order("/go-on", go_on_order(form, str(self.left.get("run")), self._by), self._went_on)
        elif form.open is None:
            self._send_answer(form)

    def back(self) -> bool:
        """One step back in the form; False where there is none to go back to."""
        if self.form is None or self.form.at == 0:
            return False
        self.form.back()
        return True

    def _send_answer(self, form: Form) -> None:
        path, body = order_of(form, self._question, self._by)
        self._order(path, body, self._answered)

    def _answered(self, reply: Facts) -> None:
        if reply.get("ok"):
            self._screen.say("")
        elif self.form is not None:
            self.form.back()
            self._screen.say(_refusal(reply))

    def _order(self, path: str, body: Facts, then: Then) -> None:
        """Put an order; nothing else is taken from the line until its reply is there."""
        self._waits = True

        def replied(reply: Facts) -> None:
            self._waits = False
            then(reply)

        self._screen.ask("POST", path, body, replied)

    # ---- the card

    def begin(self) -> None:
        """The specimen card, as it was left; or away from it, without losing what was filled in."""
        if self.form is not None and self.form is self.card:
            kept = bool(self.form.values)
            self._drop_form("bench")
            self.card = self.card if kept else None
            self._screen.say(CARD_KEPT if kept else "")
        elif self._known.run is not None or self._question:
            self._screen.say("A run is in progress, or something is asked: F2.")
        elif not self._acts:
            self._screen.say(ONLY_LOOKS)
        else:
            self.form = self.card = self.card or new_card(self._sequence)
            self._screen.say("")
            self._screen.turn_to("act")

    def _card_goes_on(self, form: Form, given: str) -> None:
        if given == "sequence":
            self._look(form, path_with("/sequence", file=form.values["sequence"]), self._take_sequence)
        elif given == "specimen":
            self._look(form, named("specimens", form.values["specimen"]), self._take_specimen)
        elif given.startswith(MOUNT):
            self._look(form, named("specimens", form.values[given]), self._take_at_mount(given))
        elif form.open is None:
            self._order("/start", start_order(form, self._by), self._started)

    def _look(self, card: Form, path: str, then: Callable[[Form, Facts], None]) -> None:
        self._waits = True

        def replied(reply: Facts) -> None:
            self._waits = False
            then(card, reply)

        self._screen.ask("GET", path, None, replied)

    def _take_sequence(self, card: Form, reply: Facts) -> None:
        wrong = objection_to_sequence(reply)
        if wrong:
            card.back()
            card.heading = wrong
            self._screen.say(wrong[0])
            return
        self._sequence_facts = reply
        self._sequence = card.values["sequence"]
        card.heading = [f"{reply.get('title')}: {reply.get('specimen_type')}"]

    def _take_specimen(self, card: Form, reply: Facts) -> None:
        wrong = objection_to_specimen(reply)
        if wrong is not None:
            card.back()
            self._screen.say(wrong)
            return
        complete(card, self._sequence_facts, reply)

    def _take_at_mount(self, given: str) -> Callable[[Form, Facts], None]:
        def take(card: Form, reply: Facts) -> None:
            wrong = objection_to_specimen(reply)
            if wrong is not None:
                card.back()
                self._screen.say(wrong)
                return
            told_at_mount(card, given, reply)

        return take

    def _started(self, reply: Facts) -> None:
        if self._has_begun(reply, self.card):
            self.card = None

    def _went_on(self, reply: Facts) -> None:
        if self._has_begun(reply, self.offer):
            self.offer = None

    def _has_begun(self, reply: Facts, card: Form | None) -> bool:
        """Whether a run has; otherwise why not stands above the card, and it stays open."""
        if reply.get("ok"):
            self._screen.say(f"Run {reply.get('run')} has begun.")
            if self.form is card:
                self._drop_form("bench")
            return True
        if card is not None:
            card.back()
            rendered = [line for text in reply.get("rendered") or [] for line in str(text).splitlines()]
            card.heading = [_refusal(reply), *rendered]
            if reply.get("code") == LAPSED:
                ask_for_override(card)
        self._screen.say(_refusal(reply))
        return False

    # ---- going on with a stopped run

    def may_go_on_with(self) -> str | None:
        """The last run, where it is one of cycles that may go on, and nothing is in progress or asked."""
        if self._known.run is not None or self._known.lost is not None or self._question:
            return None
        run = (self._known.last_end or {}).get("go_on_with")
        return str(run) if run else None

    def _offer_to_go_on(self, run: str) -> None:
        """What it left, and whether it is to go on; once more lays it aside."""
        if self.form is not None and self.form is self.offer:
            self._drop_form("bench")
            self.offer = None
            self._screen.say("")
        else:
            self._waits = True
            self._screen.ask("GET", named("runs", run, "go-on"), None, self._take_offer)

    def _take_offer(self, reply: Facts) -> None:
        self._waits = False
        if not reply.get("ok") or reply.get("why_not"):
            self._screen.say(str(reply.get("why_not") or _refusal(reply)))
            return
        self.left = reply
        self.form = self.offer = going_on_card(reply)
        self._screen.say("")
        self._screen.turn_to("act")

    # ---- control

    def control_words(self, status: Facts) -> str:
        """Who has control of the bench."""
        control = status.get("control")
        if control is None:
            return "nobody, you only look" if self._looks else "nobody"
        return str(control["owner"]) if self._has(control) else f"{control['owner']}, you only look"

    def control(self, status: Facts) -> None:
        """Take it, give it back, or, said twice, take it over from somebody."""
        control = status.get("control")
        if control is not None and self._has(control):
            self._takes, self._looks = False, True
            self._order("/give-control", {"by": self._by}, self._given)
        elif control is None or self._over:
            self._take_control(over=control is not None)
        else:
            self._over = True
            self._screen.say(f"{control['owner']} has control. F10 once more takes it over; it is recorded.")

    def _given(self, reply: Facts) -> None:
        if reply.get("ok"):
            self._link.control = None
        self._say_reply(reply)

    def keep(self, now_s: float) -> None:
        """Say now and then that whoever has control is still there."""
        if (
            self._link.control is not None
            and self._known.lost is None
            and now_s - self._kept_s >= KEEP_EVERY_S
        ):
            self._kept_s = now_s
            self._screen.ask("POST", "/keep-control", {"by": self._by}, lambda reply: None)

    def leave(self) -> None:
        """A console that is left gives control back; nobody waits long for that."""
        if self._link.control is not None:
            self._link.ask("POST", "/give-control", {"by": self._by}, LEAVE_WITHIN_S)

    def _has(self, control: Facts) -> bool:
        return self._link.control is not None and control.get("number") == self._control_number

    def _follow_control(self, control: Facts | None) -> None:
        """The first console that is opened has control, also of a daemon that was started again; later it is an act."""
        if control is not None:
            self._asked_control = False
            if self._link.control is None:
                self._takes = False
            elif self._control_number is not None and control["number"] > self._control_number:
                self._link.control, self._takes = None, False
                self._screen.say(f"{control['owner']} has taken control over: you only look.")
        elif self._known.lost is None and self._takes and not self._asked_control:
            self._take_control(over=False)

    def _take_control(self, over: bool) -> None:
        self._over, self._asked_control = False, True

        def taken(reply: Facts) -> None:
            self._takes = bool(reply.get("ok"))
            self._looks = self._looks and not reply.get("ok")
            if reply.get("ok") and "control" in reply:
                self._link.control, self._control_number = str(reply["control"]), int(reply["number"])
            if over or not reply.get("ok"):
                self._say_reply(reply)

        self._screen.ask("POST", "/take-control", {"by": self._by, "over": over}, taken)

    # ---- pausing, waveforms

    def pause(self, paused: bool) -> None:
        """Hold as soon as nothing is live, or go on: also with the last run, where it may go on."""
        if not self._acts:
            self._screen.say(ONLY_LOOKS)
            return
        if (run := self.may_go_on_with()) is not None:
            self._offer_to_go_on(run)
            return
        self._order("/resume" if paused else "/pause", {"by": self._by}, self._paused)

    def _paused(self, reply: Facts) -> None:
        self._say_reply(reply)
        if reply.get("ok") and reply.get("then"):  # the shell's way; here it is a key
            self._screen.say(f"{reply.get('sentence')} To go on: F9.")

    def _say_reply(self, reply: Facts) -> None:
        self._screen.say(str(reply.get("sentence") or "") if reply.get("ok") else _refusal(reply))

    def fetch_wave(self, points: int) -> None:
        """The newest capture of the run that is or was in progress, once."""
        picture = self._known.picture
        if picture.capture is None or self.wave.get("capture") == picture.capture:
            return
        wanted = {"capture": picture.capture, "channels": {}}
        self.wave = wanted

        def take(reply: Facts) -> None:
            if reply.get("ok") and self.wave.get("capture") == reply.get("capture"):
                self.wave = reply

        path = path_with(named("runs", picture.run, "captures", picture.capture), points=points)
        self._screen.ask("GET", path, None, take)


def _is_for_anybody(question: Facts) -> bool:
    """Asked of one role or of another person than before, or of the bench: whoever has control does not matter."""
    return bool(question.get("role") or question.get("not_by")) or not question.get("question")


def _refusal(reply: Facts) -> str:
    """A refusal in one line: what, and what to do."""
    help_ = f" Help: {reply['help']}" if reply.get("help") else ""
    return f"{reply.get('sentence')}{help_}"
