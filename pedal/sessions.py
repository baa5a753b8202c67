"""A Session as the settings want it."""

from .config import Config
from .leader.session import Session
from .library import Library
from .score.plan import Plan


def make_session(config: Config, plan: Plan, now: int = 0) -> Session:
    """The Session of a box or of a simulation. Raises Unknown or BadFile for its set."""
    entries = Library(config.sequences).set(config.set).entries if config.set else ()
    return Session(plan, config.session, config.play.seed, now, config.foot, entries)
