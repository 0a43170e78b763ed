"""Who may do what: the table, the people of a bench file, and that nobody is ever kept from stopping."""

from __future__ import annotations

import pytest

from orchestrator.core.roles import ANYBODY, IN_WORDS, MAY, Member, Members, Role

PEOPLE = Members(
    [
        Member("V. Made-Up", frozenset({Role.VIEWER})),
        Member("T. Made-Up", frozenset({Role.TECHNICIAN}), user="tech"),
        Member("E. Made-Up", frozenset({Role.ENGINEER})),
        Member("W. Made-Up", frozenset({Role.WITNESS})),
        Member("C. Made-Up", frozenset({Role.IN_CHARGE, Role.WITNESS})),
    ]
)
OPERATES = {"T. Made-Up", "E. Made-Up", "C. Made-Up"}
EXPECTED = {
    "start": OPERATES,
    "answer": OPERATES,
    "pause": OPERATES,
    "resume": OPERATES,
    "prove": OPERATES,
    "take_control": OPERATES,
    "give_control": OPERATES,
    "override_calibration": {"E. Made-Up", "C. Made-Up"},
    "release": {"C. Made-Up"},
    "acknowledge": {"E. Made-Up"},
}
NAMES = ("V. Made-Up", "T. Made-Up", "E. Made-Up", "W. Made-Up", "C. Made-Up")


@pytest.mark.parametrize("do", EXPECTED)
def test_the_table_person_by_person(do: str) -> None:
    assert {name for name in NAMES if PEOPLE.objection(do, name, "declared") is None} == EXPECTED[do]


def test_the_table_has_every_command_that_is_not_for_anybody() -> None:
    assert set(MAY) == set(EXPECTED)
    assert not ANYBODY & set(MAY)


@pytest.mark.parametrize("name", [*NAMES, "a stranger"])
@pytest.mark.parametrize("do", sorted(ANYBODY))
def test_looking_and_aborting_are_for_anybody(do: str, name: str) -> None:
    assert PEOPLE.objection(do, name, "declared") is None


@pytest.mark.parametrize("do", EXPECTED)
def test_a_stranger_is_a_viewer_and_a_file_without_people_lets_everybody(do: str) -> None:
    assert "a stranger (viewer of this bench) may not do that" in (
        PEOPLE.objection(do, "a stranger", "declared") or ""
    )
    assert Members([]).objection(do, "a stranger", "declared") is None


def test_a_question_to_one_role_is_for_that_role_alone() -> None:
    assert PEOPLE.objection("answer", "W. Made-Up", "declared", "witness") is None
    assert PEOPLE.objection("answer", "C. Made-Up", "declared", "test operator in charge") is None
    assert "is for the witness" in (PEOPLE.objection("answer", "T. Made-Up", "declared", "witness") or "")


def test_the_user_of_the_socket_counts_only_as_a_user_and_a_typed_name_only_as_a_name() -> None:
    assert PEOPLE.objection("start", "tech", "peer") is None
    assert PEOPLE.objection("start", "t.  made-up", "declared") is None
    assert PEOPLE.objection("start", "T. Made-Up", "peer") is not None
    assert PEOPLE.objection("start", "tech", "declared") is not None


def test_the_console_had_no_page_that_says_who_may_do_what() -> None:
    """The page is made from the one table: every command of it has its words."""
    assert IN_WORDS.keys() == MAY.keys()
