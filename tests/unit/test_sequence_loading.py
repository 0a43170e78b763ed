"""Sequences from files: the shipped example, parameters, positions, and what is refused."""

from __future__ import annotations

from pathlib import Path

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st
from pydantic import ValidationError

from orchestrator.steps import KINDS
from sequences import tree
from sequences.bench import Bench
from sequences.checker import check, check_bench
from sequences.findings import refused, render
from sequences.loader import Loaded, load_bench, load_sequence
from sequences.model import Sequence, ShotDuty
from sequences.places import Located
from sequences.step import Step
from sequences.translate import Translator

ROOT = Path(__file__).parents[2]
TIDEWATER = ROOT / "sequences/library/tidewater/sequence.yaml"
GOOD = (ROOT / "tests/golden/sequences/good.yaml").read_text()
GOOD_BENCH = (ROOT / "tests/golden/sequences/bench.yaml").read_text()
LIBRARY = sorted((ROOT / "sequences/library").glob("*/sequence.yaml"))


def load(text: str, **given_values: str) -> Loaded:
    return load_sequence(tree.from_text(text), KINDS, given_values)


def sequence(text: str = GOOD, **given_values: str) -> Sequence:
    loaded = load(text, **given_values)
    assert loaded.sequence is not None, "\n".join(render(finding) for finding in loaded.findings)
    return loaded.sequence


def duty(of: Sequence) -> ShotDuty:
    assert isinstance(of.duty, ShotDuty)
    return of.duty


@pytest.mark.parametrize("path", LIBRARY, ids=lambda path: path.parent.name)
def test_the_shipped_sequences_have_no_findings_on_their_benches(path: Path) -> None:
    loaded, bench = load_sequence(path, KINDS), load_bench(path.with_name("bench.yaml"))

    assert [*loaded.findings, *bench.findings, *check(loaded, bench), *check_bench(bench)] == []
    assert loaded.sequence is not None and bench.bench is not None


def test_values_are_plain_si_numbers_under_the_files_own_keys() -> None:
    loaded = load_sequence(TIDEWATER, KINDS)
    assert loaded.sequence is not None
    read = loaded.sequence
    assert read.verification is not None and read.indicator is not None

    assert read.specimen.highest_impulse == 2000.0
    assert read.indicator.observe_at_least == 2.0
    shots = duty(read)
    assert (shots.shots, shots.interval, shots.polarity) == (12, 45.0, "alternating")
    assert (read.verification.charging_voltage.low, read.verification.charging_voltage.high) == (
        1666.0,
        1734.0,
    )
    assert [step.kind for step in read.each_shot] == ["energise", "observe", "measure"]
    assert [step.kind for step in read.each_shot[0].steps_inside()] == ["trigger"]
    limits = [requirement.at_most for requirement in read.requirements]
    assert [limit and (float(limit), limit.unit) for limit in limits] == [
        (310, "V"),
        (0.00022, "A"),
        (0.07, "1"),
        None,
    ]
    assert loaded.text == TIDEWATER.read_text() and len(loaded.sha256) == 64


def test_a_sequence_cannot_be_changed_after_it_was_checked() -> None:
    with pytest.raises(ValidationError):
        duty(sequence()).shots = 3  # type: ignore[misc]


def test_a_parameter_stands_for_one_whole_value() -> None:
    assert duty(sequence(interval="60 s")).interval == 60.0
    assert duty(sequence(interval="1 min")).interval == 60.0
    text = GOOD.replace("title: Impulses", "title: interval").replace(
        "{confirm: [cell is clear]", "{confirm: [interval]"
    )
    read = sequence(text, interval="60 s")
    assert (read.title, read.arm.confirm) == ("interval on a made-up filter", ("interval",)), (
        "text is never replaced"
    )


def test_the_parameters_in_force_are_told_as_texts() -> None:
    assert load(GOOD).parameters == {"interval": "45 s"}
    assert load(GOOD, interval="60 s").parameters == {"interval": "60 s"}


@pytest.mark.parametrize(
    ("name", "value", "code"),
    [
        ("interval", "1 s", "parameter-out-of-bounds"),
        ("interval", "11 min", "parameter-out-of-bounds"),
        ("interval", "60 V", "wrong-unit"),
        ("interval", "60", "wrong-unit"),
        ("interval", "60 S", "unknown-unit"),
        ("interval", "1e999", "number-out-of-range"),
        ("intervall", "60 s", "unknown-parameter"),
    ],
)
def test_a_value_given_at_the_start_is_held_to_its_bounds(name: str, value: str, code: str) -> None:
    loaded = load(GOOD, **{name: value})
    if (name, value) == ("interval", "60 S"):
        code = "wrong-unit"  # S is the siemens

    assert loaded.sequence is None
    assert [finding.code for finding in loaded.findings] == [code]


def test_a_parameter_of_the_wrong_kind_is_found_where_it_is_used() -> None:
    text = GOOD.replace("time: 30 s}", "time: level}")
    text = text.replace("set_at_start:", "set_at_start:\n  level: {usual: 1 kV, lowest: 1 kV, highest: 1 kV}")
    loaded = load(text)

    (finding,) = loaded.findings
    assert (finding.code, finding.excerpt.strip()) == (
        "wrong-unit",
        "- observe: {indicator: cheesecloth, time: level}",
    )
    assert 'The parameter "level" stands here.' in finding.what


def test_a_step_with_one_value_is_its_short_form() -> None:
    long = GOOD.replace("- trigger: generator", "- trigger: {equipment: generator}")
    assert sequence(long).each_shot == sequence(GOOD).each_shot


def test_the_folder_of_steps_is_the_list_of_kinds() -> None:
    files = {path.stem for path in (ROOT / "orchestrator/steps").glob("*.py")} - {"__init__"}

    assert set(KINDS) == files
    for kind, cls in KINDS.items():
        assert issubclass(cls, Step) and cls.kind == kind
        assert cls.__doc__ and all(field.description for field in cls.model_fields.values()), kind


def test_findings_of_the_model_name_the_value_and_not_the_step() -> None:
    loaded = load(GOOD.replace("        proof_age: 2 s", "        proof_age: 2 V"))

    (finding,) = loaded.findings
    line = next(
        number for number, text in enumerate(GOOD.splitlines(), 1) if text == "        proof_age: 2 s"
    )
    assert (finding.line, finding.column) == (line, 20)


def test_help_names_the_nearest_key_of_that_very_table() -> None:
    inside = GOOD.replace("expected_peak: 290 V}", "expected_peak: 290 V, expected: 1 V}")
    inside = inside.replace("{confirm: [cell is clear],", "{confirm: [cell is clear], lapse_after: 1 s,")
    helps = [finding.help for finding in load(inside).findings]

    assert helps == ["write lapses_after", "write expected_peak"]


def test_something_stands_in_for_what_is_refused_and_the_rest_is_still_checked() -> None:
    broken = GOOD.replace("at_most: 310 V", "at_most: 310").replace("must_be: unmarked", "must_be: spotless")
    loaded = load(broken)

    assert loaded.sequence is None and loaded.readable is not None
    assert loaded.stand_ins.places == {("requirements", 0, "at_most")}
    assert [finding.code for finding in loaded.findings] == ["missing-unit"]
    (later,) = check(loaded)
    assert (later.code, later.line) == ("unknown-state", len(GOOD.splitlines())), (
        "lines are those of the whole file"
    )


def test_what_was_left_out_is_never_reported_as_absent() -> None:
    """The energise step falls out; nobody may say that its results are not produced or that no shot is applied."""
    loaded = load(
        GOOD.replace("      charging_voltage: 1.7 kV +-2 %", "      charging_voltage: 1.7 KV +-2 %")
    )

    assert [finding.code for finding in [*loaded.findings, *check(loaded)]] == ["unknown-unit"]


def test_very_many_faults_are_told_in_part_and_counted() -> None:
    loaded = load(GOOD + "".join(f"key_{number}: 1\n" for number in range(1000)))

    assert len(loaded.findings) == 301
    more = [finding for finding in loaded.findings if finding.code == "more-findings"]
    assert [finding.what for finding in more] == ["700 more findings are not shown."]


def test_an_error_that_nobody_foresaw_is_still_a_plain_sentence() -> None:
    source = tree.from_text("title: x")
    root = tree.build(source)
    translator = Translator(Located(source, root), {"title": "x"}, None)  # type: ignore[arg-type]
    finding = translator.finding(
        {"loc": ("title",), "type": "a_new_kind", "input": "x", "msg": "Input should be y"}
    )

    assert finding is not None
    assert (finding.code, finding.line, finding.column) == ("not-understood", 1, 8)
    assert "Input should" not in finding.what


PIECES = [
    "[",
    "]",
    "{",
    "}",
    ":",
    "-",
    "&a",
    "*a",
    "!t",
    "0",
    "-1",
    "1e400 V",
    "kV",
    "~",
    "|",
    "'",
    '"',
    "\n",
    "  ",
    "#",
]


@st.composite
def damaged(draw: st.DrawFn, text: str) -> str:
    """A good file with a few lines or pieces removed, repeated or exchanged."""
    lines = text.splitlines()
    for _ in range(draw(st.integers(1, 4))):
        index = draw(st.integers(0, len(lines) - 1))
        act = draw(st.sampled_from(["remove", "repeat", "piece", "word"]))
        if act == "remove" and len(lines) > 1:
            del lines[index]
        elif act == "repeat":
            lines.insert(draw(st.integers(0, len(lines))), lines[index])
        else:
            words = lines[index].split(" ")
            words[draw(st.integers(0, len(words) - 1))] = draw(
                st.sampled_from(PIECES if act == "piece" else text.split())
            )
            lines[index] = " ".join(words)
    return "\n".join(lines)


@settings(max_examples=150, deadline=None)
@given(damaged(GOOD))
def test_a_damaged_sequence_is_read_or_refused_and_never_raises(text: str) -> None:
    loaded = load(text)
    findings = [*loaded.findings, *check(loaded, load_bench(tree.from_text(GOOD_BENCH)))]

    assert (loaded.sequence is None) == refused(loaded.findings)
    assert all(finding.line <= text.count("\n") + 1 for finding in findings)
    assert "not-understood" not in {finding.code for finding in findings}


@settings(max_examples=100, deadline=None)
@given(damaged(GOOD_BENCH))
def test_a_damaged_bench_file_is_read_or_refused_and_never_raises(text: str) -> None:
    loaded = load_bench(tree.from_text(text))
    findings = [*loaded.findings, *check_bench(loaded, {"impulse-source": "impulse source"})]

    assert (loaded.bench is None) == refused(loaded.findings)
    assert loaded.bench is None or isinstance(loaded.bench, Bench)
    assert "not-understood" not in {finding.code for finding in findings}
