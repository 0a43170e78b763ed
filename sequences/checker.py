"""Whether a sequence can be run: by itself, and on a bench. Everything is found before anything opens."""

from __future__ import annotations

from collections.abc import Callable, Mapping
from dataclasses import replace
from typing import TYPE_CHECKING

from sequences.findings import Finding, in_order

if TYPE_CHECKING:
    from sequences.asking import Checking
    from sequences.bench import Bench
    from sequences.loader import Loaded, LoadedBench
    from sequences.step import Step

from sequences.check_bench_file import check_bench

__all__ = ["check", "check_bench", "check_bounds"]


def _alone() -> list[Callable[[Checking], None]]:
    from sequences import check_cycles, check_requirements, check_steps, check_verification

    return [
        check_steps.check_steps,
        check_steps.check_shots,
        check_steps.check_interlock,
        check_steps.check_result_names,
        check_steps.check_lists,
        check_requirements.check_requirements,
        check_requirements.check_results,
        check_verification.check_verification,
        check_cycles.check_cycles,
    ]


def _on_bench() -> list[Callable[[Checking, Bench], None]]:
    from sequences import check_cycles_on_bench, check_on_bench

    return [
        check_on_bench.check_interlocks_on_bench,
        check_on_bench.check_equipment_on_bench,
        check_on_bench.check_limits_in_range,
        check_on_bench.check_intervals,
        check_cycles_on_bench.check_cycles_on_bench,
    ]


def check(loaded: Loaded, bench: LoadedBench | None = None) -> list[Finding]:
    """Cross checks of a loaded sequence, with those against a bench if it is given; findings name the sequence file.

    What the loader found is not repeated. A sequence that the loader refused is checked with stand-ins in the place
    of what was refused, and nothing is said that depends on one of them.
    """
    from sequences.asking import Checking

    sequence = loaded.sequence or loaded.readable
    if sequence is None:
        return []
    model = bench.bench if bench else None
    checking = Checking(loaded.located, sequence, model, stand_ins=loaded.stand_ins)
    for look in _alone():
        look(checking)
    if model:
        for compare in _on_bench():
            compare(checking, model)
    return in_order(checking.findings)


def check_bounds(
    loaded: Loaded, kinds: Mapping[str, type[Step]], bench: LoadedBench | None = None
) -> list[Finding]:
    """Warnings about what would be refused if every parameter were given at its lowest, or at its highest.

    Only for a sequence that is good at the values it was loaded with.
    """
    from sequences.loader import load_sequence

    if loaded.sequence is None or not loaded.sequence.set_at_start:
        return []
    known = {(one.code, one.line, one.column) for one in check(loaded, bench)}
    found: dict[tuple[str, int, int], Finding] = {}
    for end in ("lowest", "highest"):
        given = {name: getattr(one, end).text for name, one in loaded.sequence.set_at_start.items()}
        again = load_sequence(replace(loaded.located.source, findings=[]), kinds, given)
        for one in (*again.findings, *check(again, bench)):
            place = (one.code, one.line, one.column)
            if one.severity == "refused" and place not in known:
                what = f"With the parameters at their {end} values: {one.what}"
                found.setdefault(
                    place, replace(one, code="bound-never-usable", severity="warning", what=what)
                )
    return list(found.values())
