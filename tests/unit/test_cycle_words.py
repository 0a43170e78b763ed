"""What is said of a duty of cycles while it runs: whole at 80 columns, the worst mount first."""

from __future__ import annotations

import numpy as np

from orchestrator.console.middle import table
from orchestrator.engine.cycle_words import running_words, table_of
from orchestrator.engine.digest import FIGURES, Digest
from orchestrator.engine.mounts import Mounts, Policy

PERIOD_S = 5.0
FAIL_TO_MAKE = 1


def worn(count: int) -> tuple[Mounts, Digest]:
    """Some cycles on mounts that wear; the last mount fails at the third."""
    mounts = Mounts([f"WG-2026-{place:04}" for place in range(1, count + 1)], Policy(1, False), 44_000)
    digest = Digest(count)
    for cycle in (1, 2, 3):
        figures = np.zeros((len(FIGURES), count))
        figures[list(FIGURES).index("contact_drop")] = 0.05 + 0.001 * cycle * np.arange(1, count + 1)
        figures[list(FIGURES).index("bounce_time")] = 0.002 + 0.0001 * cycle
        codes = np.zeros(count, np.uint8)
        codes[-1] = FAIL_TO_MAKE if cycle == 3 and count > 1 else 0
        digest.take(cycle, figures, codes == 0)
        mounts.take(cycle, codes)
    return mounts, digest


def test_counts_and_wear_of_one_mount_fit_two_rows_of_the_screen() -> None:
    mounts, digest = worn(1)
    mounts.confirmed[:] = mounts.done[:] = 31_416
    words = running_words(mounts, digest, PERIOD_S, ["cycle 9: load open", "cycle 12: supply dip"])

    assert words[0] == "confirmed 31416, malfunctions 0, 12 a minute, 17 h left"
    assert words[1:3] == ("drop 51.00 to 53.00 mV", "bounce 2.100 to 2.300 ms")
    assert words[3:] == ("cycle 12: supply dip", "cycle 9: load open")
    assert len(words[0]) <= 60
    assert len(f"{words[1]}, {words[2]}") <= 60


def test_the_count_of_a_mount_that_has_failed_was_told_as_that_of_the_run() -> None:
    mounts, digest = worn(3)

    assert running_words(mounts, digest, PERIOD_S, [])[0].startswith("confirmed 3, malfunctions 1, ")


def test_every_one_of_64_mounts_has_its_row_and_no_row_is_cut() -> None:
    mounts, digest = worn(64)
    shown = table_of(mounts, digest, [])
    lines = table([shown["head"], *shown["rows"]], 78)

    assert len(shown["rows"]) == 64
    assert shown["rows"][0][0] == "64"
    assert shown["rows"][0][-1] == "3"
    assert all(len(line) <= 78 and "..." not in line for line in lines)
