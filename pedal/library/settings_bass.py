"""`[bass]`: the instrument in the player's hands, for where on the neck the line lies.

[bass]
strings = 5                # 4, 5 or 6 in their usual tuning, or
tuning = [28, 33, 38, 43]  # MIDI keys of the open strings, lowest first (28 is E1)
frets = 20
scale_mm = 864             # from nut to bridge; 34 inches
open_strings = "avoid"     # avoid, allow, prefer
"""

from dataclasses import replace
from typing import Any

from ..music.neck.fingerboard import FOUR, INSTRUMENTS, MOST_FRETS, OPEN_STRINGS, Instrument
from .toml_check import Table, number, one_of, whole


def read_bass(table: Table) -> Instrument:
    """The instrument; the usual four strings where nothing is said. Lengths are millimetres."""
    strings = table.get("strings", whole(min(INSTRUMENTS), max(INSTRUMENTS)), 4)
    usual = INSTRUMENTS.get(strings or 4, FOUR)
    tuning = table.each("tuning", whole(0, 107), None)
    wishes: dict[str, Any] = {
        "tuning": tuple(tuning) if tuning else None,
        "frets": table.get("frets", whole(12, MOST_FRETS), None),
        "scale_mm": table.get("scale_mm", number(300, 1500), None),
        "open_strings": table.get("open_strings", one_of(*OPEN_STRINGS), None),
        "span_mm": table.get("span_mm", number(20, 300), None),
    }
    if tuning and strings and "strings" in table and len(tuning) != strings:
        table.wrong("tuning", f"has {len(tuning)} strings, and strings says {strings}")
    table.close()
    try:
        return replace(usual, **{key: value for key, value in wishes.items() if value is not None})
    except ValueError as error:
        table.wrong("tuning" if tuning else "frets", str(error))
        return usual
