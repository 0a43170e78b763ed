"""An invented run, written with the record's own store and journal: no bench, no plant, nothing measured.

People, makers, serials and values are made up; the waveforms are plain formulas. The limits are house limits of
a made-up laboratory.
"""

import math
from collections.abc import Iterator
from dataclasses import dataclass, field
from datetime import UTC, datetime, timedelta
from pathlib import Path
from typing import Any

import numpy as np
from numpy.typing import NDArray

from orchestrator.analysis.methods import analyse
from orchestrator.analysis.waveform import Accuracy, Channel, Waveform
from orchestrator.core.outcome import OUTCOME_OF, Outcome
from orchestrator.core.reasons import Cause, Reason, sentence
from orchestrator.engine.judge import Evidence, Value, judge
from orchestrator.record.captures import CaptureChannel, encode_capture
from orchestrator.record.journal import Journal
from orchestrator.record.seal import Heads, seal, write_environment
from orchestrator.record.sheet import data_sheet
from orchestrator.record.store import MemoryStore, Store
from sequences.model import Requirement

TECHNICIAN = {"name": "tech-2", "how": "declared"}
FIRST_S, RECORD_S = -8e-6, 80e-6
PEAK = "largest value of the mean curve above the mean of the pre-trigger, with the sign of the impulse"


@dataclass
class InventedClock:
    """Stands still until told."""

    s: float = 0.0
    began: datetime = datetime(2026, 3, 5, 9, 14, tzinfo=UTC)

    def now_s(self) -> float:
        return self.s

    def utc(self) -> datetime:
        return self.began + timedelta(seconds=self.s)


@dataclass(frozen=True)
class Plan:
    """What the invented run is to be. `stop_after` ends it after that shot, for `reason`."""

    run: str = "20260305-0914-TW-04"
    specimen: str = "TW-04"
    shots: int = 6
    verification_shots: int = 2
    world: str = "real"
    samples: int = 2000
    stop_after: int | None = None
    reason: Reason = Reason.COMPLETED
    off_proven: bool | None = True
    sealed: bool = True
    ended: bool = True
    part_of: tuple[str, ...] = ()
    after_a_stop: str = "may go on"
    invalid_shot: int | None = None
    scorched_shot: int | None = None
    remark: str | None = "second of the batch; label slightly scratched on arrival"
    began: datetime = datetime(2026, 3, 5, 9, 14, tzinfo=UTC)
    computed: bool = False  # figures computed from the invented waveforms, instead of invented themselves


@dataclass
class InventedRun:
    """Writes a plan into a store."""

    plan: Plan
    store: Store
    clock: InventedClock = field(default_factory=InventedClock)

    def write(self, heads: Heads | None = None) -> Journal:
        self.clock.began = self.plan.began
        self.journal = Journal(self.store, self.clock)
        self._open()
        self._verify()
        self._measure("initial_leakage", 1.02e-4, None)
        self._ask("arm", "Arm the bench?", ["cell is clear", "cloth in contact with the specimen"])
        for shot in range(1, (self.plan.stop_after or self.plan.shots) + 1):
            self._shot(shot)
        if self.plan.ended:
            self._end()
        if self.plan.sealed:
            self.store.create("sheet.txt", data_sheet(self.journal.entries).encode())
            sealed = seal(self.store, self.journal, self.clock)
            if heads is not None:
                heads.append(sealed.run, "seal", sealed.sha256)
        return self.journal

    def _open(self) -> None:
        plan, note = self.plan, self.journal.append
        self.store.create("sequence.yaml", b"# Invented demonstration.\nlanguage: 1\n")
        self.store.create("bench.yaml", b"# Invented demonstration.\nlanguage: 1\n")
        write_environment(self.store, {"benchward": "0.1.0", "python": "3.11", "host": "bench-pc"})
        note(
            "run_started",
            run=plan.run,
            title="Impulses on a buoy-lamp input filter",
            scenario="Tidewater",
            sequence_sha256="5e" * 32,
            bench="Bench 3 impulse",
            bench_sha256="be" * 32,
            specimen=plan.specimen,
            group="batch of six, TW-01 to TW-06",
            started_by=TECHNICIAN,
            parameters={"shots": str(plan.shots), "interval": "45 s", "observation": "30 s"},
            world=plan.world,
            seed=None if plan.world == "real" else 7,
            software="benchward 0.1.0",
            part_of=list(plan.part_of),
            remark=plan.remark,
        )
        note("indicator", material="cheesecloth", layers=1, lot="CC-0226", state="fresh", by=TECHNICIAN)
        for name, maker, model, serial, due in _INSTRUMENTS:
            note(
                "instrument",
                name=name,
                maker=maker,
                model=model,
                serial=serial,
                firmware="1.4",
                calibration_due=due,
            )
        note("ambient", temperature_c=22.4, humidity_percent=48.0)
        self._ask(
            "inspect",
            "Look at the specimen before the first shot.",
            ["cloth in contact with the specimen", "lead length 150 mm"],
            readings={"lead length": "151 mm"},
            photo="photos/before.jpg",
        )

    def _ask(self, ask: str, text: str, items: list[str], **more: Any) -> None:
        self.clock.s += 20.0
        number = sum(entry["kind"] == "asked" for entry in self.journal.entries) + 1
        self.journal.append(
            "asked", question=number, ask=ask, text=text, items=items, needs_photo="photo" in more
        )
        self.clock.s += 11.0
        facts = {"confirmed": items, "readings": {}, "remark": None, "photo": None} | more
        self.journal.append(
            "answered", question=number, ask=ask, by=TECHNICIAN, yes=True, choice=None, **facts
        )

    def _verify(self) -> None:
        for part, method, unit, peak in (
            ("open circuit", "impulse-voltage", "V", 1703.0),
            ("short circuit", "impulse-current", "A", 846.0),
        ):
            for shot in range(1, self.plan.verification_shots + 1):
                value = peak * (1 + 0.002 * shot)
                results = {
                    "peak": _result(value, unit, 0.012, PEAK),
                    "front_time": _result(
                        1.21e-6 if unit == "V" else 8.2e-6, "s", 0.02, "virtual front time T1"
                    ),
                    "time_to_half": _result(49.1e-6 if unit == "V" else 20.6e-6, "s", 0.02, "virtual T2"),
                }
                channel = "voltage" if unit == "V" else "current"
                fast = unit == "V"
                waves = {channel: (unit, _impulse(self.plan.samples, value, fast))}
                self._apply(part, shot, method, results, waves)
        self.journal.append(
            "verification",
            accepted=True,
            effective_impedance_ohm=2.013,
            findings=[],
            shots=4,
            reused_from=None,
        )

    def _shot(self, shot: int) -> None:
        sign = 1.0 if shot % 2 else -1.0
        limiting, current = sign * (284.2 + 0.6 * shot), sign * (711.0 - 0.8 * shot)
        valid = shot != self.plan.invalid_shot
        results = {
            "limiting_voltage": _result(
                limiting, "V", 0.0105, "peak of the voltage across the specimen: " + PEAK
            ),
            "peak_current": _result(current, "A", 0.021, "peak of the current through the specimen: " + PEAK),
            "energy": _result(3.42 + 0.01 * shot, "J", 0.03, "integral of voltage times current"),
            "charge": _result(sign * 12.6e-3, "C", 0.024, "integral of the current"),
        }
        waves = {
            "voltage": ("V", _clamped(self.plan.samples, limiting)),
            "current": ("A", _impulse(self.plan.samples, current, False)),
        }
        self._apply("duty", shot, "limiting-voltage", results if valid else {}, waves, valid)
        self.clock.s += 30.0
        state = "scorched" if shot == self.plan.scorched_shot else "unmarked"
        self.journal.append(
            "observation", shot=shot, indicator="cheesecloth", state=state, by=TECHNICIAN, window_s=30.0
        )
        self._measure("leakage", (103.0 + 3.1 * shot) * 1e-6, shot)

    def _apply(
        self,
        part: str,
        shot: int,
        method: str,
        results: dict[str, Any],
        waves: dict[str, tuple[str, NDArray[np.float64]]],
        valid: bool = True,
    ) -> None:
        note = self.journal.append
        self.clock.s += 8.0
        polarity = "negative" if part == "duty" and shot % 2 == 0 else "positive"
        note("intent", act="energise", output="high_voltage", shot=shot, part=part)
        note("intent", act="charge", source="generator", shot=shot, part=part)
        note("charged", shot=shot, voltage_v=1701.0 + shot, divider_v=1699.0, wanted_v=1700.0)
        note("intent", act="trigger", source="generator", shot=shot, part=part)
        self.clock.s += 0.4
        note("triggered", shot=shot, part=part, repeat=0)
        note(
            "off_proof", output="high_voltage", shot=shot, safe=True, contactor_open=True, earth_closed=True,
            discharge_closed=True, voltages={"store": 0.4, "terminals": 0.1}, age_s=0.03, because=None, off_writes=[],
        )  # fmt: skip
        file = f"captures/{part.replace(' ', '-')}-{shot:02d}.h5"
        channels = list(_channels(waves))
        data = encode_capture(RECORD_S / self.plan.samples, FIRST_S, channels)
        budget = _budget(results)
        if self.plan.computed and valid:
            results, budget = _computed(channels, method, self.plan.samples)
        digest = self.store.create(file, data)
        note(
            "capture",
            shot=shot,
            part=part,
            repeat=0,
            file=file,
            sha256=digest,
            bytes=len(data),
            channels=sorted(waves),
        )
        note(
            "figures", shot=shot, part=part, repeat=0, of=self.plan.shots, method=method, valid=valid,
            why=None if valid else "clipped: the voltage channel is at the end of its range in 214 samples.",
            results=results, budget=budget, polarity=polarity, charged_v=1701.0 + shot,
            warnings=["current: noise 1.4% of the peak (rms); the procedure is tested to 1 %."] if shot == 3 else [],
        )  # fmt: skip

    def _measure(self, result: str, value: float, shot: int | None) -> None:
        self.clock.s += 6.0
        self.journal.append(
            "measurement",
            result=result,
            value=value,
            unit="A",
            expanded_uncertainty=0.013 * value,
            coverage_factor=2.0,
            shot=shot,
            instrument="meter",
        )

    def _end(self) -> None:
        plan = self.plan
        outcome = OUTCOME_OF[plan.reason]
        verdicts = _verdicts(plan, outcome)
        for row in verdicts:
            self.journal.append("verdict", **row)
        what = {
            Reason.COMPLETED: f"{plan.shots} shots and every measurement done",
            Reason.ABORT_BY_PERSON: "tech-2 pressed abort: smell of burning",
            Reason.INTERLOCK_OPEN: "door opened while the bench was armed",
        }.get(plan.reason, "an invented cause")
        cause = Cause(
            plan.reason, what, self.clock.s, "tech-2" if plan.reason is Reason.ABORT_BY_PERSON else None
        )
        self.journal.append("cause", **cause.to_json(), first=True)
        self.journal.append(
            "run_ended",
            outcome=outcome.value,
            reason=plan.reason.value,
            off_proven=plan.off_proven,
            sentence=sentence(cause, plan.off_proven),
            later=[],
            shots_applied=plan.stop_after or plan.shots,
            verdicts_count=len(verdicts),
            after_a_stop=plan.after_a_stop,
        )


_INSTRUMENTS = (
    ("generator", "Made-up Instruments", "IG-2", "IG2-0031", "2027-08-31"),
    ("digitiser_v", "Made-up Instruments", "TR-12", "TR12-0107", "2027-09-30"),
    ("digitiser_i", "Invented Measurement", "Q4", "Q4-2209", "2027-09-30"),
    ("meter", "Invented Measurement", "LM-1", "LM1-0450", "2027-07-31"),
)


def _result(value: float, unit: str, relative: float, definition: str) -> dict[str, Any]:
    expanded = abs(value) * relative
    return {
        "value": value,
        "unit": unit,
        "expanded_uncertainty": expanded,
        "coverage_factor": 2.0,
        "definition": definition,
    }


def _budget(results: dict[str, Any]) -> dict[str, Any]:
    """Two contributions for each figure, three to one in variance."""
    budgets = {}
    for name, result in results.items():
        combined = result["expanded_uncertainty"] / 2.0
        budgets[name] = {
            "value": result["value"],
            "unit": result["unit"],
            "combined_standard_uncertainty": combined,
            "effective_degrees_of_freedom": None,
            "coverage_factor": 2.0,
            "coverage_probability": 0.95,
            "expanded_uncertainty": 2.0 * combined,
            "contributions": [
                {"name": "gain of the channel", "in_result": combined * math.sqrt(0.75), "share": 0.75},
                {"name": "noise", "in_result": combined * math.sqrt(0.25), "share": 0.25},
            ],
        }
    return budgets


def _computed(
    channels: list[CaptureChannel], method: str, samples: int
) -> tuple[dict[str, Any], dict[str, Any]]:
    """What the run's own computations make of the waveforms, as the journal would have it."""
    known = {}
    for c in channels:
        accuracy = Accuracy(c.gain_fraction, c.offset_fraction_of_range, c.timebase_fraction)
        full_scale = (c.full_scale_low, c.full_scale_high)
        known[c.name] = Channel(c.name, c.unit, c.codes, c.scale, c.offset, full_scale, c.bits, accuracy)
    analysis = analyse(Waveform(RECORD_S / samples, FIRST_S, known), method)
    names = ("value", "unit", "expanded_uncertainty", "coverage_factor", "definition")
    results = {name: {key: getattr(r, key) for key in names} for name, r in analysis.results.items()}
    return results, {name: r.budget.to_json() for name, r in analysis.results.items() if r.budget is not None}


def _time_us(samples: int) -> NDArray[np.float64]:
    return np.linspace(FIRST_S, FIRST_S + RECORD_S, samples, endpoint=False) * 1e6


def _impulse(samples: int, peak: float, fast: bool) -> NDArray[np.float64]:
    t = np.clip(_time_us(samples), 0.0, None)
    raw = np.exp(-t / 68.0) - np.exp(-t / 0.4) if fast else np.exp(-t / 9.0) * np.sin(t / 9.0)
    wave = raw / raw.max() * peak
    return np.asarray(wave + np.random.default_rng(1).normal(0.0, abs(peak) * 0.003, samples))


def _clamped(samples: int, peak: float) -> NDArray[np.float64]:
    t = np.clip(_time_us(samples), 0.0, None)
    raw = (1 - np.exp(-t / 0.3)) * np.exp(-t / 200.0) * (1 - 0.5 / (1 + np.exp((24.0 - t) / 2.0)))
    wave = raw / raw.max() * peak
    return np.asarray(wave + np.random.default_rng(2).normal(0.0, abs(peak) * 0.003, samples))


def _channels(waves: dict[str, tuple[str, NDArray[np.float64]]]) -> Iterator[CaptureChannel]:
    for name, (unit, wave) in waves.items():
        full = 1.25 * float(np.abs(wave).max())
        scale = full / 2048
        codes = np.clip(np.round(wave / scale), -2048, 2047).astype(np.int16)
        yield CaptureChannel(name, codes, unit, scale, 0.0, -full, full, 12, 0.005, 0.001, 5e-5)


REQUIREMENTS = (
    Requirement(clause="house 4.1", result="limiting_voltage", judged="every shot", at_most="310 V", rule="guard_band"),
    Requirement(clause="house 4.2", result="leakage", judged="every shot", at_most="220 uA", rule="simple_acceptance"),
    Requirement(clause="house 4.3", result="limiting_voltage", judged="change first to last", at_most="7 %",
                rule="simple_acceptance"),
    Requirement(clause="house 4.4", result="cheesecloth", judged="every shot", must_be="unmarked"),
)  # fmt: skip


def _verdicts(plan: Plan, outcome: Outcome) -> list[dict[str, Any]]:
    """As the engine judges them, so that their words are the engine's. A plan of one shot limits no change."""
    shots = range(1, (plan.stop_after or plan.shots) + 1)
    limiting = [Value(shot, 284.2 + 0.6 * shot, "V", 3.02, 2.0) for shot in shots]
    leakage = [Value(shot, 1.216e-4, "A", 1.6e-6, 2.0) for shot in shots]
    cloth = [(shot, "scorched" if shot == plan.scorched_shot else "unmarked") for shot in shots]
    values = {"limiting_voltage": limiting, "leakage": leakage}
    evidence = Evidence(values, {"cheesecloth": cloth}, max(1, plan.shots))
    limits = [one for one in REQUIREMENTS if plan.shots > 1 or "change" not in one.judged]
    return [judge(one, evidence, outcome).to_json() for one in limits]


def invented_store(plan: Plan | None = None) -> MemoryStore:
    """A run in memory."""
    store = MemoryStore()
    InventedRun(plan or Plan(), store).write()
    return store


def invented_folder(data_folder: Path, plan: Plan | None = None) -> Path:
    """A run in a data folder, with its head in the list; the run's folder."""
    plan = plan or Plan()
    store = MemoryStore()
    InventedRun(plan, store).write(Heads.of(data_folder))
    store.save_to(data_folder / plan.run)
    return data_folder / plan.run
