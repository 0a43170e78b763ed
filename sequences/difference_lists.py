"""Which entry of one list is which of the other: steps, requirements, points that a person confirms."""

from __future__ import annotations

from bisect import bisect_left
from collections import deque
from collections.abc import Callable, Hashable, Sequence
from dataclasses import dataclass, field
from difflib import SequenceMatcher
from itertools import pairwise
from typing import Any

Key = Callable[[Any], Hashable]
ALIKE = 0.6  # from this likeness on, two texts are one text that was reworded
MOST_COMPARED = (
    250_000  # entries times entries; beyond, order and likeness are not looked at, which takes too long
)


@dataclass(slots=True)
class Matching:
    """Indices of the old list and of the new that belong together, in the new list's order, and what is left."""

    pairs: list[tuple[int, int]] = field(default_factory=list)
    gone: list[int] = field(default_factory=list)
    come: list[int] = field(default_factory=list)

    def moved(self) -> list[tuple[int, int]]:
        """Pairs outside of the longest run of pairs that kept its order."""
        kept = _longest_rising([old for old, _ in self.pairs])
        return [pair for pair in self.pairs if pair[0] not in kept]


def _longest_rising(numbers: Sequence[int]) -> set[int]:
    """The longest rising subsequence of different numbers."""
    ends: list[int] = []  # the smallest number that a rising run of each length ends with
    before: dict[int, int | None] = {}
    for number in numbers:
        place = bisect_left(ends, number)
        before[number] = ends[place - 1] if place else None
        ends[place : place + 1] = [number]
    kept: set[int] = set()
    last = ends[-1] if ends else None
    while last is not None:
        kept.add(last)
        last = before[last]
    return kept


def in_order(old: Sequence[Any], new: Sequence[Any], keys: Sequence[Key]) -> Matching:
    """Match lists whose order means something, by the first key, what lies between by the next; then what moved."""
    found: list[tuple[int, int]] = []
    if len(old) * len(new) <= MOST_COMPARED:
        found = _aligned(old, new, range(len(old)), range(len(new)), keys)
    return _by_keys(old, new, found, keys[:-1])


def _aligned(
    old: Sequence[Any], new: Sequence[Any], olds: range, news: range, keys: Sequence[Key]
) -> list[tuple[int, int]]:
    if not keys or not olds or not news:
        return []
    key, rest = keys[0], keys[1:]
    matcher = SequenceMatcher(None, [key(old[i]) for i in olds], [key(new[j]) for j in news], autojunk=False)
    found = [
        (olds[block.a + step], news[block.b + step])
        for block in matcher.get_matching_blocks()
        for step in range(block.size)
    ]
    fence = [(olds.start - 1, news.start - 1), *found, (olds.stop, news.stop)]
    for (old_before, new_before), (old_after, new_after) in pairwise(fence):
        gap = range(old_before + 1, old_after), range(new_before + 1, new_after)
        found += _aligned(old, new, *gap, rest)
    return found


def by_keys(old: Sequence[Any], new: Sequence[Any], keys: Sequence[Key]) -> Matching:
    """Match lists whose order means nothing, by the first key that two entries share."""
    return _by_keys(old, new, [], keys)


def _by_keys(
    old: Sequence[Any], new: Sequence[Any], found: list[tuple[int, int]], keys: Sequence[Key]
) -> Matching:
    pairs = list(found)
    olds = sorted(set(range(len(old))) - {i for i, _ in found})
    news = sorted(set(range(len(new))) - {j for _, j in found})
    for key in keys:
        waiting: dict[Hashable, deque[int]] = {}
        for i in olds:
            waiting.setdefault(key(old[i]), deque()).append(i)
        more = [(same.popleft(), j) for j in news if (same := waiting.get(key(new[j])))]
        pairs += more
        olds = sorted(set(olds) - {i for i, _ in more})
        news = sorted(set(news) - {j for _, j in more})
    return Matching(sorted(pairs, key=_new_index), olds, news)


def _new_index(pair: tuple[int, int]) -> int:
    return pair[1]


def texts(old: Sequence[str], new: Sequence[str]) -> Matching:
    """Match texts: the same ones, then each with the most alike of the rest, if it is alike enough."""
    found = by_keys(old, new, [lambda text: text])
    if len(found.gone) * len(found.come) > MOST_COMPARED // 100:
        return found
    likeness = [
        (SequenceMatcher(None, old[i], new[j], autojunk=False).ratio(), -i, -j)
        for i in found.gone
        for j in found.come
    ]
    for ratio, i, j in sorted(likeness, reverse=True):
        if ratio >= ALIKE and -i in found.gone and -j in found.come:
            found.pairs.append((-i, -j))
            found.gone.remove(-i)
            found.come.remove(-j)
    found.pairs.sort(key=_new_index)
    return found


def places(old: Sequence[str], new: Sequence[str]) -> Matching:
    """Match texts: the same ones, then the rest one by one."""
    found = by_keys(old, new, [lambda text: text])
    replaced = list(zip(found.gone, found.come, strict=False))
    found.pairs = sorted([*found.pairs, *replaced], key=_new_index)
    found.gone, found.come = found.gone[len(replaced) :], found.come[len(replaced) :]
    return found
