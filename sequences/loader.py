"""From a file to a model, or to findings: nothing is half read.

`load_sequence` and `load_bench` never raise for what a file holds. All findings come at once.
"""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass, field
from pathlib import Path
from typing import TYPE_CHECKING, Any

from sequences import tree
from sequences.findings import Finding, in_order, refused
from sequences.places import NO_STAND_INS, Located, StandIns
from sequences.tree import Source

if TYPE_CHECKING:
    from sequences.bench import Bench
    from sequences.fields import Reading
    from sequences.model import Sequence
    from sequences.step import Step

MOST_FINDINGS = 300


@dataclass(frozen=True, slots=True)
class Loaded:
    """A sequence file as read: `sequence` is None if any finding refuses it. `parameters` are texts by name.

    For a refused file `readable` is the sequence with stand-ins for what was refused or is missing, and `stand_ins`
    says where they are: good for checks, never for a run.
    """

    sequence: Sequence | None
    findings: list[Finding]
    text: str
    sha256: str
    parameters: dict[str, str]
    located: Located
    readable: Sequence | None = None
    stand_ins: StandIns = NO_STAND_INS


@dataclass(frozen=True, slots=True)
class LoadedBench:
    """A bench file as read: `bench` is None if any finding refuses it. The rest as in Loaded."""

    bench: Bench | None
    findings: list[Finding]
    text: str
    sha256: str
    located: Located
    readable: Bench | None = None
    stand_ins: StandIns = NO_STAND_INS


def _open(path_or_source: str | Path | Source) -> Located:
    source = path_or_source if isinstance(path_or_source, Source) else tree.read(path_or_source)
    return Located(source, tree.build(source))


@dataclass(slots=True)
class _Result:
    located: Located
    model: Any = None
    findings: list[Finding] = field(default_factory=list)
    readable: Any = None
    stand_ins: StandIns = NO_STAND_INS
    untold: int = 0


def _validate(model: Any, located: Located, reading: Reading) -> _Result:
    """The model of a tree, or the findings that refuse it and what is readable all the same."""
    from pydantic import ValidationError

    from sequences.rest import Rest
    from sequences.translate import Translator, errors_of

    if located.root is None:
        return _Result(located, None, in_order(located.source.findings))
    data = tree.plain(located.root)
    result = _Result(located, None, list(located.source.findings))
    try:
        result.model = model.model_validate(data, context=reading)
    except ValidationError as error:
        translator = Translator(located, data, reading)
        errors = errors_of(error)
        result.findings += [finding for one in errors[:MOST_FINDINGS] if (finding := translator.finding(one))]
        if len(errors) <= MOST_FINDINGS:
            rest = Rest(model, located, reading)
            rest.read(errors)
            result.findings += rest.findings
            result.located, result.readable, result.stand_ins = rest.located, rest.model, rest.stand_ins
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
        result.stand_ins,
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
    reading = Reading(dict(kinds), resolved.texts, refused=resolved.refused, any_refused=resolved.any_refused)
    result = _validate(Sequence, located, reading)
    read = result.model or result.readable
    unfit, gaps = _keys_of_the_duty(located, read, result.stand_ins, reading)
    findings = in_order([*result.findings, *resolved.findings, *unfit, *unused(located, reading.used)])
    sequence = None if refused(findings) else result.model
    source = located.source
    return Loaded(
        sequence,
        findings,
        source.text,
        source.sha256,
        resolved.texts,
        result.located,
        None if sequence else read,
        result.stand_ins if sequence else gaps,
    )


def _keys_of_the_duty(
    located: Located, read: Sequence | None, gaps: StandIns, reading: Reading
) -> tuple[list[Finding], StandIns]:
    """What is wrong with the keys that only one kind of duty has; by what it needs and lacks nothing is judged."""
    from sequences.duties import absent_keys, unfit_keys
    from sequences.stand_ins import note_uses, of_field

    if read is None:
        return [], gaps
    absent = absent_keys(located, read, gaps)
    for key in absent:
        note_uses(of_field(type(read).model_fields[key]), reading)
    places = gaps.places | {(key,) for key in absent}
    return list(unfit_keys(located, read, gaps)), StandIns(places, gaps.open_ended)
