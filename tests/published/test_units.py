"""The table of units against a reference library.

Source: pint (https://pint.readthedocs.io), whose unit definitions follow the SI brochure (BIPM, 9th edition) and
are kept by people who have nothing to do with this project.
"""

from __future__ import annotations

import math

import pint
import pytest

from sequences.quantity import DIMENSIONS, UNITS, parse

# How the reference spells what it does not read in our spelling.
SPELLED = {
    "Nm": "newton*meter",
    "A2s": "ampere**2*second",
    "%": "percent",
    "m/s2": "meter/second**2",
    "mm/s2": "millimeter/second**2",
    "1/s": "1/second",
    "1/min": "1/minute",
    "1/h": "1/hour",
    "1": "dimensionless",
    "degC": "delta_degC",
    "K": "delta_degC",
    "mK": "millikelvin",
    "h": "hour",
    "d": "day",
}


@pytest.fixture(scope="module")
def reference() -> pint.UnitRegistry[float]:
    return pint.UnitRegistry()


def spelled(symbol: str) -> str:
    if symbol.endswith("Nm") and symbol != "Nm":
        return f"{symbol[:-1]}*meter"
    return SPELLED.get(symbol, symbol)


@pytest.mark.parametrize("symbol", sorted(UNITS))
def test_each_unit_agrees_with_the_reference(symbol: str, reference: pint.UnitRegistry[float]) -> None:
    unit = UNITS[symbol]
    theirs = reference.Quantity(1.0, spelled(symbol))
    ours = reference.Quantity(float(unit.factor), spelled(DIMENSIONS[unit.dimension].base))

    assert math.isclose(theirs.to(ours.units).magnitude, ours.magnitude, rel_tol=1e-14)


@pytest.mark.parametrize("dimension", sorted(DIMENSIONS))
def test_each_dimension_is_one_dimension_for_the_reference(
    dimension: str, reference: pint.UnitRegistry[float]
) -> None:
    symbols = [symbol for symbol, unit in UNITS.items() if unit.dimension == dimension]

    assert len({str(reference.Quantity(1, spelled(s)).dimensionality) for s in symbols}) == 1


def test_a_temperature_is_held_in_degrees_celsius(reference: pint.UnitRegistry[float]) -> None:
    theirs = reference.Quantity(23.5, "degC").to("kelvin").magnitude

    assert math.isclose(parse("23.5 degC", "temperature") + 273.15, theirs, rel_tol=1e-12)


def test_what_the_reference_lets_pass_is_refused_here(reference: pint.UnitRegistry[float]) -> None:
    """Why the reference does not read the files itself: it multiplies what stands side by side."""
    assert math.isclose(reference("6 kV 3").to("V").magnitude, 18000.0)
    with pytest.raises(ValueError, match="not a number with a unit"):
        parse("6 kV 3", "voltage")
