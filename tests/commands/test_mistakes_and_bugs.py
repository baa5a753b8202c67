"""Each command: a mistake of the user's is one line and exit status 1, a bug of ours keeps its traceback."""

import argparse
import os
import signal
import subprocess
import sys
from contextlib import closing

import pytest

from pedal import cli
from pedal.cli import main
from pedal.commands.exit_status import FAILED
from pedal.practice_log.store import Chorus, Log
from tests.support.commands import PEDAL, complaint, lonely

LONG = "a" * 300
UNREADABLE = "/proc/self/mem"  # even for root
# What cannot be read as settings, for every command that takes them.
SETTINGS = {
    "no.toml": "no.toml: cannot be read: No such file or directory",
    "folder": "folder: cannot be read: Is a directory",
    UNREADABLE: f"{UNREADABLE}: cannot be read: Input/output error",
    "odd.toml": "odd.toml: tempo = 0: must be a number from 40 to 260",
    f"{LONG}.toml": f"{LONG}.toml: cannot be read: File name too long",
}
WITH_SETTINGS = {
    "run": [],
    "follow": [],
    "simulate": ["wet-boots"],
    "render": ["wet-boots", "x.mid"],
    "handout": ["wet-boots", "--to", "lesson"],
    "list": [],
    "show": ["wet-boots"],
    "foot": [],
    "ports": [],
    "lamps": ["--test"],
}
ASKING = ("load wet-boots", "start", "stop", "cue", "last", "tempo 90", "key Bb", "mode vamp", "tell soft")
MISTAKES = [
    ("run wet-bots", "no tune is called 'wet-bots'; did you mean 'wet-boots'?"),
    ("run --set wet-bots", "no set is called 'wet-bots'"),
    ("run wet-boots --set shed-night", "a tune, or a set or routine that says what is played: not both"),
    ("run wet-boots --key H", "'H' is not a key"),
    ("run wet-boots --key Dm", "Dm is a minor key, and wet-boots a major tune"),
    ("run wet-boots --tempo 500", "--tempo 500: must be 40 to 260"),
    ("run wet-boots --tempo nan", "--tempo nan: must be 40 to 260"),
    ("run --trace folder", "trace 'folder' cannot be opened: Is a directory"),
    ("run --trace no/trace", "trace 'no/trace' cannot be opened: No such file or directory"),
    ("simulate wet-bots", "no tune is called 'wet-bots'"),
    ("simulate wet-boots --foot tip@1", "'tip@1' is no step of a foot script"),
    (f"simulate wet-boots --foot tap@{'9' * 400}", "is no step of a foot script"),
    ("simulate wet-boots --foot tap@1/third", "there is no switch 'third'"),
    ("simulate wet-boots --seconds 0", "--seconds 0: must be more than 0"),
    (
        "simulate wet-boots --trace /dev/full",
        "trace '/dev/full' could not be written: No space left on device",
    ),
    ("simulate wet-boots --trace folder", "trace 'folder' could not be written: Is a directory"),
    ("render wet-bots x.mid", "no tune is called 'wet-bots'"),
    ("render wet-boots x.ogg", "'x.ogg': the name must end in .mid or .wav"),
    ("render wet-boots no/x.mid", "'no/x.mid': there is no folder 'no'"),
    ("render wet-boots song.mid", "'song.mid' could not be written: Is a directory"),
    (f"render wet-boots {LONG}.mid", "could not be written: File name too long"),
    (f"render wet-boots {LONG}/x.mid", "could not be written: File name too long"),
    ("render wet-boots x.mid --choruses 0", "--choruses 0: must be 1 to 999"),
    ("render wet-boots x.mid --key H", "'H' is not a key"),
    ("handout wet-bots --to lesson", "no tune is called 'wet-bots'"),
    ("handout wet-boots --to odd.toml", "--to odd.toml: is a file, not a folder"),
    ("handout wet-boots --to odd.toml/lesson", "'odd.toml/lesson' cannot be written: Not a directory"),
    (f"handout wet-boots --to {LONG}", "cannot be written: File name too long"),
    ("handout wet-boots --to lesson --only song", "--only song: there are chart, tab"),
    ("handout wet-boots --to lesson --key H", "'H' is not a key"),
    ("handout wet-boots --to lesson --key Dm", "Dm is a minor key, and wet-boots a major tune"),
    ("handout wet-boots --to lesson --choruses 0", "--choruses 0: must be 1 to 99"),
    ("status --socket no/control", "no box is running here (try: pedal run); looked for it at no/control"),
    (f"status --socket {LONG}", "no box is running here"),
    *((f"{words} --socket no/control", "no box is running here") for words in ASKING),
    ("log --file no.sqlite", "there is no practice log yet (no.sqlite)"),
    ("log --file folder", "practice log 'folder'"),
    ("log --file odd.toml", "practice log 'odd.toml'"),
    (f"log --file {LONG}", "cannot be opened: File name too long"),
    (f"log --file {UNREADABLE}", f"practice log '{UNREADABLE}'"),
    ("log --file log.sqlite --tune wet-bots", "nothing of 'wet-bots' is in the practice log"),
    ("log --file log.sqlite --chart x.svg", "no change has been drilled yet: there is nothing to draw"),
    ("log --file log.sqlite --csv odd.toml", "'odd.toml' is there already; --force writes over it"),
    ("log --file log.sqlite --csv log.sqlite --force", "never written over"),
    ("log --file log.sqlite --csv folder", "'folder' is there, and is no file"),
    ("log --file log.sqlite --csv no/x.csv", "'no/x.csv': there is no folder 'no'"),
    (f"log --file log.sqlite --csv {LONG}", "cannot be written: File name too long"),
    (f"log --file log.sqlite --csv {LONG}/x", "cannot be written: File name too long"),
    ("show wet-bots", "no tune is called 'wet-bots'"),
    ("show wet-boots --key H", "'H' is not a key"),
]

# A command that would work, and what deep in it breaks.
BUGS = {
    "run": ("--desk", "pedal.library.plans.make_plan"),
    "follow": ("", "pedal.service.lamp_box.load_midi"),
    "demo": ("", "pedal.session.session.Session.prepare"),
    "simulate": ("wet-boots --seconds 5 --trace x", "pedal.session.session.Session.prepare"),
    "render": ("wet-boots x.mid --choruses 1", "pedal.session.session.Session.prepare"),
    "handout": ("wet-boots --to lesson --only chart", "pedal.export.chart.text_chart"),
    "status": ("", "pedal.service.control.client.connect"),
    "load": ("third-bus-home", "pedal.service.control.client.connect"),
    "start": ("", "pedal.service.control.client.connect"),
    "stop": ("", "pedal.service.control.client.connect"),
    "cue": ("", "pedal.service.control.client.connect"),
    "last": ("", "pedal.service.control.client.connect"),
    "tempo": ("90", "pedal.service.control.client.connect"),
    "key": ("Bb", "pedal.service.control.client.connect"),
    "mode": ("vamp", "pedal.service.control.client.connect"),
    "tell": ("soft", "pedal.service.control.client.connect"),
    "log": ("--file log.sqlite", "pedal.practice_log.store.LogReader.choruses"),
    "list": ("", "pedal.library.library.Library.names"),
    "show": ("wet-boots", "pedal.library.plans.make_plan"),
    "foot": ("", "pedal.commands.show.text_map"),
    "ports": ("", "pedal.hardware.port_rtmidi.pick_api"),
    "check": ("--config key.toml", "pedal.library.plans.make_plan"),
    "silence": ("--config lamp.toml", "pedal.commands.silence.recover_config"),
    "lamps": ("--test --config lamp.toml", "pedal.commands.lamps.Box"),
}


@pytest.fixture(autouse=True)
def folder(tmp_path, monkeypatch):
    """A folder with what commands stumble over, and the signals as they were afterwards."""
    monkeypatch.chdir(tmp_path)
    for name in ("folder", "song.mid", "demo.mid"):
        (tmp_path / name).mkdir()
    (tmp_path / "odd.toml").write_text("tempo = 0\n")
    (tmp_path / "key.toml").write_text('key = "C"\n')
    (tmp_path / "lamp.toml").write_text('[synth]\nport = "x"\n[gpio]\nfactory = "mock"\n[lamps]\nI = 5\n')
    usual = {number: signal.getsignal(number) for number in (signal.SIGTERM, signal.SIGINT, signal.SIGHUP)}
    yield tmp_path
    for number, handler in usual.items():
        signal.signal(number, handler)


@pytest.fixture
def log(folder):
    with closing(Log(folder / "log.sqlite")) as log:
        at = "2026-11-25T19:30:05+01:00"
        log.add(log.begin(at), Chorus(at, "wet-boots", "A", 112_000, 1))


def commands():
    """Every command that the parser knows."""
    (sub,) = (one for one in cli._parser()._actions if isinstance(one, argparse._SubParsersAction))
    return set(sub.choices)


def one_line(capsys, *arguments):
    """What a command that cannot go on says."""
    assert main(list(arguments)) == FAILED
    said = capsys.readouterr()
    assert said.out == "" and said.err.endswith("\n") and said.err.count("\n") == 1, said
    return said.err.rstrip("\n")


class TestMistakes:
    @pytest.mark.parametrize("file", SETTINGS)
    @pytest.mark.parametrize("command", WITH_SETTINGS)
    def test_settings_that_cannot_be_read(self, command, file, capsys):
        assert one_line(capsys, command, *WITH_SETTINGS[command], "--config", file) == SETTINGS[file]

    @pytest.mark.parametrize(("words", "says"), MISTAKES, ids=lambda text: text[:50])
    def test_is_one_line(self, words, says, folder, log, capsys):
        assert says in one_line(capsys, *words.split())

    def test_of_the_demo_comes_when_it_is_over(self, capsys):
        assert main(["demo"]) == FAILED
        said = capsys.readouterr().err
        assert said.endswith("demo.mid could not be written: Is a directory\n") and said.count("\n") == 1

    @pytest.mark.parametrize("file", [name for name in SETTINGS if name != "odd.toml"])
    def test_check_says_it_where_it_says_all(self, file, capsys):
        assert main(["check", "--config", file]) == FAILED
        said = capsys.readouterr()
        assert (said.out, said.err) == (f"{SETTINGS[file]}\n", "")

    @pytest.mark.parametrize("command", ["silence", "ports", "follow"])
    def test_without_midi(self, command, folder):
        (folder / "jack.toml").write_text('[synth]\napi = "jack"\n')
        assert complaint(command, "--config", folder / "jack.toml") == "pedal: no JACK server is running"

    def test_a_folder_of_sequences_that_may_not_be_looked_into(self, folder, capsys, monkeypatch):
        (folder / "own.toml").write_text('sequences = "folder"\n')
        usual = type(folder).is_file

        def is_file(path):
            if "folder" in path.parts:
                raise PermissionError(13, "Permission denied")
            return usual(path)

        monkeypatch.setattr(type(folder), "is_file", is_file)
        assert one_line(capsys, "show", "wet-boots", "--config", "own.toml") == (
            "pedal: 'folder/tunes/wet-boots.toml' cannot be read: Permission denied"
        )

    def test_a_log_that_may_not_be_looked_at(self, capsys, monkeypatch):
        def exists(path):
            raise PermissionError(13, "Permission denied")

        monkeypatch.setattr("pathlib.Path.exists", exists)
        assert one_line(capsys, "log").endswith("pedal/practice.sqlite' cannot be read: Permission denied")

    @pytest.mark.skipif(not os.path.exists("/dev/full"), reason="no /dev/full here")
    @pytest.mark.parametrize("words", ["list", "show wet-boots --tab --transitions", "foot"])
    def test_a_full_disk_behind_standard_output(self, words):
        with open("/dev/full", "w") as full:
            environ = {name: value for name, value in lonely().items() if name != "PYTHONUNBUFFERED"}
            done = subprocess.run(
                [PEDAL, *words.split()], stdout=full, stderr=subprocess.PIPE, text=True, env=environ
            )
        assert (done.returncode, done.stderr) == (
            1,
            "pedal: standard output cannot be written: No space left on device\n",
        )

    def test_nobody_has_given_us_a_standard_output(self):
        done = subprocess.run([PEDAL, "foot"], preexec_fn=lambda: os.close(1), stderr=subprocess.PIPE)
        assert (done.returncode, done.stderr) == (0, b"")


class TestBugs:
    def test_all_commands_are_here(self):
        assert set(BUGS) == commands()
        asked = {words.split()[0] for words, _ in MISTAKES} | set(WITH_SETTINGS)
        assert asked | {"check", "demo", "silence"} == commands()

    @pytest.mark.parametrize("command", BUGS)
    def test_keeps_its_traceback(self, command, monkeypatch, capsys, log):
        def broken(*arguments, **wishes):
            raise ValueError("bug")

        words, deep = BUGS[command]
        monkeypatch.setattr(deep, broken)
        with pytest.raises(ValueError, match=r"^bug$") as caught:
            main([command, *words.split()])
        assert caught.traceback[-1].name == "broken"
        assert "bug" not in capsys.readouterr().err

    def test_ends_as_python_does(self):
        program = (
            "import sys\nfrom pedal.library import plans\nfrom pedal.cli import main\n"
            "def broken(*arguments): raise OSError('bug')\n"
            "plans.make_plan = broken\nsys.exit(main(['show', 'wet-boots']))"
        )
        done = subprocess.run([sys.executable, "-c", program], capture_output=True, text=True)
        assert done.returncode == 1
        assert done.stderr.startswith("Traceback (") and done.stderr.endswith("\nOSError: bug\n")

    def test_of_the_trace_only_what_touches_the_file_is_the_users(self, monkeypatch):
        def broken(*arguments):
            raise OSError("bug")

        monkeypatch.setattr("pedal.session.session.Session.prepare", broken)
        with pytest.raises(OSError, match=r"^bug$"):
            main(["simulate", "wet-boots", "--trace", "x"])


class TestAsAModule:
    def test_it_is_the_command(self):
        done = subprocess.run([sys.executable, "-m", "pedal", "list"], capture_output=True, text=True)
        assert (done.returncode, done.stderr) == (0, "") and "wet-boots" in done.stdout

    def test_its_exit_status(self):
        command = [sys.executable, "-m", "pedal", "show", "wet-bots"]
        done = subprocess.run(command, capture_output=True, text=True)
        assert done.returncode == FAILED and done.stderr.startswith("pedal: no tune is called 'wet-bots'")
