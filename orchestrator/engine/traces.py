"""Which cycles' waveforms are kept: the first, the last, every so many-th, and anomalies with their neighbours."""

from __future__ import annotations

from collections import deque
from typing import TYPE_CHECKING, Any

from orchestrator.record.captures import CaptureChannel, encode_capture

if TYPE_CHECKING:
    from drivers.equipment.protocols import CycleRecord
    from orchestrator.engine.context import Context


class Traces:
    """Writes the records that the policy keeps, each once; holds the latest ones in memory until they are due."""

    def __init__(self, policy: Any, recorder: Any, at: Context) -> None:
        self._policy = policy
        self._rules = recorder
        self._at = at
        self._latest: deque[tuple[int, CycleRecord]] = deque(
            maxlen=max(policy.last, policy.around_anomaly, 1)
        )
        self._kept: deque[int] = deque(maxlen=self._latest.maxlen)
        self._first_left = policy.first
        self._after = 0

    def take(self, cycle: int, record: CycleRecord | None, anomaly: bool) -> None:
        """One cycle in its order. Raises StorageFault."""
        if anomaly:
            self._keep_latest(self._policy.around_anomaly)
            self._after = self._policy.around_anomaly + 1
        if record is None:
            return
        self._latest.append((cycle, record))
        if self._first_left or self._after or (self._policy.every and cycle % self._policy.every == 0):
            self._keep(cycle, record)
        self._first_left = max(0, self._first_left - 1)
        self._after = max(0, self._after - 1)

    def finish(self) -> None:
        """The last ones, at the end of the run, whatever ended it. Raises StorageFault."""
        self._keep_latest(self._policy.last)
        self._latest.clear()

    def _keep_latest(self, most: int) -> None:
        for number, record in list(self._latest)[max(0, len(self._latest) - most) :]:
            self._keep(number, record)

    def _keep(self, cycle: int, record: CycleRecord) -> None:
        if cycle in self._kept:
            return
        self._kept.append(cycle)
        rules, at = self._rules, self._at
        interval_s = 1.0 / rules.sample_rate
        channels = self._channels(record)
        encoded = encode_capture(interval_s, -rules.make_pre * interval_s, channels)
        file = f"captures/cycle-{cycle:07d}.h5"
        sha256 = at.store.create(file, encoded)
        at.journal.append(
            "capture",
            shot=cycle,
            part="cycles",
            repeat=0,
            file=file,
            sha256=sha256,
            bytes=len(encoded),
            channels=[channel.name for channel in channels],
        )

    def _channels(self, record: CycleRecord) -> list[CaptureChannel]:
        """Make and break windows of each mount, one behind the other as the recorder sends them."""
        rules = self._rules
        channels = []
        for mount in range(record.codes.shape[0]):
            for place, (name, unit, scale, kind) in enumerate(
                (
                    ("voltage", "V", record.volts_per_code, rules.voltage),
                    ("current", "A", record.amperes_per_code, rules.current),
                )
            ):
                full = float(kind.range)
                channels.append(
                    CaptureChannel(
                        name=f"{name}_{mount + 1}",
                        codes=record.codes[mount, place],
                        unit=unit,
                        scale=scale,
                        offset=0.0,
                        full_scale_low=-full,
                        full_scale_high=full,
                        bits=kind.bits,
                        gain_fraction=kind.accuracy.gain,
                        offset_fraction_of_range=kind.accuracy.offset,
                        timebase_fraction=0.0,
                    )
                )
        return channels
