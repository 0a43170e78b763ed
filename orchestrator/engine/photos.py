"""Photos that a person hands in with an answer: copied into the run folder, where the seal covers them."""

from __future__ import annotations

import re
from pathlib import Path
from typing import TYPE_CHECKING

from orchestrator.engine.preflight import Refused
from orchestrator.record.store import StorageFault

if TYPE_CHECKING:
    from orchestrator.record.store import Store

MOST_BYTES = 50_000_000


def kept_photo(store: Store, question: int, path: str) -> str:
    """Copy the file into the run folder; its name there. Refused where it cannot be read or kept."""
    source = Path(path)
    try:
        if source.stat().st_size > MOST_BYTES:
            raise Refused("photo", f"The photo {path} is larger than 50 MB.", "make it smaller")
        data = source.read_bytes()
    except OSError as error:
        why = error.strerror or str(error)
        raise Refused(
            "photo", f"The photo {path} cannot be read: {why}.", "give the path of a file"
        ) from error
    plain = re.sub(r"[^A-Za-z0-9._-]+", "-", source.name).strip("-.") or "photo"
    name = _free_name(store.names(), f"photos/question-{question:02d}-{plain}")
    try:
        store.create(name, data)
    except StorageFault as fault:
        raise Refused("photo", fault.sentence, "repair the data folder, or abort the run") from fault
    return name


def _free_name(taken: list[str], name: str) -> str:
    number, free = 1, name
    while free in taken:
        number += 1
        free = f"{name}-{number}"
    return free
