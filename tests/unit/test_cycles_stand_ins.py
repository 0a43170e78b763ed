"""A duty of cycles: all findings at once, and no others. What was refused is not judged, everything else is."""

from __future__ import annotations

import copy
import json
import re
from pathlib import Path
from typing import Any

import pytest
from hypothesis import assume, given, settings
from hypothesis import strategies as st

from orchestrator.steps import KINDS
from sequences import tree
from sequences.checker import check, check_bench
from sequences.findings import Finding, in_order
from sequences.loader import load_bench, load_sequence
from sequences.places import Path_
from tests.unit.test_sequence_stand_ins import (
    ABSENT,
    BAD,
    DELETED,
    apart,
    holder,
    misleading,
    places,
    without_or_with,
)

LIBRARY = Path(__file__).parents[2] / "sequences/library"
BENCHES = {name: load_bench(LIBRARY / name / "bench.yaml") for name in ("weir_gate", "lantern_row")}


def as_data(name: str) -> Any:
    root = tree.build(tree.read(LIBRARY / name))
    assert root is not None
    return tree.plain(root)


SEQUENCES = {name: as_data(f"{name}/sequence.yaml") for name in BENCHES}
BENCH_FILE = as_data("lantern_row/bench.yaml")
SINGLE = [(name, path) for name, data in SEQUENCES.items() for path, single in places(data) if single]
KEYS = [
    (name, path) for name, data in SEQUENCES.items() for path, _ in places(data) if isinstance(path[-1], str)
]
SINGLE_ON_BENCH = [path for path, single in places(BENCH_FILE) if single]
seeds = st.integers(0, 1_000_000)


def found(name: str, *changes: tuple[Path_, Any]) -> list[Finding]:
    """All that is said about a shipped sequence with these changes, on its bench."""
    source = tree.from_text(json.dumps(without_or_with(SEQUENCES[name], *changes), indent=1))
    read = load_sequence(source, KINDS)
    assert read.sequence is None or not read.stand_ins.places, "nothing with a stand-in is ever run"
    return in_order([*read.findings, *check(read, BENCHES[name])])


def codes(name: str, *changes: tuple[Path_, Any]) -> list[str]:
    return [finding.code for finding in found(name, *changes)]


def test_the_shipped_sequences_have_no_findings() -> None:
    assert all(codes(name) == [] for name in SEQUENCES)


def test_any_one_refused_value_is_the_only_finding() -> None:
    for name, path in SINGLE:
        assert len(found(name, (path, ""))) == 1, (name, path)


def test_any_one_required_key_that_is_missing_is_the_only_finding() -> None:
    required = [(path, said) for name, path in KEYS if set(said := codes(name, (path, DELETED))) & ABSENT]

    assert len(required) > 120
    assert [one for one in required if len(one[1]) != 1] == []


@settings(max_examples=200, deadline=None)
@given(st.sampled_from(SINGLE), st.sampled_from(BAD), seeds)
def test_nothing_is_judged_by_a_stand_in(place: tuple[str, Path_], bad: Any, seed: int) -> None:
    name, path = place
    assume(codes(name, (path, bad)) and bad in ("", [], {}))
    with misleading(seed):
        assert len(found(name, (path, bad))) == 1


@settings(max_examples=150, deadline=None)
@given(st.sampled_from(KEYS), seeds)
def test_nothing_is_judged_by_what_stands_in_for_a_missing_key(place: tuple[str, Path_], seed: int) -> None:
    name, path = place
    with misleading(seed):
        said = codes(name, (path, DELETED))
    assert not set(said) & ABSENT or len(said) == 1


@settings(max_examples=150, deadline=None)
@given(st.sampled_from(SINGLE_ON_BENCH), st.sampled_from(["", [], {}]), seeds)
def test_a_bench_file_with_one_refused_value_has_that_finding_alone(path: Path_, bad: Any, seed: int) -> None:
    with misleading(seed):
        loaded = load_bench(tree.from_text(json.dumps(without_or_with(BENCH_FILE, (path, bad)), indent=1)))
        assert len([*loaded.findings, *check_bench(loaded)]) == 1


@settings(max_examples=60, deadline=None)
@given(st.sampled_from(SINGLE), st.sampled_from(SINGLE), seeds)
def test_any_two_refused_values_are_found_and_nothing_else(
    one: tuple[str, Path_], other: tuple[str, Path_], seed: int
) -> None:
    (name, first), (second_name, second) = one, other
    assume(name == second_name and apart(first, second))
    expected = codes(name, (first, "")) + codes(name, (second, ""))
    with misleading(seed):
        assert sorted(codes(name, (first, ""), (second, ""))) == sorted(expected)


ON_LAMPS = [path for name, path in SINGLE if name == "lantern_row"]
NUMBERS = ("0", "-1", "1e-30", "1e30", "0.001", "7", "1000000")


def renumbered(data: Any, changes: list[tuple[Path_, str]]) -> Any:
    """The data with other numbers before the units at these places, where a number stands there."""
    data = copy.deepcopy(data)
    for path, number in changes:
        table = holder(data, path)
        table[path[-1]] = re.sub(r"^-?[0-9.]+", number, table[path[-1]])
    return data


@settings(max_examples=120, deadline=None)
@given(
    st.lists(st.tuples(st.sampled_from(ON_LAMPS), st.sampled_from(NUMBERS)), min_size=1, max_size=3),
    st.lists(st.tuples(st.sampled_from(SINGLE_ON_BENCH), st.sampled_from(NUMBERS)), max_size=2),
)
def test_no_number_is_too_odd_for_an_answer(
    in_sequence: list[tuple[Path_, str]], on_bench: list[tuple[Path_, str]]
) -> None:
    on = load_bench(tree.from_text(json.dumps(renumbered(BENCH_FILE, on_bench))))
    read = load_sequence(tree.from_text(json.dumps(renumbered(SEQUENCES["lantern_row"], in_sequence))), KINDS)

    for one in (*on.findings, *check_bench(on), *read.findings, *check(read, on)):
        assert one.what and one.help and "nan" not in one.what and "inf" not in one.what


@pytest.mark.parametrize(
    ("place", "misspelt"),
    [
        (("attended",), "attendet"),
        (("trend_limits",), "trend_limit"),
        (("intermediate_measurements",), "intermediate_measurement"),
        (("duty", "bank_off_at_least"), "bank_off_at_last"),
        (("mounts", "failure", "times"), "time"),
        (("trend_limits", 0, "warn_above"), "warn_abov"),
        (("requirements", 0, "at_least"), "at_leats"),
    ],
)
def test_a_misspelt_key_is_not_reported_absent_as_well(place: Path_, misspelt: str) -> None:
    data = copy.deepcopy(SEQUENCES["lantern_row"])
    table = holder(data, place)
    table[misspelt] = table.pop(place[-1])
    read = load_sequence(tree.from_text(json.dumps(data)), KINDS)
    said = [one.code for one in (*read.findings, *check(read, BENCHES["lantern_row"]))]
    assert said == ["unknown-key"]
