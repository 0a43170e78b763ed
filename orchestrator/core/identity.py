"""When two labels name the same specimen. Standard library only: the engine, the record and the screen ask here."""

from __future__ import annotations

from collections.abc import Sequence

CARD_FIELDS = ("group", "condition", "firmware")
"""What is written down of a specimen beside its identity: at its admission, and as it was found at the bench."""


def compared(identity: str) -> str:
    """The form in which identities are compared: case and white space do not count."""
    return "".join(identity.split()).casefold()


def label_objection(label: str | None, specimen: str) -> str | None:
    """Why a label read at the bench does not admit the specimen that the run is for; None when it does."""
    if not label or not label.strip():
        return f"The label at the bench was not read: scan or type the one of specimen {specimen}, as it stands there."
    if compared(label) == compared(specimen):
        return None
    told = f"WRONG SPECIMEN: this is {label.strip()}, the run is for {specimen}."
    return f"{told} Do not connect it. Scan the label again."


def labels_objection(labels: Sequence[str], specimens: Sequence[str]) -> str | None:
    """The same for several mounts, a label from each, in their order: what is wrong with the first that is wrong."""
    for place, specimen in enumerate(specimens, 1):
        wrong = label_objection(labels[place - 1] if place <= len(labels) else None, specimen)
        if wrong is not None:
            return f"Mount {place}: {wrong}"
    if len(labels) > len(specimens):
        return f"{len(labels)} labels were read, and there are {len(specimens)} mounts: read one at each."
    return None
