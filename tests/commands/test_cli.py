"""The commands: their help, their exit status, what `simulate` understands and writes."""

import json
import re
import subprocess
import sys
from pathlib import Path

import pytest

from pedal import __version__
from pedal.events import Command
from pedal.library.foot_script import parse_foot
from tests.support.commands import complaint, pedal
from tests.support.examples import some
from tests.support.servers import needs_rtmidi

COMMANDS = {  # and what their help must speak of
    "run": ["TUNE", "--config", "--mode", "--desk", "--trace", "stopped", "stomp", "hold"],
    "demo": ["demo.mid", "demo.wav"],
    "simulate": ["TUNE", "--foot", "--seconds", "--seed", "tap@0,double@12.4,hold@30/second", "edges"],
    "status": ["--json", "--socket", '{"command": "status"}'],
    "load": ["TUNE", "when this one has stopped", "--socket"],
    "start": ["Count in", "written tempo"],
    "stop": ["Silence at once", "pedal last"],
    "cue": ["vamp", "bar before"],
    "last": ["ending", "said again"],
    "tempo": ["BPM", "pedal tempo 92"],
    "key": ["KEY", "pedal key Bb"],
    "mode": ["MODE", "pedal mode vamp", "control socket"],
    "tell": ["ACTION", "pedal foot", "pedal tell soft"],
    "log": ["--chart", "--csv", "--tune", "three clean repetitions in a row"],
    "list": ["--config"],
    "show": ["TUNE", "chart"],
    "ports": ["MIDI"],
    "check": ["FILE", "pedal.toml"],
    "silence": ["port"],
}


class TestHelp:
    @pytest.mark.parametrize("command", some(COMMANDS, 3))
    def test_of_a_command(self, command):
        done = pedal(command, "--help")
        assert (done.returncode, done.stderr) == (0, "")
        assert [word for word in COMMANDS[command] if word not in done.stdout] == []

    def test_names_every_command_and_the_exit_status(self):
        done = pedal("--help")
        assert (done.returncode, done.stderr) == (0, "")
        assert [name for name in COMMANDS if f"\n    {name} " not in done.stdout] == []
        assert "Exit status: 0 done, 1 failed, 2 wrong usage" in done.stdout

    def test_without_a_command(self):
        done = pedal()
        assert done.returncode == 2 and "pedal demo" in done.stdout

    def test_version(self):
        assert pedal("--version").stdout == f"pedal {__version__}\n"

    @pytest.mark.slow
    @pytest.mark.parametrize("command", some(["", *COMMANDS], 3))
    def test_imports_next_to_nothing(self, command):
        code = (
            "import sys\nfrom pedal.cli import main\n"
            f"try: main({[*command.split(), '--help']!r})\n"
            "except SystemExit: pass\n"
            "print(sorted({name.split('.')[0] for name in sys.modules} & "
            "{'mido', 'rtmidi', 'gpiozero', 'lgpio', 'rich', 'tomllib', 'multiprocessing'}))\n"
            "print(sorted(name for name in sys.modules if name.startswith('pedal.')))"
        )
        done = subprocess.run([sys.executable, "-c", code], capture_output=True, text=True, check=True)
        ours = ["pedal.cli", "pedal.commands", "pedal.commands.exit_status", "pedal.errors"]
        assert done.stdout.splitlines()[-2:] == ["[]", str(ours)]

    @pytest.mark.parametrize(
        "module", ["service.daemon", "commands.simulate", "library.toml_check", "library.settings"]
    )
    def test_what_the_box_runs_on_is_imported_late(self, module):
        code = (
            f"import sys, pedal.{module}\n"
            "sys.exit(' '.join({'mido', 'rtmidi', 'gpiozero', 'lgpio', 'rich'} & set(sys.modules)))"
        )
        assert (
            subprocess.run([sys.executable, "-c", code], stderr=subprocess.PIPE, text=True).stderr.strip()
            == ""
        )


class TestSmallOnes:
    def test_list(self):
        assert "wet-boots" in pedal("list").stdout

    def test_a_reader_that_has_seen_enough(self):
        """As in `pedal list | head -1`."""
        from tests.support.commands import PEDAL, lonely

        process = subprocess.Popen(
            [PEDAL, "list"], stdout=subprocess.PIPE, stderr=subprocess.PIPE, env=lonely()
        )
        process.stdout.close()
        process.wait(10)
        assert process.stderr.read() == b""
        process.stderr.close()

    def test_show_on_a_terminal_without_a_flat_sign(self):
        done = pedal("show", "third-bus-home", PYTHONIOENCODING="ascii")
        assert (done.returncode, done.stderr) == (0, "") and "key of B?" in done.stdout

    @needs_rtmidi
    @pytest.mark.parametrize("command", ["ports", "silence"])
    def test_without_midi(self, command):
        assert complaint(command) == (
            "pedal: /dev/snd/seq is missing (try: modprobe snd_seq), and no JACK server is running"
        )

    @pytest.mark.parametrize("command", ["show", "simulate"])
    def test_an_unknown_tune(self, command):
        assert complaint(command, "wet-bots").startswith("pedal: no tune is called 'wet-bots'; did you mean")

    def test_check_all_that_is_shipped(self):
        assert (pedal("check").stdout, pedal("check").returncode) == ("no mistakes found\n", 0)

    def test_check_tells_all_mistakes_of_all_files(self, tmp_path):
        (tmp_path / "forms").mkdir()
        (tmp_path / "forms/odd.toml").write_text('title = "Odd"\nbars = ["I7", "", "I7"]\n')
        (tmp_path / "pedal.toml").write_text('tempo = 0\ntunes = "x"\n')
        done = pedal("check", "forms/odd.toml", "pedal.toml", folder=tmp_path)
        assert (done.returncode, done.stderr) == (1, "")
        assert "pedal.toml: tempo = 0: must be a number from 40 to 260\n" in done.stdout
        assert "pedal.toml: tunes: unknown key; did you mean 'tune'?\n" in done.stdout
        assert "forms/odd.toml: " in done.stdout

    @pytest.mark.parametrize(
        ("text", "told"),
        [
            (
                'tune = "wet-bots"',
                "pedal.toml: tune = 'wet-bots': no tune is called 'wet-bots'; did you mean",
            ),
            ('key = "Dm"', "pedal.toml: key = 'Dm': Dm is a minor key, and wet-boots a major tune\n"),
        ],
    )
    def test_check_tells_what_settings_name_that_is_not_there(self, text, told, tmp_path):
        (tmp_path / "pedal.toml").write_text(text + "\n")
        done = pedal("check", "pedal.toml", folder=tmp_path)
        assert done.returncode == 1 and told in done.stdout


class TestFoot:
    @pytest.mark.parametrize(
        ("script", "edges"),
        [
            ("", []),
            ("tap@0", [(0, "P", "main"), (80, "R", "main")]),
            (
                "double@1",
                [(1000, "P", "main"), (1080, "R", "main"), (1200, "P", "main"), (1280, "R", "main")],
            ),
            ("hold@12.4", [(12400, "P", "main"), (13200, "R", "main")]),
            ("press@1/second, release@2.5/second", [(1000, "P", "second"), (2500, "R", "second")]),
            ("tap@3,press@1", [(1000, "P", "main"), (3000, "P", "main"), (3080, "R", "main")]),
        ],
    )
    def test_steps(self, script, edges):
        events = parse_foot(script)
        assert [(event.at / 1e6, type(event).__name__[0], event.switch) for event in events] == edges

    def test_what_a_box_is_told(self):
        assert parse_foot("stop@4,tempo=92@1.5, parts=drums+bass@2,parts=@3,key=F#m@3") == [
            Command(1_500_000_000, "tempo", 92),
            Command(2_000_000_000, "parts", ["drums", "bass"]),
            Command(3_000_000_000, "parts", []),
            Command(3_000_000_000, "key", "F#m"),
            Command(4_000_000_000, "stop", None),
        ]

    def test_a_value_that_is_none(self):
        assert complaint("simulate", "wet-boots", "--foot", "tempo=fast@3") == (
            "pedal: 'tempo=fast@3' in a foot script: tempo needs beats a minute"
        )

    def test_what_the_band_refuses_is_told(self):
        done = pedal("simulate", "wet-boots", "--foot", "tap@0,parts=flute@4", "--seconds", "5")
        assert done.returncode == 0
        assert "parts: parts must be some of drums, bass, chords\n" in done.stderr

    @pytest.mark.parametrize(
        "script",
        [
            "tap=2@1",
            "stop@1/second",
            "tip@1",
            "tap",
            "tap@",
            "tap@-1",
            "tap@1s",
            "tap@1/",
            "tap@1 hold@2",
            "@1",
        ],
    )
    def test_a_bad_step_is_named(self, script):
        message = complaint("simulate", "wet-boots", "--foot", f"tap@0,{script}")
        assert message.startswith(f"pedal: {script!r} is no step of a foot script; write tap, double, hold,")

    @pytest.mark.parametrize("seconds", ["0", "-1", "nan", "inf", "100000"])
    def test_a_bad_time(self, seconds):
        assert complaint("simulate", "wet-boots", f"--seconds={seconds}").startswith(
            f"pedal: --seconds {seconds}"
        )

    def test_a_full_disk(self):
        assert complaint("simulate", "wet-boots", "--trace", "/dev/full") == (
            "pedal: trace '/dev/full' could not be written: No space left on device"
        )


def documented():
    """Type of line: the fields that DEVELOPERS.md says it has, of the header without its values."""
    text = (Path(__file__).parents[2] / "DEVELOPERS.md").read_text()
    rows = re.findall(r"^\| `(\w+)` \| [^|]* \| ([^|]*) \|$", text.partition("## The trace")[2], re.M)
    return {kind: set(re.findall(r"`(\w+)`", fields)) for kind, fields in rows}


# The least that the documentation must promise, and every line must have.
FIELDS = {
    "header": {"version", "tune", "key", "mbpm", "seed"},
    "note": {"due_ns", "sent_ns", "part", "channel", "note", "velocity", "on", "chorus", "bar", "beat"},
    "position": {"at_ns", "mode", "chorus", "bar", "beat", "degree", "chord", "next_degree", "armed"},
    "lamp": {"at_ns", "lamp", "lit"},
    "press": {"at_ns", "switch", "down"},
    "gesture": {"at_ns", "switch", "gesture", "action"},
    "stopped": {"at_ns"},
    "chorus": {"at_ns", "tune", "key", "mbpm", "chorus"},
}


@pytest.fixture(scope="module")
def lines(tmp_path_factory):
    """A vamp with cues, a second switch, an ignored tap, a last time; ninety seconds."""
    file = tmp_path_factory.mktemp("trace") / "trace.jsonl"
    settings = file.with_name("pedal.toml")
    settings.write_text("[switches.second]\npin = 27\n")
    foot = "tap@0,tap@2.5,tap@6,tap@10.1/second,tap@14,double@30,tap@75,hold@85"
    done = pedal(
        "simulate",
        "wet-boots",
        "--config",
        settings,
        "--mode",
        "vamp",
        "--foot",
        foot,
        "--seconds",
        90,
        "--seed",
        7,
        "--trace",
        file,
    )
    assert done.returncode == 0 and done.stderr.startswith("90 s of Wet Boots in A ")
    return [json.loads(line) for line in file.read_text().splitlines()]


class TestTrace:
    def test_header_first_and_only_there(self, lines):
        wanted = {"type": "header", "version": 1, "tune": "wet-boots", "key": "A", "mbpm": 112_000, "seed": 7}
        assert wanted.items() <= lines[0].items()
        assert not [line for line in lines[1:] if line["type"] == "header"]

    def test_every_line_is_as_documented(self, lines):
        assert {line["type"] for line in lines} == set(FIELDS)
        fields = documented()
        for line in lines:
            assert FIELDS[line["type"]] <= line.keys() <= fields[line["type"]] | {"type"}, line

    def test_values(self, lines):
        for line in lines[1:]:
            times = [line[key] for key in ("at_ns", "due_ns", "sent_ns") if key in line]
            assert all(type(time) is int and 0 <= time <= 90 * 10**9 for time in times)
            if line["type"] == "note":
                assert line["sent_ns"] == line["due_ns"]
                assert (line["part"], line["channel"]) in {("drums", 10), ("bass", 2), ("chords", 1)}
                assert 0 <= line["note"] <= 127 and 1 <= line["velocity"] <= 127 and type(line["on"]) is bool
            if line["type"] == "gesture":
                assert ("reason" in line) == (line["action"] == "ignored")

    def test_bars_and_beats_count_from_one_and_the_count_in_is_chorus_nought(self, lines):
        places = [line for line in lines if line["type"] == "position"]
        assert [(line["chorus"], line["bar"], line["beat"]) for line in places[:5]] == [
            (0, 1, 1), (0, 1, 2), (0, 1, 3), (0, 1, 4), (1, 1, 1),
        ]  # fmt: skip
        assert {line["beat"] for line in places} == {1, 2, 3, 4}

    def test_the_foot_is_in_it(self, lines):
        presses = [line for line in lines if line["type"] == "press"]
        assert [(line["at_ns"] / 1e9, line["switch"], line["down"]) for line in presses[:2]] == [
            (0, "main", True), (0.08, "main", False),
        ]  # fmt: skip
        actions = [
            (line["switch"], line["gesture"], line["action"]) for line in lines if line["type"] == "gesture"
        ]
        assert {("main", "tap", "cue"), ("main", "double", "last"), ("main", "tap", "stomp")} <= set(actions)
        assert ("main", "tap", "ignored") in actions and {switch for switch, *_ in actions} == {
            "main",
            "second",
        }
        assert {"cue", "last"} <= {
            what for line in lines if line["type"] == "position" for what in line["armed"]
        }

    def test_the_same_again_is_the_same_again(self, tmp_path):
        for name in ("a", "b"):
            pedal("simulate", "wet-boots", "--trace", tmp_path / name)
        assert (tmp_path / "a").read_bytes() == (tmp_path / "b").read_bytes() != b""
