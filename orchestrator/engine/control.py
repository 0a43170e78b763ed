"""Control of the bench: one owner at a time, taken over only on purpose, and recorded.

While nobody has control every command counts, as from a shell. While somebody has it, a command counts that comes with
the token which control gave, or without any token from the owner themselves. Looking, aborting, a release and an
acknowledgement need no control; nor does an answer that is asked of somebody else than the owner.

Whoever has control says so again every few seconds, and with every command; of whom nothing is heard for `LAPSES_S`,
a console that was killed or cut off, control is nobody's again.
"""

from __future__ import annotations

import hmac
import secrets
from typing import Any

from orchestrator.engine.people import Person
from orchestrator.engine.preflight import Refused

NEEDS_CONTROL = frozenset({"start", "answer", "pause", "resume", "prove"})
LAPSES_S = 30.0


class Control:
    """Belongs to the talking thread."""

    def __init__(self) -> None:
        self._owner: Person | None = None
        self._token = ""
        self._number = 0
        self._heard_s = 0.0

    def facts(self) -> dict[str, Any] | None:
        """Who has it, for the status. `number` tells one taking from the next."""
        return None if self._owner is None else {"owner": self._owner.name, "number": self._number}

    def take(
        self, who: Person, token: str | None, over: bool, now_s: float
    ) -> tuple[dict[str, Any], Person | None]:
        """Give it to this person: the reply with the token, and whom it was taken from. Refused without `over`."""
        before = self._owner
        if before is not None and not over and not self._is_token(token):
            help_ = "only look, or take it over on purpose: it is recorded"
            raise Refused("control-held", f"{before.name} has control of this bench.", help_)
        self._owner, self._token, self._heard_s = who, secrets.token_urlsafe(16), now_s
        self._number += 1
        from_whom = f", taken over from {before.name}" if before is not None else ""
        sentence = f"{who.name} has control of this bench{from_whom}."
        return {"sentence": sentence, "control": self._token, "number": self._number}, before

    def give(self, who: Person, token: str | None) -> dict[str, Any]:
        """Nobody has it any more."""
        self.require("give_control", who, token)
        self._owner, self._token = None, ""
        return {"sentence": "Nobody has control of this bench now."}

    def keep(self, token: str | None, now_s: float) -> dict[str, Any]:
        """Whoever has it is still there. Refused where it is not theirs (any more)."""
        if not self._is_token(token):
            help_ = "take it in a console (F10)"
            raise Refused("no-control", "You do not have control of this bench.", help_)
        self._heard_s = now_s
        return {"sentence": "Kept.", "number": self._number}

    def lapsed(self, now_s: float) -> Person | None:
        """Whom it is taken from because nothing was heard of them for so long; None where nothing changes."""
        owner = self._owner
        if owner is None or now_s - self._heard_s < LAPSES_S:
            return None
        self._owner, self._token = None, ""
        return owner

    def heard(self, token: str | None, now_s: float) -> None:
        """Any command with the token says the same as `keep`."""
        if self._is_token(token):
            self._heard_s = now_s

    def require(self, do: str, who: Person, token: str | None) -> None:
        """Refused for a command that somebody else's control keeps out."""
        if self._owner is None or do not in NEEDS_CONTROL | {"give_control"}:
            return
        if self._is_token(token) or (token is None and who.name == self._owner.name):
            return
        help_ = (
            "take control over in a console (F10), or leave it to them; anybody may abort: benchward abort"
        )
        raise Refused("control-held", f"{self._owner.name} has control of this bench; you only look.", help_)

    def _is_token(self, token: str | None) -> bool:
        return bool(self._token) and hmac.compare_digest((token or "").encode(), self._token.encode())
