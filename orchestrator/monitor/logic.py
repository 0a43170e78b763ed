"""The interlock monitor without its process: no I/O, no threads, no clock. The same object serves both worlds.

Rules
- The bench state is moved by the table in `core.states` alone; what is shown becomes "off not proven" as soon as
  nothing is commanded on and proof is missing, while the table waits for the discharge time to be over.
- Safe acts (switch off, abort, prove off) are never refused.
- The first cause is latched until it is cleared with off proven; later ones are listed behind it.
- The watchdog may be renewed only in a turn that has a new reading.
- Whatever opened an interlock while the bench was armed takes the arming away, also when it closed again since. The
  emergency stop is more: pressed while the bench is armed, it is a cause although nothing is on.
"""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import replace
from typing import Any

from orchestrator.core.interlock import (
    EMERGENCY_STOP,
    CutBy,
    CutNow,
    InputView,
    Proof,
    Reading,
    Rules,
    by_category,
    decide,
    observe,
    prove,
    silent,
    state_of,
    voltages,
)
from orchestrator.core.reasons import Cause, Reason
from orchestrator.core.states import LAMP_OF, BenchState
from orchestrator.machine import Undeclared, bench_machine
from orchestrator.monitor.acts import ACTS
from orchestrator.monitor.sequencer import Sequencer
from orchestrator.monitor.snapshot import snapshot_of
from orchestrator.monitor.values import Block, Phase, Reply, Request, RequestId, Turn

PROOF_MARGIN_S = 1.0
WATCHDOG_SHARE_WRITE = 0.2
WATCHDOG_SHARE_DUE = 0.8
MOST_LATER_CAUSES = 20
BLOCKED = (
    "Start blocked: off was not proven ({why}). Treat the bench as live; the test operator in charge "
    "must find the reason, and releases it once off is proven."
)
_STATE = BenchState


class Monitor:
    """Bench state, interlocks, outputs and the latched cause of one bench.

    `blocked` is the sentence of an earlier process that could not prove off; `proven_age_s` says how long ago each
    input was last opened and closed again, as far as an earlier process knew it.
    """

    def __init__(
        self,
        rules: Rules,
        *,
        started_s: float = 0.0,
        blocked: str | None = None,
        proven_age_s: Mapping[str, float] | None = None,
    ) -> None:
        self.rules = rules
        self.now_s = started_s
        self.started_s = started_s
        self.reading: Reading | None = None
        self.views: dict[str, InputView] = {}
        self.cause: Cause | None = None
        self.later: list[Cause] = []
        self.blocked = blocked
        self.proof: Proof | None = None
        self.blocks: dict[str, Block] = {}
        self.machine = bench_machine(_STATE.OFF_NOT_PROVEN if blocked else _STATE.OUT_OF_OPERATION)
        self._toggled_s = {name: started_s - age_s for name, age_s in (proven_age_s or {}).items()}
        self.sequencer = Sequencer(self)
        self.signalling = True
        self.armed: tuple[str, ...] = ()
        self.disarm_why: str | None = None
        self.unproven_since_s: float | None = started_s
        self._lost = False
        self._heard = False
        self._renewed_s = started_s
        self._watchdog_s = float("-inf")
        self.waiting: list[RequestId] = []
        self.looking: list[tuple[RequestId, str]] = []
        self.contradicted: str | None = None
        self._events: list[dict[str, Any]] = []
        self._replies: list[Reply] = []

    # ---- one turn

    def turn(self, now_s: float, reading: Reading | None, requests: Sequence[Request]) -> Turn:
        """Take what was read (None: nothing new) and asked, decide, and say what to write and to answer."""
        self.now_s = now_s
        self._events, self._replies = [], []
        self._heard = reading is not None
        self._watch_link()
        if reading is not None:
            self._take(reading)
        for request in requests:
            self._answer(request)
        self._cut_where_needed()
        self.sequencer.advance()
        self._follow_proof()
        self._follow_interlocks()
        self._answer_waiting()
        self._answer_looking()
        coils = self._coils()
        renew = self._may_renew_watchdog()
        return Turn(coils, renew, tuple(self._replies), tuple(self._events), self.next_due_s())

    def unchanged_until(self, at_s: float, looked_again: bool = False) -> None:
        """Polls up to `at_s` saw what the last reading saw: for a world in which unchanged polls do not happen.

        With a new reading at hand the views are left alone: it replaces them all.
        """
        if self.reading is not None and at_s > self.reading.at_s:
            self.reading = self.reading._replace(at_s=at_s)
            if not looked_again:
                self.views = {name: view._replace(at_s=at_s) for name, view in self.views.items()}

    def renewed(self, at_s: float) -> None:
        """The engine lived at `at_s`."""
        if at_s > self._renewed_s:
            self._renewed_s = at_s

    def renewed_all_the_way(self, until_s: float) -> float:
        """The engine lives and the watchdog is renewed until then; when the next decision is due all the same."""
        self.renewed(until_s)
        self._watchdog_s = max(self._watchdog_s, until_s)
        return self.next_due_s()

    def snapshot(self) -> dict[str, Any]:
        """All that is known, as of the last turn, ready for JSON."""
        return snapshot_of(self)

    @property
    def bench_state(self) -> BenchState:
        """What people are told: "off not proven" as soon as proof is missing while nothing is commanded on."""
        state = BenchState(self.machine.state)
        if state is _STATE.IN_OPERATION:
            return _STATE.OFF_NOT_PROVEN if self._lost else state
        if state is _STATE.OUT_OF_OPERATION and self.reading is None and not self._lost:
            return state
        return _STATE.OFF_NOT_PROVEN if self.unproven_since_s is not None else state

    @property
    def lamp(self) -> str:
        return LAMP_OF[self.bench_state]

    # ---- what the sequencer uses

    def event(self, kind: str, **facts: Any) -> None:
        self._events.append({"event": kind, "at_s": self.now_s, **facts})

    def latch(self, reason: Reason, what: str, who: str | None = None) -> None:
        self._latch(Cause(reason, what, self.now_s, who))

    def feedback(self, name: str) -> bool:
        """The last reading's word; without any reading nothing is confirmed."""
        return self.reading is not None and self.reading.feedback(self.rules, name)

    def fire(self, event: str, **guards: bool) -> bool:
        """Take a transition of the bench's table; False when the table does not allow it now."""
        before = self.machine.state
        try:
            after = self.machine.fire(event, **guards)
        except Undeclared:
            return False
        self.event("bench_state", **{"from": before, "to": after, "because": event})
        return True

    def closed(self, needs: Sequence[str]) -> bool:
        """Whether every one of these inputs is closed and fresh."""
        views = [self.views.get(name) for name in needs]
        return bool(views) and all(
            v is not None and v.closed and self.now_s - v.at_s < self.rules.fresh_s for v in views
        )

    # ---- inputs

    def _watch_link(self) -> None:
        """Before a new reading is taken: a gap counts as lost, even when it is just over."""
        last_s = self.reading.at_s if self.reading is not None else self.started_s
        age_s = self.now_s - last_s
        if age_s < self.rules.fresh_s:
            return
        if not self._lost:
            self._lost = True
            self._latch(silent(self.rules, age_s, self.now_s))
        self.sequencer.drop_all()

    def _take(self, reading: Reading) -> None:
        before_it, self.reading = self.reading, reading
        energises = any(block.energises for block in self.blocks.values())
        if energises and before_it is not None and before_it.link != reading.link:
            # The device may have restarted with its coils off: writing them again would be energising again.
            self.latch(Reason.MONITOR_LOST, "the link to the safety I/O was lost and opened again")
            self.sequencer.drop_all()
        for name, rule in self.rules.inputs.items():
            channels = tuple([reading.inputs[c] for c in rule.channels])
            before = self.views.get(name) or self._first_view(name, channels, reading.at_s)
            view = observe(rule, before, channels, reading.at_s, self.rules.agree_s)
            self.views[name] = view
            self._tell_change(name, before, view)

    def _first_view(self, name: str, channels: tuple[bool, ...], at_s: float) -> InputView:
        rule = self.rules.inputs[name]
        return InputView(rule, channels, at_s, toggled_at_s=self._toggled_s.get(name))

    def _tell_change(self, name: str, before: InputView, view: InputView) -> None:
        if view.channels != before.channels or view.failed != before.failed:
            facts = {"channels": list(view.channels), "failed": view.failed}
            self.event("interlock", name=name, closed=view.closed, **facts)
        if view.toggled_at_s != before.toggled_at_s:
            self.event("input_proven", name=name)
        if self.armed and name in self.armed and not view.closed:
            self.disarm_why = self.disarm_why or f"{name} opened"

    # ---- cutting

    def _latch(self, cause: Cause) -> None:
        if self.cause is None:
            self.cause = cause
            self.event("cause", first=True, **cause.to_json())
        elif all(cause.reason is not c.reason for c in (self.cause, *self.later)):
            if len(self.later) < MOST_LATER_CAUSES:
                self.later.append(cause)
            self.event("cause", first=False, **cause.to_json())

    def _cut_where_needed(self) -> None:
        if not self.blocks:
            return
        on = {name: b.needs for name, b in self.blocks.items() if b.phase is not Phase.OPENING}
        for name, decision in decide(self.rules, self.views, on, self.renewal_age_s(), self.now_s).items():
            if isinstance(decision, CutNow | CutBy):
                self._latch(decision.cause)
                self._cut(self.blocks[name], decision)

    def stop_all(self, cause: Cause) -> None:
        """Every output, each by its stop category."""
        self._latch(cause)
        for block in list(self.blocks.values()):
            decision = by_category(block.rule, cause, self.now_s)
            if block.phase is not Phase.OPENING and isinstance(decision, CutNow | CutBy):
                self._cut(block, decision)

    def _cut(self, block: Block, decision: CutNow | CutBy) -> None:
        """A deadline once given is never moved away; before the contactor closed there is no stroke to finish."""
        if isinstance(decision, CutNow) or not block.commanded:
            self.sequencer.open(block, decision.cause.reason.value)
        elif decision.deadline_s < block.cut_by_s:
            block.cut_by_s = decision.deadline_s
            self.event("cut_by", output=block.rule.name, deadline_s=decision.deadline_s)

    # ---- proof and state

    def _follow_proof(self) -> None:
        if any(block.energises for block in self.blocks.values()):
            self.proof = None
            self.unproven_since_s = None
            return
        self.proof = self.proof_now()
        if self.proof.safe:
            self._on_proof()
        else:
            self._without_proof(self.proof)

    def _on_proof(self) -> None:
        self.unproven_since_s = None
        self._lost = False
        if self.machine.state == _STATE.IN_OPERATION:
            self.fire("off_proven", off_proven=True)
        if self.machine.state == _STATE.OUT_OF_OPERATION and self.signalling:
            self.fire("switch_on_signalling", off_proven=True)

    def _without_proof(self, proof: Proof) -> None:
        if self.unproven_since_s is None:
            self.unproven_since_s = self.now_s
        if self.machine.state == _STATE.READY_TO_SWITCH_ON:
            self.disarm_why = self.disarm_why or proof.sentence
        if self.blocks:  # in the warning: it never came to energising
            self.latch(Reason.OFF_NOT_PROVEN, f"{proof.sentence} during the warning")
            self.sequencer.drop_all()
        if self.now_s >= self._proof_deadline_s():
            self._require_release("; ".join(proof.against), proof)

    def block(self, why: str, sentence: str | None = None) -> None:
        """Everything off, and start blocked until a named person releases it; `sentence` is what people are told."""
        self.stop_all(Cause(Reason.OFF_NOT_PROVEN, why, self.now_s))
        self._require_release(why, self.proof_now(), sentence)

    def _require_release(self, why: str, proof: Proof, sentence: str | None = None) -> None:
        if self.fire("proof_failed"):
            self.latch(Reason.OFF_NOT_PROVEN, why)
            self.blocked = sentence or BLOCKED.format(why=why)
            self.event("blocked", sentence=self.blocked, facts=proof.to_json())

    def _proof_deadline_s(self) -> float:
        if self.unproven_since_s is None or self.machine.state == _STATE.OFF_NOT_PROVEN:
            return float("inf")
        return self.unproven_since_s + self.rules.discharge_s + PROOF_MARGIN_S

    def _follow_interlocks(self) -> None:
        """Arming ends with the first open interlock or the first cause; it takes effect once off is proven."""
        if self.machine.state not in (_STATE.READY_TO_SWITCH_ON, _STATE.IN_OPERATION):
            self.armed, self.disarm_why = (), None
            return
        if self.armed and not self.disarm_why and not self.closed(self.armed):
            self.disarm_why = "an interlock is not closed"
        pressed = self.views.get(EMERGENCY_STOP) if EMERGENCY_STOP in self.armed else None
        if pressed is not None and not pressed.closed:
            self.latch(Reason.EMERGENCY_STOP, f"{state_of(pressed)} while the bench was armed")
        why = self.cause.what if self.cause is not None else self.disarm_why
        if why is not None and not self.blocks and self._is_proven():
            if self.fire("disarm", off_proven=True):
                self.event("disarmed", why=why)
            self.armed, self.disarm_why = (), None

    def _is_proven(self) -> bool:
        return self.proof is not None and self.proof.safe

    @property
    def looks_for_proof(self) -> bool:
        """Nothing is commanded on, off is not proven, and the time for it is not over."""
        waits = self.unproven_since_s is not None and self.machine.state != _STATE.OFF_NOT_PROVEN
        return waits and not self._is_proven()

    def proof_now(self) -> Proof:
        """Proof by the last reading as it is now, whatever is commanded, and by whoever contradicted it."""
        proof = prove(self.rules, self.reading, self.now_s)
        if self.contradicted is None:
            return proof
        return replace(proof, safe=False, against=(*proof.against, self.contradicted))

    def renewal_age_s(self) -> float:
        return self.now_s - self._renewed_s

    # ---- requests

    def _answer(self, request: Request) -> None:
        act = request.get("act")
        handler = ACTS.get(act) if isinstance(act, str) else None
        if handler is None:
            self.reply(request.get("id"), False, f"the interlock monitor has no act '{act}'")
            return
        outcome = handler(self, request)
        if outcome is not None:
            self.reply(request.get("id"), *outcome)

    def reply(self, request_id: RequestId, granted: bool, sentence: str, **facts: Any) -> None:
        """Answer, if an answer is wanted."""
        if request_id is not None:
            self._replies.append(Reply(request_id, granted, sentence, facts))

    def _answer_waiting(self) -> None:
        """To those who asked for a proof of off: as soon as it is proven, or cannot be."""
        if not self.waiting:
            return
        on = [name for name, block in self.blocks.items() if block.phase is not Phase.OPENING]
        failed = self.machine.state == _STATE.OFF_NOT_PROVEN
        if on:
            safe, sentence = False, f"{on[0]} is still commanded on"
        elif self.proof is not None and (self.proof.safe or failed):
            safe, sentence = self.proof.safe, self.proof.sentence
        else:
            return
        proof = self.proof or self.proof_now()
        facts = {**proof.facts, "safe": safe, "against": list(proof.against), "bench_state": self.bench_state}
        for request_id in self.waiting:
            self.reply(request_id, safe, sentence, **facts)
        self.waiting = []

    def _answer_looking(self) -> None:
        """To those who asked for a look: only in a turn with a reading, which is newer than the question."""
        if self.reading is None or not self._heard:
            return
        facts = {"read_at_s": self.reading.at_s, "voltages": voltages(self.rules, self.reading)}
        for request_id, output in self.looking:
            block = self.blocks.get(output)
            on = block is not None and block.phase is Phase.ON and block.cut_by_s == float("inf")
            why = f"{output} is not on" if self.cause is None else self.cause.what
            self.reply(request_id, on, f"{output} is on" if on else why, **facts)
        self.looking = []

    # ---- what goes out

    def _coils(self) -> tuple[bool, ...]:
        on: set[int | None] = {self.rules.signals.get(self.lamp)}
        for block in self.blocks.values():
            on.update(self.rules.lifted[name].coil for name in block.lifted)
            if block.commanded:
                on.add(block.rule.coil)
            if block.phase is Phase.WARNING:
                on.add(self.rules.signals.get("horn"))
        return tuple([address in on for address in range(self.rules.coil_count)])

    def _may_renew_watchdog(self) -> bool:
        """Only with a new reading; not more often than is of use."""
        due = self.now_s - self._watchdog_s >= WATCHDOG_SHARE_WRITE * self.rules.watchdog_time_s
        if not self._heard or not due:
            return False
        self._watchdog_s = self.now_s
        return True

    def next_due_s(self) -> float:
        """When something is to be decided although nothing changes and nobody asks."""
        due_s = self._proof_deadline_s()
        for view in self.views.values():
            if view.disagreeing_since_s is not None and not view.failed:
                due_s = min(due_s, view.disagreeing_since_s + self.rules.agree_s)
        if self.blocks:
            due_s = min(due_s, self.sequencer.next_due_s(), self._renewals_due_s())
        if not self._heard and not self._lost:
            last_s = self.reading.at_s if self.reading is not None else self.started_s
            due_s = min(due_s, last_s + self.rules.fresh_s)
        return due_s

    def _renewals_due_s(self) -> float:
        """When the engine has to have renewed, and the watchdog has to be."""
        due_s, rules = float("inf"), self.rules
        for block in self.blocks.values():
            if block.phase is not Phase.OPENING:
                due_s = min(due_s, self._renewed_s + rules.renew_s)
            if block.energises:
                due_s = min(due_s, self._watchdog_s + WATCHDOG_SHARE_DUE * rules.watchdog_time_s)
        return due_s
