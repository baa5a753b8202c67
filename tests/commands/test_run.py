"""`pedal run` where something is missing or wrong: one clear message, and on with what there is."""

import json
import os
import re
import signal
import termios

import pytest

from tests.support.commands import complaint, lonely, pedal
from tests.support.desk import Desk
from tests.support.servers import needs_rtmidi
from tests.support.wait import wait_for

pytestmark = pytest.mark.slow  # a process each

NO_KEYS = "pedal: standard input is not a terminal, so there are no keys to play with"


@pytest.fixture
def start(tmp_path):
    """Starts `pedal run wet-boots` in a terminal, with settings in TOML; ready to play."""
    desks = []

    def make(settings="", *arguments, desk=True, trace=tmp_path / "trace.jsonl"):
        config = tmp_path / "pedal.toml"
        config.write_text(settings)
        arguments = ["wet-boots", "--config", str(config), *arguments]
        desks.append(Desk(*arguments, *["--desk"] * desk, environ=lonely(), trace=trace))
        desks[-1].wait_said("ready: ")
        return desks[-1]

    yield make
    for one in desks:
        one.close()


class TestNothingCanGoOn:
    @pytest.mark.parametrize(
        ("arguments", "message"),
        [
            (["wet-bots"], "pedal: no tune is called 'wet-bots'; did you mean 'wet-boots'?; there are: "),
            (["../tunes/wet-boots"], "pedal: no tune is called '../tunes/wet-boots'"),
            (["--key", "H"], "pedal: 'H' is not a key (like A, Bb, F#m)"),
            (["--key", "Am"], "pedal: Am is a minor key, and wet-boots a major tune"),
            (["--tempo", "0"], "pedal: --tempo 0: must be 40 to 260 beats a minute"),
            (["--tempo", "nan"], "pedal: --tempo nan: must be 40 to 260 beats a minute"),
            (["--config", "/no/such.toml"], "/no/such.toml: cannot be read: No such file or directory"),
            (
                ["--trace", "/no/such/file"],
                "pedal: trace '/no/such/file' cannot be opened: No such file or dir",
            ),
            (["--trace", "/"], "pedal: trace '/' cannot be opened: Is a directory"),
            (["--desk"], NO_KEYS),
        ],
    )
    def test_arguments(self, arguments, message):
        assert complaint("run", *arguments).startswith(message)

    @pytest.mark.parametrize(
        ("settings", "message"),
        [
            ("tempo = 0", "tempo = 0: must be a number from 40 to 260"),
            ("tempo = = 3", "is not TOML: Invalid value (at line 1, column 9)"),
            ("tune = 'wet boots'", "tune = 'wet boots': must be a name of small letters, digits and hyphens"),
            ("key = 'H'", "key = 'H': is not a key (like A, Bb, F#m)"),
            ("[switches.main]\npin = 99", "switches.main.pin = 99: must be a whole number from 0 to 27"),
            ("[switches.second]\npin = 17", "switches.second.pin = 17: switches.main.pin is on the same pin"),
            ("[lamps]\nI = 17", "lamps.I = 17: switches.main.pin is on the same pin"),
            ("[synth]\nsoundfont = 'no.sf2'", "synth.soundfont = 'no.sf2': is no file"),
            ("[gpio]\nfactory = 'lgipo'", "gpio.factory = 'lgipo': must be one of: lgpio, rpigpio, mock"),
        ],
    )
    def test_settings(self, tmp_path, settings, message):
        file = tmp_path / "pedal.toml"
        file.write_text(settings)
        assert complaint("run", "--config", file).startswith(f"{file}: {message}")

    def test_all_mistakes_at_once(self, tmp_path):
        file = tmp_path / "pedal.toml"
        file.write_text("tempo = 0\nkey = 'H'\n")
        done = pedal("run", "--config", file)
        assert (done.returncode, done.stderr.count("\n")) == (1, 2)

    def test_nothing_is_started_before_the_terminal_is_found_missing(self, tmp_path):
        """Neither is the trace touched."""
        assert complaint("run", "--desk", "--trace", tmp_path / "trace") == NO_KEYS
        assert os.listdir(tmp_path) == []


class TestOnWithWhatThereIs:
    @needs_rtmidi
    def test_without_synth_and_pins(self, start):
        run = start(desk=False)
        said = [line for line in re.findall("^pedal: .*", run.said, re.M) if "priority" not in line]
        assert len(said) == 4
        assert said[0] == (
            "pedal: no MIDI: /dev/snd/seq is missing (try: modprobe snd_seq), and no JACK server is running; "
            "playing without sound"
        )
        assert said[1].startswith("pedal: no GPIO: GPIO library lgpio ")
        assert said[2] == "pedal: keys: space tap, d double, h hold, q quit"
        assert said[3].startswith(
            "pedal: ready: Wet Boots in A, 112 beats a minute, through; synth: none; no GPIO"
        )

    def test_at_a_desk_it_never_looks_for_pins(self, start):
        assert "GPIO library" not in start(desk=True).said

    def test_pins(self, start):
        run = start('[gpio]\nfactory = "mock"\n', desk=False)
        assert "no GPIO" not in run.said and "GPIO by mock" in run.said and "keys:" not in run.said

    def test_a_port_that_cannot_be_is_said_once(self, start):
        run = start('[synth]\nport = "fluyd"\n')
        assert run.said.count("no MIDI") == 1 and "synth: none" in run.said

    @pytest.mark.slow
    def test_the_form_goes_on_without_sound(self, start):
        run = start("tempo = 260\n")
        run.type(" ")
        run.wait_place(1, 3)
        run.type("q")
        assert run.end() == 0

    @pytest.mark.slow
    def test_a_full_disk_is_said_once(self, start):
        run = start(trace="/dev/full")
        run.wait_said("pedal: trace '/dev/full' stopped: No space left on device; playing on without it")
        assert run.process.poll() is None
        run.type("q")
        assert run.end() == 3  # done, but only in part
        assert run.said.count("/dev/full") == 1

    @pytest.mark.slow
    def test_a_full_disk_is_said_at_the_end_if_not_before(self, start):
        run = start(trace="/dev/full")
        run.type("q")
        assert run.end() == 3
        assert run.said.count("No space left on device") == 1


@pytest.mark.slow
class TestEnding:
    @pytest.mark.parametrize("number", [signal.SIGTERM, signal.SIGINT])
    def test_by_signal(self, start, number):
        run = start()
        assert termios.tcgetattr(run.terminal) != run.before
        run.signal(number)
        assert run.end(2.0) == 0
        assert termios.tcgetattr(run.terminal) == run.before
        assert "Traceback" not in run.said

    def test_no_lamp_stays_lit_on_the_screen(self, start):
        run = start("tempo = 260\n")
        run.type(" ")
        run.wait_place(1, 1)
        run.type("q")
        assert run.end() == 0
        assert re.search(r"I ○  IV ○  V ○  other ○ .*\n$", run.wait_said(r"(?s).*\n$")[0])

    @pytest.mark.parametrize("number", [signal.SIGTERM, signal.SIGKILL])
    def test_leaves_no_process_behind(self, start, number):
        run = start()
        children = _descendants(run.process.pid)
        assert children  # the worker that makes plans
        run.signal(number)
        run.end()
        wait_for("their end", lambda: not [child for child in children if _runs(child)])


def _runs(pid):
    """Whether there is such a process, and not only its entry that nobody has collected yet."""
    try:
        with open(f"/proc/{pid}/stat") as file:
            return file.read().rsplit(")", 1)[1].split()[0] != "Z"
    except OSError:
        return False


def _descendants(pid):
    with open(f"/proc/{pid}/task/{pid}/children") as file:
        return [int(word) for word in file.read().split()]


@pytest.mark.slow
def test_the_trace_begins_with_its_header_and_is_whole(start, tmp_path):
    run = start("tempo = 260\n[play]\nseed = 5\n")
    run.type(" ")
    run.wait_place(1, 1)
    run.signal(signal.SIGTERM)
    run.end()
    header, *lines = [json.loads(line) for line in (tmp_path / "trace.jsonl").read_text().splitlines()]
    assert (
        header.items() >= {"type": "header", "version": 1, "tune": "wet-boots", "key": "A", "seed": 5}.items()
    )
    assert header["mbpm"] == 260_000
    assert all(line["sent_ns"] >= line["due_ns"] for line in lines if line["type"] == "note")
