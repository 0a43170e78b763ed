"""All findings at once, and no others: what was refused is not judged, and everything else is.

Each property is tried with stand-ins chosen to mislead: a check that looks at one would report what is not so.
"""

from __future__ import annotations

import copy
import json
import random
from collections.abc import Iterator
from contextlib import contextmanager
from pathlib import Path
from typing import Any

import pytest
from hypothesis import assume, given, settings
from hypothesis import strategies as st

from orchestrator.steps import KINDS
from sequences import stand_ins, tree
from sequences.bench import Bench
from sequences.checker import check, check_bench
from sequences.findings import Finding, in_order
from sequences.loader import load_bench, load_sequence
from sequences.model import Sequence
from sequences.places import Path_
from sequences.step import Step

TIDEWATER = Path(__file__).parents[2] / "sequences/library/tidewater"
BENCH = load_bench(TIDEWATER / "bench.yaml")
BAD: tuple[Any, ...] = ("", "9 parsecs", "Not A Name", [], {})
ABSENT = {"missing-key", "judged-missing"}
NAMES = ["generator", "recorder", "meter", "leakage", "limiting_voltage", "voltage", "door", "high_voltage"]
UNITS = [" V", " A", " s", " ohm", " %", " Hz", " V +-1 %", " ohm +-1 %", " s +-1 %", " A +-1 %", ""]


def as_data(name: str) -> Any:
    root = tree.build(tree.read(TIDEWATER / name))
    assert root is not None
    return tree.plain(root)


SEQUENCE, BENCH_FILE = as_data("sequence.yaml"), as_data("bench.yaml")


def places(data: Any, path: Path_ = ()) -> Iterator[tuple[Path_, bool]]:
    """Every place below the top, and whether a single value stands there."""
    entries = data.items() if isinstance(data, dict) else enumerate(data) if isinstance(data, list) else ()
    for part, below in entries:
        yield (*path, part), isinstance(below, str)
        yield from places(below, (*path, part))


def holder(data: Any, path: Path_) -> Any:
    for part in path[:-1]:
        data = data[part]
    return data


def found(data: Any, bench: bool = False) -> list[Finding]:
    """All that is said about a file of this content: a sequence on its bench, or a bench file."""
    source = tree.from_text(json.dumps(data, indent=1))  # JSON is YAML, and quicker to write
    if bench:
        loaded = load_bench(source)
        assert loaded.bench is None or not loaded.stand_ins.places
        return in_order([*loaded.findings, *check_bench(loaded)])
    read = load_sequence(source, KINDS)
    assert read.sequence is None or not read.stand_ins.places, "nothing with a stand-in is ever run"
    assert read.sequence or read.readable, "the rest is always read"
    return in_order([*read.findings, *check(read, BENCH)])


def codes(data: Any, bench: bool = False) -> list[str]:
    return [finding.code for finding in found(data, bench)]


@contextmanager
def misleading(seed: int) -> Iterator[None]:
    """Stand-ins of any size, unit, name and choice instead of the plain ones."""
    plain = stand_ins.candidates
    chance = random.Random(seed)

    def candidates(schema: Any) -> list[str]:
        sizes = [
            f"{number}{unit}" for number in ("0.000001", "0.06", "0.3", "40", "999999") for unit in UNITS
        ]
        own = plain(schema)
        wild = [*NAMES, *sizes, *own]
        chance.shuffle(wild)
        return [*wild, *own]

    with pytest.MonkeyPatch.context() as patch:
        patch.setattr(stand_ins, "candidates", candidates)
        stand_ins.first_text.cache_clear()
        yield
    stand_ins.first_text.cache_clear()


# --------------------------------------------------------------------------- faults to draw from

SINGLE = [path for path, single in places(SEQUENCE) if single]
SINGLE_ON_BENCH = [path for path, single in places(BENCH_FILE) if single]
KEYS = [path for path, _ in places(SEQUENCE) if isinstance(path[-1], str)]
DELETED = object()
_ALONE: dict[tuple[Path_, str], list[str]] = {}


def without_or_with(data: Any, *changes: tuple[Path_, Any]) -> Any:
    """The data with other values at these places, or with keys deleted."""
    data = copy.deepcopy(data)
    for path, value in changes:
        if value is DELETED:
            del holder(data, path)[path[-1]]
        else:
            holder(data, path)[path[-1]] = copy.deepcopy(value)
    return data


def alone(path: Path_, value: Any) -> list[str]:
    """The codes for the shipped sequence with one change, each asked for once."""
    key = (path, repr(value))
    if key not in _ALONE:
        _ALONE[key] = codes(without_or_with(SEQUENCE, (path, value)))
    return _ALONE[key]


def apart(one: Path_, other: Path_) -> bool:
    """Whether neither place holds the other."""
    return one[: len(other)] != other and other[: len(one)] != one


def is_refused(change: tuple[Path_, Any]) -> bool:
    """Whether the value is refused where it stands: some places take any words."""
    text = json.dumps(without_or_with(SEQUENCE, change))
    return change[1] in ("", [], {}) or load_sequence(tree.from_text(text), KINDS).sequence is None


refusals = st.tuples(st.sampled_from(SINGLE), st.sampled_from(BAD)).filter(is_refused)
seeds = st.integers(0, 1_000_000)


# --------------------------------------------------------------------------- no others


def test_any_one_refused_value_is_the_only_finding() -> None:
    for path in SINGLE:
        assert len(alone(path, "")) == 1, path


def test_any_one_required_key_that_is_missing_is_the_only_finding() -> None:
    required = [
        said for path in KEYS if set(said := codes(without_or_with(SEQUENCE, (path, DELETED)))) & ABSENT
    ]

    assert len(required) > 60
    assert all(len(said) == 1 for said in required)


@settings(max_examples=200, deadline=None)
@given(refusals, seeds)
def test_nothing_is_judged_by_a_stand_in(refusal: tuple[Path_, Any], seed: int) -> None:
    with misleading(seed):
        assert len(found(without_or_with(SEQUENCE, refusal))) == 1


@settings(max_examples=150, deadline=None)
@given(st.sampled_from(KEYS), seeds)
def test_nothing_is_judged_by_what_stands_in_for_a_missing_key(path: Path_, seed: int) -> None:
    with misleading(seed):
        said = codes(without_or_with(SEQUENCE, (path, DELETED)))
    assert not set(said) & ABSENT or len(said) == 1


@settings(max_examples=150, deadline=None)
@given(st.sampled_from(SINGLE_ON_BENCH), st.sampled_from(["", [], {}]), seeds)
def test_a_bench_file_with_one_refused_value_has_that_finding_alone(path: Path_, bad: Any, seed: int) -> None:
    with misleading(seed):
        assert len(found(without_or_with(BENCH_FILE, (path, bad)), bench=True)) == 1


@pytest.mark.parametrize(
    "place",
    [
        ("safety_io", "poll"),
        ("outputs", "high_voltage", "stop_category"),
        ("outputs", "high_voltage", "highest"),
        ("equipment", "generator", "charging_voltage", "highest"),
        ("equipment", "generator", "output"),
        ("equipment", "meter", "type"),
    ],
    ids=".".join,
)
def test_a_bench_file_is_not_judged_by_a_stand_in_of_any_size(place: Path_) -> None:
    for seed in range(20):
        with misleading(seed):
            assert len(found(without_or_with(BENCH_FILE, (place, "")), bench=True)) == 1


# --------------------------------------------------------------------------- all at once


@settings(max_examples=200, deadline=None)
@given(refusals, refusals, seeds)
def test_any_two_refused_values_are_found_and_nothing_else(
    one: tuple[Path_, Any], other: tuple[Path_, Any], seed: int
) -> None:
    assume(apart(one[0], other[0]))
    expected = alone(*one) + alone(*other)
    with misleading(seed):
        assert sorted(codes(without_or_with(SEQUENCE, one, other))) == sorted(expected)


@settings(max_examples=150, deadline=None)
@given(refusals, st.sampled_from(KEYS), seeds)
def test_a_refused_value_and_a_missing_key_are_both_found(
    refusal: tuple[Path_, Any], key: Path_, seed: int
) -> None:
    assume(apart(refusal[0], key))
    assume(
        refusal[0] != (*key[:-1], "type")
    )  # the type says which keys are needed: without it none is missing
    absent = (key, DELETED)
    missing = alone(*absent)
    assume(set(missing) & ABSENT)
    expected = alone(*refusal) + missing
    with misleading(seed):
        assert sorted(codes(without_or_with(SEQUENCE, refusal, absent))) == sorted(expected)


ENERGISE: Path_ = ("each_shot", 0, "energise")
RESULT_NAMES: list[Path_] = [
    (*ENERGISE, "capture", "method"),
    ("each_shot", 1, "observe", "indicator"),
    ("each_shot", 2, "measure", "result"),
    ("initial_measurements", 1, "measure", "result"),
]
# a fault of another kind: its place and value, its code, and the other places that it is judged by
FAULTS: list[tuple[Path_, Any, str, list[Path_]]] = [
    (("interlock", 0), "dor", "interlock-not-on-bench", []),
    (("interlock", 1), "door", "listed-twice", [("interlock", 0)]),
    (("duty", "colour"), "red", "unknown-key", []),
    (
        ("indicator", "observe_at_least"),
        "40 s",
        "observation-too-short",
        [("each_shot", 1, "observe", "time"), ("set_at_start", "observation", "usual")],
    ),
    (
        ("requirements", 1, "at_most"),
        "220 uV",
        "limit-unit",
        [("requirements", 1, "result"), ("each_shot", 2, "measure", "result")],
    ),
    (
        ("requirements", 3, "must_be"),
        "spotless",
        "unknown-state",
        [("requirements", 3, "result"), ("each_shot", 1, "observe", "indicator")],
    ),
    (("requirements", 1, "result"), "leakag", "result-not-produced", RESULT_NAMES),
    (
        ("initial_measurements", 1, "measure", "voltage"),
        "200 V",
        "above-bench-rating",
        [("initial_measurements", 1, "measure", "instrument")],
    ),
    (
        (*ENERGISE, "charging_voltage"),
        "1.9 kV +-2 %",
        "above-own-equipment",
        [
            (*ENERGISE, "source"),
            ("equipment", "generator", "charging_voltage"),
            ("equipment", "generator", "type"),
        ],
    ),
    (
        ("verification", "lapses_after", "shots"),
        "10",
        "verification-never-valid",
        [
            ("duty", "shots"),
            ("verification", "open_circuit", "shots"),
            ("verification", "short_circuit", "shots"),
            ("set_at_start", "shots", "usual"),
            ("set_at_start", "verification_shots", "usual"),
        ],
    ),
    (("final_measurements",), [{"trigger": "generator"}], "energy-outside-block", []),
]


@pytest.mark.parametrize(("place", "value", "code", "judged_by"), FAULTS, ids=[fault[2] for fault in FAULTS])
@settings(max_examples=25, deadline=None)
@given(refusal=refusals, seed=seeds)
def test_a_fault_of_another_kind_is_found_beside_a_refused_value(
    place: Path_, value: Any, code: str, judged_by: list[Path_], refusal: tuple[Path_, Any], seed: int
) -> None:
    assume(all(apart(refusal[0], other) for other in (place, *judged_by)))
    expected = [code, *alone(*refusal)]
    with misleading(seed):
        assert sorted(codes(without_or_with(SEQUENCE, refusal, (place, value)))) == sorted(expected)


def test_a_missing_unit_hides_neither_a_misspelt_interlock_nor_a_short_observation() -> None:
    said = found(
        without_or_with(
            SEQUENCE,
            (("duty", "interval"), "20"),
            (("interlock", 0), "dor"),
            (("each_shot", 1, "observe", "time"), "1 s"),
        )
    )
    assert [finding.code for finding in said] == [
        "interlock-not-on-bench",
        "missing-unit",
        "observation-too-short",
    ]


def test_two_faults_of_one_piece_of_equipment_are_found_though_its_type_is_one_of_them() -> None:
    equipment: Path_ = ("equipment", "generator")
    level = ((*equipment, "charging_voltage"), "1.8")
    for fault, code in (("impuls source", "not-a-choice"), (DELETED, "missing-key")):
        said = codes(without_or_with(SEQUENCE, ((*equipment, "type"), fault), level))
        assert sorted(said) == sorted([code, "missing-unit"])


# --------------------------------------------------------------------------- what is left open


def test_a_refused_parameter_is_not_refused_again_wherever_it_is_used() -> None:
    for bad in ("45 parsecs", "1 s", DELETED):
        said = codes(without_or_with(SEQUENCE, (("set_at_start", "interval", "usual"), bad)))
        assert said in (["unknown-unit"], ["parameter-bounds"], ["missing-key"])


def test_a_misspelt_table_of_parameters_is_one_finding() -> None:
    data = copy.deepcopy(SEQUENCE)
    data["set_at_strat"] = data.pop("set_at_start")
    assert codes(data) == ["unknown-key"]
    assert codes(without_or_with(SEQUENCE, (("set_at_start",), "none"))) == ["wrong-shape"]


@pytest.mark.parametrize(
    ("place", "misspelt"),
    [
        (("interlock",), "interlok"),
        (("requirements",), "requirement"),
        (("verification", "open_circuit"), "open_cicruit"),
        ((*ENERGISE, "capture"), "captur"),
        (("requirements", 0, "at_most"), "at_mots"),
        (("requirements", 0, "rule"), "rul"),
        (("requirements", 0, "clause"), "claus"),
        (("specimen", "highest_impulse"), "highest_impuls"),
        (("initial_measurements",), "initial_measurement"),
    ],
)
def test_a_misspelt_key_is_not_reported_absent_as_well(place: Path_, misspelt: str) -> None:
    data = copy.deepcopy(SEQUENCE)
    table = holder(data, place)
    table[misspelt] = table.pop(place[-1])

    assert codes(data) == ["unknown-key"]


def test_a_name_that_is_none_leaves_the_names_open_and_the_rest_is_checked() -> None:
    data = without_or_with(SEQUENCE, (("interlock", 0), "dor"))
    data["equipment"]["Meter"] = data["equipment"].pop("meter")

    assert sorted(codes(data)) == ["interlock-not-on-bench", "not-a-name"]


def test_a_step_that_is_none_might_have_been_any_step() -> None:
    for step in ({"energize": {"source": "generator"}}, {}, "energise"):
        data = without_or_with(SEQUENCE, (("each_shot", 0), step), (("interlock", 0), "dor"))
        said = codes(data)
        assert len(said) == 2 and "interlock-not-on-bench" in said, said


# --------------------------------------------------------------------------- the stand-ins themselves


@pytest.mark.parametrize("model", [Sequence, Bench, *KINDS.values()], ids=lambda model: model.__name__)
def test_every_field_of_the_language_has_a_stand_in_that_it_accepts(model: Any) -> None:
    assert model.model_validate(stand_ins.stand_in(model))
    optional = {name: stand_ins.stand_in(stand_ins.of_field(one)) for name, one in model.model_fields.items()}
    assert model.model_validate(optional)


def test_every_kind_that_produces_results_says_what_names_them() -> None:
    for kind, cls in KINDS.items():
        assert bool(cls.named_by) == (cls.results is not Step.results), kind
