"""How far a command is that takes its time."""

import sys

_WIDTH = 60  # letters


class Progress:
    """One line on a terminal that says how far it is; nothing elsewhere."""

    def __init__(self) -> None:
        self._shown = sys.stderr.isatty()

    def note(self, text: str) -> None:
        """Say this in place of what the line said before; what is too long is cut off."""
        if self._shown:
            print(f"\r{text:<{_WIDTH}.{_WIDTH}}", end="", file=sys.stderr, flush=True)

    def clear(self) -> None:
        """Leave an empty line, for other things to be printed."""
        if self._shown:
            print(f"\r{'':<{_WIDTH}}\r", end="", file=sys.stderr, flush=True)
