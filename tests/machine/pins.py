"""The world outside the pins: what presses switches and sees lamps.

On a Raspberry Pi a pin is moved by changing its own pull resistor, and read in the chip's registers,
both with `pinctrl`, while the service has the pin. With the kernel's gpio-sim its files do the same.
"""

import shutil
import subprocess
import time
from pathlib import Path

_SIMULATED = Path("/sys/devices/platform")


def _line(pin: int) -> Path | None:
    return next(_SIMULATED.glob(f"gpio-sim.*/gpiochip*/sim_gpio{pin}"), None)


def level(pin: int) -> bool:
    """Whether the pin is high."""
    if line := _line(pin):
        return (line / "value").read_text().strip() == "1"
    said = subprocess.run(["pinctrl", "lev", str(pin)], capture_output=True, text=True, check=True)
    return said.stdout.strip() == "1"


def pull(pin: int, down: bool) -> None:
    """What a switch between the pin and ground does (down), and its release."""
    if line := _line(pin):
        (line / "pull").write_text("pull-down" if down else "pull-up")
        return
    assert shutil.which("pinctrl"), "neither gpio-sim nor pinctrl is here"
    subprocess.run(["pinctrl", "set", str(pin), "pd" if down else "pu"], check=True)


def press(pin: int, seconds: float = 0.08) -> None:
    """Down, held, up."""
    pull(pin, True)
    time.sleep(seconds)
    pull(pin, False)


def bounce(pin: int, seconds: float = 0.04, held: float = 0.1) -> float:
    """A press whose contact closes and opens again and again for a while; how long it did, in seconds.

    A slow machine may take longer than it was told, and then has not done what it was to do.
    """
    begin = time.monotonic()
    pull(pin, True)
    step = time.monotonic() - begin
    while time.monotonic() - begin + 2 * step < seconds:
        pull(pin, False)
        pull(pin, True)
    took = time.monotonic() - begin
    time.sleep(held)
    pull(pin, False)
    return took
