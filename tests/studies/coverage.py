"""Do the stated uncertainties hold? `python -m tests.studies.coverage [RECORDS]` prints the tables.

Records with known figures are drawn with gain, offset, timebase, noise, rounding and sampling errors within
the stated limits. Then: how often the true figure lies within the expanded uncertainty, how that compares to
the half-width that 95 % of the errors really need, and, for each contribution, a family of records in which
it is nearly everything, so that leaving it out of the budget must show.
"""

import sys
from collections.abc import Callable, Iterator, Mapping, Sequence
from dataclasses import dataclass, replace

import numpy as np

from orchestrator.analysis.methods import Result, analyse
from orchestrator.analysis.refusal import Refused
from orchestrator.analysis.waveform import Accuracy
from tests.studies.records import (
    Array,
    Impulse,
    Record,
    Setting,
    cubic_exponential,
    damped_sine,
    double_exponential,
    limiting,
    single_channel,
)

Draw = Callable[[np.random.Generator], Record]
CURRENT_BENCH = Setting(samples=8000, pre_trigger=0.1, accuracy=Accuracy(0.01, 0.001, 50e-6))
VOLTAGE_BENCH = Setting(samples=9000, pre_trigger=0.1)
OFFSET_ALONE = Accuracy(
    0.0, 0.01, 0.0
)  # it is removed, but decides where between two codes the baseline lies


@dataclass(frozen=True)
class Population:
    """Records drawn alike."""

    name: str
    draw: Draw


def voltage(setting: Setting = VOLTAGE_BENCH) -> Draw:
    shape = double_exponential()
    return lambda drawn: single_channel("impulse-voltage", shape, setting, drawn)


def current(shape: Impulse, setting: Setting = CURRENT_BENCH) -> Draw:
    return lambda drawn: single_channel("impulse-current", shape, setting, drawn)


def clamped(setting: Setting = CURRENT_BENCH) -> Draw:
    shape = cubic_exponential()
    return lambda drawn: limiting(setting, drawn, shape)


def varied(drawn: np.random.Generator) -> Record:
    """Any shape, 8 to 16 bits, no noise to 1 % rms, 25 to 200 MS/s, any accuracy up to 1 %."""
    method, shapes = _VARIED[int(drawn.integers(len(_VARIED)))]
    shape = shapes[int(drawn.integers(len(shapes)))]
    rate_hz = 10.0 ** drawn.uniform(np.log10(25e6), np.log10(200e6))
    setting = Setting(
        rate_hz=rate_hz,
        samples=int(90e-6 * rate_hz),
        pre_trigger=drawn.uniform(0.08, 0.15),
        bits=int(drawn.integers(8, 17)),
        noise_of_peak=drawn.choice([0.0, drawn.uniform(0.0, 0.01)]),
        accuracy=Accuracy(drawn.uniform(0.0, 0.01), 0.002, 10.0 ** drawn.uniform(-6.0, -3.0)),
    )
    if method == "limiting-voltage":
        return limiting(setting, drawn, shape)
    return single_channel(method, shape, setting, drawn)


_CUBES = tuple(cubic_exponential(tau_s) for tau_s in (3.3e-6, 3.911e-6, 4.5e-6))
_DAMPED = (damped_sine(), damped_sine(0.05e6, 0.115e6), damped_sine(0.08e6, 0.1e6))
_VARIED: tuple[tuple[str, tuple[Impulse, ...]], ...] = (
    (
        "impulse-voltage",
        tuple(double_exponential(*c) for c in ((0.3e-6, 55e-6), (0.4074e-6, 68.22e-6), (0.52e-6, 80e-6))),
    ),
    ("impulse-current", _CUBES),
    ("impulse-current", _DAMPED),
    ("limiting-voltage", _CUBES),
)
POPULATIONS = (
    Population("voltage 1.2/50", voltage()),
    Population("current 8/20", current(cubic_exponential())),
    Population("current with undershoot", current(damped_sine())),
    Population("limiting voltage", clamped()),
    Population("smoothed noise", voltage(replace(VOLTAGE_BENCH, noise_run=6, noise_of_peak=0.005))),
    Population("varied", varied),
)


@dataclass(frozen=True)
class Family:
    """Records in which one contribution gives most of one figure's variance."""

    contribution: str
    figure: str
    draw: Draw


FAMILIES = (
    Family(
        "sampling",
        "front_time",
        voltage(Setting(8e6, 800, 0.1, 16, noise_of_peak=0.0, accuracy=OFFSET_ALONE)),
    ),
    Family(
        "quantisation",
        "peak",
        voltage(Setting(50e6, 4500, 0.1, 8, noise_of_peak=0.0, accuracy=OFFSET_ALONE)),
    ),
    Family(
        "noise",
        "front_time",
        voltage(Setting(50e6, 4500, 0.1, 14, noise_of_peak=0.01, accuracy=OFFSET_ALONE)),
    ),
    Family(
        "timebase",
        "duration_50",
        voltage(Setting(50e6, 4500, 0.1, 14, noise_of_peak=0.0005, accuracy=Accuracy(0.0, 0.0, 0.005))),
    ),
    Family(
        "gain", "peak", voltage(Setting(50e6, 4500, 0.1, 14, noise_of_peak=0.002, accuracy=Accuracy(0.005)))
    ),
    Family(
        "baseline drift",
        "peak",
        voltage(Setting(50e6, 4500, 0.1, 14, noise_of_peak=0.001, drift_of_peak=0.02, accuracy=OFFSET_ALONE)),
    ),
)


def results(draw: Draw, count: int, seed: int) -> Iterator[tuple[Record, Mapping[str, Result]]]:
    """Analyse `count` records; a refused one is drawn again, as a laboratory repeats an invalid shot."""
    drawn = np.random.default_rng(seed)
    done = refused = 0
    while done < count:
        record = draw(drawn)
        try:
            analysis = analyse(record.waveform, record.method)
        except Refused:
            refused += 1
            if refused > count // 10 + 10:
                raise
            continue
        done += 1
        yield record, analysis.results


@dataclass(frozen=True)
class Held:
    """How one figure's stated uncertainty compares to its errors, relative to the figure where it is not 0."""

    population: str
    figure: str
    records: int
    coverage: float
    median_expanded: float
    half_width: float  # that holds 95 % of the errors
    fair: float  # what every U could be multiplied by to hold 95 %: 1 is exact, below 1 is generous

    @property
    def ratio(self) -> float | None:
        """Median U over what is needed; None for an undershoot that is not there and is always found to be 0."""
        return self.median_expanded / self.half_width if self.half_width > 0 else None


def held(population: Population, count: int, seed: int = 1) -> list[Held]:
    errors: dict[str, list[tuple[float, float]]] = {}
    for record, found in results(population.draw, count, seed):
        for name, result in found.items():
            truth = record.truth.get(name)
            if truth is None or result.expanded_uncertainty is None:
                continue
            size = abs(truth) or 1.0
            errors.setdefault(name, []).append(
                (abs(result.value - truth) / size, result.expanded_uncertainty / size)
            )
    return [_held(population.name, name, np.array(pairs)) for name, pairs in errors.items()]


def _held(population: str, figure: str, pairs: Array) -> Held:
    off, expanded = pairs.T
    return Held(
        population,
        figure,
        len(pairs),
        float(np.mean(off <= expanded)),
        float(np.median(expanded)),
        float(np.quantile(off, 0.95)),
        float(np.quantile(off / expanded, 0.95)),
    )


@dataclass(frozen=True)
class Needed:
    """What one contribution is worth in the family of records that is made of it."""

    family: Family
    records: int
    share: float  # median part of the variance
    coverage: float
    coverage_without: float
    fair: float  # as in Held


def needed(family: Family, count: int, seed: int = 2) -> Needed:
    shares, full, without, fair = [], [], [], []
    for record, found in results(family.draw, count, seed):
        result = found[family.figure]
        assert result.budget is not None
        off = abs(result.value - record.truth[family.figure])
        shares.append(result.budget.share(family.contribution))
        full.append(off <= result.budget.expanded)
        fair.append(off / result.budget.expanded)
        without.append(off <= result.budget.without(family.contribution).expanded)
    coverage, coverage_without = float(np.mean(full)), float(np.mean(without))
    return Needed(
        family, count, float(np.median(shares)), coverage, coverage_without, float(np.quantile(fair, 0.95))
    )


def held_table(rows: Sequence[Held]) -> str:
    lines = [
        f"{'population':24s} {'figure':17s} {'records':>7s} {'coverage':>8s} {'median U':>9s} "
        f"{'95 % need':>9s} {'ratio':>6s} {'fair':>6s}"
    ]
    lines += [
        f"{r.population:24s} {r.figure:17s} {r.records:7d} {r.coverage:8.3f} {r.median_expanded:9.2e} "
        f"{r.half_width:9.2e} {'-' if r.ratio is None else format(r.ratio, '.2f'):>6s} {r.fair:6.2f}"
        for r in rows
    ]
    return "\n".join(lines)


def needed_table(rows: Sequence[Needed]) -> str:
    lines = [
        f"{'contribution':16s} {'figure':12s} {'records':>7s} {'share':>6s} {'coverage':>8s} "
        f"{'without it':>10s} {'fair':>5s}"
    ]
    lines += [
        f"{r.family.contribution:16s} {r.family.figure:12s} {r.records:7d} {r.share:6.2f} {r.coverage:8.3f} "
        f"{r.coverage_without:10.3f} {r.fair:5.2f}"
        for r in rows
    ]
    return "\n".join(lines)


def main(arguments: Sequence[str]) -> None:
    count = int(arguments[0]) if arguments else 4000
    print(held_table([row for population in POPULATIONS for row in held(population, count)]))
    print()
    print(needed_table([needed(family, count // 4) for family in FAMILIES]))


if __name__ == "__main__":
    main(sys.argv[1:])
