"""What every test may use: the shipped library, a JACK server; and what `tests/run` asks for.

With PEDAL_TESTS=all a test that is skipped has failed, unless this machine cannot run it by any
means: there is no ALSA sequencer in a container without the kernel's module.
"""

import os
import shutil
import sys
from collections.abc import Iterator
from importlib.util import find_spec

import pytest

from pedal.library.library import Library
from tests.support.servers import jack_server, missing, server_answers
from tests.support.wait import wait_for
from tests.support.workers import in_order, share

if find_spec("hypothesis"):  # tests/machine does without
    from tests.support import examples  # noqa: F401  its profiles, before a test takes one

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


def pytest_collection_modifyitems(items: list[pytest.Item]) -> None:
    items.sort(key=lambda item: in_order(item.nodeid))


@pytest.hookimpl(optionalhook=True)
def pytest_xdist_make_scheduler(config: pytest.Config, log: object) -> object:
    from xdist.scheduler import LoadFileScheduling

    class Shares(LoadFileScheduling):
        def _split_scope(self, nodeid: str) -> str:
            return share(nodeid)

    return Shares(config, log) if config.getvalue("dist") == "loadfile" else None


@pytest.hookimpl(wrapper=True)
def pytest_runtest_makereport(item: pytest.Item, call: pytest.CallInfo) -> Iterator[None]:
    report = yield
    if ALL and report.skipped and not hasattr(report, "wasxfail"):
        _, _, reason = report.longrepr
        if not any(words in reason for words in CANNOT_BE_HAD):
            report.outcome, report.longrepr = "failed", f"all tests were to run: {reason}"
    return report
