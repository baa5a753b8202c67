"""How much current the lamps draw from their pins: `[lamps.led]`, and what is too much.

Limits: Raspberry Pi Documentation, "GPIO" (16 mA a pin, 50 mA altogether); of a Pi 4, 8 mA a pin.
An LED takes (supply - forward voltage) / resistor.
"""

import contextlib
from collections.abc import Mapping, Sequence
from pathlib import Path
from typing import Any, NamedTuple

from .toml_check import Table, a_table, number

SUPPLY_V, FORWARD_V = 3.3, 2.0
PIN_MA, PI4_PIN_MA, ALL_MA = 16.0, 8.0, 50.0
BOARDS = {"zero2": PIN_MA, "pi3": PIN_MA, "pi4": PI4_PIN_MA, "pi5": PIN_MA}
_PI4_MODELS = ("Raspberry Pi 4", "Raspberry Pi 400", "Raspberry Pi Compute Module 4")
_MODEL = Path("/proc/device-tree/model")
# A pin that is pulled above its 3.3 V breaks.
_KEYS = {"supply_v": number(1, 3.5), "forward_v": number(0.5, 3.5), "resistor_ohm": number(1, 1_000_000)}
_USUAL = {"supply_v": SUPPLY_V, "forward_v": FORWARD_V, "resistor_ohm": None}


class Led(NamedTuple):
    """One lamp's LED and its series resistor."""

    supply_v: float
    forward_v: float
    resistor_ohm: float

    @property
    def milliamperes(self) -> float:
        """What it draws when it is lit."""
        return max(0.0, self.supply_v - self.forward_v) / self.resistor_ohm * 1000


def read_leds(table: Table, lamps: Sequence[str]) -> dict[str, Led]:
    """The LEDs of `[lamps.led]`: values for all lamps, and where one differs a table with its name.

    Volts and ohms; what is wrong is noted in the table.
    """
    if not table.values:
        return {}
    common = {key: table.get(key, rule, _USUAL[key]) for key, rule in _KEYS.items()}
    leds = {}
    for lamp in lamps:
        if table.get(lamp, a_table, {}) is None:
            continue
        one = table.table(lamp)
        values = {key: one.get(key, rule, common[key]) for key, rule in _KEYS.items()}
        one.close()
        if None not in values.values():
            leds[lamp] = Led(**values)
    if not leds and not table.problems:
        table.wrong("resistor_ohm", "is missing, and without it there is nothing to work out")
    table.close()
    return leds


def warnings(leds: Mapping[str, Led], pins: Mapping[str, Any], board: str | None) -> list[str]:
    """A line for each lamp on a pin that draws too much, and for all of them together."""
    limit = pin_limit(board)
    drawn = {lamp: leds[lamp].milliamperes for lamp in pins if lamp in leds}
    lines = [
        f"lamp {lamp} draws {now:.1f} mA, and a pin gives {limit:g} mA at most: a larger resistor is needed"
        for lamp, now in drawn.items()
        if now > limit
    ]
    if (together := sum(drawn.values())) > ALL_MA:
        lines.append(f"all lamps draw {together:.1f} mA; the pins give {ALL_MA:g} mA at most altogether")
    return lines


def pin_limit(board: str | None) -> float:
    """What one pin of a board (of BOARDS; None: this one) gives, in mA."""
    if board:
        return BOARDS[board]
    model = ""
    with contextlib.suppress(OSError):
        model = _MODEL.read_text(errors="replace")
    return PI4_PIN_MA if model.startswith(_PI4_MODELS) else PIN_MA
