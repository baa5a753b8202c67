"""What the loop sends its MIDI to.

One object owns a port, and one thread uses it. A synth that goes away raises nothing (the
MIDI systems do not tell), so a port swallows what it cannot deliver; `watch.py` notices.
"""

import difflib
import re
from abc import ABC, abstractmethod
from collections.abc import Sequence

from pedal.hardware.errors import PortMissing

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
