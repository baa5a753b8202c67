"""The same tune for instruments that do not read at concert pitch."""

from dataclasses import replace
from typing import NamedTuple

from ..music.degrees import resolve
from ..music.plan import Plan


class ChartReader(NamedTuple):
    """Who reads a chart: how far above what sounds it is written, in semitones (octaves left out)."""

    file: str
    semitones: int
    head: str


CONCERT = ChartReader("", 0, "Concert pitch: guitar, piano, bass; trombone in bass clef")
READERS = (
    CONCERT,
    ChartReader("for-B-flat", 2, "For B♭ instruments in treble clef: trumpet, clarinet, tenor saxophone"),
    ChartReader("for-E-flat", 9, "For E♭ instruments in treble clef: alto and baritone saxophone"),
)


def read_by(plan: Plan, reader: ChartReader) -> Plan:
    """The plan with its chords named as a reader has them. What sounds, and the neck, stay as they are."""
    if not reader.semitones:
        return plan
    key = plan.key.up(reader.semitones)
    return replace(plan, key=key, chords=tuple(resolve(chord.degree, key) for chord in plan.chords))
