"""`pedal render`: a MIDI file or a WAV, and what it says when it cannot."""

import shutil
import wave
from dataclasses import replace
from pathlib import Path

import mido
import numpy as np
import pytest
from music21 import converter

from pedal.cli import main
from pedal.commands import render
from pedal.errors import FileError
from pedal.export.midi import midi_file
from pedal.export.performance import perform
from pedal.hardware import synth
from pedal.hardware.errors import SynthError
from pedal.library.library import Library
from pedal.library.settings import Config
from pedal.music.beat import PARTS
from pedal.music.plan import make_plan
from pedal.session.note_queue import quiet_controllers
from tests.support.midi_files import check_same_music

LIBRARY = Library()
FONTS = [Path("/usr/share/sounds/sf2") / name for name in ("TimGM6mb.sf2", "FluidR3_GM.sf2")]
NS_PER_S = 10**9
needs_synth = pytest.mark.skipif(
    not shutil.which("fluidsynth") or not FONTS[0].exists(),
    reason="fluidsynth and timgm6mb are not installed",
)


def plan_of(name):
    return make_plan(LIBRARY.tune(name))


def played(plan, choruses=1):
    return perform(plan, choruses, Config().session, Config().play.seed)


# ---- the MIDI file --------------------------------------------------------------------


@pytest.mark.parametrize("name", ["wet-boots", "kettle-before-six", "ladder-on-loan"])
def test_the_file_is_the_sessions_music(tmp_path, name):
    plan = plan_of(name)
    assert render.run(Config(), plan, tmp_path / "song.mid", 2) == 0
    tick_s = 60_000 / plan.mbpm / plan.feel.ticks
    assert check_same_music(tmp_path / "song.mid", played(plan, 2).sends, tick_s) > 500


@pytest.mark.parametrize("title", ["Žlutý déšť", "雨", "Café", "Wet Boots"])
def test_a_title_in_any_script(tmp_path, title):
    plan = plan_of("wet-boots")
    plan = replace(plan, tune=replace(plan.tune, title=title))
    assert render.run(Config(), plan, tmp_path / "song.mid", 1) == 0
    assert mido.MidiFile(tmp_path / "song.mid", charset="utf-8").tracks[0].name == title


def test_a_midi_file_is_written_whole_or_not_at_all(tmp_path, monkeypatch):
    plan, out = plan_of("wet-boots"), tmp_path / "song.mid"
    out.write_bytes(b"older")

    def full(fd):
        raise OSError(28, "No space left on device")

    monkeypatch.setattr("os.fsync", full)
    with pytest.raises(FileError, match="No space left"):
        render.run(Config(), plan, out, 1)
    assert out.read_bytes() == b"older" and list(tmp_path.iterdir()) == [out]


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
    with pytest.raises(FileError, match="could not be written"):
        render.run(Config(), plan_of("wet-boots"), tmp_path / "song.mid", 1)


@pytest.mark.parametrize("name", ["practice.sqlite", "last.json"])
@pytest.mark.parametrize("kind", [".mid", ".wav"])
def test_what_the_box_keeps_is_never_written_over(tmp_path, monkeypatch, name, kind):
    monkeypatch.setenv("STATE_DIRECTORY", str(tmp_path / "state"))
    (tmp_path / "state").mkdir()
    (tmp_path / "state" / name).write_text("kept")
    (tmp_path / f"song{kind}").symlink_to(tmp_path / "state" / name)
    with pytest.raises(FileError, match="never written over"):
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


def heard(folder, performance, font, parts=PARTS):
    """The first sixteen seconds of some parts through a soundfont."""
    song, sound = folder / "song.mid", folder / "song.wav"
    end = 16 * NS_PER_S
    kept = [s for s in performance.sends if s.due < end and s.part in parts]
    song.write_bytes(midi_file(performance._replace(sends=(*kept, *quiet_controllers(end)))))
    synth.render(song, sound, font, Config().synth.gain)
    return sound_of(sound)


@pytest.mark.slow
@needs_synth
@pytest.mark.parametrize("font", [font for font in FONTS if font.exists()], ids=lambda font: font.stem)
@pytest.mark.parametrize("feel", LIBRARY.names("feel"))
def test_nothing_clips(tmp_path, feel, font):
    plan = plan_of(next(n for n in LIBRARY.names("tune") if LIBRARY.tune(n).feel.name == feel))
    assert 0.2 < np.abs(heard(tmp_path, played(plan), font)).max() < 0.9


@pytest.mark.slow
@needs_synth
@pytest.mark.parametrize("feel", LIBRARY.names("feel"))
def test_nobody_is_lost(tmp_path, feel):
    """Each part alone: none is more than 7 dB louder than another."""
    plan = plan_of(next(n for n in LIBRARY.names("tune") if LIBRARY.tune(n).feel.name == feel))
    performance = played(plan)
    levels = {part: loudness(heard(tmp_path, performance, FONTS[0], {part})) for part in PARTS}
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
    music = played(plan).sends[-1].due / NS_PER_S
    assert music <= len(sound_of(out)) / 48000 <= music + 3  # FluidSynth adds two seconds
    assert np.abs(sound_of(out)[-4800:]).max() < 0.01  # it has died away
