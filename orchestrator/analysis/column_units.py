"""Units of a column: SI prefix and base unit, as a file's first line names them."""

from __future__ import annotations

PREFIXES = {
    "": 1.0,
    "p": 1e-12,
    "n": 1e-9,
    "u": 1e-6,
    "\u00b5": 1e-6,  # micro sign
    "\u03bc": 1e-6,  # Greek mu, which looks the same
    "m": 1e-3,
    "k": 1e3,
    "M": 1e6,
    "G": 1e9,
}
BASES = ("V", "A", "s")


def base_and_factor(unit: str) -> tuple[str, float]:
    """`kV` -> ("V", 1000.0). A unit that is not volt, ampere or second comes back as it is, with factor 1."""
    text = unit.strip()
    for base in BASES:
        if text.endswith(base) and text[: -len(base)] in PREFIXES:
            return base, PREFIXES[text[: -len(base)]]
    return text, 1.0
