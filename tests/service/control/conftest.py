"""A control socket with a loop behind it that the test leads, and clients as bad as it wants."""

import tempfile
from collections.abc import Callable, Iterator
from pathlib import Path

import pytest

from pedal.service.control.server import ControlServer
from tests.service.control.bench import Client, Loop


@pytest.fixture
def loop() -> Loop:
    return Loop()


@pytest.fixture
def place() -> Iterator[Path]:
    with tempfile.TemporaryDirectory(prefix="pd") as folder:  # short: a socket's path has to be
        yield Path(folder) / "run" / "control"


@pytest.fixture
def server(loop: Loop, place: Path) -> Iterator[ControlServer]:
    server = ControlServer(
        place, loop.put, lambda name, value: "no such thing" if name == "nonsense" else None
    )
    server.publish(lambda: {"tune": "wet-boots", "bar": 3})
    yield server
    server.close()


@pytest.fixture
def client(server: ControlServer, place: Path) -> Iterator[Callable[[], Client]]:
    made: list[Client] = []

    def make() -> Client:
        made.append(Client(place))
        return made[-1]

    yield make
    for one in made:
        one.close()
