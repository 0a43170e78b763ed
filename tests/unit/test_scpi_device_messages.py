"""The table of program messages in tests/golden/scpi_messages.yaml, each row against a fresh device."""

from pathlib import Path
from typing import Any

import pytest
import yaml

from tests.unit.scpi_instrument import Instrument

TABLE = Path(__file__).parents[1] / "golden" / "scpi_messages.yaml"
GROUPS: list[dict[str, Any]] = yaml.safe_load(TABLE.read_text(encoding="utf-8"))
ROWS = [(group["rule"], *row) for group in GROUPS for row in group["rows"]]


def error_numbers(instrument: Instrument) -> list[int]:
    numbers = []
    while (entry := instrument.exchange(b"SYST:ERR?\n")) != b'0,"No error"\n':
        numbers.append(int(entry.split(b",")[0]))
    return numbers


def test_the_table_is_as_long_as_promised() -> None:
    assert len(ROWS) >= 150
    assert all(len(row) == 6 for row in ROWS)


@pytest.mark.parametrize(
    ("rule", "message", "response", "errors", "events", "byte"),
    ROWS,
    ids=[f"{number}-{row[1]!r}" for number, row in enumerate(ROWS, 1)],
)
def test_program_message(
    rule: str, message: str, response: str, errors: list[int], events: int, byte: int
) -> None:
    instrument = Instrument(errors_kept=4)
    instrument.exchange(b"*ESR?\n")
    expected = response + "\n" if response else ""
    assert instrument.exchange(message.encode("latin-1") + b"\n") == expected.encode("latin-1"), rule
    seen_byte = int(instrument.exchange(b"*STB?\n"))
    seen_events = int(instrument.exchange(b"*ESR?\n"))
    assert (error_numbers(instrument), seen_events, seen_byte) == (errors, events, byte), rule
