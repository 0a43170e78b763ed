"""Who may do what on a bench: one table. Standard library only.

Rules
- A bench file that names nobody lets everybody do everything; it is recorded who did it all the same.
- Otherwise a person has the roles that the file gives; whoever it does not name is a viewer.
- Anybody may look and anybody may abort: stopping is never refused.
- A name that was typed is declared, not authenticated. The table keeps order among colleagues; it is no lock.
"""

from __future__ import annotations

from collections.abc import Iterable, Mapping
from dataclasses import dataclass
from enum import StrEnum


class Role(StrEnum):
    """What a person is to a bench."""

    VIEWER = "viewer"
    TECHNICIAN = "technician"
    ENGINEER = "engineer"
    WITNESS = "witness"
    IN_CHARGE = "test operator in charge"


_OPERATES = frozenset({Role.TECHNICIAN, Role.ENGINEER, Role.IN_CHARGE})
ANYBODY = frozenset({"hello", "status", "watch", "abort", "keep_control"})
MAY: Mapping[str, frozenset[Role]] = {
    "start": _OPERATES,
    "answer": _OPERATES,
    "pause": _OPERATES,
    "resume": _OPERATES,
    "prove": _OPERATES,
    "take_control": _OPERATES,
    "give_control": _OPERATES,
    "override_calibration": frozenset({Role.ENGINEER, Role.IN_CHARGE}),
    "release": frozenset({Role.IN_CHARGE}),
    "acknowledge": frozenset({Role.ENGINEER}),
}


IN_WORDS: Mapping[str, str] = {
    "start": "start a run, with its specimen card",
    "answer": "answer what is asked: connect, arm, inspect, observe",
    "pause": "pause a run",
    "resume": "go on with a paused run",
    "prove": "prove the bench without energy",
    "take_control": "take control, or take it over",
    "give_control": "give control back",
    "override_calibration": "set a lapsed calibration aside, with a reason",
    "release": "release a start that is blocked because off was not proven",
    "acknowledge": "acknowledge a failure of the software",
}
"""What each command of the table is, for people."""


@dataclass(frozen=True)
class Member:
    """One person of a bench file; `user` is the name on the computer, where that proves who it is."""

    name: str
    roles: frozenset[Role]
    user: str | None = None


class Members:
    """The people of one bench."""

    def __init__(self, members: Iterable[Member]) -> None:
        self._members = tuple(members)

    def roles_of(self, name: str, how: str) -> frozenset[Role]:
        """The roles of a person: by the user of the socket (`how` "peer"), or by the name declared."""
        if not self._members:
            return frozenset(Role)
        wanted = _same(name)
        found = [
            one for one in self._members if _same(one.user or "" if how == "peer" else one.name) == wanted
        ]
        return found[0].roles if found else frozenset({Role.VIEWER})

    def objection(self, do: str, name: str, how: str, asked_of: str | None = None) -> str | None:
        """Why this person may not do this, in a sentence; None when they may.

        `asked_of` is the one role that an open question is put to, where it is put to one.
        """
        if do in ANYBODY:
            return None
        wanted = frozenset({Role(asked_of)}) if asked_of in list(Role) else MAY.get(do, _OPERATES)
        if self.roles_of(name, how) & wanted:
            return None
        who = " or ".join(sorted(role.value for role in wanted))
        has = ", ".join(sorted(role.value for role in self.roles_of(name, how)))
        return f"{name} ({has} of this bench) may not do that: {_WORDS.get(do, do)} is for the {who}."


_WORDS = {
    "answer": "this answer",
    "start": "starting a run",
    "take_control": "control",
    "release": "the release of a blocked start",
    "acknowledge": "acknowledging a failure of the software",
    "override_calibration": "setting a lapsed calibration aside",
}


def _same(name: str) -> str:
    return " ".join(name.split()).casefold()
