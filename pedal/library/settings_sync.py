"""`[clock]` and `[follow]`: who plays along, over MIDI.

[clock]
out = "drum machine"        # gets clock, start, stop, song position; part of the output's name
in = "drum machine"         # its clock leads; part of the input's name
[follow]
out = "lamps"               # other boxes that show our lamps
in = "leader"               # on such a box (pedal follow): where the leader comes in
"""

from dataclasses import dataclass
from typing import Any

from .toml_check import Table, text


@dataclass(frozen=True, slots=True)
class SyncSettings:
    """Parts of the names of ports; None where nobody is."""

    clock_out: str | None = None
    clock_in: str | None = None
    follow_out: str | None = None
    follow_in: str | None = None


def read_sync(clock: Table, follow: Table) -> SyncSettings:
    """Both tables; what is wrong in them is noted there."""
    read: dict[str, Any] = {}
    for name, table in (("clock", clock), ("follow", follow)):
        for way in ("out", "in"):
            read[f"{name}_{way}"] = table.get(way, text, None)
        table.close()
    return SyncSettings(**read)
