"""The engine's process: one thread runs runs, one thread talks to people and never waits for anybody.

Commands come as JSON lines, `{"id", "do", "args", "who"}`; each is answered with `{"id", "ok": true, ...}` or
`{"id", "ok": false, "code", "sentence", "help"}`. Who `watch`es is sent `{"event": journal entry}`, `{"status": ...}`,
`{"proving": row}` and `{"ended": ...}`. The way to safe does not depend on any of this.
"""

from __future__ import annotations

import queue
import sys
import threading
import time
import traceback
from collections.abc import Callable
from typing import TYPE_CHECKING, Any

from orchestrator.core.reasons import Reason
from orchestrator.core.roles import Member, Members, Role
from orchestrator.core.status import compose
from orchestrator.daemon.lines import LineServer, Peer, encoded, life_is_over, user_name
from orchestrator.engine.answers import overriding_person
from orchestrator.engine.control import LAPSES_S, Control
from orchestrator.engine.desk import Desk
from orchestrator.engine.people import Person
from orchestrator.engine.preflight import Refused

if TYPE_CHECKING:
    from orchestrator.daemon.places import Places
    from orchestrator.monitor.port import Snapshot
    from orchestrator.monitor.process_port import ProcessPort
    from sequences.bench import Bench
    from sequences.loader import LoadedBench

TICK_S = 0.05
SHOW_AT_LEAST_EVERY_S = 0.2
IDLE_S = 0.1
MONITOR_SILENT_S = 1.0
MOST_WORD = 40
NOT_KEPT = frozenset({"hello", "status", "watch", "keep_control"})  # looking is no act
# What the desk or control keeps in words of its own once it is done.
KEPT_ALREADY = frozenset({"release", "acknowledge", "take_control", "give_control"})
OVERRIDES = frozenset({"start", "resume"})  # what may be done in spite of a lapsed calibration
NO_ANSWER = "The interlock monitor does not answer"

Args = dict[str, Any]


class Service:
    """All that the process does. `serve` and `work` each belong to a thread of their own."""

    def __init__(self, bench: LoadedBench, places: Places, port: ProcessPort, token: str) -> None:
        assert bench.bench is not None, "the daemon starts no engine for a bench file with findings"
        self._token = token
        self._port = port
        self._jobs: queue.Queue[Callable[[], None]] = queue.Queue()
        self._ended = threading.Event()
        self._changed = True
        self._shown_s = 0.0
        self._seen: tuple[Any, ...] = ()
        self.ending = False
        self.kept_open: tuple[object, ...] = ()
        self.desk = Desk(bench, places, port, self._publish, self._note_change)
        self.control = Control()
        self._members = members_of(bench.bench)
        self.server = LineServer(places.engine_sock, bench.bench.group, self._hear)
        self._commands: dict[str, Callable[[Peer, Args, Person], Args | None]] = {
            "hello": self._hello,
            "status": lambda peer, args, who: {"status": self.status()},
            "watch": self._watch,
            "pause": lambda peer, args, who: self.desk.pause(who),
            "resume": lambda peer, args, who: self.desk.resume(args, who),
            "abort": lambda peer, args, who: self.desk.abort(who),
            "answer": lambda peer, args, who: self.desk.answer(args, who),
            "take_control": self._take_control,
            "give_control": self._give_control,
            "keep_control": self._keep_control,
        }
        self._at_the_desk: dict[str, Callable[[Args, Person, Callable[[Args], None]], Args | None]] = {
            "start": self.desk.start,
            "prove": self.desk.prove,
            "release": self.desk.release,
            "acknowledge": self.desk.acknowledge,
        }

    # ---- the run thread

    def work(self) -> None:
        """Do what is asked for, one thing after the other, until told to end."""
        while not self.ending or not self._jobs.empty():
            try:
                job = self._jobs.get(timeout=IDLE_S)
            except queue.Empty:
                self._port.events()  # what the monitor told while no run was there to keep it
            else:
                job()
        self._ended.set()

    # ---- the talking thread

    def serve(self) -> None:
        """Talk until the run thread has ended; then say the last word and close."""
        try:
            while not self._ended.is_set():
                self.server.turn(TICK_S)
                self._let_control_lapse()
                self._show()
        except Exception:  # noqa: BLE001 (nobody could be answered any more: the run is stopped, the process ends)
            traceback.print_exc(file=sys.stderr)
            self.end("a failure of the software")
        self.server.close()
        self.desk.acts.close()

    def end(self, who: str) -> None:
        """Stop the run, if there is one, and end after its way to safe. Saying it again changes nothing."""
        self.ending = True
        self._port.snapshot()  # a look: the last word of a monitor that has just died is still young
        if self._port.lost():  # that is why the daemon ends: it is the first cause, whoever notices it first
            self.desk.stop(Reason.MONITOR_LOST, "the interlock monitor is gone", None)
        self.desk.stop(Reason.ABORT_BY_PERSON, f"{who} ended the daemon", who)

    def end_because(self, reason: Reason, what: str) -> None:
        """The same without a person."""
        self.ending = True
        self.desk.stop(reason, what, None)

    def end_with(self, fd: int) -> None:
        """End when the other end of this pipe is closed: the daemon is gone."""

        def look() -> None:
            if life_is_over(fd):
                self.server.forget_fd(fd)
                self.end_because(Reason.POWER_LOST, "the daemon's process ended in the middle of the run")

        self.server.watch_fd(fd, look)

    def status(self) -> Args:
        """The three questions, now."""
        now_s = time.monotonic()
        snapshot = self._port.snapshot()
        silent = self._port.lost() and now_s - snapshot.at_s >= MONITOR_SILENT_S
        lost = NO_ANSWER if silent else None
        status = compose(as_facts(snapshot), self.desk.facts(now_s), self.desk.last_end, now_s, lost)
        return {**status, "control": self.control.facts()}

    # ---- inside

    def _hear(self, peer: Peer, message: Args) -> None:
        """Answer one line; a command that needs the run thread is answered when that has looked at it."""
        number, do, args = message.get("id"), message.get("do"), message.get("args")
        args = args if isinstance(args, dict) else {}

        who = self._person(peer, message.get("who"))

        def reply(facts: Args) -> None:
            self._keep(str(do), who, facts)
            peer.tell({"id": number, "ok": True, **facts})

        try:
            self._require_allowed(str(do), args, who, _control_of(message.get("who")))
            self._do(peer, str(do), args, who, reply)
        except Refused as refused:
            reply(refused.to_json())
        except (ValueError, TypeError, LookupError) as error:
            sentence = f"The command '{do}' cannot be read: {error}."
            reply(Refused("not-understood", sentence, "see the API's text").to_json())

    def _keep(self, do: str, who: Person, facts: Args) -> None:
        """Every command with who gave it, also the refused one; looking is none."""
        done = facts.get("ok") is not False
        if do in NOT_KEPT or (done and do in KEPT_ALREADY):
            return
        told = {key: facts[key] for key in ("run", "code", "sentence", "proved") if key in facts}
        self.desk.acts.keep_soon(do[:MOST_WORD], who, done=done, **({"run": self.desk.run_now()} | told))

    def _do(self, peer: Peer, do: str, args: Args, who: Person, reply: Callable[[Args], None]) -> None:
        if do in self._at_the_desk:
            self._queue(do, args, who, reply)
        elif do in self._commands:
            reply(self._commands[do](peer, args, who) or {})
        else:
            known = ", ".join([*self._commands, *self._at_the_desk])
            raise Refused("unknown-command", f"There is no command '{do}'.", f"there are: {known}")

    def _require_allowed(self, do: str, args: Args, who: Person, token: str | None) -> None:
        """Refused for whoever has not the role, or not the control, that the command needs."""
        question = self.desk.question() if do == "answer" else None
        asked_of = question.role if question is not None else None
        self.control.heard(token, time.monotonic())
        why_not = self._members.objection(do, who.name, who.how, asked_of)
        if why_not is None and do in OVERRIDES and args.get("override_calibration") is not None:
            by = overriding_person(args, who)
            why_not = self._members.objection("override_calibration", by.name, by.how)
        if why_not is not None:
            raise Refused(
                "not-allowed", why_not, "call somebody who may: the bench file's `people` names them"
            )
        if question is None or not (question.role or question.not_by):
            self.control.require(do, who, token)

    def _take_control(self, peer: Peer, args: Args, who: Person) -> Args:
        given = args.get("control")
        token = given if isinstance(given, str) else None
        reply, before = self.control.take(who, token, args.get("over") is True, time.monotonic())
        self.desk.acts.keep_soon("took control", who, taken_over_from=None if before is None else before.name)
        self._changed = True
        return reply

    def _give_control(self, peer: Peer, args: Args, who: Person) -> Args:
        given = args.get("control")
        reply = self.control.give(who, given if isinstance(given, str) else None)
        self.desk.acts.keep_soon("gave control back", who)
        self._changed = True
        return reply

    def _keep_control(self, peer: Peer, args: Args, who: Person) -> Args:
        given = args.get("control")
        return self.control.keep(given if isinstance(given, str) else None, time.monotonic())

    def _let_control_lapse(self) -> None:
        """A console that was killed keeps control from nobody for long."""
        owner = self.control.lapsed(time.monotonic())
        if owner is not None:
            self.desk.acts.keep_soon("control lapsed", owner, silent_s=LAPSES_S)
            self._changed = True

    def _queue(self, do: str, args: Args, who: Person, reply: Callable[[Args], None]) -> None:
        """Hand a job to the run thread, which does one at a time: a second one is refused, not queued."""
        if self.ending:
            raise Refused("ending", "The daemon is about to end.", "start it again: benchward serve BENCH")
        self.desk.take(do)

        def say(facts: Args) -> None:
            self.server.post(lambda: reply(facts))
            self.server.post(self.server.send)

        def job() -> None:
            facts: Args | None
            try:
                facts = self._at_the_desk[do](args, who, say)
            except Refused as refused:
                facts = refused.to_json()
            except Exception as error:  # noqa: BLE001 (the job ends here, the process goes on)
                traceback.print_exc(file=sys.stderr)
                facts = _our_bug(do, error).to_json()
            finally:
                self.desk.give_back()
            if facts is not None:  # only now: whoever reads it may ask for the next thing
                say(facts)

        self._jobs.put(job)

    def _person(self, peer: Peer, said: Any) -> Person:
        """A name that was given is declared; without one the socket's user is the person."""
        name = said.get("name") if isinstance(said, dict) else None
        if isinstance(name, str) and name.strip():
            how = "peer" if peer.trusted and said.get("how") == "peer" else "declared"
            return Person(name.strip()[:200], how)
        return Person(user_name(peer.uid), "peer")

    def _hello(self, peer: Peer, args: Args, who: Person) -> Args:
        """The API's process may say who its own peers are."""
        if not self._token or args.get("token") != self._token:
            raise Refused("not-trusted", "That is not this daemon's token.", "talk without it")
        peer.trusted = True
        return {"sentence": "welcome"}

    def _watch(self, peer: Peer, args: Args, who: Person) -> Args:
        peer.watches = True
        self._changed = True
        return {"sentence": "watching"}

    def _note_change(self) -> None:
        self._changed = True

    def _publish(self, message: Args) -> None:
        """From any thread: tell all who watch. Never blocks."""
        self.server.post(lambda: self._tell_watchers(message))

    def _tell_watchers(self, message: Args) -> None:
        for peer in self.server.peers:
            if peer.watches:
                peer.tell(message)
        self.server.send()

    def _show(self) -> None:
        """The status to all who watch, at most once a tick; soon where something changed, the bench included."""
        now_s = time.monotonic()
        seen = _what_counts(self._port.snapshot())
        self._changed, self._seen = self._changed or seen != self._seen, seen
        due_s = TICK_S if self._changed else SHOW_AT_LEAST_EVERY_S
        watchers = [peer for peer in self.server.peers if peer.watches]
        if not watchers or now_s - self._shown_s < due_s:
            return
        self._changed, self._shown_s = False, now_s
        line = encoded({"status": self.status()})
        for peer in watchers:
            peer.show(line)
        self.server.send()


def _what_counts(snapshot: Snapshot) -> tuple[Any, ...]:
    """What a person must see at once: another state, lamp or interlock, off proven or not."""
    proof = snapshot.proof
    closed = tuple((name, one.get("closed")) for name, one in snapshot.inputs.items())
    return snapshot.bench_state, snapshot.lamp, closed, snapshot.blocked, proof is not None and proof.safe


def _control_of(said: Any) -> str | None:
    token = said.get("control") if isinstance(said, dict) else None
    return token if isinstance(token, str) else None


def members_of(bench: Bench) -> Members:
    """The people of a bench file, as the table of roles knows them."""
    return Members(
        Member(one.name, frozenset(Role(role) for role in one.roles), one.user) for one in bench.people
    )


def _our_bug(do: str, error: Exception) -> Refused:
    sentence = f"The software failed at '{do}': {type(error).__name__}: {error}."
    return Refused(
        "internal-error", sentence, "the details are in logs/engine.log of the data folder; report them"
    )


def as_facts(snapshot: Snapshot) -> Args:
    """A snapshot as plain facts, as the monitor sent it."""
    proof, cause = snapshot.proof, snapshot.cause
    return {
        **vars(snapshot),
        "cause": None if cause is None else cause.to_json(),
        "later": [one.to_json() for one in snapshot.later],
        "proof": None if proof is None else proof.to_json(),
    }
