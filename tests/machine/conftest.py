"""Tests for a machine with systemd, a GPIO chip and ALSA's sequencer; run by tests/machine/run alone."""

import os
from collections.abc import Iterator

import pytest

WHY = "needs a machine of its own to install on, stop and start: see tests/machine/run"


def pytest_collection_modifyitems(items: list[pytest.Item]) -> None:
    if "PEDAL_MACHINE" in os.environ:
        return
    for item in items:
        if item.path.parent.name == "machine":
            item.add_marker(pytest.mark.skip(reason=WHY))


@pytest.fixture(scope="session")
def installed() -> Iterator["object"]:
    """The service as install.sh leaves it; afterwards the settings are as they were."""
    from tests.machine.box import Box

    with Box.installed() as box:
        yield box


@pytest.fixture
def box(installed, request):
    """The box, with its own journal on the screen if the test fails."""
    installed.mark_journal()
    yield installed
    for ear in installed.ears:
        ear.close()
    installed.ears.clear()
    print(installed.journal())
