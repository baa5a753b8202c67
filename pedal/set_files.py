"""Sets: entries of tune, key, tempo, mode and guide, checked against the tunes there are."""

from dataclasses import dataclass
from typing import Any

from .checks import Rule, Table, number, one_of, text, texts
from .leader.dials import MODES
from .leader.look import GUIDES
from .leader.programme import Entry
from .score.pitch import parse_key
from .sequence_files import TEMPO, Read


@dataclass(frozen=True, slots=True)
class Set:
    """What is played tonight."""

    name: str
    title: str
    entries: tuple[Entry, ...]


def read_set(name: str, table: Table, a_tune: Rule[str]) -> Read | None:
    """A set. `a_tune` is the rule for the tunes it names."""
    before = len(table.problems)
    table.get("kind", one_of("set"), "set")
    title = table.get("title", text)
    entries = [_entry(entry, a_tune) for entry in table.tables("entry")]
    table.close()
    if not entries:
        table.wrong("entry", "a set needs at least one [[entry]]")
    return None if len(table.problems) > before else Read(Set(name, title, tuple(entries)))


def _entry(table: Table, a_tune: Rule[str]) -> Any:
    tempo = table.get("tempo", number(*TEMPO), None)
    entry = Entry(
        tune=table.get("tune", a_tune),
        key=table.get("key", texts(lambda value: str(parse_key(value))), None),
        mbpm=round(tempo * 1000) if tempo else None,
        mode=table.get("mode", one_of(*MODES), None),
        guide=table.get("guide", one_of(*GUIDES), None),
    )
    table.close()
    return entry
