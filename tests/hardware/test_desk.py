import io
import os
import re
import subprocess
import sys
import termios

import pytest

from pedal.events import NS_PER_MS, Press, Quit, Release
from pedal.hardware.desk import DeskKeys, DeskLamps
from pedal.hardware.errors import RigError
from tests.hardware.conformance import LampBench, SwitchBench, check_lamps, check_switches, until
from tests.support.recording import Collector


@pytest.fixture
def terminal():
    """Both ends of a pseudo-terminal: where a person types and looks, and what the program has."""
    person, program = os.openpty()
    yield person, program
    os.close(person)
    os.close(program)


@pytest.fixture
def desk(terminal):
    """A person's end, the desk's keys and what they told."""
    person, program = terminal
    keys = DeskKeys(program)
    told = Collector()
    keys.start(told)
    yield person, keys, told
    keys.close()


def shape(events):
    """Edges with their times in ms since the first."""
    letters = {Press: "P", Release: "R"}
    return [(letters[type(event)], (event.at - events[0].at) / NS_PER_MS) for event in events]


class TestKeys:
    def test_conformance(self):
        def make():
            person, program = os.openpty()

            def dispose():
                os.close(person)
                os.close(program)

            def tap(name):
                os.write(person, {"main": b" ", "second": b"s"}[name])

            return SwitchBench(DeskKeys(program), tap, dispose)

        check_switches(make)

    @pytest.mark.parametrize(
        ("key", "switch", "edges"),
        [
            (b" ", "main", [("P", 0), ("R", 80)]),
            (b"d", "main", [("P", 0), ("R", 80), ("P", 200), ("R", 280)]),
            (b"h", "main", [("P", 0), ("R", 800)]),
            (b"s", "second", [("P", 0), ("R", 80)]),
            (b"S", "second", [("P", 0), ("R", 800)]),
        ],
    )
    def test_a_key_plays_a_whole_gesture(self, desk, key, switch, edges):
        person, _, told = desk
        os.write(person, key)
        events = told.wait_for(len(edges))
        assert shape(events) == edges
        assert {event.switch for event in events} == {switch}

    def test_the_press_is_put_at_once_and_the_release_when_due(self, desk):
        person, _, told = desk
        os.write(person, b"h")
        told.wait_for(1)
        assert len(told.events) == 1
        os.write(person, b"s")  # the other switch does not wait for the first
        press, other_press, other_release = told.wait_for(3)
        assert [event.switch for event in (press, other_press, other_release)] == ["main", "second", "second"]

    def test_a_foot_on_the_switch_cannot_press_it(self, desk):
        person, _, told = desk
        os.write(person, b"    xyz dh")
        told.wait_for(2)
        os.write(person, b"q")
        until(lambda: any(type(event) is Quit for event in told.events))
        assert [type(event) for event in told.events] == [Press, Release, Quit]

    @pytest.mark.parametrize("key", [b"q", b"\x03"])
    def test_quit(self, desk, key):
        person, _, told = desk
        os.write(person, key)
        [event] = told.wait_for(1)
        assert type(event) is Quit
        assert type(event) is Quit

    def test_a_terminal_that_goes_away_quits(self):
        person, program = os.openpty()
        keys = DeskKeys(program)
        told = Collector()
        keys.start(told)
        os.close(person)
        [event] = told.wait_for(1)
        assert type(event) is Quit
        with pytest.raises(AssertionError):
            told.wait_for(2, seconds=0.05)  # once is enough
        keys.close()
        os.close(program)

    def test_the_terminal_is_given_back_as_it_was(self, terminal):
        _, program = terminal
        before = termios.tcgetattr(program)
        keys = DeskKeys(program)
        keys.start(Collector())
        assert termios.tcgetattr(program) != before
        keys.close()
        keys.close()
        assert termios.tcgetattr(program) == before

    def test_the_terminal_is_given_back_after_an_error(self, terminal):
        _, program = terminal
        before = termios.tcgetattr(program)
        code = "from pedal.hardware.desk import DeskKeys\nDeskKeys(0).start(print)\nraise SystemExit(3)"
        assert subprocess.run([sys.executable, "-c", code], stdin=program).returncode == 3
        assert termios.tcgetattr(program) == before

    def test_no_terminal(self):
        read, write = os.pipe()
        with pytest.raises(RigError) as caught:
            DeskKeys(read)
        assert str(caught.value) == ("standard input is not a terminal, so there are no keys to play with")
        keys = DeskKeys(read, need_terminal=False)
        told = Collector()
        keys.start(told)
        os.write(write, b" ")
        assert shape(told.wait_for(2)) == [("P", 0), ("R", 80)]
        os.close(write)
        assert type(told.wait_for(3)[2]) is Quit
        keys.close()
        os.close(read)

    def test_descriptors_are_given_back(self, terminal):
        _, program = terminal
        before = len(os.listdir("/proc/self/fd"))
        DeskKeys(program).close()
        keys = DeskKeys(program)
        keys.start(Collector())
        keys.close()
        assert len(os.listdir("/proc/self/fd")) == before


class Screen:
    """Reads what a program draws on a pseudo-terminal."""

    def __init__(self, encoding="utf-8"):
        self.person, program = os.openpty()
        os.set_blocking(self.person, False)
        self.stream = os.fdopen(program, "w", encoding=encoding)
        self.drawn = ""

    def line(self):
        try:
            while more := os.read(self.person, 4096):
                self.drawn += more.decode(self.stream.encoding)
        except BlockingIOError:
            pass
        return self.drawn.rstrip("\r\n").rpartition("\r")[2]

    def is_lit(self, name):
        sign = re.search(rf"(?:^|\s){re.escape(name)} (\S)", self.line())
        return sign is not None and sign[1] in "●#"

    def close(self):
        self.stream.close()
        os.close(self.person)


class TestLamps:
    @pytest.mark.parametrize("encoding", ["utf-8", "ascii", "latin-1"])
    def test_conformance(self, encoding):
        def make():
            screen = Screen(encoding)
            return LampBench(DeskLamps(["I", "IV", "V", "other"], screen.stream), screen.is_lit, screen.close)

        check_lamps(make)

    def test_draws_one_line(self):
        screen = Screen()
        lamps = DeskLamps(["I", "IV", "V"], screen.stream)
        lamps.set("IV", True)
        lamps.status("chorus 2 bar 5 IV7 D7 → I7")
        assert screen.line() == "I ○  IV ●  V ○   chorus 2 bar 5 IV7 D7 → I7\x1b[K"
        assert "\n" not in screen.drawn
        drawn = screen.drawn
        lamps.set("IV", True)
        lamps.status("chorus 2 bar 5 IV7 D7 → I7")
        screen.line()
        assert screen.drawn == drawn  # nothing changed, nothing drawn
        lamps.close()
        screen.line()
        assert screen.drawn.endswith("\n")
        screen.close()

    def test_text_that_the_terminal_cannot_show(self):
        screen = Screen("ascii")
        lamps = DeskLamps(["I"], screen.stream)
        lamps.status("A♭7")
        assert screen.line() == "I .   A?7\x1b[K"
        lamps.set("I", True)
        assert screen.is_lit("I")
        screen.close()

    def test_a_long_text_never_wraps(self, monkeypatch):
        monkeypatch.setenv("COLUMNS", "20")
        screen = Screen()
        DeskLamps(["I"], screen.stream).status("x" * 100)
        assert screen.line() == ("I ○   " + "x" * 100)[:19] + "\x1b[K"
        screen.close()

    def test_prints_nothing_where_nobody_looks(self):
        stream = io.StringIO()
        lamps = DeskLamps(["I", "V"], stream)
        lamps.set("I", True)
        lamps.status("bar 1")
        lamps.close()
        assert stream.getvalue() == ""

    def test_a_screen_that_goes_away_raises_nothing(self):
        screen = Screen()
        lamps = DeskLamps(["I"], screen.stream)
        screen.stream.close()
        lamps.set("I", True)
        lamps.close()
        os.close(screen.person)
