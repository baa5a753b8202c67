"""The GPIO pins of the box and who has which.

The library is always named, never guessed: the guess of gpiozero falls back silently to ones
that lose edges. lgpio works on every Raspberry Pi; RPi.GPIO neither on a Pi 5 nor, for edges,
on kernel 6.6 and later.
"""

import atexit
import contextlib
import importlib
import os
import shutil
import tempfile
import warnings
from typing import Any, TypeVar

from pedal.hardware.errors import LampError, PinError, SwitchError

FACTORIES = {
    "lgpio": ("gpiozero.pins.lgpio", "LGPIOFactory", "apt: python3-lgpio, pip: lgpio"),
    "rpigpio": ("gpiozero.pins.rpigpio", "RPiGPIOFactory", "apt: python3-rpi.gpio, pip: RPi.GPIO"),
    "mock": ("gpiozero.pins.mock", "MockFactory", "part of gpiozero"),
}
"""Name: module, class, where to get it."""

E = TypeVar("E", SwitchError, LampError)

Pin = int | str
"""A BCM number (17), or any name that gpiozero knows ("GPIO17", "BOARD11")."""

HIGHEST_PIN = 27
"""GPIO 0 to 27 are on the 40-pin header, in the chip maker's (BCM) counting."""


class GpioPins:
    """One open GPIO library. Close it after the switches and lamps on it."""

    def __init__(self, library: str) -> None:
        """Open "lgpio", "rpigpio" or "mock". Raises PinError."""
        self.library = library
        """The name of the library in use."""
        self.factory = _open_factory(library)
        """gpiozero's object for it, to be passed to its devices."""
        self._owners: dict[str, str] = {}

    def claim(self, pin: Pin, owner: str, error: type[E]) -> None:
        """Note that `owner` (such as 'switch "main"') has the pin. Raises `error` if it cannot have it."""
        try:
            name = self.factory.pin(pin).info.name
        except Exception as reason:  # each library has its own
            raise pin_error(error, owner, pin, reason) from None
        if name in self._owners:
            raise pin_error(error, owner, pin, f"{self._owners[name]} has this pin already")
        self._owners[name] = owner

    def close(self) -> None:
        """Give all pins back. May be called again."""
        with contextlib.suppress(Exception):  # each library has its own
            self.factory.close()
        self._owners.clear()


def pin_error(error: type[E], owner: str, pin: Pin, reason: object) -> E:
    """An error in one line that names who wanted which pin."""
    return error(f"{owner}, pin {pin}: " + " ".join(str(reason).strip("'\"").split()))


def load_library(library: str) -> None:
    """Import a library of FACTORIES ahead of time. What is wrong with it is told when it is opened."""
    with contextlib.suppress(Exception):  # each library has its own
        importlib.import_module("gpiozero")
        _import_with_care(library)
        importlib.import_module(FACTORIES[library][0])


def _open_factory(library: str) -> Any:
    if library not in FACTORIES:
        raise PinError(f"there is no GPIO library {library!r}; choose one of: {', '.join(FACTORIES)}")
    module, cls, source = FACTORIES[library]
    try:
        _import_with_care(library)
        factory = getattr(importlib.import_module(module), cls)
        from gpiozero.exc import PinFactoryFallback

        # Should anything ever make a device without our factory, it must fail, not fall back.
        warnings.simplefilter("error", PinFactoryFallback)
        return factory()
    except ImportError:
        raise PinError(f"GPIO library {library} or gpiozero is not installed ({source})") from None
    except Exception as reason:  # each library has its own, lgpio as early as at its import
        raise PinError(f"GPIO library {library} cannot be used: {' '.join(str(reason).split())}") from None


def _import_with_care(library: str) -> None:
    """lgpio leaves a FIFO in the directory LG_WD, and moves the whole process there to do it."""
    if library != "lgpio":
        return
    here = os.getcwd()
    if "LG_WD" not in os.environ:
        os.environ["LG_WD"] = os.environ.get("RUNTIME_DIRECTORY") or _own_directory()
    try:
        importlib.import_module("lgpio")
    finally:
        os.chdir(here)


def _own_directory() -> str:
    directory = tempfile.mkdtemp(prefix="pedal-gpio-")
    atexit.register(shutil.rmtree, directory, ignore_errors=True)
    return directory
