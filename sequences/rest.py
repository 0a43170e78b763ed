"""The rest of a refused file: read with stand-ins in the place of what was refused, so that the whole can be checked.

What is read so is for checks alone. It is never run.
"""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from difflib import get_close_matches
from typing import Any

from pydantic import BaseModel, ValidationError

from sequences.fields import Reading
from sequences.findings import Finding
from sequences.places import Located, Path_, StandIns, changed, child, locate
from sequences.stand_ins import Slot, bare, find, guessed_type, note_uses, opened, stand_in, texts
from sequences.translate import Translator, errors_of
from sequences.tree import Node, StandIn, Table, plain

_ROUNDS = 12  # deeper than any file: each round puts in a stand-in or goes one table up


class Rest:
    """Reads a file on after its first validation has failed.

    Afterwards `model` is what was read, None if nothing could be; `located` are its places, `stand_ins` where it is
    not the file's own, and `findings` what came to light only now, in tables that could not be read at first.
    """

    def __init__(self, model: type[BaseModel], located: Located, reading: Reading) -> None:
        self.located = located
        self.model: BaseModel | None = None
        self.findings: list[Finding] = []
        self._wanted, self._reading = model, reading
        self._root: Node | None = located.root
        self._places: set[Path_] = set()
        self._open_ended: set[Path_] = set()

    @property
    def stand_ins(self) -> StandIns:
        return StandIns(frozenset(self._places), frozenset(self._open_ended))

    def read(self, errors: Sequence[Any]) -> None:
        """Read on after these errors of the validation."""
        for _ in range(_ROUNDS):
            for error in errors:
                self._mend(error)
            if self._root is None:
                return
            data = plain(self._root)
            self._reading.models.clear()  # they are told by the data's identity, and the data is another now
            try:
                self.model = self._wanted.model_validate(data, context=self._reading)
            except ValidationError as error:
                errors = errors_of(error)
                self._tell(errors, data)
            else:
                self.located = Located(self.located.source, self._root)
                return

    def _tell(self, errors: Sequence[Any], data: Any) -> None:
        """Findings about places where nothing stands in: a stand-in's own are no fault of the file."""
        translator = Translator(Located(self.located.source, self._root), data, self._reading)
        gaps = self.stand_ins
        for error in errors:
            slot = self._find(error["loc"])
            if gaps.whole(slot.path) and (finding := translator.finding(error)):
                self.findings.append(finding)

    def _find(self, path: Path_) -> Slot:
        assert self._root is not None
        return find(self._root, self._wanted, path, self._reading.kinds)

    def _mend(self, error: Mapping[str, Any]) -> None:
        path: Path_ = error["loc"]
        if self._root is None:
            return
        if error["type"] == "extra_forbidden":
            key = str(path[-1])
            self._leave_out(opened(self._find(path[:-1]), key, self._reading.kinds), key)
        elif path and path[-1] == "[key]":
            holder = self._find(path[:-2])
            self._remove(holder, str(path[-2]))
            self._open_ended.add(holder.path)
        else:
            self._put_in(self._above(self._find(path)))

    def _above(self, slot: Slot) -> Slot:
        """The slot, or the table that holds the stand-in in it: one that was refused in its turn."""
        for end in range(len(slot.path) + 1):
            if slot.path[:end] in self._places:
                return self._find(slot.path[: max(0, end - 1)])
        return slot

    def _put_in(self, slot: Slot) -> None:
        slot = guessed_type(slot) or slot
        if not slot.path or self._root is None:
            self._root = None  # nothing of the file is left
            return
        note_uses(slot.wanted, self._reading)
        data = stand_in(slot.wanted)
        self._root = changed(self._root, slot.in_tree, StandIn(data, locate(self._root, slot.path)))
        self._places.add(slot.path)

    def _leave_out(self, holder: Slot, key: str) -> None:
        """Leave out a key that is not known. The key it was probably meant to be is not known to be absent then."""
        fields = getattr(bare(holder.wanted), "model_fields", {})
        present = holder.node.entries if isinstance(holder.node, Table) else {}
        absent = [name for name, one in fields.items() if name not in present and not one.is_required()]
        near = get_close_matches(key, absent, n=1, cutoff=0.6)
        self._places |= {(*holder.path, name) for name in near}
        self._remove(holder, key)

    def _remove(self, holder: Slot, key: str) -> None:
        node = child(holder.node, key) if holder.node else None
        if node and self._root:
            self._reading.used |= set(texts(node))
            self._root = changed(self._root, (*holder.in_tree, key), None)
