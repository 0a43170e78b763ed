"""The timeline of a rehearsal: in the order in which things happened."""

from __future__ import annotations

from orchestrator.rehearse.timeline import timeline


def test_the_trigger_stood_before_the_charged_of_the_same_instant() -> None:
    """The journal's times are rounded to nanoseconds, the trigger's own was not."""
    charged = {"kind": "charged", "mono_s": 47.264328179, "voltage_v": 1700.0}
    off = {"kind": "off_proof", "mono_s": 47.384328179, "safe": True}
    fired = {
        "kind": "triggered",
        "mono_s": 47.384328179,
        "triggered_s": 47.264328178779465,
        "part": "duty",
        "shot": 1,
    }
    words = [line.text.split(",")[0] for line in timeline([charged, off, fired], [], [])]

    assert words == ["charged to 1.700 kV", "trigger", "off and proven"]
