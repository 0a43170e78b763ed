"""The speed table: every row of every module here, our figure beside its baseline.

python -m tests.bench [MODULE ...]. Exit code 1 when a row is out of its bound, 0 otherwise.
"""

from __future__ import annotations

import importlib
import pkgutil
import sys
from collections.abc import Iterator

import tests.bench
from tests.bench.row import Row

NO_ROWS = {"__main__", "row"}


def main(only: list[str]) -> int:
    """Measure, print row by row as they come, tell whether all hold."""
    print(f"{'what':66}{'measured':>12}{'baseline':>12}{'ratio':>9}{'bound':>8}")
    out = 0
    for name in only or modules():
        for row in importlib.import_module(f"tests.bench.{name}").rows():
            print(in_words(row), flush=True)
            out += not row.holds
    print(f"{out} out of bound" if out else "all in bound")
    return 1 if out else 0


def modules() -> Iterator[str]:
    """Every module of the table."""
    for module in pkgutil.iter_modules(tests.bench.__path__):
        if module.name not in NO_ROWS:
            yield module.name


def in_words(row: Row) -> str:
    """One row; the baseline's name stands below where it has one."""
    head = f"{row.what:66}{duration(row.ours_s):>12}{duration(row.baseline_s):>12}"
    verdict = "in" if row.holds else "OUT"
    return f"{head}{row.ratio:>8.2f}x{row.at_most:>7g}x  {verdict}\n    beside: {row.baseline}"


def duration(time_s: float) -> str:
    """A time in the unit that a person reads it in."""
    for factor, unit in ((1.0, "s"), (1e-3, "ms")):
        if time_s >= factor:
            return f"{time_s / factor:.3g} {unit}"
    return f"{time_s * 1e6:.3g} us"


if __name__ == "__main__":
    raise SystemExit(main(sys.argv[1:]))
