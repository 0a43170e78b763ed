"""Reference figures of closed-form impulses by another route: 30-digit arithmetic, root finding, quadrature.

Nothing of the product is used. `python -m tests.published.impulse_oracle` prints the references that stand in
orchestrator/analysis/reference_waveforms.json; test_impulse_references.py holds the two together.
"""

from __future__ import annotations

import json
from collections.abc import Callable, Mapping

import mpmath as mp

mp.mp.dps = 30
Form = Callable[[mp.mpf], mp.mpf]


def product_of_exponentials(k: Mapping[str, float]) -> Form:
    """amplitude (1 - exp(-t / rise)) exp(-t / fall), times in us."""
    a, rise, fall = (mp.mpf(str(k[name])) for name in ("amplitude", "rise_us", "fall_us"))
    return lambda t: a * (1 - mp.exp(-t / rise)) * mp.exp(-t / fall)


def cubic_exponential(k: Mapping[str, float]) -> Form:
    """amplitude t^3 exp(-t / decay), t in us."""
    a, decay = (mp.mpf(str(k[name])) for name in ("amplitude", "decay_us"))
    return lambda t: a * t**3 * mp.exp(-t / decay)


def difference_of_exponentials(k: Mapping[str, float]) -> Form:
    """amplitude (exp(-slow t) - exp(-fast t)), rates per us."""
    a, slow, fast = (mp.mpf(str(k[name])) for name in ("amplitude", "slow_per_us", "fast_per_us"))
    return lambda t: a * (mp.exp(-slow * t) - mp.exp(-fast * t))


def damped_sine(k: Mapping[str, float]) -> Form:
    """amplitude exp(-damping t) sin(angular t), rates per us."""
    a, damping, angular = (mp.mpf(str(k[name])) for name in ("amplitude", "damping_per_us", "angular_per_us"))
    return lambda t: a * mp.exp(-damping * t) * mp.sin(angular * t)


FORMS = {
    form.__name__: form
    for form in (product_of_exponentials, cubic_exponential, difference_of_exponentials, damped_sine)
}


def extreme(f: Form, low: float, high: float) -> mp.mpf:
    """The one turning point of `f` between `low` and `high`."""
    return mp.findroot(lambda t: mp.diff(f, t), (mp.mpf(low), mp.mpf(high)), solver="anderson", tol=1e-22)


def crossing(f: Form, level: mp.mpf, low: mp.mpf, high: mp.mpf) -> mp.mpf:
    return mp.findroot(lambda t: f(t) - level, (low, high), solver="anderson", tol=1e-24)


def figures(
    f: Form, low_level: float, peak_between: tuple[float, float], last_us: float
) -> dict[str, mp.mpf]:
    """Peak (in units of the form), times in us, of a form with one peak in `peak_between`."""
    top_us = extreme(f, *peak_between)
    peak = f(top_us)
    start = mp.mpf("1e-6")
    low = mp.mpf(str(low_level))
    low_us, half_us, high_us = (
        crossing(f, x * peak, start, top_us) for x in (low, mp.mpf("0.5"), mp.mpf("0.9"))
    )
    tail_us = crossing(f, peak / 2, top_us, mp.mpf(last_us))
    front_us = (high_us - low_us) / (mp.mpf("0.9") - low)
    duration_us = tail_us - half_us
    return {
        "peak": peak,
        "front_time": front_us,
        "time_to_half": tail_us - (low_us - low * front_us),
        "duration_50": duration_us,
        "duration_118": mp.mpf("1.18") * duration_us,
        "undershoot": mp.mpf(0),
    }


def references(entry: Mapping[str, object]) -> dict[str, float]:
    """References of one entry of the product's file, in base units (times in s) for an amplitude of 1."""
    constants: Mapping[str, float] = entry["constants"]  # type: ignore[assignment]
    f = FORMS[str(entry["form"])](constants)
    if entry["method"] == "limiting-voltage":
        return resistor_figures(f, constants, float(str(entry["ohms"])))
    low_level = 0.3 if entry["method"] == "impulse-voltage" else 0.1
    between: tuple[float, float] = tuple(entry["peak_between_us"])  # type: ignore[arg-type, assignment]
    found = figures(f, low_level, between, float(str(entry["half_value_before_us"])))
    if entry["form"] == "damped_sine":
        damping, angular = (mp.mpf(str(constants[name])) for name in ("damping_per_us", "angular_per_us"))
        found["undershoot"] = mp.exp(-mp.pi * damping / angular)
    if entry["method"] == "impulse-voltage":
        del found["duration_118"]
    return {name: float(x * (mp.mpf("1e-6") if name in TIMES else 1)) for name, x in found.items()}


TIMES = ("front_time", "time_to_half", "duration_50", "duration_118")


def resistor_figures(f: Form, constants: Mapping[str, float], ohms: float) -> dict[str, float]:
    """Voltage across and energy in a resistor that carries the current `f`; quadrature, to infinity."""
    peak = f(3 * mp.mpf(str(constants["decay_us"])))
    charge = mp.quad(f, [0, 20, 100, mp.inf])
    squared = mp.quad(lambda t: f(t) ** 2, [0, 20, 100, mp.inf])
    return {
        "limiting_voltage": float(ohms * peak),
        "peak_current": float(peak),
        "energy": float(ohms * squared * mp.mpf("1e-6")),
        "charge": float(charge * mp.mpf("1e-6")),
    }


ENTRIES: list[dict[str, object]] = [
    {
        "name": "1.2/50",
        "source": "closed form of IEEE C62.41.2, constants from memory",
        "method": "impulse-voltage",
        "form": "product_of_exponentials",
        "constants": {"amplitude": 1.037, "rise_us": 0.4074, "fall_us": 68.22},
        "peak_between_us": [1.5, 3.0],
        "half_value_before_us": 80.0,
        "sample_rate_hz": 100e6,
        "record_us": 150.0,
    },
    {
        "name": "10/700",
        "source": "double exponential, constants from a public page on standard surge waveforms (secondary source)",
        "method": "impulse-voltage",
        "form": "difference_of_exponentials",
        "constants": {"amplitude": 1.0227, "slow_per_us": 0.0010222, "fast_per_us": 0.3063},
        "peak_between_us": [15.0, 25.0],
        "half_value_before_us": 900.0,
        "sample_rate_hz": 20e6,
        "record_us": 2000.0,
    },
    {
        "name": "8/20",
        "source": "closed form of IEEE C62.41.2, constants from memory",
        "method": "impulse-current",
        "form": "cubic_exponential",
        "constants": {"amplitude": 0.01243, "decay_us": 3.911},
        "peak_between_us": [10.0, 14.0],
        "half_value_before_us": 40.0,
        "sample_rate_hz": 100e6,
        "record_us": 100.0,
    },
    {
        "name": "5/320",
        "source": "double exponential, constants from a public page on standard surge waveforms (secondary source)",
        "method": "impulse-current",
        "form": "difference_of_exponentials",
        "constants": {"amplitude": 1.0288, "slow_per_us": 0.0022548, "fast_per_us": 0.51343},
        "peak_between_us": [8.0, 14.0],
        "half_value_before_us": 500.0,
        "sample_rate_hz": 20e6,
        "record_us": 1000.0,
    },
    {
        "name": "8/20 of a series circuit, with reverse swing",
        "source": "damped sine, derived here: front 8 us and half value 20 us, but a third of the peak in reverse",
        "method": "impulse-current",
        "form": "damped_sine",
        "constants": {"amplitude": 1.0, "damping_per_us": 0.04162847, "angular_per_us": 0.12002333},
        "peak_between_us": [8.0, 13.0],
        "half_value_before_us": 25.0,
        "sample_rate_hz": 100e6,
        "record_us": 100.0,
    },
    {
        "name": "8/20 through 2 ohm",
        "source": "closed form of IEEE C62.41.2, constants from memory; charge and energy by quadrature",
        "method": "limiting-voltage",
        "form": "cubic_exponential",
        "constants": {"amplitude": 0.01243, "decay_us": 3.911},
        "ohms": 2.0,
        "sample_rate_hz": 100e6,
        "record_us": 100.0,
    },
]


def main() -> None:
    for entry in ENTRIES:
        entry["references"] = references(entry)
    print(json.dumps({"waveforms": ENTRIES}, indent=2))


if __name__ == "__main__":
    main()
