"""A person connects what is tested and puts a fresh indicator in place, and says so."""

from __future__ import annotations

from typing import Any

from orchestrator.engine.context import Context

Specimens = tuple[str, ...]


def connect_specimen(at: Context, mounted: Specimens = ()) -> None:
    """With everything off: the specimen, by its label read again at the bench, and the indicator.

    `mounted` are the specimens of all mounts in their order: the label of each is read again, all in one answer.
    """
    at.arming.let_in()
    indicator = at.sequence.indicator
    at.course.go("verify")
    text, items, labels = _what_to_connect(mounted or (at.specimen,))
    if indicator is not None:
        text += f" and put fresh {indicator.material} in place"
        items.append(f"fresh {indicator.material} in place, layers: {indicator.layers}")
    answer = at.ask("connect", f"{text}.", items=tuple(items), connection="specimen", **labels)
    if indicator is not None:
        at.journal.append(
            "indicator",
            material=indicator.material,
            layers=indicator.layers,
            lot=at.indicator_lot,
            state="fresh",
            by=answer.by.to_json(),
        )


def _what_to_connect(mounted: Specimens) -> tuple[str, list[str], dict[str, Any]]:
    """What a person is asked, what is confirmed, and whose labels are read."""
    if len(mounted) == 1:
        only = mounted[0]
        return f"Connect specimen {only}", [f"specimen {only} connected"], {"label_of": only}
    text = f"Connect the specimens, {mounted[0]} at mount 1 to {mounted[-1]} at mount {len(mounted)}"
    items = [f"all {len(mounted)} specimens connected, each at its own mount"]
    return text, items, {"labels_of": mounted}
