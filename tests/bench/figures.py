"""Percentiles, and one way to print them."""

from collections.abc import Iterable, Sequence
from typing import NamedTuple

LATE_NS = 1_000_000


def percentile(ordered: Sequence[int], share: float) -> int:
    """The nearest-rank percentile of sorted values: no interpolation, so it has been measured."""
    return ordered[min(len(ordered) - 1, max(0, -int(-len(ordered) * share // 100) - 1))]


class Figures(NamedTuple):
    """What is said about many measurements, in their unit."""

    count: int
    p50: int
    p99: int
    p999: int
    most: int
    late: float
    """Share of those over 1 ms, in per cent, if they are nanoseconds."""


def figures(values: Iterable[int]) -> Figures | None:
    """None of nothing."""
    ordered = sorted(values)
    if not ordered:
        return None
    late = 100 * sum(value > LATE_NS for value in ordered) / len(ordered)
    ranks = (percentile(ordered, share) for share in (50, 99, 99.9))
    return Figures(len(ordered), *ranks, ordered[-1], late)


def us(ns: float) -> str:
    """Nanoseconds as microseconds: with a decimal where it tells something."""
    return f"{ns / 1000:.1f}" if abs(ns) < 9950 else f"{ns / 1000:.0f}"


def row(name: str, of: Figures | None) -> str:
    """A line of a table with the head of `HEAD`."""
    if of is None:
        return f"  {name:<46}  not measured"
    numbers = (of.count, us(of.p50), us(of.p99), us(of.p999), us(of.most))
    return f"  {name:<46}" + "".join(f"{number:>9}" for number in numbers) + f"{of.late:>9.2f}"


HEAD = f"  {'':<46}" + "".join(f"{word:>9}" for word in ("n", "p50", "p99", "p99.9", "max", "> 1 ms %"))


def per_slice(slices: Sequence[Sequence[int]]) -> str:
    """How p50 and p99 differ from slice to slice: lowest, middle, highest."""
    found = [one for values in slices if (one := figures(values))]
    if not found:
        return ""
    words = []
    for title, index in (("p50", 1), ("p99", 2), ("max", 4)):
        ordered = sorted(one[index] for one in found)
        spread = (ordered[0], percentile(ordered, 50), ordered[-1])
        words.append(f"{title} " + "/".join(us(value) for value in spread))
    return ", ".join(words)
