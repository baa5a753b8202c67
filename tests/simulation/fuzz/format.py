"""A format that comes from outside, and what must hold whatever comes."""

import random
from collections.abc import Hashable, Sequence
from contextlib import ExitStack

from .mutate import Mutator


class Format:
    """One format. `feed` gets one input after another, and raises if something happens that must not."""

    name = ""
    full = 1_000_000  # inputs of a full run
    slice = 3_000  # of a short one
    longest = 4096
    tokens: Sequence[bytes] = ()

    def __init__(self) -> None:
        self.stack = ExitStack()

    def seeds(self) -> list[bytes]:
        """Inputs that are right."""
        raise NotImplementedError

    def feed(self, data: bytes) -> Hashable:
        """Let the box have it. Returns what became of it, in as many kinds as there are ways to go."""
        raise NotImplementedError

    def mutator(self, dice: random.Random) -> Mutator:
        return Mutator(dice, self.seeds(), self.tokens, self.longest)

    def make(self, mutator: Mutator) -> bytes:
        """The next input."""
        return mutator.make()

    def close(self) -> None:
        self.stack.close()


def need(holds: object, *what: object) -> None:
    """Like assert, and never left out."""
    if not holds:
        raise AssertionError(" ".join(map(str, what))[:300])


def one_line(text: object, most: int = 700) -> None:
    """What is said to a player is a line with something in it."""
    line = str(text)
    need(line and "\n" not in line and len(line) <= most, "not a line to be shown:", repr(line[:200]))
