"""`pedal follow` around the follower: lamps on pins, what it says, how it ends."""

import threading
from types import SimpleNamespace

import pytest

from pedal.hardware.box import Box
from pedal.hardware.clock import RealClock
from pedal.hardware.lamp_gpio import LampPins
from pedal.library.settings import Config, LampSettings
from pedal.service import lamp_box
from pedal.service.inbox import Inbox
from pedal.session.sync.lamp_message import encode
from tests.session.sync.test_lamp_message import EXAMPLE
from tests.support.commands import lonely, pedal
from tests.support.servers import needs_rtmidi
from tests.support.wait import wait_for


@needs_rtmidi
def test_without_midi_it_says_so_and_ends(tmp_path):
    config = tmp_path / "pedal.toml"
    config.write_text('[synth]\napi = "jack"\n')
    done = pedal("follow", "--config", config, **lonely())
    assert done.returncode == 1 and done.stderr.endswith("pedal: no JACK server is running\n")
    assert "Traceback" not in done.stderr


def test_lamps_on_pins():
    config = Config(gpio="mock", lamps=LampSettings(LampPins({"I": 5, "V": 13})))
    box, boards = Box(config.gpio), []
    lamp_box._open_lamps(lamp_box._lamps_of(config), box, boards)
    try:
        boards[0].set("V", True)
        assert [box.pins().factory.pin(pin).state for pin in (5, 13)] == [0, 1]
    finally:
        for board in boards:
            board.close()
        box.close()


@pytest.fixture
def following():
    """A follower that shows on a list, and its inbox."""
    inbox, lit, texts = Inbox(), [], []
    board = SimpleNamespace(set=lambda lamp, on: lit.append((lamp, on)), status=texts.append)
    thread = threading.Thread(target=lamp_box._follow, args=(RealClock(), inbox, [board], None))
    thread.start()
    yield inbox, lit, texts
    inbox.put(None)
    thread.join(5)
    assert not thread.is_alive()
    inbox.close()


def test_what_comes_in_is_shown_at_once(following):
    inbox, lit, texts = following
    wait_for("the sign that nobody leads", lambda: ("V", True) in lit)
    assert texts[-1] == "no leader"
    inbox.put(lamp_box._Heard(RealClock().now(), encode(EXAMPLE._replace(lit=0b1001, changes=()))))
    wait_for("the lamps", lambda: ("other", True) in lit)
    assert texts[-1] == "chorus 1, bar 4.2"


def test_where_the_leader_is_in_words():
    assert lamp_box._where(EXAMPLE._replace(state="stopped")) == "stopped"
    assert lamp_box._where(EXAMPLE._replace(chorus=0)) == "count-in"
    assert lamp_box._where(None) == "no leader"
