"""Rendering: the same Session into a MIDI file or a WAV. MIDI files are read by music21 and by hand."""

import shutil
import struct
import time
import wave
from dataclasses import replace
from pathlib import Path

import mido
import numpy as np
import pytest
from music21 import converter, meter, tempo

from pedal import midifile
from pedal.cli import main
from pedal.commands import render
from pedal.hardware import synth
from pedal.hardware.errors import RigError, SynthError
from pedal.library.library import Library
from pedal.library.settings import Config
from pedal.music.beat import PARTS
from pedal.music.pitch import parse_key
from pedal.music.plan import make_plan
from pedal.session.note_queue import quiet_controllers
from pedal.session.settings import SessionSettings

LIBRARY = Library()
FONTS = [Path("/usr/share/sounds/sf2") / name for name in ("TimGM6mb.sf2", "FluidR3_GM.sf2")]
NS_PER_S = 10**9
needs_synth = pytest.mark.skipif(
    not shutil.which("fluidsynth") or not FONTS[0].exists(),
    reason="fluidsynth and timgm6mb are not installed",
)


def plan_of(name, key=None, bpm=None):
    return make_plan(LIBRARY.tune(name), parse_key(key) if key else None, bpm)


def strokes(sends, channel=None):
    """(ns, channel, key, velocity) of every note that begins."""
    return [
        (s.due, s.data[0] & 15, s.data[1], s.data[2])
        for s in sends
        if s.data[0] & 0xF0 == 0x90 and channel in (None, s.data[0] & 15)
    ]


def events_of(path):
    """The meta events of a file's first track, read byte by byte (Standard MIDI Files 1.0, RP-001)."""
    data = path.read_bytes()
    assert data[:4] == b"MThd"
    length, kind, tracks, division = struct.unpack(">IHHH", data[4:14])
    assert (length, kind, division) == (6, 1, 480)
    assert data.count(b"MTrk") >= tracks
    (size,) = struct.unpack(">I", data[18:22])
    lead, found, at = data[22 : 22 + size], {}, 0
    while at < len(lead):
        assert lead[at] == 0 and lead[at + 1] == 0xFF  # all at the start, all meta events
        found[lead[at + 2]] = lead[at + 4 : at + 4 + lead[at + 3]]
        at += 4 + lead[at + 3]
    return found


# ---- the performance ------------------------------------------------------------------


@pytest.mark.parametrize("name", LIBRARY.names("tune"))
def test_every_tune_is_played_to_its_end(name):
    plan = plan_of(name)
    sends = render.performed(plan, 2)
    ons = strokes(sends)
    assert ons[0][:3] == (0, 9, 37)  # the first stick, at once
    played = {(s.chorus, s.bar) for s in sends if s.data[0] & 0xF0 == 0x90}
    for chorus, layout in ((1, plan.layout), (2, plan.last)):
        assert {bar for c, bar in played if c == chorus} == set(range(1, len(layout) + 1))
    assert max(chorus for chorus, _ in played) == 2
    assert sends == sorted(sends, key=lambda send: send.due)
    sounding = set()
    for send in sends:
        kind, note = send.data[0] & 0xF0, (send.data[0] & 15, send.data[1])
        if kind == 0x90:
            sounding.add(note)
        elif kind == 0x80:
            sounding.discard(note)
    assert not sounding
    assert sends[-1].due - ons[-1][0] >= 2 * NS_PER_S  # what rings on is not cut off


def test_bars_lie_on_bar_lines():
    """Strict, so that a bar of count-in and eleven of music begin exactly on theirs."""
    plan = plan_of("wet-boots", bpm=120)
    sends = render.performed(plan, 1, SessionSettings(strict=True))
    first = {}
    for send in sends:
        if send.data[0] & 0xF0 == 0x90 and send.part == "drums" and send.beat == 1:
            first.setdefault((send.chorus, send.bar), send.due)
    assert [first[1, bar] for bar in range(1, 13)] == [bar * 2 * NS_PER_S for bar in range(1, 13)]


def test_the_same_again_and_other_seeds():
    plan = plan_of("ferry-at-ten-past")
    once, again, other = (render.performed(plan, 2, None, seed) for seed in (5, 5, 6))
    assert once == again != other


def test_a_slow_ending_takes_its_time():
    plan = plan_of("kettle-before-six")
    beat = 60 * NS_PER_S * 1000 // plan.mbpm
    sends = render.performed(plan, 1, SessionSettings(strict=True))
    ons = [s for s in sends if s.data[0] & 0xF0 == 0x90 and s.chorus == 1]
    at = [min(s.due for s in ons if (s.bar, s.beat) == (12, number)) for number in (1, 2, 3)]
    assert at[1] - at[0] == pytest.approx(beat, rel=1e-6)
    assert beat * 1.05 < at[2] - at[1] < beat * 1.2  # a quarter of 35 % has gone
    final = [s.due for s in sends if s.data[0] & 0xF0 == 0x80 and (s.bar, s.part) == (12, "chords")]
    assert max(final) - at[2] > 2.3 * beat  # the last two beats, held and slow


@pytest.mark.slow
def test_a_hundred_choruses_are_quick(tmp_path):
    plan = plan_of("wet-boots")
    render.performed(plan, 1)
    start = time.process_time()
    midifile.write(tmp_path / "long.mid", render.performed(plan, 100), plan, plan.mbpm)
    assert time.process_time() - start < 5  # s


# ---- the MIDI file --------------------------------------------------------------------


@pytest.mark.parametrize(
    ("name", "key", "bpm", "signature", "quarter", "meter_bytes"),
    [
        # RP-001: sf is the signs, flats negative in two's complement, then 1 for minor; tempo in
        # microseconds a quarter note: 120 is 07 A1 20, 90 is 0A 2C 2B; 4/4 is 04 02 18 08, and by
        # the rule of its example 6/8 = 06 03 24 08 twelve-eight is 0C 03 24 08.
        ("wet-boots", "E", 120, "0400", "07A120", "04021808"),
        ("wet-boots", "Bb", 90, "FE00", "0A2C2B", "04021808"),
        ("lamp-over-the-stairs", "Am", 120, "0001", "07A120", "04021808"),
        ("lamp-over-the-stairs", "Cm", 120, "FD01", "07A120", "04021808"),
        # The foot taps dotted quarters: 60 of them are 90 quarter notes.
        ("kettle-before-six", "G", 60, "0100", "0A2C2B", "0C032408"),
    ],
)
def test_key_tempo_and_meter_by_the_byte(tmp_path, name, key, bpm, signature, quarter, meter_bytes):
    plan = plan_of(name, key, bpm)
    midifile.write(tmp_path / "song.mid", render.performed(plan, 1), plan, plan.mbpm)
    found = events_of(tmp_path / "song.mid")
    assert found[0x59].hex().upper() == signature
    assert found[0x51].hex().upper() == quarter
    assert found[0x58].hex().upper() == meter_bytes
    assert found[0x2F] == b""


def test_music21_reads_the_same_music(tmp_path):
    plan = plan_of("third-bus-home")
    sends = render.performed(plan, 1)
    midifile.write(tmp_path / "song.mid", sends, plan, plan.mbpm)
    score = converter.parse(tmp_path / "song.mid", quantizePost=False)
    for part, channel in (("bass", 1), ("chords", 0)):
        (theirs,) = (found for found in score.parts if found.partName == part)
        pitches = [pitch.midi for note in theirs.recurse().notes for pitch in note.pitches]
        assert sorted(pitches) == sorted(key for _, _, key, _ in strokes(sends, channel))
    assert score.recurse().getElementsByClass(meter.TimeSignature).first().ratioString == "4/4"
    assert score.recurse().getElementsByClass(tempo.MetronomeMark).first().number == pytest.approx(
        96, abs=0.1
    )


@pytest.mark.parametrize("title", ["Žlutý déšť", "雨", "Café", "Wet Boots"])
def test_a_title_in_any_script(tmp_path, title):
    plan = plan_of("wet-boots")
    plan = replace(plan, tune=replace(plan.tune, title=title))
    assert render.run(Config(), plan, tmp_path / "song.mid", 1) == 0
    assert events_of(tmp_path / "song.mid")[0x03] == title.encode()
    assert mido.MidiFile(tmp_path / "song.mid", charset="utf-8").tracks[0].name == title


def test_a_midi_file_is_written_whole_or_not_at_all(tmp_path, monkeypatch):
    plan, out = plan_of("wet-boots"), tmp_path / "song.mid"
    out.write_bytes(b"older")

    def full(fd):
        raise OSError(28, "No space left on device")

    monkeypatch.setattr("os.fsync", full)
    with pytest.raises(RigError, match="No space left"):
        render.run(Config(), plan, out, 1)
    assert out.read_bytes() == b"older" and list(tmp_path.iterdir()) == [out]


def test_programs_are_set_before_the_first_note(tmp_path):
    sends = render.performed(plan_of("umbrellas-in-the-hall"), 1)
    first_note = next(i for i, s in enumerate(sends) if s.data[0] & 0xF0 == 0x90)
    programs = {s.data[0] & 15: s.data[1] for s in sends[:first_note] if s.data[0] & 0xF0 == 0xC0}
    assert programs == {0: 27, 1: 33}  # printed 28 and 34: clean guitar, fingered bass (RP-003)
    volumes = {s.data[0] & 15: s.data[2] for s in sends[:first_note] if s.data[:2][1] == 7}
    assert volumes == {9: 104, 1: 96, 0: 98}


# ---- the command ----------------------------------------------------------------------


def test_the_command_writes_a_midi_file(tmp_path, capsys):
    out = tmp_path / "song.mid"
    assert main(["render", "wet-boots", str(out), "--choruses", "1", "--key", "D", "--tempo", "100"]) == 0
    assert out.read_bytes()[:4] == b"MThd"
    assert "1 chorus of Wet Boots in D" in capsys.readouterr().out


def test_parts_can_be_left_out(tmp_path):
    out = tmp_path / "song.mid"
    assert (
        main(["render", "wet-boots", str(out), "--without", "bass", "--without", "drums", "--choruses", "1"])
        == 0
    )
    score = converter.parse(out)
    assert all(p.midi >= 48 for n in score.recurse().notes for p in getattr(n, "pitches", ()) if p.midi != 37)


@pytest.mark.parametrize(
    ("arguments", "says"),
    [
        (["song.ogg"], "must end in .mid or .wav"),
        (["nowhere/song.mid"], "there is no folder"),
        (["song.mid", "--choruses", "0"], "must be 1 to 999"),
        (["song.mid", "--choruses", "1000"], "must be 1 to 999"),
        (["song.mid", "--without=drums", "--without=bass", "--without=chords"], "nobody would play"),
    ],
)
def test_a_wish_that_cannot_be_met_is_told(tmp_path, monkeypatch, capsys, arguments, says):
    monkeypatch.chdir(tmp_path)
    assert main(["render", "wet-boots", *arguments]) == 1
    captured = capsys.readouterr()
    assert says in captured.err and captured.err.count("\n") == 1
    assert list(tmp_path.iterdir()) == []


def test_a_file_that_cannot_be_written_is_told(tmp_path):
    (tmp_path / "song.mid").mkdir()
    with pytest.raises(RigError, match="could not be written"):
        render.run(Config(), plan_of("wet-boots"), tmp_path / "song.mid", 1)


@pytest.mark.parametrize("name", ["practice.sqlite", "last.json"])
@pytest.mark.parametrize("kind", [".mid", ".wav"])
def test_what_the_box_keeps_is_never_written_over(tmp_path, monkeypatch, name, kind):
    monkeypatch.setenv("STATE_DIRECTORY", str(tmp_path / "state"))
    (tmp_path / "state").mkdir()
    (tmp_path / "state" / name).write_text("kept")
    (tmp_path / f"song{kind}").symlink_to(tmp_path / "state" / name)
    with pytest.raises(ValueError, match="never written over"):
        render.run(Config(), plan_of("wet-boots"), tmp_path / f"song{kind}", 1)
    assert (tmp_path / f"song{kind}").read_text() == (tmp_path / "state" / name).read_text() == "kept"


def test_without_fluidsynth_there_is_no_wav(tmp_path, monkeypatch):
    monkeypatch.setattr("pedal.hardware.synth.SynthChild.find", lambda: None)
    with pytest.raises(SynthError, match="not installed"):
        render.run(Config(), plan_of("wet-boots"), tmp_path / "song.wav", 1)


def test_a_config_without_the_guide_bass_renders_none(tmp_path):
    config = Config()
    config = replace(config, play=replace(config.play, guide=False, mode="vamp"))
    out = tmp_path / "song.mid"
    assert render.run(config, plan_of("wet-boots"), out, 1) == 0
    assert bytes([0x91]) not in {data[:1] for data in _messages(out)}


def _messages(path):
    return [
        bytes(message.bin())
        for track in mido.MidiFile(path).tracks
        for message in track
        if not message.is_meta
    ]


# ---- sound ----------------------------------------------------------------------------


def sound_of(path):
    with wave.open(str(path)) as file:
        assert (file.getframerate(), file.getnchannels()) == (48000, 2)
        return np.frombuffer(file.readframes(file.getnframes()), dtype="<i2").reshape(-1, 2) / 32768


def heard(folder, sends, plan, font, parts=PARTS):
    """The first sixteen seconds of some parts through a soundfont."""
    song, sound = folder / "song.mid", folder / "song.wav"
    end = 16 * NS_PER_S
    kept = [s for s in sends if s.due < end and s.part in parts]
    midifile.write(song, kept + quiet_controllers(end), plan, plan.mbpm)
    synth.render(song, sound, font, Config().synth.gain)
    return sound_of(sound)


@pytest.mark.slow
@needs_synth
@pytest.mark.parametrize("font", [font for font in FONTS if font.exists()], ids=lambda font: font.stem)
@pytest.mark.parametrize("feel", LIBRARY.names("feel"))
def test_nothing_clips(tmp_path, feel, font):
    plan = plan_of(next(n for n in LIBRARY.names("tune") if LIBRARY.tune(n).feel.name == feel))
    assert 0.2 < np.abs(heard(tmp_path, render.performed(plan, 1), plan, font)).max() < 0.9


@pytest.mark.slow
@needs_synth
@pytest.mark.parametrize("feel", LIBRARY.names("feel"))
def test_nobody_is_lost(tmp_path, feel):
    """Each part alone: none is more than 7 dB louder than another."""
    plan = plan_of(next(n for n in LIBRARY.names("tune") if LIBRARY.tune(n).feel.name == feel))
    sends = render.performed(plan, 1)
    levels = {part: loudness(heard(tmp_path, sends, plan, FONTS[0], {part})) for part in PARTS}
    assert max(levels.values()) - min(levels.values()) < 7, levels


def loudness(sound):
    """dB of the tenths of a second in which something sounds."""
    power = (sound[: len(sound) // 4800 * 4800] ** 2).mean(axis=1).reshape(-1, 4800).mean(axis=1)
    return 10 * np.log10(power[power > 1e-5].mean())


@pytest.mark.slow
@needs_synth
def test_a_wav_is_as_long_as_the_music(tmp_path):
    plan, out = plan_of("wet-boots"), tmp_path / "song.wav"
    assert render.run(Config(), plan, out, 1) == 0
    music = render.performed(plan, 1)[-1].due / NS_PER_S
    assert music <= len(sound_of(out)) / 48000 <= music + 3  # FluidSynth adds two seconds
    assert np.abs(sound_of(out)[-4800:]).max() < 0.01  # it has died away
