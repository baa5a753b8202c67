"""MIDI files against the outside: RP-001's tables and worked examples, music21, and the bytes themselves."""

import struct
from fractions import Fraction

import mido
import pytest
from music21 import converter, key, meter

from pedal.commands import render
from pedal.export import smf
from pedal.export.audio import VARIANTS, variant_midi
from pedal.export.midi import midi_file
from pedal.export.performance import perform
from pedal.export.values import meter_of
from pedal.export.written import chords_of
from pedal.library.library import Library
from pedal.library.settings import Config
from pedal.music.drums import count_bars
from pedal.music.pitch import parse_key
from pedal.music.plan import make_plan
from pedal.session.settings import SessionSettings
from tests.support.examples import some

LIBRARY = Library()
TUNES = LIBRARY.names("tune")

# Standard MIDI Files 1.0 (RP-001), p. 4 and p. 14-15.
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
EXAMPLE = bytes.fromhex(
    "4D546864 00000006 0000 0001 0060 4D54726B 0000003B 00FF580404021808 00FF510307A120 00C005 00C12E"
    "00C246 00923060 003C60 60914340 60904C20 8140823040 003C40 00814340 00804C40 00FF2F00"
)


def test_variable_length_quantities():
    for number, data in QUANTITIES.items():
        assert smf.variable(number) == bytes.fromhex(data)
    for number in (0x10000000, -1):
        with pytest.raises(ValueError):
            smf.variable(number)


def worked_example():
    """The music of p. 14-15: (tempo map, channel 1, channel 2, channel 3), each from tick 0."""
    events = {
        "lead": [(0, smf.time_signature(4, 4)), (0, smf.tempo(500_000))],
        1: [(0, b"\xc0\x05"), (192, b"\x90\x4c\x20"), (384, b"\x80\x4c\x40")],
        2: [(0, b"\xc1\x2e"), (96, b"\x91\x43\x40"), (384, b"\x81\x43\x40")],
        3: [
            (0, b"\xc2\x46"),
            (0, b"\x92\x30\x60"),
            (0, b"\x92\x3c\x60"),
            (384, b"\x82\x30\x40"),
            (384, b"\x82\x3c\x40"),
        ],
    }
    return {name: [smf.Event(*event) for event in track] for name, track in events.items()}


def test_the_worked_example_of_format_0_to_the_byte():
    of = worked_example()
    programs = [of[1][0], of[2][0], of[3][0]]
    notes = [*of[3][1:3], of[2][1], of[1][1], *of[3][3:], of[2][2], of[1][2]]
    data = smf.song([smf.track([*of["lead"], *programs, *notes])], 96, kind=0)
    assert data == EXAMPLE and len(data) == 81


def test_the_worked_example_of_format_1():
    of = worked_example()
    for channel in (1, 2, 3):  # there a note ends with a note-on of velocity 0
        ends = {0x7F + channel: 0x8F + channel}
        of[channel] = [
            one._replace(data=bytes((ends[one.data[0]], one.data[1], 0))) if one.data[0] in ends else one
            for one in of[channel]
        ]
    tracks = [smf.track(of["lead"], 384), *(smf.track(of[channel]) for channel in (1, 2, 3))]
    lengths = [int.from_bytes(track[4:8], "big") for track in tracks]
    assert lengths == [0x14, 0x10, 0x0F, 0x15]
    data = smf.song(tracks, 96)
    assert len(data) == 118 and data[8:14] == bytes.fromhex("0001 0004 0060")


def test_signatures_and_tempo():
    assert smf.tempo(500_000).hex() == "ff510307a120"
    assert smf.tempo(1_000_000).hex() == "ff51030f4240" and smf.tempo(666_667).hex() == "ff51030a2c2b"
    assert smf.time_signature(4, 4).hex() == "ff580404021808"
    assert smf.time_signature(6, 8).hex() == "ff580406032408"
    assert smf.time_signature(12, 8).hex() == "ff58040c032408"
    for name, data in {"E": "0400", "Bb": "fe00", "Am": "0001", "Cm": "fd01"}.items():
        one = parse_key(name)
        assert smf.key_signature(one.fifths, one.minor).hex() == f"ff5902{data}"
    with pytest.raises(ValueError):
        smf.tempo(1 << 24)


@pytest.mark.parametrize(
    ("text", "data"),
    [("Wet Boots", b"Wet Boots"), ("B♭7", b"Bb7"), ("F♯ø7", b"F#m7b5"), ("雨", b"\xe9\x9b\xa8")],
)
def test_texts_are_ascii_as_far_as_it_goes_and_else_utf_8(text, data):
    assert smf.name(text) == bytes((0xFF, 0x03, len(data))) + data
    assert smf.marker(text) == bytes((0xFF, 0x06, len(data))) + data


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
    path.write_bytes(midi_file(perform(plan, 1, settings)))
    score = converter.parse(path, quantizePost=False)
    time = score.recurse().getElementsByClass(meter.TimeSignature)[0]
    assert (time.numerator, time.denominator) == plan.feel.meter
    signature = score.recurse().getElementsByClass(key.KeySignature)[0]
    assert signature.sharps == plan.key.fifths
    bass = [part for part in score.parts if part.partName == "Bass" or "Bass" in str(part.partName)]
    keys = [one.pitch.midi for one in bass[0].flatten().notes]
    sends = render.performed(plan, 1, settings)
    assert keys == [send.data[1] for send in sends if send.data[0] == 0x91]


@pytest.mark.parametrize("name", ["wet-boots", "kettle-before-six", "ladder-on-loan"])
def test_times_are_the_sessions_through_a_ritard(name, tmp_path):
    """mido's own clock, which follows the tempo map, says when each note is played."""
    plan = make_plan(LIBRARY.tune(name))
    path = tmp_path / "song.mid"
    path.write_bytes(midi_file(perform(plan, 2, SessionSettings())))
    now, played = 0.0, []
    for message in mido.MidiFile(path):
        now += message.time
        if message.type == "note_on" and message.velocity:
            played.append((now, message.channel, message.note))
    sends = [
        (send.due / 1e9, send.data[0] & 15, send.data[1])
        for send in render.performed(plan, 2)
        if send.data[0] & 0xF0 == 0x90
    ]
    assert len(played) == len(sends)
    for (at, *note), (due, *sent) in zip(
        sorted(played, key=lambda p: p[1:]), sorted(sends, key=lambda s: s[1:]), strict=True
    ):
        assert note == sent and at == pytest.approx(due, abs=0.003)


def test_variants(tmp_path):
    plan, found = make_plan(LIBRARY.tune("wet-boots")), {}
    for variant in VARIANTS:
        path = tmp_path / f"song{variant.suffix}.mid"
        path.write_bytes(variant_midi(Config(), plan, 1, variant))
        found[variant.suffix] = mido.MidiFile(path)

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
