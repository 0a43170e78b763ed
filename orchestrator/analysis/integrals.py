"""Charge and energy of an impulse, summed piece by piece so that a long record needs no copy of itself."""

from __future__ import annotations

import numpy as np

from orchestrator.analysis.figures import Figures, Integrals
from orchestrator.analysis.trace import PIECE
from orchestrator.analysis.waveform import Array, Channel


def integrals(
    voltage: Channel, voltage_figures: Figures, current: Channel, current_figures: Figures, interval_s: float
) -> Integrals:
    """Integrate from the start of the impulse (the end of the earlier baseline) to the record's end.

    Both channels have the same number of samples. Values keep their signs.
    """
    baselines = voltage_figures.baseline, current_figures.baseline
    start_s = min(voltage_figures.baseline_window_s[1], current_figures.baseline_window_s[1])
    start, stop = round(start_s / interval_s), len(current.codes)
    sums = np.zeros(5)
    for at in range(start, stop, PIECE):
        end = min(at + PIECE, stop)
        v, i = voltage.values(at, end) - baselines[0], current.values(at, end) - baselines[1]
        sums += _products(v, i)
    first, last = slice(start, start + 1), slice(stop - 1, stop)
    for each in (first, last):  # the trapezoidal rule counts the ends half
        v = voltage.values(each.start, each.stop) - baselines[0]
        i = current.values(each.start, each.stop) - baselines[1]
        sums -= 0.5 * _products(v, i)
    charge, energy, volt_seconds, current_squared, voltage_squared = (float(x) for x in sums * interval_s)
    return Integrals(
        start_s=start * interval_s,
        stop_s=(stop - 1) * interval_s,
        samples=stop - start,
        charge=charge,
        energy=energy,
        voltage=volt_seconds,
        current_squared=current_squared,
        voltage_squared=voltage_squared,
    )


def _products(v: Array, i: Array) -> Array:
    # Not by `@`: for pieces of this size it wakes threads, which wait long on a busy machine.
    return np.array([i.sum(), (v * i).sum(), v.sum(), (i * i).sum(), (v * v).sum()])
