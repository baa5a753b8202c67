"""Everything that a performance needs, cleared away when it is over."""

import os
from collections.abc import Callable
from contextlib import ExitStack, suppress
from pathlib import Path
from types import TracebackType
from typing import TypeVar

from tests.support.desk import Desk
from tests.support.ear import Ear
from tests.support.servers import FluidSynth
from tests.support.wait import quiet_for

T = TypeVar("T")
TRIES = 4


def calmly(folder: Path, play: Callable[["Stage"], T]) -> T:
    """What a play gives on a stage of its own; played again if it fails and JACK itself has stumbled.

    JACK does not wait for a client that is late: what was sent in that period is lost, and nobody
    is to blame but a machine with too much else to do. A failure without a stumble is one at once.
    """
    for number in range(TRIES):
        if number:
            wait_for_calm(folder / f"calm-{number}")
        try:
            with Stage(folder / str(number)) as stage:
                return play(stage)
        except AssertionError:
            if number == TRIES - 1 or not stage.stumbled():
                raise
    raise AssertionError("unreachable")


def wait_for_calm(folder: Path, seconds: float = 2.0, patience: float = 30.0) -> None:
    """Wait until JACK has not stumbled for some seconds, but not for ever."""
    with Stage(folder) as stage, suppress(AssertionError):
        ear = stage.ear("Calm", midi=False)
        quiet_for(seconds, lambda: len(ear.stumbles()), patience)


class Stage:
    """Ears, synths and players' desks on the JACK server of this process's environment."""

    def __init__(self, folder: Path) -> None:
        folder.mkdir(parents=True)
        self._folder = folder
        self._made = ExitStack()
        self._ears: list[Ear] = []

    def stumbled(self) -> bool:
        """Whether an ear missed a period. Without an ear nobody can say."""
        return any(ear.stumbles() for ear in self._ears)

    def __enter__(self) -> "Stage":
        return self

    def __exit__(
        self, kind: type[BaseException] | None, error: BaseException | None, trace: TracebackType | None
    ) -> None:
        self._made.close()

    def ear(self, name: str, midi: bool = True) -> Ear:
        """Somebody who listens."""
        ear = Ear(name, self._folder / f"{name}.heard", midi)
        self._made.callback(ear.close)
        self._ears.append(ear)
        return ear

    def synth(self, name: str, drum_keys: tuple[int, int] | None = None) -> FluidSynth:
        """A synth that is ready."""
        log = self._folder / f"{name}-{len(os.listdir(self._folder))}.log"
        synth = FluidSynth(name, log, drum_keys)
        self._made.callback(synth.stop)
        synth.wait_ready()
        return synth

    def desk(self, settings: str, wait: bool = True) -> Desk:
        """`pedal run wet-boots --desk` with settings in TOML and a trace; ready to play."""
        number = len(os.listdir(self._folder))
        config, trace = self._folder / f"pedal-{number}.toml", self._folder / f"trace-{number}.jsonl"
        config.write_text(settings)
        desk = Desk("wet-boots", "--desk", "--config", str(config), environ=os.environ, trace=trace)
        self._made.callback(desk.close)
        if wait:
            desk.wait_said("ready: ")
        return desk
