"""What must always hold of a difference: nothing is dropped, nothing is made up, weaker has a direction."""

from __future__ import annotations

import re
from itertools import pairwise

import pytest
from hypothesis import assume, given, settings
from hypothesis import strategies as st

from sequences.difference_lists import by_keys, in_order, texts
from sequences.difference_rules import RULES
from tests.changed_files import BENCH, SEQUENCE, Written, changes, good, load, written

FILES = {"sequence": SEQUENCE, "bench": BENCH}
VALUES = {name: [one for one in written(text) if not one.is_key] for name, text in FILES.items()}
CALM = settings(max_examples=40, deadline=None)

# What a value of words may also be; every group is a closed choice of the language or a name in the files.
CHOICES = [
    ("may go on", "is spent"), ("each specimen", "each shot"), ("cheesecloth", "cotton"), ("go on", "stop"),
    ("positive", "negative", "alternating"), ("simple_acceptance", "guard_band"), ("true", "false"),
    ("required", "not required"), ("unmarked", "scorched"), ("V", "A"),
    ("every shot", "first", "last", "mean", "largest", "change first to last"),
    ("impulse-voltage", "impulse-current", "limiting-voltage"),
    ("interval", "observation", "leakage_time"), ("shots", "verification_shots"),
]  # fmt: skip
NUMBER = re.compile(r"[0-9]+(?:\.[0-9]+)?")


def others(text: str) -> list[str]:
    """Other values that may be allowed in place of a value."""
    alike = [word for group in CHOICES if text in group for word in group if word != text]
    if re.fullmatch(r"[0-9.]+ .*|[0-9.]+", text):
        alike += [times(text, factor) for factor in (0.5, 2.0, 1.1)]
        alike += [NUMBER.sub("1", text, count=1)]
        alike += [re.sub(r"\+-[0-9]+", half, text) for half in ("+-1", "+-50") if "+-" in text]
    if re.fullmatch(r"[0-9]+", text):
        alike += [str(int(text) + step) for step in (1, -1)]
    if re.fullmatch(r"[0-9-]{10}", text):
        alike += ["2031-01-31"]
    if text.startswith("TCPIP"):
        alike += [text.replace("155", "255")]
    return [one for one in (*alike, f"{text}x", f"another {text}") if one != text]


def times(text: str, factor: float) -> str:
    """The text with its first number multiplied; a whole number stays one where it can."""
    found = NUMBER.search(text)
    assert found
    return text.replace(found.group(), f"{float(found.group()) * factor:.6g}", 1)


def changed(file: str, one: Written) -> list[str]:
    """The file with another value in one place, as often as that is still a good file."""
    texts_ = [one.replaced(FILES[file], other) for other in others(one.text)]
    return [text for text in texts_ if good(load(text))]


PLACES = [(file, index) for file, values in VALUES.items() for index in range(len(values))]


@pytest.mark.parametrize("file", FILES)
def test_every_single_value_that_changes_is_told(file: str) -> None:
    """All values of the shipped files, one by one. The language has no second value yet."""
    never_changed = []
    for one in VALUES[file]:
        variants = changed(file, one)
        for text in variants:
            told = changes(FILES[file], text)
            assert told, f"{one} -> nothing"
            assert any(change.line == one.line or change.old_line == one.line for change in told)
        never_changed += [] if variants else [one.path]
    fixed = [path for path in never_changed if path[0] != "equipment" or path[-1] != "type"]
    assert fixed == [("language",)]  # a type of equipment has no other that takes the same keys


@CALM
@given(st.sampled_from(PLACES), st.data())
def test_a_number_that_is_weaker_one_way_is_stronger_the_other(
    place: tuple[str, int], data: st.DataObject
) -> None:
    file, index = place
    one = VALUES[file][index]
    assume(NUMBER.match(one.text))
    text = one.replaced(FILES[file], times(one.text, data.draw(st.sampled_from((0.5, 2.0, 3.0)))))
    assume(text != FILES[file] and good(load(text)))
    there = {change.verdict for change in changes(FILES[file], text)}
    back = {change.verdict for change in changes(text, FILES[file])}
    assert there and back
    assert ("weaker" in there) == ("stronger" in back)
    assert ("stronger" in there) == ("weaker" in back)
    assert len(there) == 1  # one number is one change


@CALM
@given(st.lists(st.sampled_from(PLACES), min_size=1, max_size=6, unique=True), st.data())
def test_several_changes_are_all_told(places: list[tuple[str, int]], data: st.DataObject) -> None:
    """Another place each: as many lines are named as were changed."""
    file = places[0][0]
    text, lines = FILES[file], set[int]()
    for one in sorted(
        (VALUES[f][i] for f, i in places if f == file), key=lambda one: (-one.line, -one.column)
    ):
        variant = one.replaced(text, data.draw(st.sampled_from(others(one.text))))
        if one.line not in lines and good(load(variant)):
            text, lines = variant, lines | {one.line}
    told = changes(FILES[file], text)
    assert lines <= {change.old_line for change in told} | {change.line for change in told}
    assert bool(told) == (text != FILES[file])


@pytest.mark.parametrize("file", FILES)
def test_every_key_or_entry_that_is_left_out_is_told(file: str) -> None:
    """Each line with a complete entry of its own, left out."""
    lines = FILES[file].split("\n")
    told = 0
    for number, line in enumerate(lines):
        text = "\n".join(lines[:number] + lines[number + 1 :])
        if not line.strip() or line.strip().startswith("#") or not good(load(text)):
            continue
        found = changes(FILES[file], text)
        assert found, line
        assert any(change.old_line == number + 1 for change in found), line
        told += 1
    assert told > 8


@pytest.mark.parametrize("file", FILES)
def test_a_file_compared_with_itself_has_no_changes(file: str) -> None:
    assert changes(FILES[file], FILES[file]) == []


@pytest.mark.parametrize("file", FILES)
def test_comments_and_layout_are_no_changes(file: str) -> None:
    text = re.sub(r" +#.*", "", FILES[file]).replace("\n\n", "\n# another comment\n")
    assert text != FILES[file]
    assert changes(FILES[file], text) == []


@CALM
@given(
    st.sampled_from(["initial_measurements:\n", "each_shot:\n", "final_measurements:\n"]), st.integers(0, 9)
)
def test_an_inserted_step_is_one_change(part: str, seconds: int) -> None:
    text = SEQUENCE.replace(part, f"{part}  - dwell: {seconds + 1} s\n")
    told = changes(SEQUENCE, text)
    assert [(change.verdict, change.what) for change in told] == [("other", "added")]
    assert [(change.verdict, change.what) for change in changes(text, SEQUENCE)] == [("weaker", "removed")]


# --------------------------------------------------------------------------- matching


LETTERS = st.lists(st.sampled_from("abcdef"), max_size=9)


@given(LETTERS, LETTERS)
def test_a_matching_uses_every_entry_once(old: list[str], new: list[str]) -> None:
    for found in (in_order(old, new, [str, str.upper]), by_keys(old, new, [str]), texts(old, new)):
        assert sorted([i for i, _ in found.pairs] + found.gone) == list(range(len(old)))
        assert sorted([j for _, j in found.pairs] + found.come) == list(range(len(new)))
        assert [j for _, j in found.pairs] == sorted(j for _, j in found.pairs)
        kept = [i for i, _ in found.pairs if (i, _) not in found.moved()]
        assert all(before < after for before, after in pairwise(kept))


@given(st.permutations(range(7)))
def test_as_few_as_possible_are_moved(order: list[int]) -> None:
    found = by_keys(list(range(7)), order, [int])
    longest = max(
        len(run)
        for mask in range(1, 128)
        if (run := [one for bit, one in enumerate(order) if mask >> bit & 1]) == sorted(run)
    )
    assert len(found.moved()) == 7 - longest


def test_the_table_has_a_rule_for_every_key_and_none_for_others() -> None:
    """A key that is new in the language needs a rule: say in sequences/difference_rules.py what weakens it."""
    from orchestrator.steps import KINDS
    from sequences import bench, capture, model
    from sequences.fields import Model

    classes = {
        one
        for module in (bench, capture, model)
        for one in vars(module).values()
        if isinstance(one, type) and issubclass(one, Model) and one.__module__.startswith("sequences.")
    } | set(KINDS.values())
    named = {f"{one.__name__}.{key}" for one in classes for key in one.model_fields}
    assert {key.removesuffix("[]") for key in RULES} == named
