"""USB pedals: on a stand-in for evdev, and on the kernel's own (uinput) where that can be had."""

import os
import sys
import threading

import pytest

from pedal.events import Press, Release
from pedal.hardware.errors import SwitchError
from pedal.hardware.switch_evdev import EvdevSwitches, list_pedals
from tests.hardware.conformance import SwitchBench, check_switches, until
from tests.support.fake_evdev import EV_KEY, EV_SYN, SYN_DROPPED, FakeEvdev
from tests.support.recording import Collector

LOOK_S = 0.02


@pytest.fixture
def fake(tmp_path, monkeypatch):
    fake = FakeEvdev(tmp_path)
    monkeypatch.setitem(sys.modules, "evdev", fake)
    return fake


@pytest.fixture
def opened():
    """Sources that are closed at the end."""
    sources = []

    def make(device, **keys):
        sources.append(EvdevSwitches(device, keys, LOOK_S))
        told = Collector()
        sources[-1].start(told)
        return sources[-1], told

    yield make
    for source in sources:
        source.close()


def edges(told):
    letters = {Press: "P", Release: "R"}
    return "".join(letters[type(event)] for event in told.events if type(event) in letters)


def said(told):
    return [event.text for event in told.events if type(event) not in (Press, Release)]


def test_conformance(fake):
    def make():
        pedal = fake.plug("PCsensor FootSwitch Keyboard", "KEY_A", "KEY_B")
        keys = {"main": "b", "second": "KEY_A"}
        source = EvdevSwitches("footswitch", keys)

        def tap(name):
            key = {"main": "KEY_B", "second": "KEY_A"}[name]
            pedal.press(key)
            pedal.release(key)

        return SwitchBench(source, tap, pedal.unplug)

    check_switches(make)


def test_conformance_on_the_kernels_own():
    if not os.access("/dev/uinput", os.W_OK):
        pytest.skip("no /dev/uinput here that may be written")
    evdev = pytest.importorskip("evdev")

    def make():
        name = f"Test Pedal {os.getpid()}"
        pedal = evdev.UInput({evdev.ecodes.EV_KEY: [evdev.ecodes.KEY_B]}, name=name)
        until(lambda: name in list_pedals())

        def tap(_):
            for value in (1, 0):
                pedal.write(evdev.ecodes.EV_KEY, evdev.ecodes.KEY_B, value)
                pedal.syn()

        return SwitchBench(EvdevSwitches(name, {"main": "b"}), tap, pedal.close)

    check_switches(make)


def test_is_grabbed_and_given_back(fake, opened):
    pedal = fake.plug("Pedal", "KEY_B")
    source, _ = opened("pedal", main="b")
    assert pedal.grabbed_by is not None
    source.close()
    assert pedal.grabbed_by is None and pedal.readers == []


def test_other_devices_are_left_alone(fake, opened):
    others = [fake.plug("Keyboard", "KEY_B"), fake.plug("Pedal Mouse", "BTN_LEFT")]
    opened("pedal", main="b")
    assert [other.readers for other in others] == [[], []]


def test_only_edges_of_its_keys(fake, opened):
    pedal = fake.plug("Pedal", "KEY_A", "KEY_B")
    _, told = opened("pedal", main="b")
    pedal.press("KEY_A")
    pedal.press("KEY_B")
    for _ in range(3):
        pedal.event(EV_KEY, 48, 2)  # the repeat of a key held
    pedal.release("KEY_B")
    pedal.release("KEY_A")
    pedal.press("KEY_B")
    told.wait_for(3)
    assert edges(told) == "PRP" and {event.switch for event in told.events} == {"main"}


def test_unplugged_while_held_and_back_again(fake, opened):
    pedal = fake.plug("Pedal", "KEY_B")
    _, told = opened("pedal", main="b")
    pedal.press("KEY_B")
    told.wait_for(1)
    pedal.unplug()
    told.wait_for(3)
    assert edges(told) == "PR" and said(told) == ["USB pedal 'Pedal' is gone"]
    again = fake.plug("Pedal", "KEY_B")
    told.wait_for(4)
    assert said(told)[1:] == ["USB pedal 'pedal' is there"]
    again.press("KEY_B")
    told.wait_for(5)
    assert edges(told) == "PRP" and again.grabbed_by is not None


def test_waits_for_one_that_is_not_there(fake, opened):
    _, told = opened("pedal", main="b")
    assert len(said(told)) == 1 and said(told)[0].startswith("no USB pedal has 'pedal' in its name")
    pedal = fake.plug("The Pedal", "KEY_B")
    told.wait_for(2)
    pedal.press("KEY_B")
    told.wait_for(3)
    assert edges(told) == "P"


def test_one_that_another_program_has_is_said_once_and_tried_again(fake, opened):
    pedal = fake.plug("Pedal", "KEY_B")
    pedal.grabbed_by = "somebody else"
    _, told = opened("pedal", main="b")
    looks = threading.Event()
    assert not looks.wait(5 * LOOK_S)
    assert said(told) == ["USB pedal 'Pedal' is taken by another program; trying again"]
    assert pedal.readers == []
    pedal.grabbed_by = None
    told.wait_for(2)
    pedal.press("KEY_B")
    told.wait_for(3)
    assert edges(told) == "P"


def test_held_when_we_come_counts_after_it_was_let_go(fake, opened):
    pedal = fake.plug("Pedal", "KEY_B")
    pedal.press("KEY_B")
    _, told = opened("pedal", main="b")
    pedal.release("KEY_B")
    pedal.press("KEY_B")
    told.wait_for(1)
    assert edges(told) == "P"


def test_events_that_the_kernel_dropped(fake, opened):
    pedal = fake.plug("Pedal", "KEY_A", "KEY_B")
    _, told = opened("pedal", main="b", second="a")
    pedal.press("KEY_A")
    told.wait_for(1)
    pedal.down = {48}  # a released, b pressed, and nobody told us
    pedal.event(EV_SYN, SYN_DROPPED, 0)
    told.wait_for(3)
    assert {(type(event), event.switch) for event in told.events[1:]} == {
        (Release, "second"),
        (Press, "main"),
    }


def test_a_key_that_is_none(fake):
    with pytest.raises(SwitchError) as caught:
        EvdevSwitches("pedal", {"main": "pagedwn"})
    assert str(caught.value) == "switch \"main\": no key is called 'pagedwn'; did you mean 'KEY_PAGEDOWN'?"


def test_without_evdev(monkeypatch):
    monkeypatch.setitem(sys.modules, "evdev", None)
    with pytest.raises(SwitchError, match="need evdev, which is not installed"):
        EvdevSwitches("pedal", {"main": "b"})


def test_is_imported_only_when_it_is_wanted():
    import subprocess

    code = "import sys, pedal.service.rig, pedal.service.daemon; sys.exit('evdev' in sys.modules)"
    assert subprocess.run([sys.executable, "-c", code]).returncode == 0


def test_lists_what_has_keys(fake):
    fake.plug("Pedal", "KEY_B")
    fake.plug("Keyboard", "KEY_A")
    assert list_pedals() == ["Keyboard", "Pedal"]
