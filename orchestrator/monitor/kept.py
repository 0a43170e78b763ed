"""What the monitor keeps over a restart: that the start is blocked, and when each input was last proven.

Written only while nothing is energised. A file that cannot be written never stops the monitor: it is reported.
"""

from __future__ import annotations

import json
import os
import time
from pathlib import Path
from typing import Any

UNREADABLE = (
    "Start blocked: {name} cannot be read, so it is not known whether off was proven. Treat the bench as live; "
    "the test operator in charge releases it once off is proven."
)


class Kept:
    """The monitor's files in the data folder."""

    def __init__(self, folder: Path) -> None:
        folder.mkdir(parents=True, exist_ok=True)
        self._blocked = folder / "blocked.json"
        self._proven = folder / "proven.json"
        self._proven_utc: dict[str, float] = {}

    def blocked(self) -> str | None:
        """The sentence of a blocked start; a file that is there and not readable blocks as well."""
        try:
            return str(json.loads(self._blocked.read_text())["sentence"])
        except FileNotFoundError:
            return None
        except (OSError, ValueError, LookupError, TypeError):
            return UNREADABLE.format(name=self._blocked)

    def block(self, sentence: str, facts: dict[str, Any]) -> str | None:
        """Block the next start too; an error in words, None when it is on disk."""
        return write_whole(self._blocked, {"sentence": sentence, "utc_s": time.time(), "facts": facts})

    def release(self) -> str | None:
        try:
            self._blocked.unlink(missing_ok=True)
            sync_folder(self._blocked.parent)
        except OSError as error:
            return str(error)
        return None

    def proven_age_s(self) -> dict[str, float]:
        """How long ago each input was proven; what claims to come from the future is not believed."""
        try:
            known = json.loads(self._proven.read_text())
            self._proven_utc = {str(name): float(utc_s) for name, utc_s in known.items()}
        except (OSError, ValueError, AttributeError, TypeError):
            self._proven_utc = {}
        now_s = time.time()
        return {name: now_s - utc_s for name, utc_s in self._proven_utc.items() if utc_s <= now_s}

    def prove(self, names: set[str]) -> str | None:
        """These inputs were proven just now."""
        self._proven_utc.update(dict.fromkeys(names, time.time()))
        return write_whole(self._proven, self._proven_utc)


def write_whole(path: Path, content: Any) -> str | None:
    """Write so that there is always either the old or the new file; an error in words, or None."""
    aside = path.with_suffix(".part")
    try:
        with aside.open("w") as file:
            json.dump(content, file)
            file.flush()
            os.fsync(file.fileno())
        aside.replace(path)
        sync_folder(path.parent)
    except OSError as error:
        return str(error)
    return None


def sync_folder(folder: Path) -> None:
    fd = os.open(folder, os.O_RDONLY | os.O_DIRECTORY)
    try:
        os.fsync(fd)
    finally:
        os.close(fd)
