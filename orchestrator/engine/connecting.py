"""A person connects what is tested and puts a fresh indicator in place, and says so."""

from __future__ import annotations

from orchestrator.engine.context import Context


def connect_specimen(at: Context) -> None:
    """With everything off: the specimen, by its label read again at the bench, and the indicator."""
    at.arming.let_in()
    indicator = at.sequence.indicator
    at.course.go("verify")
    text, items = f"Connect specimen {at.specimen}", [f"specimen {at.specimen} connected"]
    if indicator is not None:
        text += f" and put fresh {indicator.material} in place"
        items.append(f"fresh {indicator.material} in place, layers: {indicator.layers}")
    answer = at.ask("connect", f"{text}.", items=tuple(items), connection="specimen", label_of=at.specimen)
    if indicator is not None:
        at.journal.append(
            "indicator",
            material=indicator.material,
            layers=indicator.layers,
            lot=at.indicator_lot,
            state="fresh",
            by=answer.by.to_json(),
        )
