"""Sets and routines, checked against the tunes there are."""

from dataclasses import dataclass

from ..music.pitch import parse_key
from ..session.beat_context import GUIDES
from ..session.entry import Entry
from ..session.settings import MODES
from .form_files import MOST_CHORUSES, TEMPO, Read
from .toml_check import Rule, Table, number, one_of, text, texts, whole


@dataclass(frozen=True, slots=True)
class Set:
    """What is played tonight, or practised: a routine is a set whose entries go on by themselves."""

    name: str
    title: str
    entries: tuple[Entry, ...]


def read_set(name: str, table: Table, a_tune: Rule[str]) -> Read[Set] | None:
    """A set. `a_tune` is the rule for the tunes it names."""
    before = len(table.problems)
    table.get("kind", one_of("set"), "set")
    title = table.get("title", text)
    entries = [_entry(entry, a_tune) for entry in table.tables("entry")]
    table.close()
    if not entries:
        table.wrong("entry", "a set needs at least one [[entry]]")
    return None if len(table.problems) > before else Read(Set(name, title, tuple(entries)))


def _entry(table: Table, a_tune: Rule[str]) -> Entry:
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


def read_routine(name: str, table: Table, a_tune: Rule[str]) -> Read[Set] | None:
    """A routine: steps in order, each with a goal but a vamp, which the foot ends."""
    before = len(table.problems)
    table.get("kind", one_of("routine"), "routine")
    title = table.get("title", text)
    steps: list[Entry] = []
    tune = None
    for step in table.tables("step"):
        tune = step.get("tune", a_tune, tune) if steps else step.get("tune", a_tune)
        steps.append(_step(step, tune))
    table.close()
    if not steps:
        table.wrong("step", "a routine needs at least one [[step]]")
    return None if len(table.problems) > before else Read(Set(name, title, tuple(steps)))


def _step(table: Table, tune: str | None) -> Entry:
    mode = table.get("do", one_of(*MODES))
    tempo = table.get("tempo", number(*TEMPO), None)
    step = Entry(
        tune=tune or "",
        key=table.get("key", texts(lambda value: str(parse_key(value))), None),
        mbpm=round(tempo * 1000) if tempo else None,
        mode=mode,
        guide=table.get("guide", one_of(*GUIDES), None),
        up=table.get("up", whole(-11, 11), 0) or 0,
        choruses=table.get("choruses", whole(1, MOST_CHORUSES), 0) or 0,
        hardest=table.get("hardest", whole(1, 99), 0) or 0,
        circle=table.get("keys", one_of("fourths"), None) is not None,
        goes_on=True,
    )
    table.close()
    if mode == "through" and not step.choruses:
        table.wrong("choruses", "is missing: without it this step would never end")
    for key, belongs in (("choruses", "through"), ("hardest", "drill")):
        if mode and getattr(step, key) and mode != belongs:
            table.wrong(key, f"belongs to a step that does {belongs!r}")
    if mode and step.circle and mode != "through":
        table.wrong("keys", "belongs to a step that does 'through'")
    if step.key and step.up:
        table.wrong("up", "does not go together with key")
    return step
