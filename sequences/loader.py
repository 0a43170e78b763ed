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
from sequences.places import Located, Path_, without
from sequences.tree import Node, Source

if TYPE_CHECKING:
    from sequences.bench import Bench
    from sequences.fields import Reading
    from sequences.model import Sequence
    from sequences.step import Step

MOST_FINDINGS = 300
_ROUNDS = 8  # how often what was refused is left out and the rest tried again


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

    from sequences.translate import Translator

    if located.root is None:
        return _Result(located, None, in_order(located.source.findings))
    data = tree.plain(located.root)
    result = _Result(located, None, list(located.source.findings))
    try:
        result.model = model.model_validate(data, context=reading)
    except ValidationError as error:
        translator = Translator(located, data, reading)
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
