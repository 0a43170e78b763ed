"""From a file to a model, or to findings: nothing is half read.

`load_sequence` and `load_bench` never raise for what a file holds. All findings come at once.
"""

from __future__ import annotations

from collections.abc import Mapping
from collections.abc import Sequence as Sequence_
from dataclasses import dataclass, field
from pathlib import Path
from typing import TYPE_CHECKING, Any

from sequences import tree
from sequences.findings import Finding, in_order, refused
from sequences.tree import Items, Mark, Node, Scalar, Source, Table

if TYPE_CHECKING:
    from sequences.bench import Bench
    from sequences.fields import Reading
    from sequences.model import Sequence
    from sequences.step import Step

Path_ = tuple[str | int, ...]


@dataclass(frozen=True, slots=True)
class Located:
    """A file's text and tree: where in the file each value stands."""

    source: Source
    root: Node | None

    def at(self, *path: str | int, key: bool = False) -> Mark | None:
        """The place of the value at a path of keys and indices, or of the last key; as near as the file has it."""
        return locate(self.root, path, key) if self.root else None


@dataclass(frozen=True, slots=True)
class Loaded:
    """A sequence file as read: `sequence` is None if any finding refuses it. `parameters` are texts by name.

    For a refused file `readable` is what remains without the refused parts, if that makes a sequence, and `holes`
    are the keys of the file under which something was left out: good for checks, never for a run.
    """

    sequence: Sequence | None
    findings: list[Finding]
    text: str
    sha256: str
    parameters: dict[str, str]
    located: Located
    readable: Sequence | None = None
    holes: frozenset[str] = frozenset()


@dataclass(frozen=True, slots=True)
class LoadedBench:
    """A bench file as read: `bench` is None if any finding refuses it. The rest as in Loaded."""

    bench: Bench | None
    findings: list[Finding]
    text: str
    sha256: str
    located: Located
    readable: Bench | None = None
    holes: frozenset[str] = frozenset()


# --------------------------------------------------------------------------- places


def _child(node: Node, part: str | int) -> Node | None:
    if isinstance(node, Items) and isinstance(part, int):
        return node.items[part] if part < len(node.items) else None
    if isinstance(node, Table) and isinstance(part, str):
        return node.get(part)
    return None


def _step_body(node: Node, part: str | int) -> Node | None:
    """What stands below a step's kind, if the part is to be found there: a step is a table with one key."""
    if isinstance(node, Table) and len(node.entries) == 1 and isinstance(part, str):
        ((_, body),) = node.entries.values()
        return body if _child(body, part) else None
    return None


def locate(root: Node, path: Path_, key: bool = False) -> Mark:
    """The place a path leads to, as near as the file has it; with `key` the place of the last key itself."""
    node = root
    for index, part in enumerate(path):
        holder = node if _child(node, part) else _step_body(node, part)
        if holder is None:
            continue  # a part that is no key of the file, such as the type that chose a model
        if key and index == len(path) - 1 and isinstance(holder, Table) and (found := holder.key(str(part))):
            return found.at
        node = _child(holder, part) or node
    return node.at


def without(node: Node, path: Path_) -> Node:
    """The tree without what stands at a path; the same tree if nothing stands there."""
    part, rest = path[0], path[1:]
    if isinstance(node, Items) and isinstance(part, int) and part < len(node.items):
        kept = [without(node.items[part], rest)] if rest else []
        return Items((*node.items[:part], *kept, *node.items[part + 1 :]), node.at)
    if not isinstance(node, Table):
        return node
    entries = dict(node.entries)
    if str(part) not in entries and len(entries) == 1:  # a step: its fields stand below its kind
        ((kind, (known, body)),) = entries.items()
        entries[kind] = (known, without(body, path))
    elif str(part) in entries and rest:
        known, value = entries[str(part)]
        entries[str(part)] = (known, without(value, rest))
    else:
        entries.pop(str(part), None)
    return Table(entries, node.at)


# --------------------------------------------------------------------------- pydantic's errors in our words


MOST_FINDINGS = 300
_ROUNDS = 8  # how often what was refused is left out and the rest tried again
_SHAPES = {
    "model_type": "a table of keys", "model_attributes_type": "a table of keys", "dict_type": "a table of keys",
    "tuple_type": "a list", "list_type": "a list", "string_type": "a single value",
}  # fmt: skip
_BOUNDS = {
    "greater_than": ("more than", "gt"),
    "greater_than_equal": ("at least", "ge"),
    "less_than": ("less than", "lt"),
    "less_than_equal": ("at most", "le"),
}
_MISSING = {"judged": "judged-missing"}


class _Translator:
    """Turns one validation's errors into findings with places."""

    def __init__(self, located: Located, data: Any, reading: Reading) -> None:
        self.located, self.data, self.reading = located, data, reading

    def finding(self, error: Mapping[str, Any]) -> Finding | None:
        path: Path_ = error["loc"]
        kind: str = error["type"]
        context = error.get("ctx", {})
        if kind == "refused-already" or isinstance(error["input"], tree.Refused):
            return None
        if kind == "extra_forbidden":
            return self._say(
                "unknown-key",
                path,
                f'The key "{str(path[-1])[:64]}" is not known here.',
                self._nearest_key(path),
                key=True,
            )
        if kind == "missing":
            return self._missing(path)
        if "what" in context:
            return self._say(kind, path, context["what"], context["help"])
        return self._general(kind, path, context, error["input"])

    def _say(self, code: str, path: Path_, what: str, advice: str, key: bool = False) -> Finding:
        mark = locate(self.located.root, path, key) if self.located.root else None
        return self.located.source.finding(code, mark, what, advice)

    def _missing(self, path: Path_) -> Finding:
        name = str(path[-1])
        words = self._described(path)
        return self._say(
            _MISSING.get(name, "missing-key"),
            path[:-1],
            f'The key "{name}" is missing here.',
            f"write {name}: {words}",
        )

    def _general(self, kind: str, path: Path_, context: Mapping[str, Any], value: Any) -> Finding:
        if kind in _SHAPES:
            return self._say("wrong-shape", path, f"Here {_SHAPES[kind]} is wanted.", _shape_help(kind, path))
        if kind in _BOUNDS:
            return self._bounds(kind, path, context)
        if kind == "too_short":
            return self._say(
                "too-few", path, f"At least {context['min_length']} entry is needed here.", "add one"
            )
        if kind in ("literal_error", "union_tag_invalid"):
            return self._choice(path, context, value)
        if kind == "union_tag_not_found":
            return self._say(
                "missing-key",
                path,
                'The key "type" is missing here.',
                "write type: and the type of equipment",
            )
        return self._say(
            "not-understood",
            path,
            "The value does not fit here.",
            "look at the language reference for this key",
        )

    def _bounds(self, kind: str, path: Path_, context: Mapping[str, Any]) -> Finding:
        words, key = _BOUNDS[kind]
        text = self._text(path)
        bound = _bound_text(text, context[key])
        return self._say(
            "out-of-bounds", path, f'"{text}" has to be {words} {bound}.', f"write a value of {words} {bound}"
        )

    def _choice(self, path: Path_, context: Mapping[str, Any], value: Any) -> Finding:
        from sequences.fields import nearest

        words = str(context.get("expected") or context.get("expected_tags", "")).replace(" or ", ", ")
        choices = [word.strip().strip("'") for word in words.split(",")]
        if "expected_tags" in context:
            path = (*path, "type")
            value = value.get("type", "") if isinstance(value, dict) else value
        if not isinstance(value, str):
            return self._say(
                "wrong-shape", path, "A single value is wanted here.", f"write one of: {', '.join(choices)}"
            )
        code = "not-a-choice" if value.strip() else "empty-value"
        return self._say(code, path, f'"{value}" is none of: {", ".join(choices)}.', nearest(value, choices))

    def _text(self, path: Path_) -> str:
        node = self._node(path)
        text = node.text.strip() if isinstance(node, Scalar) else ""
        return self.reading.parameters.get(text, text)

    def _node(self, path: Path_) -> Node | None:
        node = self.located.root
        for part in path:
            if node is None:
                return None
            body = _step_body(node, part)
            node = _child(node, part) or (_child(body, part) if body else None) or node
        return node

    def _model(self, path: Path_) -> Any:
        """The model that read the table at a path."""
        data = self.data
        for part in path:
            data = _below(data, part)
        while isinstance(data, dict) and id(data) not in self.reading.models and len(data) == 1:
            data = next(iter(data.values()))  # a step: its model reads what stands under its kind
        return self.reading.models.get(id(data))

    def _nearest_key(self, path: Path_) -> str:
        from sequences.fields import nearest

        model = self._model(path[:-1])
        return nearest(str(path[-1]), model.model_fields) if model else "remove it"

    def _described(self, path: Path_) -> str:
        model = self._model(path[:-1])
        known = model.model_fields.get(path[-1]) if model else None
        return f"({known.description})" if known and known.description else "and its value"


def _below(data: Any, part: str | int) -> Any:
    if isinstance(data, list) and isinstance(part, int):
        return data[part] if part < len(data) else data
    if isinstance(data, dict) and part in data:
        return data[part]
    if isinstance(data, dict) and len(data) == 1:
        inner = next(iter(data.values()))
        if isinstance(inner, dict) and part in inner:
            return inner[part]
    return data


def _shape_help(kind: str, path: Path_) -> str:
    name = str(path[-1]) if path else "key"
    return (
        f"write {name}: [one, two]"
        if kind in ("tuple_type", "list_type")
        else f"write {name}: and its keys below, each on a line of its own"
    )


def _bound_text(text: str, bound: float) -> str:
    """A bound in the dimension of the text it limits."""
    from sequences.quantity import QuantityError, parse, show

    try:
        unit = parse(text).unit
    except QuantityError:
        return f"{bound:g}"
    return show(float(bound), unit)


# --------------------------------------------------------------------------- loading


def _open(path_or_source: str | Path | Source) -> Located:
    source = path_or_source if isinstance(path_or_source, Source) else tree.read(path_or_source)
    return Located(source, tree.build(source))


@dataclass(slots=True)
class _Result:
    located: Located
    model: Any = None
    findings: list[Finding] = field(default_factory=list)
    readable: Any = None
    holes: set[str] = field(default_factory=set)
    untold: int = 0


def _validate(model: Any, located: Located, reading: Reading) -> _Result:
    """The model of a tree, or the findings that refuse it and what is readable all the same."""
    from pydantic import ValidationError

    if located.root is None:
        return _Result(located, None, in_order(located.source.findings))
    data = tree.plain(located.root)
    result = _Result(located, None, list(located.source.findings))
    try:
        result.model = model.model_validate(data, context=reading)
    except ValidationError as error:
        translator = _Translator(located, data, reading)
        errors = error.errors(include_url=False)
        result.findings += [finding for one in errors[:MOST_FINDINGS] if (finding := translator.finding(one))]
        if len(errors) <= MOST_FINDINGS:
            _read_the_rest(model, result, errors, reading)
        else:
            result.untold = len(errors) - MOST_FINDINGS
    if refused(result.findings):
        result.readable, result.model = result.model or result.readable, None
    result.findings = _shortened(in_order(result.findings), result)
    return result


def _shortened(findings: list[Finding], result: _Result) -> list[Finding]:
    """The first of very many, and how many more there are."""
    untold = result.untold + max(0, len(findings) - MOST_FINDINGS)
    if not untold:
        return findings
    what = f"{untold} more findings are not shown."
    more = result.located.source.finding("more-findings", None, what, "mend the others first")
    return [*findings[:MOST_FINDINGS], more]


def _read_the_rest(model: Any, result: _Result, errors: Sequence_[Any], reading: Reading) -> None:
    """Leave out what was refused, again until the rest makes a model or nothing useful remains."""
    from pydantic import ValidationError

    from sequences.fields import Reading

    root: Node | None = result.located.root
    for _ in range(_ROUNDS):
        for path, hole in sorted((_left_out(error) for error in errors), key=_later_first, reverse=True):
            root = without(root, path) if root and path else None
            result.holes |= {str(path[0])} if path and hole else set()
        if root is None:
            return
        try:
            again = Reading(reading.kinds, reading.parameters)
            result.readable = model.model_validate(tree.plain(root), context=again)
        except ValidationError as error:
            errors = error.errors(include_url=False)
        else:
            result.located = Located(result.located.source, root)
            return


def _left_out(error: Mapping[str, Any]) -> tuple[Path_, bool]:
    """What to leave out for an error, and whether that leaves a hole: an unknown key does not."""
    path: Path_ = error["loc"]
    if error["type"] == "extra_forbidden":
        return path, False
    if error["type"] == "missing":
        path = path[:-1]
    numbers = [index for index, part in enumerate(path) if isinstance(part, int)]
    return (path[: numbers[-1] + 1] if numbers else path), True


def _later_first(entry: tuple[Path_, bool]) -> list[tuple[int, int | str]]:
    """Order in which leaving one thing out moves no other: later list items before earlier ones."""
    return [(part, "") if isinstance(part, int) else (-1, part) for part in entry[0]]


def load_bench(path_or_source: str | Path | Source) -> LoadedBench:
    """Read a bench file by itself; `sequences.checker.check_bench` looks at how its parts fit together."""
    from sequences.bench import Bench
    from sequences.fields import Reading

    located = _open(path_or_source)
    result = _validate(Bench, located, Reading())
    source = located.source
    return LoadedBench(
        result.model,
        result.findings,
        source.text,
        source.sha256,
        result.located,
        result.readable,
        frozenset(result.holes),
    )


def load_sequence(
    path_or_source: str | Path | Source,
    kinds: Mapping[str, type[Step]],
    given: Mapping[str, str] | None = None,
) -> Loaded:
    """Read a sequence file with the step kinds and the values given at the start (texts by parameter
    name)."""
    from sequences.fields import Reading
    from sequences.model import Sequence
    from sequences.parameters import resolve, unused

    located = _open(path_or_source)
    resolved = resolve(located, dict(given or {}))
    reading = Reading(dict(kinds), resolved.texts)
    result = _validate(Sequence, located, reading)
    findings = in_order([*result.findings, *resolved.findings, *unused(located, reading.used)])
    sequence = None if refused(findings) else result.model
    source = located.source
    return Loaded(
        sequence,
        findings,
        source.text,
        source.sha256,
        resolved.texts,
        result.located,
        None if sequence else result.model or result.readable,
        frozenset(result.holes),
    )
