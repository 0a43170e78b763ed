"""The fault test can fail: engines broken on purpose, each caught by a cell that holds with the sound engine.

The cell of each row is found by what it is (a fault at the first point of a kind, a place and a message), so that the
table stays right when the run gets another exchange.
"""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass, replace
from pathlib import Path
from typing import Any

import numpy as np
import pytest

from drivers.links.base import LinkFault
from orchestrator.core import interlock
from orchestrator.core.interlock import Proof
from orchestrator.core.reasons import Cause, Reason
from orchestrator.engine import bench, figures, live, shot
from orchestrator.engine import run as engine_run
from orchestrator.monitor import acts, logic, safety_io
from orchestrator.record import journal
from orchestrator.rehearse.faults.campaign import Order, traced
from orchestrator.rehearse.faults.harness import CannotInject
from orchestrator.rehearse.faults.kinds import cells
from orchestrator.rehearse.faults.on_impulse import IMPULSE
from orchestrator.rehearse.faults.points import PointKind
from orchestrator.rehearse.faults.select import select
from orchestrator.rehearse.faults.trace import Trace
from orchestrator.rehearse.faults.walk import single, trace, walk

TIDEWATER = Path(__file__).parents[2] / "sequences" / "library" / "tidewater"
ORDER = Order(
    (TIDEWATER / "sequence.yaml").read_text(),
    (TIDEWATER / "bench.yaml").read_text(),
    (TIDEWATER / "plant.yaml").read_text(),
    (("shots", "4"), ("verification_shots", "1")),
)
DUTY = "duty 2"
Break = Callable[[pytest.MonkeyPatch], None]


@dataclass(frozen=True)
class Row:
    """One broken engine and the cell that catches it."""

    name: str
    break_it: Break
    fault: str
    kind: PointKind
    where: str
    message: bytes = b""
    breaks: str = ""
    nth: int = 0  # which of the matching points
    part: str = DUTY


def skip_the_off(patch: pytest.MonkeyPatch) -> None:
    """On a stop, the way out is only pretended."""
    sound = live.off_and_prove

    def pretended(output: str, at: Any) -> live.Proof:
        return sound(output, at) if at.stop.first is None else live.Proof(True, {"because": None})

    patch.setattr(live, "off_and_prove", pretended)


def swallow_a_timeout(patch: pytest.MonkeyPatch) -> None:
    """A trace that could not be read is taken for the one before it, and nobody looks at its polarity."""
    patch.setattr(figures, "_other_polarity", lambda *_: None)
    fetch = bench.RecorderUnit.fetch

    def patient(self: bench.RecorderUnit) -> Any:
        try:
            return fetch(self)
        except LinkFault:
            sound = _LAST.get(self.channel)
            if sound is None:
                raise
            return sound

    def remembering(self: bench.RecorderUnit) -> Any:
        _LAST[self.channel] = patient(self)
        return _LAST[self.channel]

    patch.setattr(bench.RecorderUnit, "fetch", remembering)


_LAST: dict[str, Any] = {}


def retry_the_trigger(patch: pytest.MonkeyPatch) -> None:
    trigger = bench.SourceUnit.trigger

    def twice(self: bench.SourceUnit) -> None:
        try:
            trigger(self)
        except LinkFault:
            pace: Any = self._source.link.pace  # type: ignore[attr-defined]
            self._source.open()
            self._source.charge()
            pace.wait_until(pace.now_s() + 3.0)
            self._source.enable_trigger()
            trigger(self)

    patch.setattr(bench.SourceUnit, "trigger", twice)


def trust_a_stale_input(patch: pytest.MonkeyPatch) -> None:
    """The interlocks are looked at every other second and believed in between."""
    read = safety_io.ModbusIo.read
    last: dict[str, Any] = {}

    def stale(self: safety_io.ModbusIo) -> Any:
        now = read(self)
        if not 0.0 <= now.at_s - last.get("at_s", -9.0) <= 1.5:
            last.update(at_s=now.at_s, interlocks=now.inputs[:6])
        return now._replace(inputs=last["interlocks"] + now.inputs[6:])

    patch.setattr(safety_io.ModbusIo, "read", stale)


def shoot_without_proof(patch: pytest.MonkeyPatch) -> None:
    def unproved(self: shot.Shot, when: str) -> None:
        self.proved_s = self.at.clock.now_s()

    patch.setattr(shot.Shot, "prove_capture", unproved)


def prove_one_recorder_only(patch: pytest.MonkeyPatch) -> None:
    sound = shot.Shot.prove_capture

    def careless(self: shot.Shot, when: str) -> None:
        every, self.digitisers = self.digitisers, self.digitisers[:1]
        try:
            sound(self, when)
        finally:
            self.digitisers = every

    patch.setattr(shot.Shot, "prove_capture", careless)


def judge_a_clipped_capture(patch: pytest.MonkeyPatch) -> None:
    """What the analysis refuses is given the largest code instead."""
    sound = figures.figures_of

    def eager(waveform: Any, capture: Any, polarity: str) -> figures.Outcome:
        outcome = sound(waveform, capture, polarity)
        if outcome.why is None or "voltage" not in waveform.channels:
            return outcome
        peak = float(np.max(np.abs(waveform.channels["voltage"].values())))
        facts = {
            "value": peak,
            "unit": "V",
            "expanded_uncertainty": 1.0,
            "coverage_factor": 2.0,
            "definition": "",
        }
        return figures.Outcome({"limiting_voltage": facts})

    patch.setattr(shot, "figures_of", eager)


def drop_a_journal_write(patch: pytest.MonkeyPatch) -> None:
    write = journal.Journal._write

    def forgetful(self: journal.Journal, entry: dict[str, Any]) -> dict[str, Any]:
        if entry["kind"] == "charged":
            self.entries.append({**entry, "n": len(self.entries) + 1})
            return entry
        return write(self, entry)

    patch.setattr(journal.Journal, "_write", forgetful)


def read_the_wrong_feedback(patch: pytest.MonkeyPatch) -> None:
    """The leakage contactor's mirror contact is taken for that of high voltage, also in the proof."""
    rules = interlock.Rules.from_dict

    def crossed(d: Any) -> interlock.Rules:
        sound = rules(d)
        feedback = {**sound.feedback, "high_voltage_open": sound.feedback["discharge_closed"]}
        return replace(sound, feedback=feedback)

    patch.setattr(interlock.Rules, "from_dict", staticmethod(crossed))


def safe_only_in_finally(patch: pytest.MonkeyPatch) -> None:
    """Without the run's own way out nobody cuts: neither its silence nor its end is noticed."""
    patch.setitem(acts.ACTS, "engine_gone", lambda monitor, request: (True, "noted"))  # type: ignore[arg-type]
    _renewals_never_lapse(patch)


def renew_from_a_timer(patch: pytest.MonkeyPatch) -> None:
    _renewals_never_lapse(patch)


def _renewals_never_lapse(patch: pytest.MonkeyPatch) -> None:
    rules = interlock.Rules.from_dict
    patch.setattr(interlock.Rules, "from_dict", staticmethod(lambda d: replace(rules(d), renew_s=1e9)))


def believe_the_off_command(patch: pytest.MonkeyPatch) -> None:
    patch.setattr(logic, "prove", lambda rules, reading, now_s: Proof(True, now_s, {}, ()))


def compute_before_durable(patch: pytest.MonkeyPatch) -> None:
    """Figures first, the capture behind them."""
    save = shot.Shot._save_and_compute

    def hasty(self: shot.Shot) -> None:
        store, keep = self.at.store, self.at.journal.append
        self.at.store = _Later(store)  # type: ignore[assignment]
        try:
            save(self)
        finally:
            self.at.store, held = store, self.at.store
        self._journal_figures()
        held.write()  # type: ignore[attr-defined]
        del keep

    patch.setattr(shot.Shot, "_save_and_compute", hasty)


class _Later:
    """A store that writes a capture only when it is told to."""

    def __init__(self, store: Any) -> None:
        self._store = store
        self._held: list[tuple[str, bytes]] = []

    def create(self, name: str, data: bytes) -> str:
        import hashlib

        self._held.append((name, data))
        return hashlib.sha256(data).hexdigest()

    def write(self) -> None:
        for name, data in self._held:
            self._store.create(name, data)


def act_before_writing(patch: pytest.MonkeyPatch) -> None:
    """Intents are kept when the disk allows it, and the trigger does not wait for that."""
    append = journal.Journal.append

    def lax(self: journal.Journal, kind: str, **fields: Any) -> dict[str, Any]:
        if kind in ("intent", "proof_of_capture", "charged", "settings"):
            self.keep(kind, **fields)
            return {}
        return append(self, kind, **fields)

    patch.setattr(journal.Journal, "append", lax)


def monitor_always_grants(patch: pytest.MonkeyPatch) -> None:
    """An open interlock is only talked about: nothing is cut for it."""
    patch.setattr(logic, "decide", lambda *_: {})


def call_everything_a_supply_fault(patch: pytest.MonkeyPatch) -> None:
    def opened(view: Any, output: str, now_s: float) -> Cause:
        return Cause(Reason.SUPPLY_FAULT, f"{output} went off", now_s)

    patch.setattr(interlock, "_opened", opened)


def fail_on_a_link_fault(patch: pytest.MonkeyPatch) -> None:
    fetch = bench.RecorderUnit.fetch

    def careless(self: bench.RecorderUnit) -> Any:
        try:
            return fetch(self)
        except LinkFault as fault:
            raise KeyError(self.channel) from fault

    patch.setattr(bench.RecorderUnit, "fetch", careless)


def tell_a_pass_that_is_not_kept(patch: pytest.MonkeyPatch) -> None:
    """What the disk does not take at the end of a run is forgotten."""
    keep = engine_run._Closing._keep

    def forgetful(self: engine_run._Closing, kind: str, **fields: Any) -> bool:
        return keep(self, kind, **fields) or True

    patch.setattr(engine_run._Closing, "_keep", forgetful)


_X, _W = PointKind.EXCHANGE, PointKind.WAIT
ROWS = (
    Row("skip the off", skip_the_off, "silent", _X, "generator", b"MEASure:VOLTage", "proofs are true"),
    Row(
        "swallow a timeout", swallow_a_timeout, "silent", _X, "digitiser_v", b"TRACe? ", "those of their shot"
    ),
    Row(
        "retry the trigger",
        retry_the_trigger,
        "silent",
        _X,
        "generator",
        b"SYSTem:ERR",
        "one shot a trigger",
        -1,
    ),
    Row("trust a stale input", trust_a_stale_input, "door_opens", _X, "generator", b"OUTPut ON", "interlock"),
    Row(
        "shoot without proof", shoot_without_proof, "lost", _X, "digitiser_v", b"INITiate", "proof of capture"
    ),
    Row(
        "prove one recorder only",
        prove_one_recorder_only,
        "lost",
        _X,
        "digitiser_i",
        b"INITiate",
        "every recorder asked for is proved",
    ),
    Row("judge a clipped capture", judge_a_clipped_capture, "probe_switched", _W, "run", b"", "evidence"),
    Row("drop a journal write", drop_a_journal_write, "abort", _X, "generator", b"INITiate", "promised"),
    Row(
        "read the wrong feedback",
        read_the_wrong_feedback,
        "contactor_welds",
        PointKind.INPUT,
        "high_voltage_open",
    ),
    Row(
        "safe only in finally",
        safe_only_in_finally,
        "engine_killed",
        _X,
        "generator",
        b"OUTPut ON",
        "restarts",
    ),
    Row("renew from a timer", renew_from_a_timer, "engine_frozen", _X, "generator", b"OUTPut ON", "restarts"),
    Row(
        "believe the off command",
        believe_the_off_command,
        "discharge_fails",
        PointKind.INPUT,
        "discharge_closed",
    ),
    Row(
        "compute before durable",
        compute_before_durable,
        "power_cut",
        PointKind.WRITE,
        "captures",
        b"",
        "figures",
    ),
    Row(
        "act before writing",
        act_before_writing,
        "disk_full",
        PointKind.WRITE,
        "journal.jsonl",
        b"",
        "trigger",
    ),
    Row(
        "never cut for an interlock",
        monitor_always_grants,
        "door_opens",
        _X,
        "generator",
        b"OUTPut ON",
        "interlock",
    ),
    Row(
        "call everything a supply fault",
        call_everything_a_supply_fault,
        "door_bounces",
        _X,
        "generator",
        b"OUTPut ON",
        "the first cause is right",
    ),
    Row(
        "fail on a link fault",
        fail_on_a_link_fault,
        "silent",
        _X,
        "digitiser_v",
        b"TRACe? ",
        "no bug of ours",
    ),
    Row(
        "tell a pass that is not kept",
        tell_a_pass_that_is_not_kept,
        "write_fails",
        PointKind.WRITE,
        "journal.jsonl",
        b"",
        "tells what it kept",
        -2,  # the last verdict but one
        "duty 4",
    ),
)


def matching(row: Row, known: Trace) -> list[str]:
    """The points that a row means, in the engine that is there now."""
    return [
        point.name
        for point in known.points
        if point.kind is row.kind
        and point.where.startswith(row.where)
        and point.part == row.part
        and point.message.startswith(row.message)
    ]


@pytest.mark.parametrize("row", ROWS, ids=[row.name for row in ROWS])
def test_a_broken_engine_is_caught_where_the_sound_one_holds(
    row: Row, monkeypatch: pytest.MonkeyPatch
) -> None:
    sound = matching(row, traced(ORDER))[row.nth]
    assert single(ORDER.make, row.fault, sound)[2] == []

    row.break_it(monkeypatch)
    broken = matching(row, trace(ORDER.make))[row.nth]
    caught = single(ORDER.make, row.fault, broken)[2]

    assert any(row.breaks in sentence for sentence in caught), (broken, caught)


def test_a_fault_that_cannot_be_done_is_no_cell_that_held(monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setitem(IMPULSE.settings, "door_opens", (("door", "ajar"),))
    known = traced(ORDER)
    point = next(
        p for p in known.points if p.energised and "door_opens" in [f.name for f in cells(p, known)[0]]
    )

    with pytest.raises(CannotInject, match="ajar"):
        single(ORDER.make, "door_opens", point.name)

    selection = replace(select(known, 1), numbers=frozenset({point.number}), pairs={})
    found = walk(ORDER.make, known, range(point.number, point.number + 1), selection)
    failed = [cell.fault for cell in found if any("CannotInject" in one for one in cell.breaches)]
    assert failed == ["door_opens"]
