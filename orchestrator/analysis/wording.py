"""A figure as a laboratory writes it: SI prefix, digits as far as the uncertainty allows."""

from __future__ import annotations

import math

_PREFIXES = {9: "G", 6: "M", 3: "k", 0: "", -3: "m", -6: "u", -9: "n", -12: "p"}


def spoken(value: float, unit: str, expanded_uncertainty: float | None = None) -> str:
    """`1.7024 kV +- 0.0093 kV`: the uncertainty to two digits, the value to the same place.

    Without an uncertainty the value has five digits. A fraction (unit "1") is written in per cent.
    """
    if unit == "1":
        value, unit, expanded_uncertainty = _in_per_cent(value, expanded_uncertainty)
        scale, shown = 1.0, unit
    else:
        exponent = _exponent(max(abs(value), expanded_uncertainty or 0.0))
        scale, shown = 10.0**exponent, _PREFIXES[exponent] + unit
    scaled = value / scale
    if not expanded_uncertainty:
        return f"{scaled:.5g} {shown}"
    spread = expanded_uncertainty / scale
    places = max(0, 1 - math.floor(math.log10(spread)))
    return f"{scaled:.{places}f} {shown} +- {spread:.{places}f} {shown}"


def _in_per_cent(value: float, spread: float | None) -> tuple[float, str, float | None]:
    return 100.0 * value, "%", None if spread is None else 100.0 * spread


def _exponent(size: float) -> int:
    if size == 0.0 or not math.isfinite(size):
        return 0
    return min(max(3 * math.floor(math.log10(size) / 3.0 + 1e-12), -12), 9)


def axis_scale(size: float, unit: str) -> tuple[float, str]:
    """The factor and prefixed unit in which something of about `size` is drawn."""
    exponent = _exponent(1.02 * abs(size))  # 999.9 V is drawn in kV
    return 10.0**exponent, _PREFIXES[exponent] + unit
