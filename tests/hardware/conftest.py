"""MIDI systems to test against: the JACK server of `tests/conftest.py`, and ALSA where it is."""

import itertools
import os
from collections.abc import Callable, Iterator
from functools import partial

import pytest

from pedal.hardware import port_rtmidi

_numbers = itertools.count()


@pytest.fixture(params=["jack", "alsa"])
def midi_api(request: pytest.FixtureRequest) -> str:
    """Each MIDI system that can be had here."""
    if request.param == "jack":
        request.getfixturevalue("jack")
    elif not os.path.exists(port_rtmidi.SEQUENCER):
        pytest.skip(f"no ALSA sequencer here ({port_rtmidi.SEQUENCER})")
    return request.param


class Ear:
    """A MIDI input of our own that keeps what it hears."""

    def __init__(self, api: str, name: str) -> None:
        import rtmidi

        number = {"alsa": rtmidi.API_LINUX_ALSA, "jack": rtmidi.API_UNIX_JACK}[api]
        self.name = name
        self.messages: list[bytes] = []
        self._client = rtmidi.MidiIn(number, name=name)
        self._client.ignore_types(sysex=False, timing=False, active_sense=False)
        self._client.set_callback(lambda message, _: self.messages.append(bytes(message[0])))
        self._client.open_virtual_port("in")

    def heard(self) -> list[bytes]:
        return list(self.messages)

    def vanish(self) -> None:
        if not self._client.is_deleted:
            self._client.close_port()
            self._client.delete()


@pytest.fixture
def make_ear_on() -> Iterator[Callable[..., Ear]]:
    """Makes inputs of a MIDI system, with names that are used once."""
    ears = []

    def make(api: str, name: str | None = None) -> Ear:
        ears.append(Ear(api, name or f"Test Ear {next(_numbers)}"))
        return ears[-1]

    yield make
    for ear in ears:
        ear.vanish()


@pytest.fixture
def make_ear(midi_api: str, make_ear_on: Callable[..., Ear]) -> Callable[..., Ear]:
    """Makes inputs with names that are used once."""
    return partial(make_ear_on, midi_api)
