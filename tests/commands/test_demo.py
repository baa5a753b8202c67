"""The demo as a newcomer meets it, and the files it leaves, read by others than its writer."""

import re
import time
import wave
from itertools import pairwise

import numpy as np
import pytest
from music21.midi import ChannelVoiceMessages, MidiFile

from pedal.commands.demo import TUNE, play
from pedal.events import Send
from pedal.library.library import Library
from pedal.music.plan import make_plan
from pedal.session.session import Session
from tests.support.commands import pedal
from tests.support.midi_files import check_same_music
from tests.support.servers import missing

LINE = re.compile(r" *(?P<time>[\d.]+) +(?P<chorus>-|\d+) +(?P<bar>\d+)  (?P<chord>count-in|\S+ \S+) ")


@pytest.fixture(scope="module")
def demo(tmp_path_factory):
    """What it printed and where it wrote."""
    folder = tmp_path_factory.mktemp("demo")
    started = time.monotonic()
    done = pedal("demo", folder=folder)
    assert time.monotonic() - started < 10
    assert (done.returncode, done.stderr) == (0, "")
    return folder, done.stdout


class TestWords:
    def test_a_line_a_bar(self, demo):
        _, said = demo
        bars = [match for line in said.splitlines() if (match := LINE.match(line))]
        places = [(match["chorus"], int(match["bar"])) for match in bars]
        assert places[:26] == [
            ("-", 1),
            *(("1", bar) for bar in range(1, 13)),
            *(("2", bar) for bar in range(1, 13)),
            ("-", 1),
        ]
        times = [float(match["time"]) for match in bars]
        steps = np.diff(times)
        assert (steps > 2.1).all()
        # Four beats at 112, but for the pause between the two halves; the times have two decimals.
        assert (np.abs(steps - 4 * 60 / 112) < 0.011).sum() == len(steps) - 1
        chords = [match["chord"] for match in bars[1:13]]
        assert chords == ["I7 A7"] * 4 + ["IV7 D7"] * 2 + ["I7 A7"] * 2 + [
            "V7 E7",
            "IV7 D7",
            "I7 A7",
            "V7 E7",
        ]

    def test_the_foot_leads_the_vamp(self, demo):
        _, said = demo
        vamp = said.splitlines()[-22:]
        assert sum("tap: cue" in line for line in vamp) == 4
        assert sum("double: last" in line for line in vamp) == 1
        walked = [int(match["bar"]) for line in vamp if (match := LINE.match(line))]
        assert {(2, 5), (6, 7), (8, 9), (9, 10)} <= set(pairwise(walked))

    def test_it_says_what_it_wrote(self, demo):
        folder, said = demo
        assert f"wrote {folder / 'demo.mid'} (" in said
        assert ("demo.wav" in said) and (folder / "demo.mid").exists()

    def test_a_folder_that_cannot_be_written(self, tmp_path):
        (tmp_path / "demo.mid").mkdir()
        done = pedal("demo", folder=tmp_path)
        assert done.returncode == 1
        assert done.stderr == f"pedal: {tmp_path / 'demo.mid'} could not be written: Is a directory\n"

    def test_no_arguments(self):
        assert pedal("demo", "extra").returncode == 2


# ---- demo.mid: Standard MIDI Files 1.0 (MMA RP-001) -------------------------------------


def test_chunks(demo):
    data = (demo[0] / "demo.mid").read_bytes()
    assert data[:14] == bytes.fromhex("4D 54 68 64  00 00 00 06  00 01  00 04  01 E0")  # format 1, 480
    at, tracks = 14, 0
    while at < len(data):
        assert data[at : at + 4] == b"MTrk"
        end = at + 8 + int.from_bytes(data[at + 4 : at + 8])
        assert data[end - 3 : end] == bytes.fromhex("FF 2F 00")
        at, tracks = end, tracks + 1
    assert (at, tracks) == (len(data), 4)
    assert bytes.fromhex("FF 51 03") + round(60e6 / 112).to_bytes(3) in data  # microseconds a quarter
    assert bytes.fromhex("FF 58 04 04 02 18 08") in data  # 4/4
    assert bytes.fromhex("FF 59 02 03 00") in data  # A major: three sharps


def test_another_program_reads_the_same_notes(demo):
    folder, said = demo
    file = MidiFile()
    file.open(str(folder / "demo.mid"))
    file.read()
    file.close()
    assert (file.format, file.ticksPerQuarterNote, len(file.tracks)) == (1, 480, 4)
    ons = offs = 0
    for track in file.tracks:
        sounding = set()
        for event in track.events:
            if event.type == ChannelVoiceMessages.NOTE_ON and event.velocity:
                assert event.pitch not in sounding
                sounding.add(event.pitch)
                ons += 1
            elif event.type in (ChannelVoiceMessages.NOTE_OFF, ChannelVoiceMessages.NOTE_ON):
                sounding.remove(event.pitch)
                offs += 1
        assert not sounding
    assert ons == offs == int(re.search(r"\((\d+) notes\)", said)[1]) > 1000


def test_every_note_is_the_sessions_to_a_tick(demo):
    folder, said = demo
    plan = make_plan(Library().tune(TUNE))
    sends = [output for output in play(Session(plan), plan) if isinstance(output, Send)]
    count = check_same_music(folder / "demo.mid", sends, 60_000 / plan.mbpm / plan.feel.ticks)
    assert count == int(re.search(r"\((\d+) notes\)", said)[1])


# ---- demo.wav ---------------------------------------------------------------------------


@pytest.mark.skipif(bool(missing()), reason=f"not installed: {', '.join(missing())}")
def test_the_sound_is_neither_silent_nor_clipped(demo):
    folder, said = demo
    assert f"wrote {folder / 'demo.wav'}\n" in said
    with wave.open(str(folder / "demo.wav")) as file:
        assert (file.getframerate(), file.getnchannels(), file.getsampwidth()) == (48000, 2, 2)
        sound = np.frombuffer(file.readframes(file.getnframes()), "<i2").reshape(-1, 2) / 32768
    times = [float(match["time"]) for line in said.splitlines() if (match := LINE.match(line))]
    assert times[-1] < len(sound) / 48000 < times[-1] + 15
    assert 0.1 < np.abs(sound).max() < 0.98
    bar = slice(int(times[1] * 48000), int(times[2] * 48000))
    assert np.sqrt((sound[bar] ** 2).mean(axis=0)).min() > 0.01  # on both sides
    assert np.abs(sound[: int((times[0] - 0.05) * 48000)]).max() < 1e-3  # before the count: nothing


def test_without_fluidsynth(tmp_path):
    done = pedal("demo", folder=tmp_path, PATH="/nowhere")
    assert done.returncode == 0
    assert (
        "no demo.wav: FluidSynth is not installed (Debian: fluidsynth and timgm6mb-soundfont)" in done.stdout
    )
    assert (tmp_path / "demo.mid").exists()
