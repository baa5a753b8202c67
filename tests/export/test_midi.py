"""MIDI files against the outside: RP-001's tables and worked examples, music21, and the bytes themselves."""

import struct
from dataclasses import replace
from fractions import Fraction

import mido
import pytest
from music21 import converter, key, meter

from pedal.events import Send
from pedal.export.audio import VERSIONS, version_midi
from pedal.export.midi import midi_file
from pedal.export.performance import Performance, PlayedBeat, perform
from pedal.export.values import meter_of
from pedal.export.written import chords_of
from pedal.library.library import Library
from pedal.library.settings import Config
from pedal.music.drums import count_bars
from pedal.music.pitch import MAJOR_KEYS, MINOR_KEYS, parse_key
from pedal.music.plan import make_plan
from pedal.session.settings import SessionSettings
from tests.support.examples import some
from tests.support.midi_files import check_same_music, strokes_of_sends

LIBRARY = Library()
TUNES = LIBRARY.names("tune")

# Standard MIDI Files 1.0 (RP-001), p. 4.
QUANTITIES = {
    0x00: "00",
    0x40: "40",
    0x7F: "7F",
    0x80: "81 00",
    0x2000: "C0 00",
    0x3FFF: "FF 7F",
    0x4000: "81 80 00",
    0x100000: "C0 80 00",
    0x1FFFFF: "FF FF 7F",
    0x200000: "81 80 80 00",
    0x8000000: "C0 80 80 00",
    0xFFFFFFF: "FF FF FF 7F",
}
BEAT_NS = 500_000_000  # of the beats that are made up here: 120 a minute


def plan_of(name, key_name=None, bpm=None, **tune):
    plan = make_plan(LIBRARY.tune(name), parse_key(key_name) if key_name else None, bpm)
    return replace(plan, tune=replace(plan.tune, **tune))


def made_up(sends, plan=None, beats=4):
    """A performance of a bar of count-in, and whatever is sent: (ns, bytes of the bass)."""
    return Performance(
        plan or plan_of("wet-boots", bpm=120),
        tuple(Send(due, data, "bass", 0, 1, 1) for due, data in sends),
        tuple(PlayedBeat(index * BEAT_NS, 0, 1, index + 1, counting=True) for index in range(beats)),
        beats * BEAT_NS,
    )


NOTE = [(0, b"\x91\x24\x40"), (BEAT_NS, b"\x81\x24\x40")]


def test_a_small_file_to_the_byte():
    """A bar of count-in at 120 in A, four notes; each number beside its paragraph of RP-001."""
    sends = [(beat * BEAT_NS // 2, data) for beat, data in enumerate([b"\x91\x24\x40", b"\x81\x24\x40"] * 2)]
    sends.insert(3, (BEAT_NS * 3 // 2, b"\x91\x26\x50"))  # the same status: a running one
    sends.append((2 * BEAT_NS, b"\x81\x26\x40"))
    assert midi_file(made_up(sends)) == bytes.fromhex(
        "4D546864 00000006 0001 0002 01E0"  # header: format 1, two tracks, 480 ticks a quarter
        "4D54726B 00000033"
        "00 FF 03 09 57657420426F6F7473"  # the title as the sequence's name
        "00 FF 58 04 04021808"  # 4/4, a click each 24 clocks
        "00 FF 59 02 0300"  # three sharps, major
        "00 FF 51 03 07A120"  # 500,000 µs a quarter
        "00 FF 06 08 636F756E742D696E"  # marker: count-in
        "8F00 FF 2F 00"  # the end of the bar, 1920 ticks on
        "4D54726B 00000027"
        "00 FF 03 04 42617373"  # Bass
        "00 912440 8170 812440 8170 912440 8170 2650 00 812440 8170 2640"
        "8740 FF 2F 00"
    )


@pytest.mark.parametrize(("ticks", "written"), QUANTITIES.items(), ids=QUANTITIES.values())
def test_variable_length_quantities(ticks, written):
    sends = [NOTE[0], (ticks * BEAT_NS // 480, b"\x81\x24\x40")]
    assert bytes.fromhex(f"00 91 24 40 {written} 81 24 40") in midi_file(made_up(sends))


@pytest.mark.parametrize(
    ("name", "key_name", "bpm", "written"),
    [
        # RP-001: sf is the signs, flats negative in two's complement, then 1 for minor; tempo in
        # microseconds a quarter note: 120 is 07 A1 20, 90 is 0A 2C 2B; 4/4 is 04 02 18 08, and by
        # the rule of its example 6/8 = 06 03 24 08 twelve-eight is 0C 03 24 08.
        ("wet-boots", "E", 120, "ff58 04 04021808 00 ff59 02 0400 00 ff51 03 07a120"),
        ("wet-boots", "Bb", 90, "ff58 04 04021808 00 ff59 02 fe00 00 ff51 03 0a2c2b"),
        ("lamp-over-the-stairs", "Am", 120, "ff58 04 04021808 00 ff59 02 0001 00 ff51 03 07a120"),
        ("lamp-over-the-stairs", "Cm", 120, "ff58 04 04021808 00 ff59 02 fd01 00 ff51 03 07a120"),
        # The foot taps dotted quarters: 60 of them are 90 quarter notes.
        ("kettle-before-six", "G", 60, "ff58 04 0c032408 00 ff59 02 0100 00 ff51 03 0a2c2b"),
    ],
)
def test_meter_key_and_tempo_by_the_byte(name, key_name, bpm, written):
    data = midi_file(perform(plan_of(name, key_name, bpm), 1, SessionSettings()))
    assert bytes.fromhex(written) in chunks(data)[0]


@pytest.mark.parametrize("minor", [False, True])
def test_every_key_has_its_signature(minor):
    for name in MINOR_KEYS if minor else MAJOR_KEYS:
        one = parse_key(name)
        plan = replace(plan_of("wet-boots", bpm=120), key=one)
        written = struct.pack(">bB", one.fifths, minor)
        assert b"\xff\x59\x02" + written in midi_file(made_up(NOTE, plan))


@pytest.mark.parametrize(
    ("text", "data"),
    [("Wet Boots", b"Wet Boots"), ("B♭7", b"Bb7"), ("F♯ø7", b"F#m7b5"), ("雨", b"\xe9\x9b\xa8")],
)
def test_texts_are_ascii_as_far_as_it_goes_and_else_utf_8(text, data):
    file = midi_file(made_up(NOTE, plan_of("wet-boots", bpm=120, title=text)))
    assert chunks(file)[0].startswith(bytes((0, 0xFF, 0x03, len(data))) + data)


def test_a_part_without_notes_has_no_track():
    assert len(chunks(midi_file(made_up([(0, b"\xc1\x21")])))) == 1


def chunks(data):
    at, found = 14, []
    while at < len(data):
        assert data[at : at + 4] == b"MTrk"
        (size,) = struct.unpack(">I", data[at + 4 : at + 8])
        found.append(data[at + 8 : at + 8 + size])
        at += 8 + size
    return found


@pytest.mark.parametrize("name", some(TUNES, 3))
def test_a_track_a_part_and_bars_on_bar_lines(name, tmp_path):
    plan = make_plan(LIBRARY.tune(name))
    data = midi_file(perform(plan, 2, SessionSettings()))
    assert data[:14] == b"MThd" + struct.pack(">IHHH", 6, 1, 4, 480)
    assert all(track.endswith(bytes.fromhex("ff2f00")) for track in chunks(data))
    assert all(bytes((0xFF, 0x51)) not in track for track in chunks(data)[1:])  # the tempo is in the first
    (tmp_path / "song.mid").write_bytes(data)
    song = mido.MidiFile(tmp_path / "song.mid")
    assert [track.name for track in song.tracks] == [plan.tune.title, "Drums", "Bass", "Chords"]

    bar = plan.feel.beats * plan.feel.ticks
    count = count_bars(plan.feel.count, plan.mbpm)
    intro = list(range(plan.intro_bar, len(plan.layout) + 1)) if plan.intro_bar else []
    wanted = [(n, "count-in") for n in range(count)]
    numbered = [("intro", n, plan.layout) for n in intro]
    numbered += [("chorus 1", n, plan.layout) for n in range(1, len(plan.layout) + 1)]
    numbered += [("chorus 2", n, plan.last) for n in range(1, len(plan.last) + 1)]
    plain = str.maketrans({"♭": "b", "♯": "#"})
    inside = set()
    for index, (where, number, layout) in enumerate(numbered):
        first, *others = chords_of(plan, layout[number - 1], meter_of(plan.feel))
        symbol = first.chord.symbol.translate(plain).replace("ø7", "m7b5")
        wanted.append((count + index, f"{where} bar {number} {symbol}"))
        inside |= {one.chord.symbol.translate(plain).replace("ø7", "m7b5") for one in others}
    tick, found = 0, []
    for message in song.tracks[0]:
        tick += message.time
        if message.type == "marker" and ("bar" in message.text or message.text == "count-in"):
            found.append((Fraction(tick, bar), message.text))
        elif message.type == "marker":
            inside.discard(message.text)
    assert found == wanted and not inside


@pytest.mark.parametrize("name", some(TUNES, 3))
def test_music21_reads_meter_key_and_the_guide_bass(name, tmp_path):
    plan = make_plan(LIBRARY.tune(name))
    settings = SessionSettings(strict=True)
    path = tmp_path / "song.mid"
    performance = perform(plan, 1, settings)
    path.write_bytes(midi_file(performance))
    score = converter.parse(path, quantizePost=False)
    time = score.recurse().getElementsByClass(meter.TimeSignature)[0]
    assert (time.numerator, time.denominator) == plan.feel.meter
    signature = score.recurse().getElementsByClass(key.KeySignature)[0]
    assert signature.sharps == plan.key.fifths
    bass = [part for part in score.parts if part.partName == "Bass" or "Bass" in str(part.partName)]
    keys = [one.pitch.midi for one in bass[0].flatten().notes]
    assert keys == [send.data[1] for send in performance.sends if send.data[0] == 0x91]


@pytest.mark.parametrize("name", TUNES)
def test_times_are_the_sessions_to_a_tick(name, tmp_path):
    """mido's own clock, which follows the tempo map through a ritard, says when each note is played."""
    plan = make_plan(LIBRARY.tune(name))
    performance = perform(plan, 2, SessionSettings())
    (tmp_path / "song.mid").write_bytes(midi_file(performance))
    tick_s = 60_000 / plan.mbpm / plan.feel.ticks
    assert check_same_music(tmp_path / "song.mid", performance.sends, tick_s) > 300


def test_music21_reads_the_same_bass_and_chords(tmp_path):
    performance = perform(plan_of("third-bus-home"), 1, SessionSettings())
    (tmp_path / "song.mid").write_bytes(midi_file(performance))
    score = converter.parse(tmp_path / "song.mid", quantizePost=False)
    for part, channel in (("Bass", 1), ("Chords", 0)):
        (theirs,) = (found for found in score.parts if found.partName == part)
        pitches = [pitch.midi for note in theirs.recurse().notes for pitch in note.pitches]
        ours = [stroke.key for stroke in strokes_of_sends(performance.sends) if stroke.channel == channel]
        assert sorted(pitches) == sorted(ours)


def test_versions(tmp_path):
    plan, found = make_plan(LIBRARY.tune("wet-boots")), {}
    for version in VERSIONS:
        path = tmp_path / f"song{version.suffix}.mid"
        path.write_bytes(version_midi(Config(), plan, 1, version))
        found[version.suffix] = mido.MidiFile(path)

    def tracks(song):
        return [track.name for track in song.tracks[1:]]

    def first(song, kind):
        return next(message for message in song.tracks[0] if message.type == kind)

    full = found[""]
    assert tracks(full) == ["Drums", "Bass", "Chords"]
    assert tracks(found["-without-bass"]) == ["Drums", "Chords"]
    only = found["-bass-only"]
    assert tracks(only) == ["Drums", "Bass"]
    sticks = [message.note for message in only.tracks[1] if message.type == "note_on"]
    assert sticks == [37] * 4  # the count-in, and no more
    for percent in (60, 75, 90):
        slow = found[f"-slow-{percent}"]
        share = first(full, "set_tempo").tempo / first(slow, "set_tempo").tempo
        assert share == pytest.approx(percent / 100, abs=0.001)
        bass = [[m.note for m in song.tracks[2] if m.type == "note_on"] for song in (full, slow)]
        assert bass[0] == bass[1]
