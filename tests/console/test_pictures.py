"""The pictures of the README: whole, from nowhere else, and with the colours of the lamps alone."""

from __future__ import annotations

import html
import re
from xml.etree import ElementTree

import pytest

from orchestrator.console.words import LABELS
from tests.pictures import PICTURES

NAMES = {
    "label": "TW-04", "arming": "TW-04", "charging": "TW-04", "waveform": "TW-04", "why": "TW-04", "cycles": "WG-01",
    "trend": "WG-01",
}  # fmt: skip


@pytest.mark.parametrize(("name", "specimen"), NAMES.items())
def test_a_picture_is_whole_and_names_nothing_from_elsewhere(name: str, specimen: str) -> None:
    text = (PICTURES / f"console-{name}.svg").read_text(encoding="utf-8")
    ElementTree.fromstring(text)
    said = html.unescape(re.sub(r"<[^>]*>", " ", text)).replace("\u00a0", " ")

    assert set(re.findall(r"https?://[^\"')\s]+", text)) == {"http://www.w3.org/2000/svg"}
    assert all(label in said for label in (*LABELS, "F12 ABORT", specimen))
    assert {hue for hue in re.findall(r"#([0-9a-f]{6})", text) if not _is_grey(hue)} <= {"d00000", "008000"}


def _is_grey(hue: str) -> bool:
    parts = [int(hue[at : at + 2], 16) for at in (0, 2, 4)]
    return max(parts) - min(parts) <= 8
