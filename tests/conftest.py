"""What every test may use: the shipped library, a JACK server; and what `tests/run` asks for.

With PEDAL_TESTS=all a test that is skipped has failed, unless this machine cannot run it by any
means: there is no ALSA sequencer in a container without the kernel's module.
"""

import os
import shutil
import sys
from collections.abc import Iterator

import pytest

from pedal.library.library import Library
from tests.support.servers import jack_server, missing, server_answers
from tests.support.wait import wait_for

ALL = os.environ.get("PEDAL_TESTS") == "all"
CANNOT_BE_HAD = ["/dev/snd/seq", "ALSA works here", "/dev/uinput", "tests/machine/run"]
if sys.version_info >= (3, 13):
    CANNOT_BE_HAD.append("lgpio is not installed")  # it has no wheels


@pytest.fixture(scope="session", autouse=True)
def places_of_our_own(tmp_path_factory: pytest.TempPathFactory) -> Iterator[None]:
    """What a box remembers, and its control socket, are the tests' own and not the player's."""
    with pytest.MonkeyPatch.context() as environ:
        for variable in ("STATE_DIRECTORY", "RUNTIME_DIRECTORY"):
            environ.delenv(variable, raising=False)
        environ.setenv("XDG_STATE_HOME", str(tmp_path_factory.mktemp("state")))
        environ.setenv("XDG_RUNTIME_DIR", str(tmp_path_factory.mktemp("run")))
        yield


@pytest.fixture(scope="session")
def library() -> Library:
    return Library()


@pytest.fixture(scope="session")
def jack(tmp_path_factory: pytest.TempPathFactory) -> Iterator[str]:
    """A running JACK server, the default one while the tests last."""
    if shutil.which("jackd") is None:
        pytest.skip("jackd is not installed")
    name = f"pedal-test-{os.getpid()}"
    log = tmp_path_factory.mktemp("jack") / "jackd.log"
    with jack_server(name, log) as variables, pytest.MonkeyPatch.context() as environ:
        for variable, value in variables.items():
            environ.setenv(variable, value)
        wait_for("the JACK server", server_answers)
        yield name


def pytest_configure() -> None:
    if ALL and missing():
        pytest.exit(f"PEDAL_TESTS=all, but not installed: {', '.join(missing())}", returncode=1)


@pytest.hookimpl(wrapper=True)
def pytest_runtest_makereport(item: pytest.Item, call: pytest.CallInfo) -> Iterator[None]:
    report = yield
    if ALL and report.skipped and not hasattr(report, "wasxfail"):
        _, _, reason = report.longrepr
        if not any(words in reason for words in CANNOT_BE_HAD):
            report.outcome, report.longrepr = "failed", f"all tests were to run: {reason}"
    return report
