"""WAVs against the outside: numpy hears when notes begin, how high the bass is, and how loud it all is."""

import shutil
import wave
from itertools import pairwise
from pathlib import Path

import mido
import numpy as np
import pytest

from pedal.export.audio import VERSIONS, Sounder, version_midi
from pedal.export.loudness import measure
from pedal.hardware.errors import SynthError
from pedal.hardware.synth import render
from pedal.library.library import Library
from pedal.library.settings import Config, SynthSettings
from pedal.music.plan import make_plan

FONT = Path("/usr/share/sounds/sf2/TimGM6mb.sf2")
CONFIG = Config(synth=SynthSettings(soundfont=FONT))
needs_synth = pytest.mark.skipif(
    not shutil.which("fluidsynth") or not FONT.exists(), reason="fluidsynth and timgm6mb are not installed"
)
RATE = 48_000
DEAD = 70  # dead notes are struck more softly than this


def samples(path):
    with wave.open(str(path)) as file:
        data = np.frombuffer(file.readframes(file.getnframes()), dtype="<i2")
    return data.reshape(-1, 2) / 32768


def loudness(sound):
    """ITU-R BS.1770: all 400 ms blocks that overlap by three quarters, by the filters' responses."""
    size = 1 << len(sound).bit_length()
    frequencies = np.fft.rfftfreq(size, 1 / RATE)
    z = np.exp(-2j * np.pi * frequencies / RATE)
    shelf = (1.53512485958697 - 2.69169618940638 * z + 1.19839281085285 * z**2) / (
        1 - 1.69065929318241 * z + 0.73248077421585 * z**2
    )
    high = (1 - 2 * z + z**2) / (1 - 1.99004745483398 * z + 0.99007225036621 * z**2)
    power = np.zeros(len(sound))
    for channel in (0, 1):
        weighted = np.fft.irfft(np.fft.rfft(sound[:, channel], size) * shelf * high)[: len(sound)]
        power += weighted**2
    sums = np.concatenate([[0], np.cumsum(power)])
    starts = np.arange(0, len(sound) - 19_200, 4_800)
    blocks = (sums[starts + 19_200] - sums[starts]) / 19_200
    level = -0.691 + 10 * np.log10(blocks + 1e-20)
    blocks = blocks[level > -70]
    floor = -0.691 + 10 * np.log10(blocks.mean()) - 10
    blocks = blocks[-0.691 + 10 * np.log10(blocks) > floor]
    return -0.691 + 10 * np.log10(blocks.mean())


@pytest.fixture(scope="module")
def recorded(tmp_path_factory):
    """All versions of a shuffle: (samples, path of the WAV, path of the same MIDI file)."""
    folder = tmp_path_factory.mktemp("sound")
    plan = make_plan(Library().tune("wet-boots"))
    sounder = Sounder(CONFIG, folder, lambda text: None)
    found = {}
    for version, wav in sounder.render(plan, 1, VERSIONS):
        midi = folder / f"check{version.suffix}.mid"
        midi.write_bytes(version_midi(Config(), plan, 1, version))
        found[version.suffix] = samples(wav), wav, midi
    return found


def bass_notes(path):
    """(seconds, key, seconds to the next note, velocity) of the bass."""
    now, notes = 0.0, []
    for message in mido.MidiFile(path):
        now += message.time
        if message.type == "note_on" and message.velocity and message.channel == 1:
            notes.append((now, message.note, message.velocity))
    after = [*(at for at, _, _ in notes[1:]), now]
    return [(at, key, then - at, velocity) for (at, key, velocity), then in zip(notes, after, strict=True)]


@pytest.mark.slow
@needs_synth
def test_all_versions_are_as_loud_and_none_clips(recorded):
    levels = {suffix: loudness(sound) for suffix, (sound, _, _) in recorded.items()}
    assert set(levels) == {version.suffix for version in VERSIONS}
    assert max(levels.values()) - min(levels.values()) < 1, levels
    for suffix, (sound, _, _) in recorded.items():
        assert 0.2 < np.abs(sound).max() < 0.98, suffix


@pytest.mark.slow
@needs_synth
def test_our_own_measure_is_within_half_a_decibel(recorded):
    for sound, wav, _ in recorded.values():
        assert measure(wav).lufs == pytest.approx(loudness(sound), abs=0.5)


def test_a_tone_of_known_loudness(tmp_path):
    """BS.1770: a 997 Hz tone of full scale in one channel is -3.01 LUFS; here in both, 20 dB down."""
    tone = np.sin(2 * np.pi * 997 * np.arange(RATE * 4) / RATE) * 0.1
    path = tmp_path / "tone.wav"
    with wave.open(str(path), "wb") as file:
        file.setnchannels(2)
        file.setsampwidth(2)
        file.setframerate(RATE)
        file.writeframes((np.stack([tone, tone], axis=1) * 32767).astype("<i2").tobytes())
    assert measure(path).lufs == pytest.approx(-3.01 - 20 + 3.01, abs=0.1)
    assert measure(path).peak == pytest.approx(-20, abs=0.1)


@pytest.mark.slow
@needs_synth
@pytest.mark.parametrize("suffix", ["-bass-only", "-slow-60"])
def test_the_count_in_is_heard_first(recorded, suffix):
    sound, _, midi = recorded[suffix]
    now, sticks = 0.0, []
    for message in mido.MidiFile(midi):
        now += message.time
        if message.type == "note_on" and message.note == 37 and message.velocity:
            sticks.append(now)
    level = np.abs(sound).max(axis=1)
    for at in sticks[:4]:
        window = level[int((at - 0.015) * RATE) if at > 0.015 else 0 : int((at + 0.03) * RATE)]
        assert window.max() > 0.05
    assert onset(level, sticks[1]) == pytest.approx(sticks[1], abs=0.015)


def onset(level, near, room=0.08):
    """When the level first rises over half of its highest rise, in a window around a time."""
    start = max(0, int((near - room / 2) * RATE))
    window = level[start : start + int(room * RATE)]
    smooth = np.convolve(window, np.ones(48) / 48, mode="same")
    floor = smooth[: int(0.01 * RATE)].mean()
    over = np.nonzero(smooth > floor + (smooth.max() - floor) * 0.25)[0]
    return (start + over[0]) / RATE


def alone(folder, notes):
    """Each (key, velocity) of the bass by itself, from its onset: what the synth makes of it."""
    plan = make_plan(Library().tune("wet-boots"))
    song = mido.MidiFile(ticks_per_beat=480)  # at 120 quarters a minute
    track = song.add_track()
    track.append(mido.Message("program_change", channel=1, program=plan.feel.programs["bass"]))
    wanted = sorted(set(notes))
    for key, velocity in wanted:  # a second apart
        wait = 720 if len(track) > 1 else 960
        track.append(mido.Message("note_on", channel=1, note=key, velocity=velocity, time=wait))
        track.append(mido.Message("note_off", channel=1, note=key, time=240))
    song.save(folder / "alone.mid")
    render(folder / "alone.mid", folder / "alone.wav", FONT, 0.5)
    sound = samples(folder / "alone.wav").mean(axis=1)
    return {note: sound[RATE * (index + 1) :][: RATE // 8] for index, note in enumerate(wanted)}


def bright(sound):
    """How loud the part above 700 Hz is: there a pluck stands out."""
    spectrum = np.fft.rfft(sound)
    spectrum[np.fft.rfftfreq(len(sound), 1 / RATE) < 700] = 0
    return np.abs(np.fft.irfft(spectrum, len(sound)))


@pytest.mark.slow
@needs_synth
def test_bass_notes_begin_when_the_midi_file_says(recorded, tmp_path):
    """A sampled bass speaks softly: each note after a dead one against the same note alone."""
    sound, _, midi = recorded["-bass-only"]
    notes = bass_notes(midi)
    after_dead = [note for before, note in pairwise(notes) if before[3] < DEAD]
    level = bright(sound.mean(axis=1))
    own = {
        note: onset(bright(np.concatenate([np.zeros(RATE // 10), piece])), 0.1) - 0.1
        for note, piece in alone(tmp_path, [(key, velocity) for _, key, _, velocity in after_dead]).items()
    }
    late = [onset(level, at) - at - own[key, velocity] for at, key, _, velocity in after_dead]
    assert len(late) > 15 and max(own.values()) < 0.025
    assert max(map(abs, late)) < 0.015, sorted(late)


@pytest.mark.slow
@needs_synth
def test_drums_begin_when_the_midi_file_says(recorded):
    """The snare is louder than what is before it: its rise is seen above 2 kHz."""
    sound, _, midi = recorded["-without-bass"]
    spectrum = np.fft.rfft(sound.mean(axis=1))
    spectrum[np.fft.rfftfreq(len(sound), 1 / RATE) < 2000] = 0
    level = np.abs(np.fft.irfft(spectrum, len(sound)))
    now, snares = 0.0, []
    for message in mido.MidiFile(midi):
        now += message.time
        if message.type == "note_on" and message.velocity > 70 and (message.channel, message.note) == (9, 38):
            snares.append(now)
    late = [onset(level, at) - at for at in snares]
    assert len(late) > 20 and np.percentile(np.abs(late), 95) < 0.015, sorted(late)


@pytest.mark.slow
@needs_synth
def test_the_bass_is_in_tune(recorded):
    """By autocorrelation, each held note of the bass within 30 cents of its key."""
    sound, _, midi = recorded["-bass-only"]
    mono = sound.mean(axis=1)
    checked = 0
    for at, key, lasts, velocity in bass_notes(midi):
        if lasts < 0.15 or velocity < DEAD:
            continue
        piece = mono[int((at + 0.04) * RATE) : int((at + min(lasts, 0.35) - 0.01) * RATE)]
        wanted = 440 * 2 ** ((key - 69) / 12)
        piece = piece - piece.mean()
        size = 1 << (2 * len(piece) - 1).bit_length()
        power = np.abs(np.fft.rfft(piece, size)) ** 2
        correlation = np.fft.irfft(power)[: len(piece)] / (len(piece) - np.arange(len(piece)))
        period = RATE / wanted
        low, high = int(period * 0.6), int(period * 1.7)
        if high + 1 >= len(piece) * 0.8:
            continue
        peak = low + int(np.argmax(correlation[low:high]))
        left, top, right = correlation[peak - 1 : peak + 2]
        peak += (left - right) / (2 * (left - 2 * top + right))
        cents = 1200 * np.log2(RATE / peak / wanted)
        assert abs(cents) < 30, (key, cents)
        checked += 1
    assert checked > 30


def test_without_a_synth_it_is_said(monkeypatch, tmp_path):
    monkeypatch.setenv("PATH", str(tmp_path))
    with pytest.raises(SynthError, match="apt install fluidsynth"):
        Sounder(Config(), tmp_path, lambda text: None)
