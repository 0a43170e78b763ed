"""Do the uncertainties of contact figures hold? `python -m tests.studies.contact_coverage [RECORDS]` prints the table.

Records with known instants are drawn with gain, offset, timebase and noise within the stated limits, at any
phase of sampling and supply. Then: how often the true figure lies within the expanded uncertainty.
"""

from __future__ import annotations

import sys
from collections import Counter

import numpy as np

from orchestrator.analysis.methods import Analysis, analyse
from orchestrator.analysis.waveform import Accuracy, Array, Channel, Waveform
from tests.contact_records import Circuit, break_record, make_record, times_s

ACCURACY = Accuracy(0.005, 0.0005, 100e-6)
RANGES = (200.0, 40.0)
LEAST = 0.93  # of 0.9545: what is asked of the table
COUNTED = "bounce_count"


def coverage(records: int, seed: int = 0) -> dict[str, float]:
    """Share of true values within the expanded uncertainty, by kind of record and figure."""
    held, all_of = Counter[str](), Counter[str]()
    drawn = np.random.default_rng(seed)
    for number in range(records):
        hz = (0.0, 50.0)[number % 2]
        for kind, (found, truth) in (("make", _make(hz, drawn)), ("break", _break(hz, drawn))):
            for name, true_value in truth.items():
                figure = found.results[name]
                key = f"{kind}, {'a.c.' if hz else 'd.c.'}: {name}"
                off = abs(figure.value - true_value)
                held[key] += off <= (figure.expanded_uncertainty or 0.0) + 1e-12
                all_of[key] += 1
    return {key: held[key] / all_of[key] for key in sorted(all_of)}


def _circuit(hz: float, drawn: np.random.Generator) -> Circuit:
    supply_v = 110.0 if hz else float(drawn.choice([12.0, 24.0, 48.0]))
    return Circuit(supply_v, hz, drawn.uniform(1.0, 8.0), drop_v=drawn.uniform(0.02, 0.3), arc_v=14.0)


def _make(hz: float, drawn: np.random.Generator) -> tuple[Analysis, dict[str, float]]:
    """Up to three reopenings, none of them within a zero of the supply."""
    circuit = _circuit(hz, drawn)
    bounces = int(drawn.integers(0, 4))
    first_s = drawn.uniform(4e-3, 6e-3)
    events_s = first_s + np.concatenate(([0.0], np.cumsum(drawn.uniform(0.2e-3, 0.45e-3, 2 * bounces))))
    # The supply's zero comes 1 ms before the first make: the whole bounce lies in one half period.
    circuit = Circuit(**{**vars(circuit), "arc_v": 0.0, "zero_s": first_s - 1e-3})
    t_s = times_s(20e3, 0.04, drawn.random())
    parts = make_record(t_s, circuit, events_s[0::2].tolist(), events_s[1::2].tolist())
    found = analyse(_recorded(*parts, circuit, drawn), "contact-make")
    spans = {"make_time": first_s - t_s[0], "bounce_time": events_s[-1] - first_s}
    return found, {**spans, COUNTED: float(bounces), "contact_drop": circuit.drop_v}


def _break(hz: float, drawn: np.random.Generator) -> tuple[Analysis, dict[str, float]]:
    circuit, parts_s = _circuit(hz, drawn), drawn.uniform(10e-3, 12e-3)
    arcing_s = drawn.uniform(0.5e-3, 6e-3)
    circuit = Circuit(**{**vars(circuit), "zero_s": parts_s + arcing_s})
    t_s = times_s(20e3, 0.04, drawn.random())
    parts = break_record(t_s, circuit, parts_s, parts_s + arcing_s)
    found = analyse(_recorded(*parts, circuit, drawn), "contact-break")
    return found, {"break_time": parts_s + arcing_s - t_s[0], "arcing_time": arcing_s}


def _recorded(volts: Array, amperes: Array, circuit: Circuit, drawn: np.random.Generator) -> Waveform:
    """16 bits; each channel with its own gain and offset, both with one timebase."""
    channels = {}
    for name, unit, values, full, noise in (
        ("voltage", "V", volts, RANGES[0], 0.002 * circuit.supply_v),
        ("current", "A", amperes, RANGES[1], 0.002 * circuit.current_a),
    ):
        gain = 1.0 + ACCURACY.gain_fraction * drawn.uniform(-1.0, 1.0)
        offset = ACCURACY.offset_fraction_of_range * full * drawn.uniform(-1.0, 1.0)
        step = 2.0 * full / 2.0**16
        seen = gain * values + offset + noise * drawn.standard_normal(len(values))
        codes = np.rint(seen / step).astype(np.int16)
        channels[name] = Channel(name, unit, codes, step, 0.0, (-full, full), 16, ACCURACY)
    stretched = 1.0 + ACCURACY.timebase_fraction * drawn.uniform(-1.0, 1.0)
    return Waveform(stretched / 20e3, 0.0, channels)


def main(records: int) -> int:
    """Print the table; 1 if a figure is covered too seldom."""
    found = coverage(records)
    for key, share in found.items():
        print(f"{key:36}{share:8.3f}")
    return 0 if min(found.values()) >= LEAST else 1


if __name__ == "__main__":
    raise SystemExit(main(int(sys.argv[1]) if len(sys.argv) > 1 else 1000))
