"""Which waveforms of a cyclic duty are kept: by the policy, each once, whatever the anomalies are."""

from __future__ import annotations

from types import SimpleNamespace
from typing import Any

import numpy as np
from hypothesis import given, settings
from hypothesis import strategies as st

from drivers.equipment.protocols import CycleRecord
from orchestrator.engine.traces import Traces
from orchestrator.record.captures import read_capture
from orchestrator.record.store import MemoryStore

ACCURACY = SimpleNamespace(gain=0.002, offset=0.0002)
RULES = SimpleNamespace(
    sample_rate=20_000.0,
    make_pre=20,
    voltage=SimpleNamespace(range=40.0, bits=16, accuracy=ACCURACY),
    current=SimpleNamespace(range=40.0, bits=16, accuracy=ACCURACY),
)


def record(number: int, mounts: int = 1) -> CycleRecord:
    codes = np.full((mounts, 2, 50), number % 1000, np.int16)
    return CycleRecord(
        number=number,
        next_number=number + 1,
        bank=1,
        complete=True,
        overload=False,
        codes=codes,
        volts_per_code=0.001,
        amperes_per_code=0.001,
        supply_before_v=24.0,
        supply_on_v=24.0,
        load_on_v=24.0,
        supply_after_v=24.0,
        made_s=0.0,
    )


class Journal:
    def __init__(self) -> None:
        self.entries: list[dict[str, Any]] = []

    def append(self, kind: str, **fields: Any) -> None:
        self.entries.append({"kind": kind, **fields})


def traces(first: int = 0, last: int = 0, every: int = 0, around: int = 0) -> tuple[Traces, Any]:
    policy = SimpleNamespace(first=first, last=last, every=every, around_anomaly=around)
    at: Any = SimpleNamespace(store=MemoryStore(), journal=Journal())
    return Traces(policy, RULES, at), at


def kept(at: Any) -> list[int]:
    return sorted(entry["shot"] for entry in at.journal.entries)


@settings(deadline=None, max_examples=40)
@given(
    st.integers(0, 4), st.integers(0, 6), st.integers(0, 7), st.integers(0, 4),
    st.lists(st.sampled_from(["good", "bad", "missing"]), max_size=24),
)  # fmt: skip
def test_what_the_policy_names_is_kept_once_and_nothing_else(
    first: int, last: int, every: int, around: int, cycles: list[str]
) -> None:
    made, at = traces(first, last, every, around)
    for cycle, how in enumerate(cycles, 1):
        made.take(cycle, None if how == "missing" else record(cycle), how != "good")
    made.finish()

    there = [cycle for cycle, how in enumerate(cycles, 1) if how != "missing"]
    odd = [cycle for cycle, how in enumerate(cycles, 1) if how != "good"]
    before = {one for cycle in odd for one in [c for c in there if c < cycle][-around:] if around}
    after = {one for cycle in odd for one in [c for c in there if c >= cycle][: around + 1]}
    wanted = {*there[:first], *(c for c in there if every and c % every == 0), *there[len(there) - last :]}
    names = [name for name in at.store.names() if name.startswith("captures/")]
    assert kept(at) == sorted(wanted | before | after)
    assert len(names) == len(set(kept(at)))


def test_a_trace_holds_the_codes_and_scales_of_every_mount() -> None:
    made, at = traces(first=1)
    made.take(7, record(7, mounts=3), False)
    (entry,) = at.journal.entries
    read = read_capture(at.store.read(entry["file"]))

    assert entry["file"] == "captures/cycle-0000007.h5"
    assert sorted(read.channels) == sorted(entry["channels"])
    assert entry["channels"] == [f"{what}_{mount}" for mount in (1, 2, 3) for what in ("voltage", "current")]
    assert read.channels["voltage_3"].codes.tolist() == [7] * 50
    assert read.channels["voltage_3"].scale == 0.001
