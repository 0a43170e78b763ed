"""The whole state of a running rehearsal, to be compared with that of another: the engine's frames and all they reach.

What is compared is everything the rest of the run can depend on, found by walking from the frames of the run itself:
locals, instances, closures, generators, arrays, the plant's physics, the monitor, open questions, planned faults. A
new class is part of it without being named here. What is left out is the list `LEFT_OUT` alone, and what a class of the
simulators itself names under `HISTORY`. A class with `state_at(now_s)` says itself what its future depends on.
"""

from __future__ import annotations

import hashlib
import io
import pickle
import sys
import threading
import types
from dataclasses import dataclass
from typing import Any

import numpy as np
import numpy.typing as npt

LEFT_OUT: dict[str, frozenset[str]] = {
    # What was written is judged by itself; nothing in the run reads it again but the data sheet.
    "orchestrator.record.journal.Journal": frozenset({"entries", "head", "_hash"}),
    "orchestrator.record.ledger.Ledger": frozenset({"_hash"}),
    "orchestrator.record.store.MemoryStore": frozenset({"_files", "_used_bytes"}),
    # The hands' times are drawn when a question is put, from a stream of its own.
    "orchestrator.rehearse.technician.Technician": frozenset({"done", "_random"}),
    # Counts that only tell one message, or one opening of a link, from another.
    "drivers.modbus.ModbusClient": frozenset({"_transaction"}),
    "orchestrator.monitor.safety_io.ModbusIo": frozenset({"_renewals", "_opened"}),
    "orchestrator.core.interlock.Reading": frozenset({"link"}),
    "orchestrator.engine.people.Question": frozenset({"number"}),
    "orchestrator.engine.context.Context": frozenset({"questions_asked"}),
    "orchestrator.monitor.values.Reply": frozenset({"id"}),
    "orchestrator.monitor.virtual.VirtualPort": frozenset({"_asked", "_events", "_snapshot"}),
    "orchestrator.rehearse.world.VirtualWorld": frozenset({"_inputs_seen"}),
    # The tester's own; the last snapshot is made from the monitor's state, which is compared itself.
    "orchestrator.rehearse.faults.harness.GuardedPort": frozenset({"_last"}),
    "orchestrator.rehearse.faults.harness.Harness": frozenset(
        {"bench", "asked", "points", "_truth_seen", "safety_link_struck", "second_injected"}
    ),
}
"""Fields left out, by class: what has happened, and counts that nothing is decided by."""

PAST = frozenset({"_sent_until_s"})
"""Times that matter only while they are to come."""
ORDERLESS = frozenset({"_ports"})
"""Mappings whose order nothing depends on."""
OF_FLOATS = (1e-9, 1e-9)
"""Relative and absolute difference up to which two floats are the same."""
OF_TIMES_S = 1e-6
_STATIC = (
    types.ModuleType,
    type,
    memoryview,
    types.BuiltinFunctionType,
    types.CodeType,
    type(threading.Lock()),
)
_ATOMS = frozenset({str, int, bytes, bool, type(None), tuple, list, dict, set, frozenset, bytearray, complex})
_DOCUMENTS = ("sequences.", "transitions.")
_OURS = frozenset({"orchestrator", "drivers", "simulators", "contextlib"})


@dataclass(frozen=True)
class State:
    """Everything but the floats as a digest; the floats in the order in which they were met."""

    digest: bytes
    floats: npt.NDArray[np.float64]

    def is_that_of(self, other: State, later_s: float) -> bool:
        """Whether this is the other state `later_s` later: each float is the same, or a time and later by that."""
        if self.digest != other.digest or self.floats.shape != other.floats.shape:
            return False
        relative, absolute = OF_FLOATS
        finite = np.isfinite(other.floats)
        if not np.array_equal(self.floats[~finite], other.floats[~finite], equal_nan=True):
            return False
        known = other.floats[finite]
        by = self.floats[finite] - known
        same = np.abs(by) <= absolute + relative * np.abs(known)
        return bool(np.all(same | (np.abs(by - later_s) <= OF_TIMES_S)))


def frames_within(outermost: str) -> list[types.FrameType]:
    """The run's own frames, innermost first, up to the function of that name; the tester's are left out."""
    frames: list[types.FrameType] = []
    frame: types.FrameType | None = sys._getframe(1)
    while frame is not None:
        if frames or not frame.f_globals["__name__"].startswith(__package__):
            frames.append(frame)
        if frame.f_code.co_qualname == outermost:
            break
        frame = frame.f_back
    return frames


def state_of(frames: list[types.FrameType], now_s: float) -> State | None:
    """The state at this moment; None where something in it has no form that can be compared."""
    out = io.BytesIO()
    walk = _Walk(out, now_s)
    try:
        walk.dump([(f.f_code.co_qualname, f.f_lasti, f.f_locals) for f in frames])
    except (pickle.PicklingError, TypeError, ValueError, AttributeError, RecursionError):
        return None
    return State(hashlib.blake2b(out.getbuffer(), digest_size=16).digest(), np.array(walk.floats))


def _is(what: str, *state: Any) -> None:
    """Stands in the bytes for "an object of this kind with this state"; never called."""


class _Walk(pickle.Pickler):
    """Pickles everything by what it is and holds, and not by where it lies in memory."""

    def __init__(self, out: io.BytesIO, now_s: float) -> None:
        super().__init__(out, protocol=5)
        self.fast = True  # two equal strings are the same, whether or not they are one object
        self.floats: list[float] = []
        self._now_s = now_s
        self._numbers: dict[int, int] = {}
        self._seen: list[object] = []  # kept alive, so that no other object takes the place of one

    def persistent_id(self, obj: Any) -> str | None:
        """Called for every object: floats are set aside, an instance met again is told by its number."""
        kind = type(obj)
        if kind in _ATOMS:
            return None
        if kind is float:
            self.floats.append(obj)
            return "float"
        if kind is types.MethodType:  # made anew at each look
            return None
        number = self._numbers.get(id(obj))
        if number is not None:
            return f"#{number}"
        if isinstance(obj, _STATIC) or _is_document(kind):
            return kind.__qualname__
        self._numbers[id(obj)] = len(self._numbers)
        self._seen.append(obj)
        return None

    def reducer_override(self, obj: Any) -> Any:
        kind = type(obj)
        if kind is types.FunctionType:
            return _is, (obj.__qualname__, tuple(_held(cell) for cell in obj.__closure__ or ()))
        if kind is types.MethodType:
            return _is, (obj.__func__.__qualname__, obj.__self__)
        if kind is types.GeneratorType:
            frame = obj.gi_frame
            return _is, (obj.__qualname__, None if frame is None else (frame.f_lasti, frame.f_locals))
        if isinstance(obj, np.ndarray):
            return _is, (str(obj.dtype), obj.shape, _digest(obj))
        if kind is threading.Event:
            return _is, ("Event", obj.is_set())
        if hasattr(kind, "state_at"):
            return _is, (kind.__qualname__, obj.state_at(self._now_s))
        if kind.__module__.partition(".")[0] in _OURS:
            return _is, (kind.__qualname__, _fields(obj, kind, self._now_s))
        return NotImplemented


def _digest(array: npt.NDArray[Any]) -> bytes:
    """To seven digits: two charges that differ by rounding give the same wave."""
    with np.errstate(over="ignore"):  # a number that stands for never
        coarse = array.astype(np.float32) if array.dtype == np.float64 else array
    return hashlib.blake2b(coarse.tobytes(), digest_size=16).digest()


def _is_document(kind: type) -> bool:
    """A file's contents or a table made once, the same for all runs of a test and never changed."""
    return kind.__module__.startswith(_DOCUMENTS) or hasattr(kind, "__pydantic_fields__")


def _held(cell: types.CellType) -> Any:
    try:
        return cell.cell_contents
    except ValueError:  # empty
        return None


def _fields(obj: Any, kind: type, now_s: float) -> list[tuple[str, Any]]:
    fields = dict(getattr(obj, "__dict__", {}))
    left_out: set[str] = set()
    for base in kind.__mro__:
        left_out |= LEFT_OUT.get(f"{base.__module__}.{base.__qualname__}", frozenset())
        left_out |= base.__dict__.get("HISTORY", frozenset())
        for name in _slots(base):
            if name in base.__dict__ and hasattr(obj, name):
                fields[name] = getattr(obj, name)
    if isinstance(obj, tuple):
        fields.update(zip(getattr(kind, "_fields", range(len(obj))), obj, strict=True))
    elif isinstance(obj, (str, int, float)):  # an enumeration
        fields["value"] = str(obj)
    for name in PAST & fields.keys():
        fields[name] = max(fields[name], now_s)
    for name in ORDERLESS & fields.keys():
        fields[name] = sorted(fields[name].items())
    return [(name, value) for name, value in fields.items() if name not in left_out]


def _slots(base: type) -> tuple[str, ...]:
    slots = base.__dict__.get("__slots__", ())
    return (slots,) if isinstance(slots, str) else tuple(slots)
