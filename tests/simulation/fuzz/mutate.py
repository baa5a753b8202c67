"""Inputs to be afraid of: known good ones, damaged by a seeded mutator of bytes."""

import random
from collections.abc import Callable, Sequence

_NUMBERS = (b"0", b"-1", b"1e999", b"nan", b"9" * 19, b"9" * 5000, b"0.1", b"1_0", b"0x7f", b"65536")
_MOST = 400  # inputs that are kept because they led somewhere new


class Mutator:
    """Makes inputs from seeds. What leads somewhere new is kept, and damaged further."""

    def __init__(
        self, dice: random.Random, seeds: Sequence[bytes], tokens: Sequence[bytes] = (), longest: int = 4096
    ) -> None:
        self.dice = dice
        self.seeds = list(seeds)
        self.tokens = (*tokens, *_NUMBERS)
        self._longest = longest
        self._kept: list[bytes] = []
        self._ops: tuple[Callable[[bytearray], None], ...] = (
            self._flip,
            self._flip,
            self._overwrite,
            self._overwrite,
            self._insert,
            self._token,
            self._token,
            self._delete,
            self._copy,
            self._splice,
            self._cut,
            self._repeat,
        )

    def keep(self, data: bytes) -> None:
        """This one has led somewhere new."""
        if len(self._kept) < _MOST:
            self._kept.append(data)
        else:
            self._kept[self.dice.randrange(_MOST)] = data

    def pick(self) -> bytes:
        """An input to begin with."""
        kept = self._kept and self.dice.random() < 0.5
        return self.dice.choice(self._kept if kept else self.seeds)

    def make(self) -> bytes:
        """An input that was damaged in one to eight places."""
        data = bytearray(self.pick())
        for _ in range(1 << self.dice.randrange(4)):
            self.dice.choice(self._ops)(data)
        return bytes(data[: self._longest])

    # ---- ways to damage -------------------------------------------------------------------

    def _place(self, data: bytearray) -> int:
        """Somewhere, but more often near the beginning: there stands what the rest goes by."""
        near = min(len(data), 128) if self.dice.random() < 0.4 else len(data)
        return self.dice.randrange(near) if near else 0

    def _length(self) -> int:
        return 1 << self.dice.randrange(7)

    def _flip(self, data: bytearray) -> None:
        if data:
            data[self._place(data)] ^= 1 << self.dice.randrange(8)

    def _overwrite(self, data: bytearray) -> None:
        if data:
            place = self._place(data)
            value = self.dice.choice((0, 1, 0x7F, 0x80, 0xF7, 0xF8, 0xFF, self.dice.randrange(256)))
            data[place] = value

    def _insert(self, data: bytearray) -> None:
        place = self._place(data)
        data[place:place] = self.dice.randbytes(self.dice.choice((1, 1, 2, 8)))

    def _token(self, data: bytearray) -> None:
        place = self._place(data)
        over = self.dice.choice((0, 0, 1, 8))
        data[place : place + over] = self.dice.choice(self.tokens)

    def _delete(self, data: bytearray) -> None:
        place = self._place(data)
        del data[place : place + self._length()]

    def _copy(self, data: bytearray) -> None:
        start, place = self._place(data), self._place(data)
        data[place:place] = data[start : start + self._length()]

    def _splice(self, data: bytearray) -> None:
        other = self.pick()
        data[self._place(data) :] = other[self.dice.randrange(len(other) + 1) :]

    def _cut(self, data: bytearray) -> None:
        del data[self.dice.randrange(len(data) + 1) :]

    def _repeat(self, data: bytearray) -> None:
        """Long and longer: what has no limit shows here."""
        if self.dice.random() < 0.1:
            start = self._place(data)
            piece = bytes(data[start : start + self._length()])
            data[start:start] = piece * self.dice.choice((2, 10, 100, 1000))
