"""A Session as the settings want it."""

from dataclasses import replace

from ..music.plan import Plan
from ..session.entry import Entry
from ..session.session import Session
from .library import Library
from .settings import Config


def make_session(config: Config, plan: Plan, now: int = 0) -> Session:
    """The Session of a box or of a simulation; `now` is nanoseconds of its clock.

    Raises Unknown or BadFile for its set.
    """
    entries = entries_of(config)
    return Session(plan, config.session, config.play.seed, now, config.foot, entries)


def entries_of(config: Config) -> tuple[Entry, ...]:
    """The steps of the routine, or the entries of the set, that the settings name.

    Raises Unknown or BadFile.
    """
    library = Library(config.sequences)
    if config.routine:
        return library.routine(config.routine).entries
    return library.set(config.set).entries if config.set else ()


def first_entry(config: Config) -> Config:
    """The settings with the tune, key and tempo that the set or routine begins with.

    Raises Unknown or BadFile.
    """
    entries = entries_of(config)
    if not entries:
        return config
    entry = entries[0]
    tempo = entry.mbpm / 1000 if entry.mbpm else None
    return replace(config, tune=entry.tune, key=entry.key, tempo=tempo)
