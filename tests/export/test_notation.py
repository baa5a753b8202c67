"""Notation against the outside: the W3C schema, and music21, which reads what the Session plays."""

import re
from fractions import Fraction
from itertools import pairwise
from xml.etree import ElementTree as ET

import pytest
from music21 import converter, harmony, note, stream, tablature

from pedal.export.full_score import band_score
from pedal.export.musicxml import KINDS
from pedal.export.notation import bass_notation
from pedal.export.performance import perform
from pedal.library.library import Library
from pedal.music.degrees import QUALITIES
from pedal.music.drums import count_bars
from pedal.music.neck.fingerboard import FIVE, FOUR, SIX
from pedal.music.pitch import MAJOR_KEYS, MINOR_KEYS, parse_key
from pedal.music.plan import make_plan
from pedal.session.settings import SessionSettings
from tests.export.schema import mistakes
from tests.support.examples import some

LIBRARY = Library()
TUNES = LIBRARY.names("tune")
# One tune for each feel, in all twelve keys; the others in their own.
BY_FEEL = {LIBRARY.tune(name).feel.name: name for name in reversed(TUNES)}
EVERYWHERE = [
    (name, key)
    for name in BY_FEEL.values()
    for key in (MINOR_KEYS if LIBRARY.tune(name).key.minor else MAJOR_KEYS)
] + [(name, None) for name in TUNES if name not in BY_FEEL.values()]
OFF_EARLY_S, HELD = 0.004, 15 / 16  # how a Session lets go of a note: see `bassline` and `wire`
DEAD_BEATS = Fraction(60, 480)  # a quarter's share that a dead note sounds


def plan_of(name, key=None, instrument=FOUR):
    tune = LIBRARY.tune(name)
    return make_plan(tune, parse_key(key) if key else None, instrument=instrument)


def heard(plan, choruses):
    """(seconds, seconds it lasts, key, dead) of the guide bass, from what a Session sends."""
    settings = SessionSettings(strict=True, parts=frozenset({"bass"}))
    notes, open_at = [], {}
    for send in perform(plan, choruses, settings).sends:
        status, key, velocity = send.data[0], *send.data[1:3], *([0] * (3 - len(send.data)))
        if status == 0x91 and velocity:
            open_at[key] = (send.due, velocity)
        elif status in (0x81, 0x91) and key in open_at:
            start, struck = open_at.pop(key)
            notes.append((start / 1e9, (send.due - start) / 1e9, key, struck < 60))
    return sorted(notes)


class Page:
    """A bass part as MusicXML alone tells it, read by music21 with its repeats played out."""

    def __init__(self, text):
        self.root = ET.fromstring(text)
        score = converter.parse(text, format="musicxml")
        self.parts = list(score.expandRepeats().parts)
        self.length = Fraction(self.parts[0].duration.quarterLength).limit_denominator(96)
        time = self.root.find(".//time")
        self.compound = time.findtext("beat-type") == "8"
        self.beat = Fraction(3, 2) if self.compound else Fraction(4, int(time.findtext("beat-type")))
        swing = self.root.find(".//sound/swing")
        first, second = swing.findtext("first"), swing.findtext("second")
        self.long = int(first) / (int(first) + int(second)) if first else 0.5
        self.tempi = self._tempi()

    def _tempi(self):
        """(quarters from the start, beats a minute), counted from the end: that is played once."""
        found, left = [], self.length
        divisions = int(self.root.findtext(".//divisions"))
        for measure in reversed(self.root.find("part").findall("measure")):
            long = Fraction(
                sum(
                    int(one.findtext("duration"))
                    for one in measure.findall("note")
                    if one.findtext("staff") in (None, "1")
                ),
                divisions,
            )
            left -= long
            for direction in measure.findall("direction"):
                sound = direction.find("sound")
                if sound is not None and sound.get("tempo"):
                    at = Fraction(int(direction.findtext("offset") or 0), divisions)
                    bpm = float(sound.get("tempo")) / float(self.beat)
                    found.append((left + at, bpm))
        first = found.pop()
        return [(Fraction(0), first[1]), *sorted(found)]

    def beats(self, at, triplet):
        """Written quarters as beats that sound: eighths swing, triplets do not."""
        whole, within = divmod(Fraction(at).limit_denominator(96) / self.beat, 1)
        if triplet or self.compound or self.long == 0.5:
            return float(whole + within)
        if within < Fraction(1, 2):
            return float(whole) + float(within) * 2 * self.long
        return float(whole) + self.long + (float(within) - 0.5) * 2 * (1 - self.long)

    def seconds(self, beats):
        total = 0.0
        for (at, bpm), (then, _) in pairwise([*self.tempi, (self.length * 2, 0)]):
            stretch = min(beats, float(then / self.beat)) - float(at / self.beat)
            total += max(0.0, stretch) * 60 / bpm
        return total

    def notes(self):
        """(seconds, seconds it lasts, sounding key, dead) of the staff in bass clef."""
        sounding = self.parts[0].toSoundingPitch()
        found = []
        for one in sounding.stripTies().flatten().notes:
            if not isinstance(one, note.Note):
                continue
            triplet = bool(one.duration.tuplets)
            start, end = (self.beats(at, triplet) for at in (one.offset, one.offset + one.quarterLength))
            dead = one.notehead == "x"
            lasts = float(DEAD_BEATS / self.beat) if dead else (end - start) * HELD
            begin = self.seconds(start)
            found.append((begin, self.seconds(start + lasts) - begin - OFF_EARLY_S, one.pitch.midi, dead))
        return found


@pytest.mark.parametrize(("name", "key"), some(EVERYWHERE, 2))
def test_music21_reads_what_the_session_plays(name, key):
    plan = plan_of(name, key)
    page = Page(bass_notation(plan, 2))
    played, written = heard(plan, 2), page.notes()
    assert len(written) == len(played)
    count = count_bars(plan.feel.count, plan.mbpm) * plan.feel.beats * 60_000 / plan.mbpm  # seconds
    pickup = Fraction(0)
    first = page.root.find("part/measure")
    if first.get("number") == "0":
        pickup = Fraction(page.parts[0].getElementsByClass(stream.Measure)[0].quarterLength) / page.beat
    begins = count - float(pickup) * 60_000 / plan.mbpm
    for (at, lasts, sounds, dead), (was, lasted, did, muted) in zip(written, played, strict=True):
        assert (sounds, dead) == (did, muted)
        assert at + begins == pytest.approx(was, abs=0.004)
        assert lasts == pytest.approx(lasted, abs=0.006)


@pytest.mark.parametrize("choruses", [1, 3])
def test_repeats_are_as_many_as_choruses(choruses):
    plan = plan_of("kettle-before-six")
    page = Page(bass_notation(plan, choruses))
    assert [one[2] for one in page.notes()] == [one[2] for one in heard(plan, choruses)]


@pytest.mark.parametrize("instrument", [FOUR, FIVE, SIX])
@pytest.mark.parametrize("name", some(TUNES, 2))
def test_string_and_fret_are_the_note(name, instrument):
    root = ET.fromstring(bass_notation(plan_of(name, instrument=instrument), 2))
    tuning = {}
    for string in root.iter("staff-tuning"):
        step, octave = string.findtext("tuning-step"), int(string.findtext("tuning-octave"))
        alter = int(string.findtext("tuning-alter") or 0)
        tuning[int(string.get("line"))] = "C.D.EF.G.A.B".index(step) + alter + 12 * (octave + 1)
    assert tuple(tuning.values()) == instrument.tuning
    staffs = {"1": [], "2": []}
    for one in root.iter("note"):
        if one.find("pitch") is None:
            continue
        pitch = one.find("pitch")
        written = "C.D.EF.G.A.B".index(pitch.findtext("step")) + int(pitch.findtext("alter") or 0)
        written += 12 * (int(pitch.findtext("octave")) + 1)
        staffs[one.findtext("staff")].append(written)
        if one.findtext("staff") == "2":
            string = int(one.findtext("notations/technical/string"))
            fret = int(one.findtext("notations/technical/fret"))
            # Line 1 of a tab staff is the lowest, string 1 the highest; written an octave above.
            assert tuning[len(tuning) + 1 - string] + fret == written - 12
            assert 0 <= fret <= instrument.frets
    assert staffs["1"] == staffs["2"] and staffs["1"]


def test_the_strings_are_those_of_a_bass():
    """music21's own bass guitar is tuned as ours is."""
    tuning = tablature.BassGuitarFretBoard().tuning
    assert sorted(pitch.midi for pitch in tuning) == list(FOUR.tuning)


@pytest.mark.parametrize("name", some(TUNES, 3))
def test_the_w3c_schema_finds_nothing(name):
    for key in (MINOR_KEYS if LIBRARY.tune(name).key.minor else MAJOR_KEYS)[::5]:
        plan = plan_of(name, key)
        assert mistakes(bass_notation(plan, 3)) == []
        assert mistakes(bass_notation(plan, 3, tab=False)) == []
    assert mistakes(band_score(plan_of(name), 2)) == []


def test_the_schema_does_find_mistakes():
    text = bass_notation(plan_of("wet-boots"), 2)
    assert mistakes(text.replace(">dominant<", ">dominant-seventh<"))
    assert mistakes(re.sub(r"<duration>\d+</duration>", "", text, count=1))


def test_every_quality_is_read_as_its_chord():
    for quality, (_, tones) in QUALITIES.items():
        kind, added = KINDS[quality]
        symbol = harmony.ChordSymbol(root="C", kind=kind)
        if added:
            symbol.addChordStepModification(harmony.ChordStepModification("add", *added))
        classes = {pitch.pitchClass for pitch in symbol.pitches}
        ours = {semitones % 12 for _, semitones in tones}
        # music21 puts the 11th into a 13th, as the XSD defines it; in practice it is left out.
        assert classes - ({5} if quality == "13" else set()) == ours, quality


@pytest.mark.parametrize("name", TUNES)
def test_chords_stand_where_the_plan_has_them(name):
    plan = plan_of(name)
    root = ET.fromstring(bass_notation(plan, 1))
    bars = [one for one in root.findall("part/measure") if one.get("number") != "0"]
    intro = plan.layout[plan.intro_bar - 1 :] if plan.intro_bar else ()
    for measure, cells in zip(bars, [*intro, *plan.last], strict=True):
        wanted = []
        for cell in cells:
            for sound in cell.sounding:
                if not wanted or wanted[-1] != sound.chord:
                    wanted.append(sound.chord)
        roots = [
            ("C.D.EF.G.A.B".index(one.findtext("root/root-step")) + int(one.findtext("root/root-alter") or 0))
            % 12
            for one in measure.findall("harmony")
        ]
        assert roots == [plan.chords[index].root.pc for index in wanted]


@pytest.mark.parametrize("name", some(TUNES))
def test_the_score_has_everybody_bar_by_bar(name):
    plan = plan_of(name)
    score = converter.parse(band_score(plan, 2), format="musicxml")
    lengths = {part.duration.quarterLength for part in score.parts}
    assert len(score.parts) == 5 and len(lengths) == 1
    for part in score.parts:
        for measure in part.getElementsByClass(stream.Measure):
            assert measure.duration.quarterLength == measure.barDuration.quarterLength


@pytest.mark.parametrize("name", some(TUNES))
def test_the_score_is_what_the_session_plays(name):
    """Chords by onset and pitch, drums by onset and instrument, count-in and two choruses."""
    plan = plan_of(name)
    page = Page(band_score(plan, 2))
    sent = {0: [], 9: []}
    for send in perform(plan, 2, SessionSettings(strict=True)).sends:
        if send.data[0] & 0xF0 == 0x90 and send.data[0] & 15 in sent:
            sent[send.data[0] & 15].append((send.due / 1e9, send.data[1]))
    drums, *hands = page.parts[2:]
    read = [
        (page.seconds(page.beats(one.offset, bool(one.duration.tuplets))), pitch.midi)
        for hand in hands
        for one in hand.flatten().notes
        if one.tie is None or one.tie.type == "start"
        for pitch in one.pitches
    ]
    for (at, key), (due, sounds) in zip(sorted(read), sorted(sent[0]), strict=True):
        assert key == sounds and at == pytest.approx(due, abs=0.004)
    keys = {
        one.get("id"): int(one.findtext("midi-unpitched")) - 1
        for one in page.root.iter("midi-instrument")
        if one.find("midi-unpitched") is not None
    }
    struck = [keys[one.get("id")] for one in page.root.iter("instrument") if one.get("id") in keys]
    assert sorted(struck) == sorted({(round(due, 3), key): key for due, key in sent[9]}.values())
    onsets = sorted({round(due, 2) for due, _ in sent[9]})
    heard_at = [
        page.seconds(page.beats(one.offset, bool(one.duration.tuplets))) for one in drums.flatten().notes
    ]
    # Where eighths swing more than 2 : 1, so does a triplet's last (`grid`), by 17 ms at most here;
    # on paper a triplet is a triplet.
    assert sorted(heard_at) == pytest.approx(onsets, abs=0.025)


def test_the_pages_of_shuffle_and_slow_blues_say_so():
    shuffle = ET.fromstring(bass_notation(plan_of("wet-boots", "Bb"), 2))
    assert shuffle.findtext(".//swing/first") == "2" and shuffle.findtext(".//swing/second") == "1"
    assert shuffle.findtext(".//key/fifths") == "-2"
    assert {one.text for one in shuffle.iter("type")} == {"eighth", "quarter", "half"}
    slow = ET.fromstring(bass_notation(plan_of("kettle-before-six"), 2))
    assert slow.find(".//swing/straight") is not None
    assert (slow.findtext(".//time/beats"), slow.findtext(".//time/beat-type")) == ("12", "8")
    assert slow.find(".//beat-unit-dot") is not None and slow.findtext(".//per-minute") == "58"
    assert "rit." in [one.text for one in slow.findall("part/measure")[-1].iter("words")]
    assert slow.findtext(".//transpose/octave-change") == "-1"
