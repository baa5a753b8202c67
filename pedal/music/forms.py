"""Forms: which chord sounds where in a chorus, as degrees in no key yet.

A bar is written as its degrees in order: `I7`, `I7 VI7` (they share the bar evenly), or with
the beat they come on: `I7 IV7@3`. Parentheses mark a passing chord, `(#ivo7)@4`: it sounds,
but the form does not move for it and neither do the lamps.
"""

import re
from dataclasses import dataclass

from .degrees import Degree, parse_degree


@dataclass(frozen=True, slots=True)
class ChordSpan:
    """A chord inside a bar, from `beat` (0 is the bar line; halves are allowed in endings)."""

    beat: float
    degree: Degree
    passing: bool = False


Bar = tuple[ChordSpan, ...]


@dataclass(frozen=True, slots=True)
class Form:
    """A chorus. `phrases` are the bars (from 1) that start one, the first always among them.

    `source` says where its bars come from, nothing if the file does not say.
    """

    name: str
    title: str
    bars: tuple[Bar, ...]
    phrases: tuple[int, ...]
    minor: bool = False
    source: str = ""


_WORD = re.compile(r"(\(?)([^\s()@]+)(\)?)(?:@([0-9]+(?:\.[0-9]+)?))?")


def parse_bar(text: str, beats: int, halves: bool = False) -> Bar:
    """Read one bar of `beats` beats. ValueError says what is wrong.

    The first chord comes on beat 1; `halves` allows `@2.5`, the second half of beat 2.
    """
    words = text.split()
    if not words:
        raise ValueError("a bar needs at least one chord degree")
    if len(words) > beats:
        raise ValueError(f"{text!r}: {len(words)} chords in {beats} beats; a beat holds one")
    spans: list[ChordSpan] = []
    for index, word in enumerate(words):
        match = _WORD.fullmatch(word)
        if not match or bool(match[1]) != bool(match[3]):
            raise ValueError(
                f"{word!r} is not a chord degree (write I7, I7@3 or a passing chord as (bII7)@2)"
            )
        beat = float(match[4]) - 1 if match[4] else index * beats / len(words)
        if beat % (0.5 if halves else 1):
            raise ValueError(
                f"{word!r} falls between the beats; write the beat it comes on, like {match[2]}@3"
            )
        if not (0 <= beat < beats):
            raise ValueError(f"{word!r} is outside the bar, which has beats 1 to {beats}")
        if spans and beat <= spans[-1].beat:
            raise ValueError(f"{text!r}: {word!r} does not come after the chord before it")
        spans.append(ChordSpan(beat, parse_degree(match[2]), bool(match[1])))
    if spans[0].beat != 0:
        raise ValueError(f"{text!r}: the first chord of a bar comes on beat 1")
    return tuple(spans)
