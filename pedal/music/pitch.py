"""Spelled notes and keys.

A note name is a letter and an alteration; its pitch class follows. Spelling matters on
paper and on a screen: the fourth of A♭ is D♭, never C♯. Screens show ♭ and ♯; input takes
`b` and `#` too.
"""

import re
from typing import NamedTuple

LETTERS = "CDEFGAB"
NATURALS = (0, 2, 4, 5, 7, 9, 11)  # semitones above C of each letter; also the major scale
FIFTHS = (0, 2, 4, -1, 1, 3, 5)  # signs in the major key on each letter
FLAT, SHARP = "♭", "♯"

_NAME = re.compile(r"([A-G])([b♭#♯]*)")


class Name(NamedTuple):
    """A spelled pitch class: `letter` 0..6 (C..B) and `alter` in semitones."""

    letter: int
    alter: int

    @property
    def pc(self) -> int:
        """Pitch class 0..11, C = 0."""
        return (NATURALS[self.letter] + self.alter) % 12

    def __str__(self) -> str:
        return LETTERS[self.letter] + accidental(self.alter)

    def up(self, steps: int, semitones: int) -> "Name":
        """The name `steps` letters and `semitones` higher: up(2, 4) is a major third."""
        letter = self.letter + steps
        natural = NATURALS[letter % 7] + 12 * (letter // 7)
        return Name(letter % 7, NATURALS[self.letter] + self.alter + semitones - natural)

    def plain(self) -> "Name":
        """The same pitch class without a double accidental."""
        if abs(self.alter) < 2:
            return self
        step = 1 if self.alter > 0 else -1
        letter = (self.letter + step) % 7
        return Name(letter, (self.pc - NATURALS[letter] + 6) % 12 - 6).plain()


def accidental(alter: int) -> str:
    """`alter` semitones as signs: -1 is ♭, 2 is ♯♯."""
    return (SHARP if alter > 0 else FLAT) * abs(alter)


def alteration(signs: str) -> int:
    """Semitones of a run of accidentals, in either script."""
    return sum(1 if sign in "#♯" else -1 for sign in signs)


def parse_name(text: str) -> Name:
    """Read `B♭`, `Bb`, `F#`. ValueError if it is no note name."""
    match = _NAME.fullmatch(text.strip()[:1].upper() + text.strip()[1:])
    if not match or abs(alteration(match[2])) > 2:
        raise ValueError(f"{text!r} is not a note name (a letter A to G, then b or #)")
    return Name(LETTERS.index(match[1]), alteration(match[2]))


class Key(NamedTuple):
    """A tonic and a mode."""

    tonic: Name
    minor: bool = False

    def __str__(self) -> str:
        return f"{self.tonic}{'m' if self.minor else ''}"

    @property
    def fifths(self) -> int:
        """Sharps (positive) or flats (negative) of the key signature, -7..7."""
        return FIFTHS[self.tonic.letter] + 7 * self.tonic.alter - 3 * self.minor

    def up(self, semitones: int) -> "Key":
        """The key so many semitones higher, in its usual spelling."""
        usual = MINOR_KEYS if self.minor else MAJOR_KEYS
        return parse_key(usual[(self.tonic.pc + semitones) % 12])


# Usual spellings by pitch class. F♯ rather than G♭: ♭II, ♭III and ♭VI stay single-signed.
MAJOR_KEYS = ("C", "D♭", "D", "E♭", "E", "F", "F♯", "G", "A♭", "A", "B♭", "B")
MINOR_KEYS = ("Cm", "C♯m", "Dm", "E♭m", "Em", "Fm", "F♯m", "Gm", "G♯m", "Am", "B♭m", "Bm")


def parse_key(text: str) -> Key:
    """Read `A`, `Bb`, `F#m`, `C♯m`. ValueError if unknown or past seven signs."""
    match = re.fullmatch(r"\s*([A-Ga-g][b♭#♯]*)(m?)\s*", text)
    if not match:
        raise ValueError(f"{text!r} is not a key (like A, Bb, F#m)")
    key = Key(parse_name(match[1]), bool(match[2]))
    if abs(key.fifths) > 7:
        usual = (MINOR_KEYS if key.minor else MAJOR_KEYS)[key.tonic.pc]
        raise ValueError(f"key {key} needs more than seven signs; write {usual}")
    return key
