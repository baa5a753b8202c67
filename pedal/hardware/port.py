"""What the loop sends its MIDI to.

One object owns a port, and one thread uses it. A synth that goes away raises nothing (the
MIDI systems do not tell), so a port swallows what it cannot deliver; `port_watch.py` notices.
"""

import difflib
import re
from abc import ABC, abstractmethod
from collections.abc import Sequence
from contextlib import closing
from typing import Protocol, Self

from pedal.hardware.errors import PortMissing
from pedal.hardware.keys import Keys

# ALSA ends each name in client and port numbers that change at every boot: "Synth:in 128:0".
_NUMBERS = re.compile(r"\s+\d+:\d+$")
_NOT_SYNTHS = ("midi through", "pedal")  # ALSA's loop-back, and our own clients


class SynthPort(ABC):
    """A MIDI output."""

    name: str
    """The full name under which the MIDI system lists it."""

    @abstractmethod
    def send(self, data: bytes) -> None:
        """Send one MIDI message. Dropped, never raised, if closed, gone or not a message."""

    @abstractmethod
    def close(self) -> None:
        """Give the port back. May be called again."""


class PortNames(Protocol):
    """A list of outputs that can be asked again and again."""

    def names(self) -> list[str]:
        """The names there are now. Never raises."""

    def close(self) -> None:
        """Give it back. Call once."""


class PortBackend(ABC):
    """A way to a synth, as the settings have it: how outputs are listed and opened."""

    midi_api = "auto"
    """The MIDI system (of `port_rtmidi.APIS`) for whatever comes in, and for those who play along."""

    synth_api: str | None = None
    """The MIDI system under which a FluidSynth of ours would show up here; None: it would not."""

    @classmethod
    def read(cls, keys: Keys) -> Self | None:
        """Read the backend's own keys in `[synth]`; None if it has none, or if one is wrong."""
        return None

    def load(self) -> None:  # noqa: B027 - not all have anything to import
        """Import what `open` will use: with real-time priority that would take too long. Never raises."""

    def found(self) -> "PortBackend":
        """What this stands for on this machine. Raises MidiMissing if there is nothing."""
        return self

    def later(self) -> "PortBackend | None":
        """Whom to ask once a second while there is no MIDI system; None if that costs too much."""
        return self

    @abstractmethod
    def open(self, pattern: str, client_name: str = "pedal") -> SynthPort:
        """Open the output with `pattern` in its name, as `client_name`. Raises PortMissing or MidiMissing."""

    @abstractmethod
    def listing(self, client_name: str = "pedal-list") -> PortNames:
        """A list to be asked again and again, as `client_name`. Raises MidiMissing."""

    def names(self) -> list[str]:
        """The outputs there are now. Not for asking again and again. Raises MidiMissing."""
        with closing(self.listing()) as ports:
            return ports.names()

    def is_connected(self, client_name: str = "pedal") -> bool:
        """Whether what `client_name` sends still reaches a synth; True where nobody can tell."""
        return True


def match_port(pattern: str, names: Sequence[str]) -> str | None:
    """The port meant by `pattern`, part of a name in any case; a whole name wins over a part.

    An empty pattern means the first that may be a synth.
    """
    if not pattern:
        return next((name for name in names if not name.casefold().startswith(_NOT_SYNTHS)), None)
    wanted = _bare(pattern)
    whole = [name for name in names if _bare(name) == wanted]
    part = [name for name in names if wanted in _bare(name)]
    return next(iter(whole + part), None)


def find_port(pattern: str, names: Sequence[str]) -> str:
    """Like `match_port`, but raises PortMissing with the ports there are and the likeliest slip."""
    found = match_port(pattern, names)
    if found is not None:
        return found
    if not pattern:
        raise PortMissing("no synth is connected")
    words = [word for name in names for word in (_NUMBERS.sub("", name), *re.split(r"[\s:]+", name))]
    by_fold = {word.casefold(): word for word in words}
    close = difflib.get_close_matches(pattern.casefold(), by_fold, n=1)
    hint = f" (did you mean {by_fold[close[0]]!r}?)" if close else ""
    there = ", ".join(names) if names else "none"
    raise PortMissing(f"no MIDI port has {pattern!r} in its name{hint}; ports: {there}")


def _bare(name: str) -> str:
    return _NUMBERS.sub("", name).casefold()
