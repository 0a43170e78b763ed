"""The time column of a file: is it equally spaced, and by how much?"""

from __future__ import annotations

import numpy as np

from orchestrator.analysis.refusal import Refused
from orchestrator.analysis.waveform import Array

OFF_GRID = 0.2  # of an interval: what rounded times may miss an even grid by


def even_interval_s(time_s: Array, first_row: int) -> float:
    """The sampling interval of an evenly spaced time column; `first_row` is its first line in the file.

    Raises Refused: truncated (fewer than two times), non_uniform_time, gaps (a step of two or more
    intervals).
    """
    if len(time_s) < 2:
        raise Refused("truncated", "the record has fewer than two samples.", "Check that the file is whole.")
    steps = np.diff(time_s)
    usual_s = float(np.median(steps))
    if not usual_s > 0.0:
        raise _uneven("time does not run forwards", first_row + int(np.argmin(steps)) + 1)
    if float(steps.min()) <= 0.0:
        raise _uneven("time stands still or jumps back", first_row + int(np.argmin(steps)) + 1)
    longest = int(np.argmax(steps))
    if steps[longest] > 1.8 * usual_s:
        raise Refused(
            "gaps",
            f"line {first_row + longest + 1}: {steps[longest] / usual_s - 1.0:.0f} samples are missing before "
            f"it (the step is {steps[longest]:.4g} s, elsewhere {usual_s:.4g} s).",
            "Read the record out again; a gap cannot be filled by a guess.",
        )
    return _on_a_grid(time_s, first_row)


def _on_a_grid(time_s: Array, first_row: int) -> float:
    interval_s = float(time_s[-1] - time_s[0]) / (len(time_s) - 1)
    off = np.abs(time_s - time_s[0] - interval_s * np.arange(len(time_s)))
    worst = int(np.argmax(off))
    if off[worst] > OFF_GRID * interval_s:
        raise _uneven(
            f"the time is {off[worst] / interval_s:.2g} intervals off an even grid", first_row + worst
        )
    return interval_s


def _uneven(what: str, row: int) -> Refused:
    return Refused(
        "non_uniform_time",
        f"line {row}: {what}; the samples are not evenly spaced.",
        "Export the record as sampled, with enough digits in the time column (1 ns or finer).",
    )
