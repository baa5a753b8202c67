"""All formats that come from outside."""

from .format import Format
from .kept import Journal, Practice, Remembered
from .streams import Clock, Following, Requests, Switches
from .toml_files import Sequences, Settings

FORMATS: tuple[type[Format], ...] = (
    Settings,
    Sequences,
    Requests,
    Switches,
    Clock,
    Following,
    Remembered,
    Practice,
    Journal,
)
