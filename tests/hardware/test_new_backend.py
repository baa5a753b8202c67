"""What somebody does who adds a lamp board: one file and one line. Then it works everywhere.

It is done to a copy of the package, and everything runs there as processes of their own.
"""

import os
import shutil
import signal
import subprocess
import sys
from contextlib import contextmanager
from functools import partial
from pathlib import Path

import pytest

import pedal
from pedal.library.library import sequences_dir
from tests.support.commands import lonely
from tests.support.wait import wait_for

pytestmark = pytest.mark.slow  # a process each
ROOT = Path(__file__).resolve().parents[2]

BACKEND = '''
"""Lamps on paper."""

from dataclasses import dataclass

from pedal.hardware.lamp import LampBackend, LampBoard


@dataclass(frozen=True)
class PrintedLamps(LampBackend):
    """Prints each change, behind a mark of one's own."""

    names: tuple[str, ...]
    mark: str

    @classmethod
    def read(cls, keys, lamps):
        mark = keys.text("mark", "*")
        return mark and cls(tuple(lamps), mark)

    def lamps(self):
        return self.names

    def open(self, box):
        return Paper(self.names, self.mark)


class Paper(LampBoard):
    def __init__(self, names, mark):
        self.names, self._mark, self._lit, self._open = names, mark, set(), True

    def set(self, name, lit):
        if self._open and name in self.names and lit != (name in self._lit):
            (self._lit.add if lit else self._lit.discard)(name)
            print(self._mark, name, "on" if lit else "off", flush=True)

    def close(self):
        for name in self.names:
            self.set(name, False)
        self._open = False
'''
LINE = '    "print": "lamp_print:PrintedLamps",\n'

CONFORMS = """
import sys
from io import StringIO
from pedal.hardware.box import Box
from pedal.library.settings import load_config
from tests.hardware.conformance import LampBench, check_lamps

def make():
    paper = sys.stdout = StringIO()
    board = load_config(sys.argv[1]).lamps.backend.open(Box("none"))

    def is_lit(name):
        said = [line.split()[2] for line in paper.getvalue().splitlines() if line.split()[1] == name]
        return said[-1:] == ["on"]

    return LampBench(board, is_lit)

check_lamps(make)
"""


@pytest.fixture(scope="module")
def copy(tmp_path_factory):
    """The package with one file and one line more, and what a process needs to use it."""
    root = tmp_path_factory.mktemp("contributor")
    package = root / "pedal"
    shutil.copytree(Path(pedal.__file__).parent, package, ignore=shutil.ignore_patterns("__pycache__"))
    if not (package / "sequences").exists():  # they are in the wheel, and beside the sources
        (root / "sequences").symlink_to(sequences_dir())
    (package / "hardware/lamp_print.py").write_text(BACKEND)
    registry = package / "hardware/registry.py"
    before, after = registry.read_text().split("LAMPS = {\n")
    registry.write_text(before + "LAMPS = {\n" + LINE + after)
    (root / "tests").symlink_to(ROOT / "tests")
    return root


@pytest.fixture
def config(tmp_path):
    file = tmp_path / "pedal.toml"
    file.write_text(
        "[gpio]\nfactory = 'mock'\n[synth]\napi = 'jack'\n[lamps]\nbackend = 'print'\nmark = 'lamp:'\n"
    )
    return file


def start(root, code, *arguments, environ=None, **more):
    return subprocess.Popen(
        [sys.executable, "-c", code, *map(str, arguments)],
        env={**(environ or lonely()), "PYTHONPATH": str(root), "PYTHONUNBUFFERED": "1"},
        cwd=root,
        stdin=subprocess.DEVNULL,
        text=True,
        # Whoever runs tests in the background has Ctrl-C ignored, and children inherit that.
        preexec_fn=partial(signal.signal, signal.SIGINT, signal.SIG_DFL),
        **more,
    )


COMMAND = "import sys; from pedal.cli import main; sys.exit(main())"


def asked(root, *arguments):
    """What a command says that ends by itself, and its status."""
    process = start(root, COMMAND, *arguments, stdout=subprocess.PIPE, stderr=subprocess.STDOUT)
    said, _ = process.communicate(timeout=30)
    return said.splitlines(), process.returncode


@contextmanager
def running(root, folder, *arguments, environ=None):
    """A command that goes on until it is told to end: what it has said so far."""
    log = folder / "said"
    with log.open("w") as out:
        process = start(root, COMMAND, *arguments, environ=environ, stdout=out, stderr=out)
    try:
        yield process, log.read_text
    finally:
        process.kill()
        process.wait()


def ends_dark(process, said, number):
    """It is told to end, and does; every lamp that was lit is off."""
    process.send_signal(number)
    process.wait(10)
    lit = set()
    for line in said().splitlines():
        if line.startswith("lamp: "):
            _, name, state = line.split()
            (lit.add if state == "on" else lit.discard)(name)
    assert lit == set()


def test_the_settings_know_its_name_and_its_own_keys(copy, config):
    assert asked(copy, "check", config) == (["no mistakes found"], 0)
    config.write_text("[lamps]\nbackend = 'prin'\n")
    (said,), status = asked(copy, "check", config)
    assert status == 1
    assert said.endswith("lamps.backend = 'prin': must be one of: print, gpio, desk; did you mean 'print'?")
    config.write_text("[lamps]\nbackend = 'print'\nmark = 1\nI = 5\n")
    wrong, pin = asked(copy, "check", config)[0]
    assert "lamps.mark = 1: must be a text" in wrong and "lamps.I: unknown key" in pin


def test_run(copy, config, tmp_path):
    with running(copy, tmp_path, "run", "--config", config) as (process, said):
        wait_for("the blip of the ready box", lambda: "lamp: I on" in said(), 20)
        ends_dark(process, said, signal.SIGTERM)
    assert process.returncode == 0 and "Traceback" not in said()


def test_follow(copy, config, tmp_path, jack):
    with running(copy, tmp_path, "follow", "--config", config, environ=os.environ) as (process, said):
        wait_for("the sign that nobody leads", lambda: "lamp: V on" in said(), 20)
        ends_dark(process, said, signal.SIGTERM)
    assert process.returncode == 0 and "Traceback" not in said()


def test_lamps_test(copy, config, tmp_path):
    with running(copy, tmp_path, "lamps", "--test", "--config", config) as (process, said):
        wait_for("the second lamp", lambda: "lamp: IV on" in said(), 20)
        ends_dark(process, said, signal.SIGINT)
    assert said().splitlines()[:4] == ["lamp I", "lamp: I on", "lamp: I off", "lamp IV"]


def test_it_conforms(copy, config):
    process = start(copy, CONFORMS, config, stdout=subprocess.PIPE, stderr=subprocess.STDOUT)
    said, _ = process.communicate(timeout=30)
    assert (said, process.returncode) == ("", 0)
