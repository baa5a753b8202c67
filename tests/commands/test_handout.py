"""`pedal handout`: what it writes, what it leaves alone, and what it says when it cannot."""

import os
import signal
import subprocess
import sys
from pathlib import Path

import pytest

from pedal.cli import main
from pedal.commands import handout
from pedal.commands.exit_status import FAILED, OK, PARTIAL
from pedal.music.pitch import parse_key
from tests.support.wait import wait_for

ROOT = Path(__file__).resolve().parents[2]
_RUN = "import sys; from pedal.cli import main; sys.exit(main(sys.argv[1:]))"
PAPER = "chart,tab,notation,midi"


def made(folder):
    return sorted(str(path.relative_to(folder)) for path in folder.rglob("*") if path.is_file())


def test_everything_on_paper_in_its_own_key(tmp_path, capsys):
    assert main(["handout", "wet-boots", "--to", str(tmp_path / "new"), "--only", PAPER, "--score"]) == OK
    assert made(tmp_path / "new") == sorted(
        f"wet-boots-A{suffix}"
        for suffix in (
            "-chart.txt",
            "-chart.svg",
            "-chart-for-B-flat.txt",
            "-chart-for-B-flat.svg",
            "-chart-for-E-flat.txt",
            "-chart-for-E-flat.svg",
            "-tab.txt",
            "-bass.musicxml",
            "-score.musicxml",
            ".mid",
            "-without-bass.mid",
            "-bass-only.mid",
            "-slow-60.mid",
            "-slow-75.mid",
            "-slow-90.mid",
        )
    )
    assert capsys.readouterr().out.count("wrote ") == 15


def test_keys_each_in_a_folder(tmp_path):
    to = ["--to", str(tmp_path), "--only", "tab"]
    assert main(["handout", "wet-boots", *to, "--key", "Bb,F#"]) == OK
    assert made(tmp_path) == ["B-flat/wet-boots-B-flat-tab.txt", "F-sharp/wet-boots-F-sharp-tab.txt"]
    assert main(["handout", "fog-on-platform-four", *to, "--all-keys"]) == OK
    assert len(made(tmp_path)) == 14
    assert (tmp_path / "C-sharp-minor" / "fog-on-platform-four-C-sharp-minor-tab.txt").is_file()


def test_tempo_and_choruses(tmp_path):
    to = ["--to", str(tmp_path), "--only", "notation"]
    assert main(["handout", "wet-boots", *to, "--tempo", "96", "--choruses", "5"]) == OK
    text = (tmp_path / "wet-boots-A-bass.musicxml").read_text("utf-8")
    assert "<per-minute>96</per-minute>" in text and 'number="1, 2, 3, 4"' in text


def test_files_that_are_there_are_left_alone(tmp_path, capsys):
    arguments = ["handout", "wet-boots", "--to", str(tmp_path), "--only", "tab,notation"]
    mine = tmp_path / "wet-boots-A-tab.txt"
    mine.write_text("my own notes")
    assert main(arguments) == PARTIAL
    assert mine.read_text() == "my own notes"
    assert made(tmp_path) == ["wet-boots-A-bass.musicxml", "wet-boots-A-tab.txt"]
    assert "wet-boots-A-tab.txt' is there already; --force" in capsys.readouterr().err
    assert main([*arguments, "--force"]) == OK
    assert "Bass on 4 strings" in mine.read_text("utf-8")


def test_a_key_that_is_none_does_not_stop_the_others(tmp_path, capsys):
    to = ["--to", str(tmp_path), "--only", "tab"]
    assert main(["handout", "wet-boots", *to, "--key", "H,C,Am"]) == PARTIAL
    assert made(tmp_path) and all("-C-" in name for name in made(tmp_path))
    said = capsys.readouterr().err.splitlines()
    assert len(said) == 2 and "'H' is not a key" in said[0] and "Am is a minor key" in said[1]
    assert main(["handout", "wet-boots", *to, "--key", "H"]) == FAILED


def test_without_a_synth_all_else_is_made(tmp_path, capsys, monkeypatch):
    monkeypatch.setenv("PATH", str(tmp_path))
    to = ["--to", str(tmp_path / "new"), "--only", "midi,audio"]
    assert main(["handout", "wet-boots", *to, "--key", "A,C", "--choruses", "1"]) == PARTIAL
    assert len(made(tmp_path / "new")) == 12
    said = capsys.readouterr().err.splitlines()
    assert said == ["pedal: audio needs FluidSynth, which is not installed (try: apt install fluidsynth)"]


@pytest.mark.skipif(not Path("/proc/1").exists(), reason="needs a folder that nobody can write")
def test_a_folder_that_cannot_be_written(tmp_path, capsys):
    assert main(["handout", "wet-boots", "--to", "/proc/lesson", "--all-keys"]) == FAILED
    said = capsys.readouterr().err.splitlines()
    assert len(said) == 1 and "/proc/lesson" in said[0] and "cannot be written" in said[0]
    in_the_way = tmp_path / "file"
    in_the_way.write_text("")
    assert main(["handout", "wet-boots", "--to", str(in_the_way), "--only", "tab"]) == FAILED


def test_a_folder_where_a_file_should_be(tmp_path, capsys):
    (tmp_path / "wet-boots-A-tab.txt").mkdir()
    arguments = ["handout", "wet-boots", "--to", str(tmp_path), "--only", "tab,notation", "--force"]
    assert main(arguments) == PARTIAL
    assert "is a folder" in capsys.readouterr().err
    assert made(tmp_path) == ["wet-boots-A-bass.musicxml"]


@pytest.mark.parametrize(
    ("more", "told"),
    [
        (["--only", "chart,poster"], "--only poster: there are chart, tab, notation, midi, audio, sheet"),
        (["--choruses", "0"], "--choruses 0: must be 1 to 999"),
        (["--tempo", "999"], "--tempo 999: must be 40 to 260"),
    ],
)
def test_wishes_that_cannot_be_met(more, told, tmp_path, capsys):
    assert main(["handout", "wet-boots", "--to", str(tmp_path), *more]) == FAILED
    assert told in capsys.readouterr().err and made(tmp_path) == []


def test_a_file_is_no_folder_to_write_into(tmp_path, capsys):
    (tmp_path / "lesson").write_text("mine")
    assert main(["handout", "wet-boots", "--to", str(tmp_path / "lesson")]) == FAILED
    assert f"--to {tmp_path / 'lesson'}: is a file, not a folder" in capsys.readouterr().err
    assert (tmp_path / "lesson").read_text() == "mine"


def test_a_write_that_fails_leaves_no_half_file(tmp_path, monkeypatch, capsys):
    def full(fd):
        raise OSError(28, "No space left on device")

    monkeypatch.setattr(os, "fsync", full)
    assert main(["handout", "wet-boots", "--to", str(tmp_path), "--only", "tab"]) == FAILED
    assert list(tmp_path.iterdir()) == []
    assert "No space left on device" in capsys.readouterr().err


@pytest.mark.slow
@pytest.mark.parametrize("how", [signal.SIGINT, signal.SIGTERM])
def test_an_interrupted_run_leaves_no_half_file(how, tmp_path):
    """Stopped in the middle of the twelve keys: whole files only, and nothing that was being made."""
    arguments = ["handout", "wet-boots", "--to", str(tmp_path), "--all-keys", "--only", "notation,midi,sheet"]
    process = subprocess.Popen(
        [sys.executable, "-c", _RUN, *arguments],
        cwd=ROOT,
        stdout=subprocess.DEVNULL,
        stderr=subprocess.DEVNULL,
        env={**os.environ, "PYTHONUNBUFFERED": "1"},
        # A shell's background job ignores SIGINT, and so would all that it starts.
        preexec_fn=lambda: signal.signal(signal.SIGINT, signal.SIG_DFL),
    )
    wait_for("thirteen files", lambda: len(made(tmp_path)) >= 13, 60)
    process.send_signal(how)
    assert process.wait(30) == FAILED
    names = made(tmp_path)
    assert 12 <= len(names) < 96 and not any(".making" in name or name.endswith(".part") for name in names)
    for name in names:
        data = (tmp_path / name).read_bytes()
        endings = {".mid": b"\xff\x2f\x00", ".html": b"</html>\n", ".musicxml": b"</score-partwise>\n"}
        assert data.endswith(endings[Path(name).suffix]), name
    assert not [path for path in tmp_path.rglob(".making-*")]


def test_progress_says_which_key(tmp_path, capsys, monkeypatch):
    monkeypatch.setattr("sys.stderr.isatty", lambda: True, raising=False)
    assert main(["handout", "wet-boots", "--to", str(tmp_path), "--only", "tab", "--key", "C,D"]) == OK
    said = capsys.readouterr().err
    assert "Wet Boots in C (1 of 2)" in said and "Wet Boots in D (2 of 2)" in said


def test_the_daemon_imports_none_of_it():
    code = (
        "import sys, pedal.service.daemon, pedal.commands; "
        "print([m for m in sys.modules if m.split('.')[0] in ('verovio', 'lxml', 'music21', 'numpy') "
        "or m.startswith('pedal.export')])"
    )
    done = subprocess.run([sys.executable, "-c", code], cwd=ROOT, capture_output=True, text=True, check=True)
    assert done.stdout.strip() == "[]"


def test_names_of_files_are_plain():
    assert handout.check_only("") == handout.KINDS
    for name, wanted in {"Bb": "B-flat", "F#": "F-sharp", "Am": "A-minor", "C#m": "C-sharp-minor"}.items():
        assert handout.file_key(parse_key(name)) == wanted
