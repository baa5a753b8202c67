"""The suites are only worth something if they can fail: each rule has a culprit here."""

import time

import pytest

from pedal.hardware.clock import SimClock
from tests.hardware.conformance import (
    LampBench,
    PortBench,
    SwitchBench,
    check_clock,
    check_lamps,
    check_port,
    check_switches,
)
from tests.support.recording import HandSwitches, RecordingLamps, RecordingPort


class NamelessPort(RecordingPort):
    name = ""

    def __init__(self):
        super().__init__("")


class PortThatSwapsMessages(RecordingPort):
    def send(self, data):
        super().send(data)
        self.sent.sort()


class PortThatSendsNothings(RecordingPort):
    def send(self, data):
        self.sent.append(data)


class PortThatNeverCloses(RecordingPort):
    def close(self):
        pass


class PortThatRaisesWhenClosed(RecordingPort):
    def send(self, data):
        if self.closed:
            raise OSError("closed")
        super().send(data)


@pytest.mark.parametrize(
    "culprit",
    [
        NamelessPort,
        PortThatSwapsMessages,
        PortThatSendsNothings,
        PortThatNeverCloses,
        PortThatRaisesWhenClosed,
    ],
)
def test_ports(culprit):
    def make():
        port = culprit()
        return PortBench(port, lambda: port.sent)

    with pytest.raises((AssertionError, OSError)):
        check_port(make)


class SwitchesThatMixUpNames(HandSwitches):
    def press(self, at, name="main"):
        super().press(at, self.names[0])


class SwitchesInTheFuture(HandSwitches):
    def press(self, at, name="main"):
        super().press(at + 10**12, name)


class SwitchesThatTellReleasesAsPresses(HandSwitches):
    def release(self, at, name="main"):
        self.press(at, name)


class SwitchesThatNeverClose(HandSwitches):
    def close(self):
        pass


@pytest.mark.parametrize(
    "culprit",
    [
        SwitchesThatMixUpNames,
        SwitchesInTheFuture,
        SwitchesThatTellReleasesAsPresses,
        SwitchesThatNeverClose,
    ],
)
def test_switches(culprit):
    def make():
        hand = culprit("main", "second")

        def tap(name):
            hand.press(time.monotonic_ns(), name)
            hand.release(time.monotonic_ns(), name)

        return SwitchBench(hand, tap)

    with pytest.raises(AssertionError):
        check_switches(make)


class LampsAllTogether(RecordingLamps):
    def set(self, name, lit):
        for each in self.names:
            super().set(each, lit)


class LampsThatKnowNoStrangers(RecordingLamps):
    def set(self, name, lit):
        self.lit[name]  # KeyError
        super().set(name, lit)


class LampsThatStayLit(RecordingLamps):
    def close(self):
        pass


@pytest.mark.parametrize("culprit", [LampsAllTogether, LampsThatKnowNoStrangers, LampsThatStayLit])
def test_lamps(culprit):
    def make():
        board = culprit("I", "IV", "V")
        return LampBench(board, lambda name: board.lit[name])

    with pytest.raises((AssertionError, KeyError)):
        check_lamps(make)


class ClockThatRunsBackwards(SimClock):
    def now(self):
        self._now -= 1
        return self._now


class ClockInSeconds(SimClock):
    def now(self):
        return time.monotonic()


@pytest.mark.parametrize("culprit", [ClockThatRunsBackwards, ClockInSeconds])
def test_clocks(culprit):
    with pytest.raises(AssertionError):
        check_clock(culprit)
