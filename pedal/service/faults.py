"""What is wrong with the box now, by cause. The lamps show the worst kind, `pedal status` all of it.

cannot sound   no synth to send to
bad file       settings or a tune with mistakes; something else plays in their place
degraded       it plays, but without something: pins, priority, a place to write
"""

from collections.abc import Callable

from ..session.lamp_patterns import FAULTS

CANNOT_SOUND, BAD_FILE, DEGRADED = FAULTS


class Faults:
    """Kept by the loop; not for other threads."""

    def __init__(self) -> None:
        self._causes: dict[str, tuple[str, str]] = {}
        self._tell: Callable[[tuple[str, ...]], None] = lambda kinds: None

    def then(self, tell: Callable[[tuple[str, ...]], None]) -> None:
        """Tell the kinds there are, if any, and from now on whenever they change."""
        self._tell = tell
        if self.kinds:
            tell(self.kinds)

    def add(self, cause: str, kind: str, detail: str) -> None:
        """From now on `cause` is a fault of a kind (of FAULTS), told in one line."""
        before = self.kinds
        self._causes[cause] = kind, detail
        self._changed(before)

    def clear(self, cause: str) -> None:
        """`cause` is mended, if it was a fault."""
        before = self.kinds
        self._causes.pop(cause, None)
        self._changed(before)

    def _changed(self, before: tuple[str, ...]) -> None:
        if self.kinds != before:
            self._tell(self.kinds)

    @property
    def kinds(self) -> tuple[str, ...]:
        """The kinds of what is wrong now, the worst first."""
        present = {kind for kind, _ in self._causes.values()}
        return tuple(kind for kind in FAULTS if kind in present)

    @property
    def details(self) -> list[str]:
        """A line for each fault, the worst first."""
        causes = sorted(self._causes.values(), key=lambda cause: FAULTS.index(cause[0]))
        return [f"{kind}: {detail}" for kind, detail in causes]
