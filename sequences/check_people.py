"""Checks of a bench file's people: whoever has to take part in arming must be there."""

from __future__ import annotations

from typing import TYPE_CHECKING

if TYPE_CHECKING:
    from sequences.check_bench_file import Looking

# As the table of roles has it: who may answer for what is asked at arming.
OPERATING = frozenset({"technician", "engineer", "test operator in charge"})


def check_people(looking: Looking) -> None:
    """Whoever has to take part in arming must be among the people, or nobody can ever arm."""
    bench = looking.bench
    operating = sum(bool(OPERATING & set(one.roles)) for one in bench.people)
    witnesses = [one for one in bench.people if "witness" in one.roles]
    if bench.arming.witness and not witnesses:
        what = "Arming asks for a witness, and `people` names nobody with the role witness."
        _say_of_arming(looking, "witness", what, "give somebody the role witness, or leave it out")
    if bench.arming.two_people and operating < 2:
        what = f"Arming asks for two persons, and `people` names {operating or 'nobody'} who may operate the bench."
        advice = "name at least two with the role technician, engineer or test operator in charge"
        _say_of_arming(looking, "two_people", what, advice)


def _say_of_arming(looking: Looking, key: str, what: str, advice: str) -> None:
    """Refused where people are named, as nobody could arm; where nobody is, anybody could be anybody: a warning."""
    named = bool(looking.bench.people)
    if not named:
        what += " Anybody may say it then, and nothing shows who they are."
    looking.say("nobody-to-arm", ("arming", key), what, advice, "refused" if named else "warning")
