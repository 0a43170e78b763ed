"""What is said of a duty of cycles while it runs: whole at 80 columns, the worst mount first."""

from __future__ import annotations

import numpy as np

from orchestrator.cli.happenings import happening, verdict_lines
from orchestrator.console.middle import table
from orchestrator.engine.cycle_words import running_words, table_of
from orchestrator.engine.digest import FIGURES, Digest
from orchestrator.engine.mounts import Mounts, Policy

PERIOD_S = 5.0
FAIL_TO_MAKE = 1


def worn(count: int, cycles: int = 44_000) -> tuple[Mounts, Digest]:
    """Some cycles on mounts that wear; the last mount fails at the third."""
    mounts = Mounts([f"WG-2026-{place:04}" for place in range(1, count + 1)], Policy(1, False), cycles)
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


def test_at_the_end_the_failed_mount_s_count_was_told_with_time_that_was_left() -> None:
    mounts, digest = worn(3, cycles=3)

    assert mounts.reached
    assert (
        running_words(mounts, digest, PERIOD_S, [])[0] == "confirmed 3, malfunctions 1, 12 a minute, 0 s left"
    )


def test_what_went_wrong_in_a_cycle_said_nothing_to_who_watched() -> None:
    odd = {"kind": "anomaly", "cycle": 9, "mount": 2, "finding": "load_open", "counted": False, "why": ""}
    drop = {"kind": "measurement", "result": "checked_drop", "shot": 8, "counted": "cycle", "mount": 2,
            "value": 0.0541, "unit": "V", "expanded_uncertainty": 0.0092}  # fmt: skip

    assert happening(odd) == ["cycle 9, mount 2: load open (not the specimen's, discounted and repeated)"]
    assert happening(drop) == ["checked drop after cycle 8, mount 2: 54.1 +- 9.2 mV"]


def test_a_verdict_of_several_mounts_names_its_mount() -> None:
    row = {"verdict": "P", "clause": "house 5.1", "result": "fail_to_make", "judged": "count", "limit": 0.0,
           "unit": "", "direction": "at_most", "sentence": "0 against at most 0"}  # fmt: skip

    alone = verdict_lines([row | {"mount": 1}], 78)
    assert alone[0].startswith("P    house 5.1")
    assert verdict_lines([row | {"mount": 1}, row | {"mount": 2}], 78)[2].startswith(
        "P    mount 2, house 5.1"
    )
