"""`pedal lamps --test` on lamps that keep what they were told, and a clock that jumps."""

from pedal.commands.lamps import run, show
from pedal.events import NS_PER_MS, NS_PER_S
from pedal.hardware.lamp_gpio import LampPins
from pedal.library.settings import Config, LampSettings
from tests.support.commands import complaint, pedal
from tests.support.recording import RecordingLamps

PINS = {"I": 5, "IV": 6, "V": 13, "ready": 26}


class Watched(RecordingLamps):
    def __init__(self):
        super().__init__(*PINS)
        self.now, self.said, self.seen = 0, [], []

    def sleep_until(self, ns):
        assert ns >= self.now
        self.seen.append((self.said[-1], {name for name, lit in self.lit.items() if lit}, ns - self.now))
        self.now = ns

    def of(self, words):
        return [(lit, ns // NS_PER_MS) for said, lit, ns in self.seen if said == words and ns]


def shown():
    board = Watched()
    show(board, PINS, board.said.append, board.sleep_until, lambda: board.now)
    return board


def test_each_lamp_then_each_pattern_with_its_name():
    board = shown()
    assert board.said == [
        *(f"lamp {lamp}, GPIO {pin}" for lamp, pin in PINS.items()),
        "pattern stopped and ready",
        "pattern cannot sound",
        "pattern bad file",
        "pattern degraded",
    ]
    assert board.of("lamp V, GPIO 13") == [({"V"}, 1000)]
    assert not any(board.lit.values())


def test_the_patterns():
    board = shown()
    both, one, middle = {"I", "IV", "V", "ready"}, {"I", "V", "ready"}, {"IV"}
    assert board.of("pattern cannot sound")[:4] == [(both, 1000), (set(), 1000)] * 2
    assert board.of("pattern bad file")[:2] == [(one, 1000), (middle, 200)]
    assert ({"I", "ready"}, 80) in board.of("pattern degraded")
    assert ({"V", "ready"}, 80) in board.of("pattern degraded")
    assert {frozenset(lit - {"ready"}) for lit, _ in board.of("pattern stopped and ready")} <= {
        frozenset(("I",)),
        frozenset(),
    }
    assert board.now < 40 * NS_PER_S


def test_without_lamps_it_says_so():
    said = []
    run(Config(gpio="mock"), said.append)
    assert said == ["no lamp has a pin in these settings"]


def test_pins_that_cannot_be_had_are_told_in_a_line(monkeypatch):
    import pytest

    from pedal.hardware.errors import LampError

    with pytest.raises(LampError, match='lamp "I", pin 99'):
        run(Config(gpio="mock", lamps=LampSettings(LampPins({"I": 99}))), print)


def test_the_command(tmp_path):
    file = tmp_path / "pedal.toml"
    file.write_text("[gpio]\nfactory = 'mock'\n")
    assert pedal("lamps", "--test", "--config", file).stdout == "no lamp has a pin in these settings\n"
    file.write_text("tempo = 0\n")
    assert "tempo = 0" in complaint("lamps", "--test", "--config", file)
    assert pedal("lamps").returncode == 2
