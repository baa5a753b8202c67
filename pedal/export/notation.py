"""The bass part as MusicXML: a staff in bass clef and one of tab, as written in `written`.

A bass is written an octave above what sounds: `transpose` says so, and every pitch in the file
is the written one.
"""

from collections.abc import Sequence
from fractions import Fraction
from xml.etree import ElementTree as ET

from ..music.beat import CHANNELS
from ..music.neck.fingerboard import Instrument
from ..music.pitch import LETTERS, NATURALS, Name
from ..music.plan import Plan
from .musicxml import (
    Accidentals,
    Piece,
    Sounded,
    add,
    add_harmony,
    add_key_and_time,
    add_ritard,
    add_tempo,
    add_tuplet,
    add_words,
    beams,
    duration,
    filled,
    octave_of,
    opened,
    text_of,
)
from .values import Meter
from .written import Bar, Part, WrittenNote, rows, write_part

OCTAVE = 12
STAFF, TAB = 1, 2


def bass_notation(plan: Plan, choruses: int, tab: bool = True) -> str:
    """The file: bass alone, with chord symbols; without the tab staff if not `tab`."""
    score = opened(plan)
    add_bass(score, write_part(plan, choruses), tab)
    return text_of(score)


def add_part(score: ET.Element, number: int, name: str, part: str, plan: Plan) -> ET.Element:
    """A part of the score and its line in the list."""
    listing = score.find("part-list")
    assert listing is not None
    entry = add(listing, "score-part", id=f"P{number}")
    add(entry, "part-name", name)
    if part != "drums":
        add(add(entry, "score-instrument", id=f"P{number}-I1"), "instrument-name", name)
        midi = add(entry, "midi-instrument", id=f"P{number}-I1")
        add(midi, "midi-channel", CHANNELS[part] + 1)
        add(midi, "midi-program", plan.feel.programs.get(part, 0) + 1)
    return add(score, "part", id=f"P{number}")


def add_bass(score: ET.Element, written: Part, tab: bool, number: int = 1) -> None:
    """The part of the bass."""
    plan, meter = written.plan, written.meter
    part = add_part(score, number, "Bass", "bass", plan)
    signs = Accidentals(plan.key)
    hand = 0
    row_starts = {id(row[0]) for row in rows(written)}
    for index, bar in enumerate(written.bars):
        measure = add(part, "measure", number=bar.number)
        if bar.length != meter.bar:
            measure.set("implicit", "yes")
        if index and id(bar) in row_starts:
            add(measure, "print", new_system="yes")
        if index == 0:
            _add_attributes(measure, plan, tab)
        _add_left_line(measure, bar)
        if index == 0:
            add_tempo(measure, plan, written.grid)
        if bar.words:
            add_words(measure, bar.words, font_weight="bold")
        if bar.ritard:
            add_ritard(measure, plan, written.grid, bar.ritard)
        signs.bar_line()
        _add_staff(measure, bar, meter, STAFF if tab else 0, signs)
        if tab:
            add(add(measure, "backup"), "duration", duration(bar.length))
            hand = _add_tab(measure, bar, meter, hand)
        _add_right_line(measure, bar)


def _add_attributes(measure: ET.Element, plan: Plan, tab: bool) -> None:
    attributes = add(measure, "attributes")
    add(attributes, "divisions", duration(Fraction(1)))
    add_key_and_time(attributes, plan.key, plan.feel)
    if tab:
        add(attributes, "staves", 2)
    clef = add(attributes, "clef", **({"number": STAFF} if tab else {}))
    add(clef, "sign", "F")
    add(clef, "line", 4)
    if tab:
        clef = add(attributes, "clef", number=TAB)
        add(clef, "sign", "TAB")
        _add_tuning(attributes, plan.neck.instrument)
    transpose = add(attributes, "transpose")
    add(transpose, "diatonic", 0)
    add(transpose, "chromatic", 0)
    add(transpose, "octave-change", -1)


def _add_tuning(attributes: ET.Element, instrument: Instrument) -> None:
    """The open strings as they sound, from the bottom line up."""
    details = add(attributes, "staff-details", number=TAB)
    add(details, "staff-lines", len(instrument.tuning))
    for line, key in enumerate(instrument.tuning, 1):
        letter = max(n for n in range(7) if NATURALS[n] <= key % 12)
        tuning = add(details, "staff-tuning", line=line)
        add(tuning, "tuning-step", LETTERS[letter])
        if key % 12 - NATURALS[letter]:
            add(tuning, "tuning-alter", key % 12 - NATURALS[letter])
        add(tuning, "tuning-octave", key // 12 - 1)


def _add_left_line(measure: ET.Element, bar: Bar) -> None:
    if not (bar.repeat_starts or bar.ending_starts):
        return
    line = add(measure, "barline", location="left")
    if bar.repeat_starts:
        add(line, "bar-style", "heavy-light")
    if bar.ending_starts:
        add(line, "ending", f"{bar.ending}.", number=bar.ending, type="start")
    if bar.repeat_starts:
        add(line, "repeat", direction="forward")


def _add_right_line(measure: ET.Element, bar: Bar) -> None:
    if not (bar.repeat_ends or bar.ending_stops or bar.final):
        return
    line = add(measure, "barline", location="right")
    if bar.repeat_ends or bar.final:
        add(line, "bar-style", "light-heavy")
    if bar.ending_stops:
        add(line, "ending", number=bar.ending, type="stop" if bar.repeat_ends else "discontinue")
    if bar.repeat_ends:
        add(line, "repeat", direction="backward", times=str(len(bar.ending.split(",")) + 1))


def _sounded(bar: Bar) -> list[Sounded[WrittenNote]]:
    return [Sounded(note.start, note.end, note) for note in bar.notes]


def _add_staff(measure: ET.Element, bar: Bar, meter: Meter, staff: int, signs: Accidentals) -> None:
    """The notes in bass clef, with the chords over them."""
    pieces = filled(meter, _sounded(bar), bar.length, bar.triplets)
    beamed = beams(meter, pieces)
    waiting = list(bar.chords)
    for index, (value, sounded, before, after) in enumerate(pieces):
        end = value.start + value.length
        while waiting and waiting[0].at < end:
            chord = waiting.pop(0)
            add_harmony(measure, chord.chord, chord.at - value.start)
        note = add(measure, "note")
        what = sounded.what if sounded else None
        if what:
            octave = octave_of(what.key + OCTAVE, what.name)
            add_pitch(note, what.name, octave)
        else:
            _add_rest(note, value.length == meter.bar)
        add(note, "duration", duration(value.length))
        add_ties(note, before, after)
        add(note, "voice", 1)
        add_value(note, value.kind, value.dots)
        if what:
            sign = None if before else signs.sign(what.name, octave_of(what.key + OCTAVE, what.name))
            if sign:
                add(note, "accidental", sign)
        if value.triplet:
            add_ratio(note)
        if what and what.dead:
            add(note, "notehead", "x")
        if staff:
            add(note, "staff", staff)
        for level, beam in enumerate(beamed[index], 1):
            add(note, "beam", beam, number=level)
        add_tied(note, before, after, pieces if value.triplet else None, index, meter)


def _add_tab(measure: ET.Element, bar: Bar, meter: Meter, hand: int) -> int:
    """The same notes as string and fret, where the hand moves with the fret of its first finger."""
    for value, sounded, before, after in filled(meter, _sounded(bar), bar.length, bar.triplets):
        what = sounded.what if sounded else None
        if what and what.hand != hand and not before:
            hand = what.hand
            add_words(measure, f"hand {hand}", staff=TAB, font_size="7")
        note = add(measure, "note")
        if not what:
            note.set("print-object", "no")
            _add_rest(note, value.length == meter.bar)
        else:
            add_pitch(note, what.name, octave_of(what.key + OCTAVE, what.name))
        add(note, "duration", duration(value.length))
        add_ties(note, before, after)
        add(note, "voice", 2)
        add_value(note, value.kind, value.dots)
        if value.triplet:
            add_ratio(note)
        if what:
            add(note, "stem", "none")
            if what.dead:
                add(note, "notehead", "x")
        add(note, "staff", TAB)
        if what:
            notations = add(note, "notations")
            for there, kind in ((before, "stop"), (after, "start")):
                if there:
                    add(notations, "tied", type=kind)
            technical = add(notations, "technical")
            add(technical, "string", what.string)
            add(technical, "fret", what.fret)
    return hand


def add_pitch(note: ET.Element, name: Name, octave: int) -> None:
    """The pitch of a note as it is written; middle C begins octave 4."""
    pitch = add(note, "pitch")
    add(pitch, "step", LETTERS[name.letter])
    if name.alter:
        add(pitch, "alter", name.alter)
    add(pitch, "octave", octave)


def _add_rest(note: ET.Element, whole_bar: bool) -> None:
    add(note, "rest", **({"measure": "yes"} if whole_bar else {}))


def add_value(note: ET.Element, kind: str, dots: int) -> None:
    """The type of a note, a word of MusicXML, and its dots."""
    add(note, "type", kind)
    for _ in range(dots):
        add(note, "dot")


def add_ratio(note: ET.Element) -> None:
    """Three in the time of two."""
    ratio = add(note, "time-modification")
    add(ratio, "actual-notes", 3)
    add(ratio, "normal-notes", 2)


def add_ties(note: ET.Element, before: bool, after: bool) -> None:
    """That a note is tied, as it sounds: from the one before, to the one after."""
    for there, kind in ((before, "stop"), (after, "start")):
        if there:
            add(note, "tie", type=kind)


def add_tied(
    note: ET.Element,
    before: bool,
    after: bool,
    pieces: Sequence[Piece[object]] | None,
    index: int,
    meter: Meter,
) -> ET.Element | None:
    """The `notations` of a note: its ties and, if `pieces` are given, its triplet's bracket."""
    if not (before or after or pieces):
        return None
    notations = add(note, "notations")
    for there, kind in ((before, "stop"), (after, "start")):
        if there:
            add(notations, "tied", type=kind)
    if pieces:
        add_tuplet(notations, pieces, index, meter)
    return notations
