"""MusicXML 4.0 (W3C, 2021): what every part of a score is made of."""

from collections.abc import Sequence
from fractions import Fraction
from typing import Generic, NamedTuple, TypeVar
from xml.etree import ElementTree as ET

from ..music.degrees import Chord
from ..music.feels import Feel
from ..music.pitch import LETTERS, NATURALS, Key, Name
from ..music.plan import Plan
from .values import Grid, Meter, Value, split

DIVISIONS = 24  # to a quarter note: a half of a triplet sixteenth, and a thirty-second
BEAMS = {"eighth": 1, "16th": 2, "32nd": 3}  # that a note of a value has

# Our chord qualities as `kind` of the XSD, with what is added: (degree, semitones of alteration).
KINDS: dict[str, tuple[str, tuple[int, int] | None]] = {
    "": ("major", None),
    "6": ("major-sixth", None),
    "7": ("dominant", None),
    "9": ("dominant-ninth", None),
    "13": ("dominant-13th", None),
    "7b9": ("dominant", (9, -1)),
    "7#9": ("dominant", (9, 1)),
    "7b13": ("dominant", (13, -1)),
    "+7": ("augmented-seventh", None),
    "m": ("minor", None),
    "m6": ("minor-sixth", None),
    "m7": ("minor-seventh", None),
    "m9": ("minor-ninth", None),
    "ø7": ("half-diminished", None),
    "o7": ("diminished-seventh", None),
}
_ACCIDENTALS = {-2: "flat-flat", -1: "flat", 0: "natural", 1: "sharp", 2: "double-sharp"}
_SHARPS, _FLATS = (3, 0, 4, 1, 5, 2, 6), (6, 2, 5, 1, 4, 0, 3)  # letters, in the order of signatures
_DOCTYPE = (
    '<?xml version="1.0" encoding="UTF-8"?>\n'
    '<!DOCTYPE score-partwise PUBLIC "-//Recordare//DTD MusicXML 4.0 Partwise//EN" '
    '"http://www.musicxml.org/dtds/partwise.dtd">\n'
)


_What = TypeVar("_What", covariant=True)


class Sounded(NamedTuple, Generic[_What]):
    """A note, or several of a chord, or a drum stroke, in a voice: quarters from the bar line.

    A start before 0 or an end past the bar is tied. `what` is the business of who writes it.
    """

    start: Fraction
    end: Fraction
    what: _What


class Piece(NamedTuple, Generic[_What]):
    """A value of a bar and what sounds in it, None in a rest; whether it is tied from before and on."""

    value: Value
    sounded: Sounded[_What] | None
    from_before: bool = False
    on: bool = False


def add(parent: ET.Element, tag: str, content: object = None, /, **attributes: object) -> ET.Element:
    """A child element; underscores in attributes are hyphens."""
    named = {name.replace("_", "-"): str(value) for name, value in attributes.items()}
    child = ET.SubElement(parent, tag, named)
    if content is not None:
        child.text = str(content)
    return child


def opened(plan: Plan, subtitle: str = "") -> ET.Element:
    """An empty score with its title."""
    score = ET.Element("score-partwise", version="4.0")
    add(add(score, "work"), "work-title", plan.tune.title)
    if subtitle:
        add(score, "movement-title", subtitle)
    encoding = add(add(score, "identification"), "encoding")
    add(encoding, "software", "twelve-bar-pedal")
    add(encoding, "supports", element="accidental", type="yes")
    add(encoding, "supports", element="beam", type="yes")
    add(score, "part-list")
    return score


def text_of(score: ET.Element) -> str:
    """The whole file."""
    ET.indent(score)
    return _DOCTYPE + ET.tostring(score, encoding="unicode") + "\n"


def duration(length: Fraction) -> int:
    """Divisions of a length in quarters, which must be a whole number of them."""
    divisions = length * DIVISIONS
    assert divisions.denominator == 1, length
    return int(divisions)


def add_key_and_time(attributes: ET.Element, key: Key | None, feel: Feel) -> None:
    """The signatures; drums have no key."""
    if key:
        signature = add(attributes, "key")
        add(signature, "fifths", key.fifths)
        add(signature, "mode", "minor" if key.minor else "major")
    time = add(attributes, "time")
    add(time, "beats", feel.meter[0])
    add(time, "beat-type", feel.meter[1])


def add_tempo(measure: ET.Element, plan: Plan, grid: Grid) -> None:
    """The tempo and, where the feel swings, how: two eighths on paper are long and short."""
    direction = add(measure, "direction", placement="above")
    words = add(direction, "direction-type")
    swung = grid.swing > 1 and not grid.meter.compound
    add(words, "words", f"{plan.feel.title}{', eighths swing ' + _ratio(grid.swing) if swung else ''}")
    metronome = add(add(direction, "direction-type"), "metronome")
    add(metronome, "beat-unit", {Fraction(2): "half"}.get(grid.meter.beat, "quarter"))
    if grid.meter.compound:
        add(metronome, "beat-unit-dot")
    add(metronome, "per-minute", f"{plan.mbpm / 1000:g}")
    sound = add(direction, "sound", tempo=quarters_a_minute(plan.mbpm, grid))
    swing = add(sound, "swing")
    if swung:
        long = Fraction(grid.swing).limit_denominator(100)
        add(swing, "first", long.numerator)
        add(swing, "second", long.denominator)
        add(swing, "swing-type", "eighth")
    else:
        add(swing, "straight")


def _ratio(swing: float) -> str:
    return f"{swing:.3g} : 1"


def quarters_a_minute(mbpm: float, grid: Grid) -> str:
    """A tempo in milli-beats a minute as MusicXML has it: quarters a minute."""
    return f"{float(mbpm * grid.meter.beat) / 1000:.6g}"


def add_ritard(measure: ET.Element, plan: Plan, grid: Grid, share: float) -> None:
    """A tempo that falls evenly over a bar, beat by beat, as the band does it."""
    for beat in range(grid.meter.beats):
        if beat == 0:
            direction = add(measure, "direction", placement="above")
            add(add(direction, "direction-type"), "words", "rit.", font_style="italic")
            continue
        direction = add(measure, "direction")
        add(add(direction, "direction-type"), "words", "")
        add(direction, "offset", duration(beat * grid.meter.beat), sound="yes")
        pace = round(1000 * (1 - share * beat / grid.meter.beats))
        add(direction, "sound", tempo=quarters_a_minute(plan.mbpm * pace // 1000, grid))


def add_words(measure: ET.Element, words: str, staff: int = 0, **style: str) -> None:
    """Words over a staff (0 if there is one only), where the measure has got to."""
    direction = add(measure, "direction", placement="above")
    add(add(direction, "direction-type"), "words", words, **style)
    if staff:
        add(direction, "staff", staff)


def add_harmony(measure: ET.Element, chord: Chord, offset: Fraction) -> None:
    """A chord symbol, `offset` quarters after where the measure has got to."""
    kind, degree = KINDS[chord.degree.quality]
    harmony = add(measure, "harmony", print_frame="no")
    root = add(harmony, "root")
    add(root, "root-step", LETTERS[chord.root.letter])
    if chord.root.alter:
        add(root, "root-alter", chord.root.alter)
    # The text is that of the `kind` alone: what a `degree` adds is printed from the degree.
    suffix = chord.symbol[len(str(chord.root)) :]
    add(harmony, "kind", kind, text="7" if degree else suffix)
    if degree:
        added = add(harmony, "degree")
        add(added, "degree-value", degree[0])
        add(added, "degree-alter", degree[1])
        add(added, "degree-type", "add")
    if offset:
        add(harmony, "offset", duration(offset))


class Accidentals:
    """Which notes of a bar need a sign: those that key and bar so far do not already give."""

    def __init__(self, key: Key) -> None:
        letters = _SHARPS[: key.fifths] if key.fifths > 0 else _FLATS[: -key.fifths]
        self._signature = {letter: 1 if key.fifths > 0 else -1 for letter in letters}
        self._given: dict[tuple[int, int], int] = {}

    def bar_line(self) -> None:
        """A bar begins: only the key's signs hold."""
        self._given.clear()

    def sign(self, name: Name, octave: int) -> str | None:
        """The sign that a note needs, in MusicXML's words, or None; from here on it holds for the bar."""
        place = name.letter, octave
        if self._given.get(place, self._signature.get(name.letter, 0)) == name.alter:
            return None
        self._given[place] = name.alter
        return _ACCIDENTALS[name.alter]


def octave_of(key: int, name: Name) -> int:
    """The octave that a MIDI key of a name is in; middle C, 60, begins the fourth."""
    return (key - NATURALS[name.letter] - name.alter) // 12 - 1


def filled(
    meter: Meter, sounded: Sequence[Sounded[_What]], length: Fraction, triplets: set[int]
) -> list[Piece[_What]]:
    """The pieces of a bar of some length (quarters) in order, rests between what sounds.

    `triplets` are the beats, from 0, that are written in triplets.
    """
    pieces: list[Piece[_What]] = []
    at = Fraction(0)
    for one in [*sounded, None]:
        start = min(max(one.start, Fraction(0)), length) if one else length
        pieces += [Piece(value, None) for value in split(meter, at, start, triplets, rest=True)]
        if one is None:
            break
        end = min(one.end, length)
        values = split(meter, start, end, triplets)
        for index, value in enumerate(values):
            before = index > 0 or one.start < 0
            after = index + 1 < len(values) or one.end > length
            pieces.append(Piece(value, one, before, after))
        at = end
    return pieces


def beams(meter: Meter, pieces: Sequence[Piece[object]]) -> list[list[str]]:
    """For each piece what its beams do, the eighths' first: `begin`, `continue`, `end`, hooks."""
    levels = [BEAMS.get(piece.value.kind, 0) if piece.sounded else 0 for piece in pieces]
    of_beat = [int(piece.value.start // meter.beat) for piece in pieces]
    found: list[list[str]] = [[] for _ in pieces]
    for index, level in enumerate(levels):
        for number in range(1, level + 1):
            before = index > 0 and levels[index - 1] >= number and of_beat[index - 1] == of_beat[index]
            after = (
                index + 1 < len(levels)
                and levels[index + 1] >= number
                and of_beat[index + 1] == of_beat[index]
            )
            if before or after:
                found[index].append("continue" if before and after else "end" if before else "begin")
            elif found[index]:  # beamed with a longer note: a stub towards it
                found[index].append(
                    "backward hook" if found[index][0] in ("end", "continue") else "forward hook"
                )
    return found


def add_tuplet(notations: ET.Element, pieces: Sequence[Piece[object]], index: int, meter: Meter) -> None:
    """The bracket of a beat in triplets, where it begins and ends."""
    beat = pieces[index].value.start // meter.beat
    if index == 0 or pieces[index - 1].value.start // meter.beat != beat:
        add(notations, "tuplet", type="start", number=1, bracket="yes")
    if index + 1 == len(pieces) or pieces[index + 1].value.start // meter.beat != beat:
        add(notations, "tuplet", type="stop", number=1)
