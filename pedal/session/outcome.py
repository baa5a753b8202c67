"""What an action answers: a reason why it was ignored, or None, or what takes it back again."""

from collections.abc import Callable

Answer = str | Callable[[int], None] | None
