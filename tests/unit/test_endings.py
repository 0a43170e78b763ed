"""How the last run ended, for a daemon that was started again."""

from __future__ import annotations

from typing import Any

import pytest

from orchestrator.core.status import compose
from orchestrator.engine.endings import indicator_doubt
from tests.unit.test_status import NOW_S, snapshot

CLOTH = {"kind": "indicator", "material": "cheesecloth"}
SHOT = {"kind": "triggered", "part": "duty", "shot": 2}
ANNOUNCED = {"kind": "intent", "act": "trigger", "part": "duty", "shot": 3}


def seen(state: str) -> dict[str, Any]:
    return {"kind": "observation", "indicator": "cheesecloth", "state": state}


@pytest.mark.parametrize(
    ("entries", "doubt"),
    [
        ([CLOTH, SHOT], "nobody has said how the cheesecloth was after shot 2"),
        ([CLOTH, SHOT, seen("unmarked"), ANNOUNCED], "nobody has said how the cheesecloth was after shot 3"),
        ([CLOTH, SHOT, seen("ignited")], "the cheesecloth was ignited after shot 2"),
        ([CLOTH, SHOT, seen("unmarked")], None),
        ([CLOTH], None),
        ([SHOT], None),
    ],
)
def test_a_power_cut_while_the_cloth_was_watched_left_a_plain_yes(
    entries: list[dict[str, Any]], doubt: str | None
) -> None:
    found = indicator_doubt([{"n": number, **entry} for number, entry in enumerate(entries)])
    ended = {"run": "R1", "sentence": "It was interrupted.", "off_proven": None, "indicator_doubt": found}
    words = compose(snapshot(), {"bench": "B"}, ended, NOW_S, None)["may_i_go_in"]["words"]

    assert found == doubt
    assert words.startswith("YES, BUT LOOK FIRST") == (doubt is not None)
