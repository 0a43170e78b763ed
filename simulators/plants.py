"""The plants there are, by the kind that a plant file names. A further bench is one more entry and its folder."""

from __future__ import annotations

from collections.abc import Callable
from typing import Any

from simulators.device import Plant
from simulators.endurance.plant import build_endurance
from simulators.impulse.plant import build_impulse

KINDS: dict[str, Callable[[dict[str, Any], int], Plant]] = {
    "impulse": build_impulse,
    "endurance": build_endurance,
}


def build(kind: str, spec: dict[str, Any], seed: int) -> Plant:
    """The plant of that kind, made from the contents of a plant file. The same seed and calls give the same bytes.

    ValueError says which entry of `spec` is wrong, or which kinds there are.
    """
    if kind not in KINDS:
        raise ValueError(f"there is no plant of kind {kind!r}; there are: {', '.join(sorted(KINDS))}")
    return KINDS[kind](spec, seed)
