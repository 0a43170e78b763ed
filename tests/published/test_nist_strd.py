"""NIST Statistical Reference Datasets: certified values against the arithmetic under the analysis.

Sources: Norris (linear regression) and the one-way sets are files that scipy carries, with NIST's certified
values in their headers (read here). NumAcc1 to 4: data and certified values follow from the datasets' own
construction (from memory, seen described in public copies).
"""

import math
import re
from pathlib import Path

import numpy as np
import pytest
import scipy.stats
from numpy.typing import NDArray

from orchestrator.analysis.uncertainty import from_readings

Array = NDArray[np.float64]
DATA = Path(scipy.stats.__file__).parent / "tests" / "data"

pytestmark = pytest.mark.skipif(not DATA.is_dir(), reason="this scipy was installed without its test data")


def table(path: Path) -> Array:
    """The numbers after the last line that begins with `Data:`."""
    lines = path.read_text(encoding="ascii").splitlines()
    start = max(n for n, line in enumerate(lines) if line.startswith("Data:"))
    return np.array([line.split() for line in lines[start + 1 :] if line.strip()], float)


def certified(path: Path, pattern: str) -> list[float]:
    found = re.search(pattern, path.read_text(encoding="ascii"))
    assert found, f"{path.name} has no certified value {pattern!r}"
    return [float(group) for group in found.groups()]


def digits(found: float, expected: float) -> float:
    """Number of agreeing decimal digits, NIST's own measure (log relative error)."""
    return 16.0 if found == expected else -math.log10(abs(found - expected) / abs(expected))


def test_norris() -> None:
    path = DATA / "nist_linregress" / "Norris.dat"
    y, x = table(path).T
    line = scipy.stats.linregress(x, y)
    b0 = certified(path, r"B0 +(-?\d\S+) +(\d\S+)")
    b1 = certified(path, r"B1 +(-?\d\S+) +(\d\S+)")
    scatter = math.sqrt(float(np.sum((y - line.intercept - line.slope * x) ** 2)) / (len(x) - 2))

    assert b0 == [-0.262323073774029, 0.232818234301152]
    assert [line.intercept, line.intercept_stderr] == pytest.approx(b0, rel=1e-11)
    assert [line.slope, line.stderr] == pytest.approx(b1, rel=1e-11)
    assert scatter == pytest.approx(certified(path, r"Standard Deviation +(\S+)")[0], rel=1e-11)
    assert line.rvalue**2 == pytest.approx(certified(path, r"R-Squared +(\S+)")[0], rel=1e-12)


# The sets grow in leading constant digits: levels 1-3, 4-6 and 7-9 leave fewer and fewer for the answer.
@pytest.mark.parametrize(("number", "least"), [*[(n, 12) for n in (1, 2, 3)], *[(n, 7) for n in (4, 5, 6)]])
def test_one_way_analysis_of_variance(number: int, least: float) -> None:
    path = DATA / "nist_anova" / f"SmLs0{number}.dat"
    groups = by_treatment(path)
    expected = certified(path, r"Between Treatment.* (\S+)\n")[0]

    assert digits(float(scipy.stats.f_oneway(*groups).statistic), expected) >= least


@pytest.mark.parametrize("number", range(1, 10))
def test_scatter_within_treatments(number: int) -> None:
    """Our own scatter of readings, pooled: certified 0.1 at every level, even with 13 leading digits."""
    path = DATA / "nist_anova" / f"SmLs0{number}.dat"
    parts = [from_readings("t", group, 1.0, "set")[1] for group in by_treatment(path)]
    pooled = sum(c.degrees_of_freedom * c.standard_uncertainty**2 * (c.degrees_of_freedom + 1) for c in parts)
    scatter = math.sqrt(pooled / sum(c.degrees_of_freedom for c in parts))
    expected = certified(path, r"Standard Deviation +(\S+)")[0]

    assert digits(scatter, expected) >= (12 if number < 4 else 7 if number < 7 else 2)


def by_treatment(path: Path) -> list[Array]:
    rows = table(path)
    return [rows[rows[:, 0] == treatment, 1] for treatment in np.unique(rows[:, 0])]


@pytest.mark.parametrize(
    ("name", "data", "mean", "scatter", "least"),
    [
        ("NumAcc1", [10000001.0, 10000003.0, 10000002.0], 10000002.0, 1.0, 14),
        ("NumAcc2", [1.2, *[1.1, 1.3] * 500], 1.2, 0.1, 13),
        ("NumAcc3", [1000000.2, *[1000000.1, 1000000.3] * 500], 1000000.2, 0.1, 9),
        ("NumAcc4", [10000000.2, *[10000000.1, 10000000.3] * 500], 10000000.2, 0.1, 8),
    ],
)
def test_summary_of_readings(name: str, data: list[float], mean: float, scatter: float, least: float) -> None:
    found, contribution = from_readings(name, np.array(data), 1.0, name)

    assert found == pytest.approx(mean, rel=1e-14)
    assert digits(contribution.standard_uncertainty * math.sqrt(len(data)), scatter) >= least
