"""What can be asked of the engine, and what it remembers: the run in progress, how the last one ended, what blocks."""

from __future__ import annotations

import json
import os
import socket
import sys
import threading
import time
from collections.abc import Callable
from dataclasses import replace
from datetime import UTC, datetime, timedelta
from pathlib import Path
from typing import TYPE_CHECKING, Any

from orchestrator.core.reasons import Reason
from orchestrator.core.status import FRESH_S
from orchestrator.daemon.unproven import BLOCKED, RELEASED, block_start
from orchestrator.engine.act_book import ActBook
from orchestrator.engine.answers import answer_from, done_words, override_from, overriding_person, text_of
from orchestrator.engine.endings import end_facts, end_of_newest, failure_kept
from orchestrator.engine.environment import environment
from orchestrator.engine.opening import off_in_threads, open_bench, real_transport
from orchestrator.engine.pace import Pace, RealClock
from orchestrator.engine.people import Inbox, Person, Question
from orchestrator.engine.preflight import (
    Lapsed,
    Ready,
    Refused,
    calibration_going_on,
    preflight,
    preflight_going_on,
    run_name,
)
from orchestrator.engine.prove import Proving
from orchestrator.engine.real import real_world
from orchestrator.engine.run import RunOrder, World, run
from orchestrator.engine.so_far import SoFar
from orchestrator.engine.stop import Stop, Stopped
from orchestrator.monitor.kept import Kept, write_whole
from orchestrator.record.store import StorageFault

if TYPE_CHECKING:
    from orchestrator.daemon.places import Places
    from orchestrator.monitor.process_port import ProcessPort
    from sequences.bench import Bench
    from sequences.loader import LoadedBench

Args = dict[str, Any]
Say = Callable[[Args], None]
MONITOR_WITHIN_S = 2.0
RESUME = "To go on: benchward resume"


class Desk:
    """The commands. Those with `say` run in the run thread, the others in the talking thread and never wait.

    A command returns its reply; `say` is for one that has more to do after it.
    """

    def __init__(
        self,
        bench: LoadedBench,
        places: Places,
        port: ProcessPort,
        publish: Callable[[Args], None],
        changed: Callable[[], None],
    ) -> None:
        assert bench.bench is not None
        self._bench = bench
        self._file: Bench = bench.bench
        self._places = places
        self._port = port
        self._publish = publish
        self._changed = changed
        self.acts = ActBook(places.data, places.acts.name)
        self._lock = threading.Lock()
        self._busy_with: str | None = None
        self._stop: Stop | None = None
        self._order: RunOrder | None = None
        self._world: World | None = None
        self._so_far: SoFar | None = None
        self._news: Args | None = None
        self._early: tuple[Reason, str, str | None] | None = None
        self._ran = False
        self._planned_end: datetime | None = None
        self._paused_at: datetime | None = None
        self.unacknowledged = failure_kept(places.unacknowledged)
        self.last_end = end_of_newest(places.data)

    def make_safe(self) -> None:
        """The first writes of a starting engine: every source off over its own link. What fails is only told."""
        pace = Pace(RealClock(), Stop(time.monotonic), self._port)
        bench = open_bench(self._file, pace, real_transport, off_in_threads)
        for output in self._file.outputs:
            for result in bench.start_off(output)():
                if result["result"] != "confirmed":
                    print(f"{result['instrument']} was not switched off: {result['result']}", file=sys.stderr)
        bench.close_all()

    def left_safe(self) -> bool:
        """Whether the last run of this process, if there was one, ended with off proven."""
        return not self._ran or (self.last_end or {}).get("off_proven") is True

    # ---- what is known

    def facts(self, now_s: float) -> Args:
        """What is going on, for the status; without `run` nothing is."""
        facts: Args = {"bench": self._file.name, "unacknowledged": self.unacknowledged}
        world, order = self._world, self._order
        if world is None or order is None:
            if self._busy_with is not None:
                facts["doing"] = f"Busy with: {self._busy_with}."
            return facts
        facts.update(world.progress.to_json(now_s))
        facts["pause_asked_by"] = world.stop.pause_asked_by
        facts["verdicts"] = [] if self._so_far is None else self._so_far.rows()
        return {**facts, "run": order.run, "started_by": order.started_by.to_json()}

    def take(self, what: str) -> None:
        """Occupy the run thread. Refused when it is occupied."""
        with self._lock:
            if self._busy_with is not None:
                at_it = (
                    f"Run {self._order.run} is in progress" if self._order else f"Busy with {self._busy_with}"
                )
                raise Refused("busy", f"{at_it}.", "wait for its end, or abort it: benchward abort")
            self._busy_with, self._early = what, None

    def give_back(self) -> None:
        """The run thread is free again; only now is the end told, so that whoever hears of it may start the next."""
        with self._lock:
            self._busy_with = None
            news, self._news = self._news, None
        if news is not None:
            self._publish(news)
        self._changed()

    # ---- the run thread: runs

    def start(self, args: Args, who: Person, say: Say) -> None:
        """Look for everything that speaks against it, say so or say which run it is, and run it."""
        self._require_unblocked()
        asked_s = time.monotonic()
        given = {str(name): str(value) for name, value in dict(args.get("parameters") or {}).items()}
        now, space = datetime.now(UTC), os.statvfs(self._places.data)
        free_bytes = space.f_bavail * space.f_frsize
        file, specimen = str(args.get("sequence") or ""), str(args.get("specimen") or "")
        more, override = [str(one) for one in args.get("more_specimens") or ()], override_from(args)
        earlier = None
        if args.get("go_on_with"):
            ready, earlier = preflight_going_on(
                self._bench, self._places.data, str(args["go_on_with"]), now, free_bytes, override
            )
        else:
            ready = preflight(
                self._bench, self._places.data, file, specimen, given, now, free_bytes, override, more
            )
        order = replace(self._order_for(ready, args, who, now), asked_s=asked_s, continues=earlier)
        folder = self._places.data / order.run
        world = self._opened(folder)
        say(
            {
                "run": order.run,
                "folder": str(folder),
                "warnings": list(ready.warnings),
                "planned_s": ready.planned_s,
                "part_of": list(order.part_of),
                "reuses_verification_of": None if ready.earlier is None else ready.earlier.run,
            }
        )
        self._planned_end, self._paused_at = now + timedelta(seconds=ready.planned_s), None
        self._perform(order, world, folder)

    def _require_unblocked(self) -> None:
        if self.unacknowledged is not None:
            raise Refused(
                "unacknowledged",
                f"The software failed in run {self.unacknowledged.get('run')}: {self.unacknowledged.get('what')}",
                "keep that run's folder and report it; an engineer acknowledges it with: benchward answer",
            )
        snapshot = self._port.snapshot()
        blocked = snapshot.blocked or self._blocked_on_disk()
        if blocked is not None:
            raise Refused("start-blocked", blocked, "release it, once it is safe: benchward answer")
        age_s = snapshot.age_s(time.monotonic())
        if self._port.lost() and age_s >= FRESH_S:
            help_ = "treat the bench as live; restart the daemon"
            raise Refused("monitor-lost", "The interlock monitor does not answer.", help_)
        if snapshot.proof is None or not snapshot.proof.safe or age_s >= FRESH_S:
            why = "off is not proven" if snapshot.proof is None else snapshot.proof.sentence
            help_ = "treat the bench as live; look at the safety I/O and its cable, see: benchward status"
            raise Refused("not-proven", f"Nothing is started: {why}.", help_)

    def _blocked_on_disk(self) -> str | None:
        """What was written while the interlock monitor could not hear it: it is told now, and holds at once."""
        on_disk = Kept(self._places.data).blocked()
        if on_disk is None:
            return None
        reply = self._port.ask("block", MONITOR_WITHIN_S, lambda: None, sentence=on_disk)
        return reply.sentence if reply.granted else on_disk

    def _order_for(self, ready: Ready, args: Args, who: Person, now: datetime) -> RunOrder:
        return RunOrder(
            run=run_name(self._places.data, ready.specimen, now),
            sequence=ready.sequence,
            bench=self._bench,
            specimen=ready.specimen,
            started_by=who,
            world="real",
            environment=environment() | {"data": str(self._places.data)},
            group=text_of(args.get("group")),
            condition=text_of(args.get("condition")),
            firmware=text_of(args.get("firmware")),
            remark=text_of(args.get("remark")),
            indicator_lot=text_of(args.get("indicator_lot")),
            part_of=tuple(ready.history.part_of),
            earlier_verification=ready.earlier,
            override=None if ready.lapsed is None else ready.lapsed.to_json(),
            overridden_by=overriding_person(args, who),
            specimens=ready.specimens,
        )

    def _opened(self, folder: Path) -> World:
        try:
            return real_world(self._file, self._port, folder, self._happened, self._changed)
        except StorageFault as fault:
            raise Refused("storage", fault.sentence, "repair it, then start again") from fault

    def _happened(self, entry: Args) -> None:
        """A journal entry: from the run thread, never blocks."""
        if self._so_far is not None:
            self._so_far.take(entry)
        self._publish({"event": entry})

    def _perform(self, order: RunOrder, world: World, folder: Path) -> None:
        assert order.sequence.sequence is not None
        self._so_far = SoFar(order.sequence.sequence)
        with self._lock:
            self._order, self._world, self._stop = order, world, world.stop
            self._ran = True
            if self._early is not None:
                world.stop.because(*self._early)
        try:
            end = run(order, world)
        finally:
            with self._lock:
                self._order = self._world = self._stop = None
            world.store.close()
        self.last_end = end_facts(order.run, folder, end)
        if end.off_proven is not True:
            self._keep_blocked(order.run, end.cause.what)
        failure = next((c for c in (end.cause, *end.later) if c.reason is Reason.INTERNAL_ERROR), None)
        if failure is not None:
            self.unacknowledged = {"run": order.run, "what": failure.what, "details": failure.details}
            write_whole(self._places.unacknowledged, self.unacknowledged)
        self._news = {"ended": self.last_end}

    def _keep_blocked(self, run: str, why: str) -> None:
        """Off was not proven: start blocked from now on, by the monitor, and by the disk where it may not hear."""
        if self._port.lost():
            not_kept = block_start(self._places.data, run, why)
            if not_kept is not None:
                print(f"the start could not be blocked: {not_kept}", file=sys.stderr)
        elif self._port.snapshot().blocked is None:
            sentence = BLOCKED.format(run=run, why=why)
            self._port.ask("block", MONITOR_WITHIN_S, lambda: None, sentence=sentence)

    # ---- the run thread: the bench

    def prove(self, args: Args, who: Person, say: Say) -> Args:
        """Identities and a dry run with every output off."""
        self._require_unblocked()
        cleared = self._port.ask("clear_cause", MONITOR_WITHIN_S, lambda: None)
        if not cleared.granted:
            raise Refused("not-proven", cleared.sentence, "make the bench safe, then prove it again")
        stop = Stop(time.monotonic)
        with self._lock:
            self._stop = stop
            if self._early is not None:
                stop.because(*self._early)
        try:
            rows = Proving(self._file, Pace(RealClock(), stop, self._port), self._tell_proving).run()
        except Stopped as stopped:
            sentence = f"Proving was stopped: {stopped.cause.what}."
            raise Refused("stopped", sentence, "find out why, then prove it again") from stopped
        finally:
            with self._lock:
                self._stop = None
        return {"rows": rows, "proved": all(row["proved"] for row in rows)}

    def _tell_proving(self, row: Args) -> None:
        self._publish({"proving": row})

    def release(self, args: Args, who: Person, say: Say) -> Args:
        """A named person takes it upon them that the bench is off; the monitor grants it only with proof."""
        reply = self._port.ask("release", MONITOR_WITHIN_S, lambda: None, by=who.name)
        if not reply.granted:
            raise Refused("not-released", f"Not released: {reply.sentence}.", "make it safe, then release it")
        run_before = (self.last_end or {}).get("run")
        self.acts.keep(RELEASED, who, sentence=reply.sentence, run=run_before)
        return {"sentence": f"Start is no longer blocked: {reply.sentence}."}

    def acknowledge(self, args: Args, who: Person, say: Say) -> Args:
        """An engineer has looked into a failure of the software."""
        failure = self.unacknowledged
        if failure is None:
            raise Refused("nothing-open", "Nothing waits for an acknowledgement.", "no act is needed")
        self.acts.keep("acknowledged", who, run=failure.get("run"), what=failure.get("what"))
        self._places.unacknowledged.unlink(missing_ok=True)
        self.unacknowledged = None
        self._changed()
        return {"sentence": f"Acknowledged by {who.name}: {failure.get('what')}. Runs may be started again."}

    # ---- the talking thread

    def question(self) -> Question | None:
        """What the run in progress asks for now."""
        with self._lock:
            world = self._world
        return world.people.question if world is not None and isinstance(world.people, Inbox) else None

    def run_now(self) -> str | None:
        """The run in progress."""
        with self._lock:
            return None if self._order is None else self._order.run

    def pause(self, who: Person) -> Args:
        """Hold after the shot in progress."""
        stop = self._run_stop()
        if stop.pause_asked_by is None:
            self._paused_at = datetime.now(UTC)
        stop.pause_asked_by = who.name
        world = self._world
        counted = world.progress.counted if world is not None else "step"
        return {"sentence": f"The run pauses after the present {counted}.", "then": RESUME}

    def resume(self, args: Args, who: Person) -> Args:
        """Go on with a paused run. Refused where a calibration lapses since its planned end has moved."""
        stop = self._run_stop()
        if stop.pause_asked_by is None:
            raise Refused("not-paused", "The run is not paused.", "no act is needed")
        lapsed = self._lapsed_in_the_pause(override_from(args), datetime.now(UTC))
        if lapsed is not None:
            stop.resumed_in_spite_of = {"by": overriding_person(args, who).to_json(), **lapsed.to_json()}
        stop.resumed_by, stop.pause_asked_by = who.name, None
        return {"sentence": "The run goes on."}

    def _lapsed_in_the_pause(self, override: str | None, now: datetime) -> Lapsed | None:
        with self._lock:
            order, planned_end, paused_at = self._order, self._planned_end, self._paused_at
        if order is None or order.sequence.sequence is None or planned_end is None or paused_at is None:
            return None
        set_aside = frozenset(str(one["name"]) for one in (order.override or {}).get("instruments", ()))
        moved_end = now + max(planned_end - paused_at, timedelta())
        lapsed = calibration_going_on(order.sequence.sequence, self._file, moved_end, override, set_aside)
        self._planned_end, self._paused_at = moved_end, None
        return lapsed

    def _run_stop(self) -> Stop:
        with self._lock:
            if self._order is None or self._stop is None:
                help_ = "start one: benchward start SEQUENCE --specimen ID"
                raise Refused("no-run", "No run is in progress.", help_)
            return self._stop

    def abort(self, who: Person) -> Args:
        """The run's own stop, and the monitor's."""
        told = _tell_monitor(self._places.abort_sock, who)
        stopped = self.stop(Reason.ABORT_BY_PERSON, f"{who.name} asked for it", who.name)
        if not told and not stopped:
            help_ = "treat the bench as live, cut the mains by hand"
            raise Refused("monitor-lost", "The interlock monitor does not answer.", help_)
        return {"sentence": "Aborting."}

    def stop(self, reason: Reason, what: str, who: str | None) -> bool:
        """Latch a cause for what is in progress, or about to be; False when nothing is."""
        with self._lock:
            stop = self._stop
            if stop is None and self._busy_with is not None:
                self._early = self._early or (reason, what, who)
                return True
        if stop is None:
            return False
        stop.because(reason, what, who)
        return True

    def answer(self, args: Args, who: Person) -> Args:
        """A person's answer to the question of the run."""
        with self._lock:
            world = self._world
        if world is None or not isinstance(world.people, Inbox):
            raise Refused("no-question", "Nothing is being asked at the moment.", "see: benchward status")
        question = world.people.question
        if question is None:
            raise Refused("no-question", "Nothing is being asked at the moment.", "see: benchward status")
        given = answer_from(question, args, who, world.store)
        number = args.get("question")
        why_not = world.people.deliver(number if isinstance(number, int) else None, given, time.monotonic())
        if why_not is not None:
            raise Refused("not-answered", why_not, "see what is asked: benchward answer")
        return {"sentence": done_words(question, given), "question": question.to_json()}


def _tell_monitor(path: Path, who: Person) -> bool:
    try:
        with socket.socket(socket.AF_UNIX, socket.SOCK_STREAM) as one:
            one.settimeout(0.2)
            one.connect(str(path))
            one.sendall(json.dumps({"who": who.name}).encode())
    except OSError:
        return False
    return True
