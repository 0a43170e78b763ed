"""The cause of a cycle's trouble is found through the wire: a slice of the study `confusion_on_the_wire`."""

from __future__ import annotations

from tests.studies.confusion import LEAST_RIGHT, blamed, in_words, right
from tests.studies.confusion_on_the_wire import confusion


def test_no_bench_fault_is_called_the_specimens_and_nearly_every_cause_is_found() -> None:
    counts = confusion(300, seed=7)
    assert blamed(counts) == 0, in_words(counts)
    assert right(counts) >= LEAST_RIGHT, in_words(counts)
