"""Chord degrees: a Roman numeral with a quality, and the chord it is in a key.

Numerals count on the major scale of the tonic, in minor keys too: the sixth degree of A
minor's own scale is written ♭VI. Capitals carry a major third, small letters a minor one; a
plain 7 is the minor seventh, as blues players mean it.
"""

import re
from functools import cache
from typing import NamedTuple

from .pitch import NATURALS, Key, Name, accidental, alteration

NUMERALS = ("I", "II", "III", "IV", "V", "VI", "VII")

# quality: (symbol after the root's name, tones as (letters up, semitones up)), root first.
# Semitones follow the chord kinds of MusicXML 4.0; an 11th is left out of a 13.
_MAJOR, _MINOR, _DIM = ((2, 4), (4, 7)), ((2, 3), (4, 7)), ((2, 3), (4, 6))
QUALITIES: dict[str, tuple[str, tuple[tuple[int, int], ...]]] = {
    "": ("", ((0, 0), *_MAJOR)),
    "6": ("6", ((0, 0), *_MAJOR, (5, 9))),
    "7": ("7", ((0, 0), *_MAJOR, (6, 10))),
    "9": ("9", ((0, 0), *_MAJOR, (6, 10), (8, 14))),
    "13": ("13", ((0, 0), *_MAJOR, (6, 10), (8, 14), (12, 21))),
    "7b9": ("7♭9", ((0, 0), *_MAJOR, (6, 10), (8, 13))),
    "7#9": ("7♯9", ((0, 0), *_MAJOR, (6, 10), (8, 15))),
    "7b13": ("7♭13", ((0, 0), *_MAJOR, (6, 10), (12, 20))),
    "+7": ("+7", ((0, 0), (2, 4), (4, 8), (6, 10))),
    "m": ("m", ((0, 0), *_MINOR)),
    "m6": ("m6", ((0, 0), *_MINOR, (5, 9))),
    "m7": ("m7", ((0, 0), *_MINOR, (6, 10))),
    "m9": ("m9", ((0, 0), *_MINOR, (6, 10), (8, 14))),
    "ø7": ("ø7", ((0, 0), *_DIM, (6, 10))),
    "o7": ("o7", ((0, 0), *_DIM, (6, 9))),
}
_PLAIN = {2: (3, 4), 4: (5, 7), 5: (7, 10), 6: (7, 10)}  # letters up: tone, semitones in a plain 7
_OWN = {
    quality: {_PLAIN[steps][0]: semis - _PLAIN[steps][1] for steps, semis in tones if steps in _PLAIN}
    for quality, (_, tones) in QUALITIES.items()
}
_UPPER = ("", "6", "7", "9", "13", "7b9", "7#9", "7b13", "+7")
_LOWER = {"": "m", "6": "m6", "7": "m7", "9": "m9", "ø7": "ø7", "o7": "o7"}

_DEGREE = re.compile(r"([b♭#♯]?)(VII|VI|IV|V|III|II|I|vii|vi|iv|v|iii|ii|i)(.*)")


class Degree(NamedTuple):
    """`number` 1..7 on the major scale, `alter` in semitones, `quality` a key of QUALITIES."""

    number: int
    alter: int
    quality: str

    def __str__(self) -> str:
        return _written(self)

    @property
    def minor_third(self) -> bool:
        """Whether its chord has a minor third: then it is written in small letters."""
        return QUALITIES[self.quality][1][1] == (2, 3)

    def own(self, tone: int) -> int:
        """Semitones of the chord's own 3rd, 5th or 7th above (or below) that of a plain 7.

        The sixth stands in for the seventh of a 6; a triad's seventh is the plain one.
        """
        return _OWN[self.quality].get(tone, 0)

    @property
    def semitones(self) -> int:
        """Root above the tonic, 0..11."""
        return (NATURALS[self.number - 1] + self.alter) % 12

    @property
    def lamp(self) -> str:
        """The lamp that stands for this degree: `I`, `IV`, `V` or `other`."""
        plain = self.alter == 0 and self.number in (1, 4, 5)
        return NUMERALS[self.number - 1] if plain else "other"


class Chord(NamedTuple):
    """A degree in a key."""

    degree: Degree
    root: Name

    @property
    def symbol(self) -> str:
        """The chord's name, as on a chart: `A7`, `F♯m7`, `E♭o7`."""
        return _symbol(self)

    @property
    def tones(self) -> tuple[Name, ...]:
        """Spelled chord tones, root first."""
        return tuple(self.root.up(steps % 7, semis - 12 * (steps // 7)) for steps, semis in self._formula)

    @property
    def intervals(self) -> tuple[int, ...]:
        """Semitones of the tones above the root (a ninth is 14)."""
        return tuple(semis for _, semis in self._formula)

    @property
    def _formula(self) -> tuple[tuple[int, int], ...]:
        return QUALITIES[self.degree.quality][1]


@cache
def parse_degree(text: str) -> Degree:
    """Read `I7`, `bVI7`, `iiø7`, `#ivo7`. ValueError says what is wrong."""
    match = _DEGREE.fullmatch(text.strip())
    if not match:
        raise ValueError(f"{text!r} is not a chord degree (like I7, bVI7, ii7, iiø7, #ivo7)")
    signs, numeral, suffix = match.groups()
    suffix = suffix.replace("♭", "b").replace("♯", "#").replace("°", "o").replace("dim", "o")
    known: tuple[str, ...] = _UPPER if numeral.isupper() else tuple(_LOWER)
    quality = _LOWER.get(suffix) if known != _UPPER else suffix if suffix in _UPPER else None
    if quality is None:
        choices = ", ".join(name or "nothing" for name in known)
        raise ValueError(f"{text!r}: quality {suffix!r} is unknown after {numeral} (there are {choices})")
    return Degree(NUMERALS.index(numeral.upper()) + 1, alteration(signs), quality)


@cache  # asked for every beat
def _written(degree: Degree) -> str:
    numeral = NUMERALS[degree.number - 1]
    if degree.minor_third:
        suffix = next(text for text, quality in _LOWER.items() if quality == degree.quality)
        return accidental(degree.alter) + numeral.lower() + suffix
    return accidental(degree.alter) + numeral + QUALITIES[degree.quality][0]


@cache
def _symbol(chord: Chord) -> str:
    return f"{chord.root}{QUALITIES[chord.degree.quality][0]}"


def resolve(degree: Degree, key: Key) -> Chord:
    """The chord a degree is in a key, its root without double accidentals."""
    number = degree.number - 1
    root = key.tonic.up(number, NATURALS[number] + degree.alter)
    return Chord(degree, root.plain())
