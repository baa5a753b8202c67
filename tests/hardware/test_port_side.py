"""Ports of those who play along: outputs that come and go, inputs that know when something came."""

import itertools
import time

import pytest

from pedal.events import NS_PER_MS, NS_PER_S
from pedal.hardware import midi_input
from pedal.hardware.clock import RealClock
from pedal.hardware.errors import MidiMissing
from pedal.hardware.midi_input import MidiInput
from pedal.hardware.port_rtmidi import open_port
from pedal.hardware.port_side import SidePort
from pedal.service.inbox import ConditionWaker, FdWaker, Inbox
from pedal.session.sync.lamp_message import encode
from tests.session.sync.test_lamp_message import EXAMPLE
from tests.support.wait import wait_for

_numbers = itertools.count()
SAID = [b"\xfa", b"\xf8", b"\xf2\x0a\x00", b"\xfc", b"\xfb", encode(EXAMPLE)]


@pytest.fixture
def made():
    """Things to close."""
    things = []
    yield things
    for thing in reversed(things):
        thing.close()


@pytest.fixture
def side(midi_api, made):
    """Makes side ports that look every 20 ms; what they say is in `said`."""

    def make(pattern):
        said = []
        name = f"side{next(_numbers)}"
        made.append(SidePort(pattern, name, said.append, RealClock(), midi_api, period_s=0.02))
        made[-1].said = said
        return made[-1]

    return make


@pytest.fixture
def listen(midi_api, made):
    """Makes inputs; what they hear and say is kept."""

    def make(pattern, name=None):
        heard, said = [], []
        name = name or f"listen{next(_numbers)}"
        source = MidiInput(
            pattern, lambda at, data: heard.append((at, data)), said.append, midi_api, name, period_s=0.02
        )
        made.append(source)
        source.heard, source.said, source.name = heard, said, name
        source.start()
        return source

    return make


def test_what_is_sent_arrives_whole_and_in_order(side, listen):
    ears = listen(None)
    port = side(ears.name)
    wait_for("the port", lambda: port.said)
    for data in SAID:
        port.send(data)
    wait_for("all of it", lambda: len(ears.heard) == len(SAID))
    assert [data for _, data in ears.heard] == SAID


def test_a_side_port_comes_and_goes(side, make_ear, midi_api):
    name = f"Guest {next(_numbers)}"
    port = side(name)
    port.send(b"\xf8")  # nobody is there: dropped
    assert port.said[0].endswith("; waiting for it")
    first = make_ear(name)
    wait_for("there", lambda: len(port.said) == 2)
    port.send(b"\xfa")
    wait_for("heard", lambda: first.heard() == [b"\xfa"])
    first.vanish()
    wait_for("gone", lambda: len(port.said) == 3)
    port.send(b"\xfc")
    second = make_ear(name)
    wait_for("there again", lambda: len(port.said) == 4)
    port.send(b"\xfb")
    wait_for("heard again", lambda: second.heard() == [b"\xfb"])
    assert [" ".join(text.split()[-2:]) for text in port.said[1:]] == ["is there", "is gone", "is there"]


def test_sending_after_closing_is_no_crash(side, make_ear):
    ear = make_ear(name := f"Guest {next(_numbers)}")
    port = side(name)
    wait_for("there", lambda: port.said)
    port.close()
    port.close()
    for _ in range(100):
        port.send(b"\xf8")
    assert ear.heard() == []


def test_an_input_that_is_not_there_is_waited_for(listen, midi_api, made):
    from tests.hardware.test_switch_midi import Controller

    name = f"Late Machine {next(_numbers)}"
    ears = listen(name)
    assert ears.said[0].endswith("waiting for it") and name in ears.said[0]
    machine = Controller(midi_api, name)
    try:
        wait_for("there", lambda: len(ears.said) == 2)
        machine.send(0xF8)
        wait_for("a clock", lambda: [data for _, data in ears.heard] == [b"\xf8"])
    finally:
        machine.unplug()
    wait_for("gone", lambda: len(ears.said) == 3)


def test_when_a_clock_came_is_known_better_than_when_it_was_asked_for(listen, midi_api, made):
    """40 clocks, each sent at a time of its own: heard later by no more than JACK's period and ours.

    A machine that is busy with other things may be late: it has three tries.
    """
    ears = listen(None)
    port = open_port(ears.name, midi_api, f"send{next(_numbers)}")
    made.append(port)
    for _ in range(3):
        late = _lateness(ears, port)
        if late[0] > -3 * NS_PER_MS and late[len(late) // 2] < 15 * NS_PER_MS:
            break
    else:
        pytest.fail(f"late by {late[0]} to {late[-1]} ns")
    assert [at for at, _ in ears.heard] == sorted(at for at, _ in ears.heard)


def _lateness(ears, port):
    before, sent = len(ears.heard), []
    for number in range(before, before + 40):
        due = time.monotonic_ns() + 10 * NS_PER_MS
        wait_for("the next moment", lambda due=due: time.monotonic_ns() > due)
        sent.append(time.monotonic_ns())
        port.send(b"\xf8")
        wait_for("it", lambda number=number: len(ears.heard) > number)
    return sorted(at - was for was, (at, _) in zip(sent, ears.heard[before:], strict=True))


def test_an_input_that_the_midi_system_refuses(monkeypatch):
    import rtmidi

    deleted = []

    class Refused:
        def ignore_types(self, **_):
            pass

        def open_virtual_port(self, name):
            raise rtmidi.RtMidiError("error registering port")

        def delete(self):
            deleted.append(self)

    monkeypatch.setattr(midi_input, "midi_client", lambda *_, **__: Refused())
    with pytest.raises(MidiMissing, match=r"^MIDI input 'pedal-in' cannot be made: error registering port$"):
        MidiInput(None, lambda at, data: None, print, "jack")
    assert len(deleted) == 1


def test_moments_are_put_where_rtmidi_says():
    source = MidiInput.__new__(MidiInput)
    source._last, source._asked = 0, 100 * NS_PER_MS
    assert source._moment(102 * NS_PER_MS, 0.1015) == 101_500_000
    assert source._moment(102 * NS_PER_MS, 0.0002) == 101_700_000
    source._asked = 110 * NS_PER_MS
    assert source._moment(112 * NS_PER_MS, 0.0001) == 110 * NS_PER_MS  # not before we asked last
    assert source._moment(112 * NS_PER_MS, 5.0) == 112 * NS_PER_MS  # nor later than now


# ---- the inbox ---------------------------------------------------------------------------


@pytest.fixture(params=[ConditionWaker] + ([FdWaker] if FdWaker.available() else []))
def inbox(request):
    inbox = Inbox(request.param())
    yield inbox
    inbox.close()


def test_a_gentle_deadline_wakes(inbox):
    now = time.monotonic_ns()
    inbox.wait(now + 60 * NS_PER_S, now + 20 * NS_PER_MS)
    assert time.monotonic_ns() - now >= 20 * NS_PER_MS
    inbox.wait(None, time.monotonic_ns() + NS_PER_MS)


def test_a_gentle_deadline_is_never_spun_for_and_moves_no_spinning(inbox, monkeypatch):
    """The waker sleeps right up to it; a deadline that would be spun for already is waited for alone."""
    asleep = []
    inner = inbox._waker.sleep
    monkeypatch.setattr(inbox._waker, "sleep", lambda until: (asleep.append(until), inner(until))[1])
    inbox.spin_ns = 5 * NS_PER_MS
    now = time.monotonic_ns()
    inbox.wait(now + 40 * NS_PER_MS, now + 10 * NS_PER_MS)
    assert set(asleep) == {now + 10 * NS_PER_MS}
    asleep.clear()
    now = time.monotonic_ns()
    inbox.wait(now + 20 * NS_PER_MS, now + 16 * NS_PER_MS)
    assert set(asleep) == {now + 15 * NS_PER_MS}
    assert time.monotonic_ns() >= now + 20 * NS_PER_MS
