"""The plan of a tune by name, as the player wants it."""

from ..music.neck.fingerboard import FOUR, Instrument
from ..music.pitch import parse_key
from ..music.plan import Plan, make_plan
from .library import Library


def plan_for(
    library: Library,
    name: str,
    key: str | None = None,
    bpm: float | None = None,
    instrument: Instrument = FOUR,
    lead: str | None = None,
) -> Plan:
    """The plan of a tune by name. Raises Unknown, BadFile, or ValueError for a key that does not fit."""
    tune = library.tune(name)
    wanted = parse_key(key) if key else tune.key
    if wanted.minor != tune.key.minor:
        kinds = ("a minor", "a major") if wanted.minor else ("a major", "a minor")
        raise ValueError(f"{wanted} is {kinds[0]} key, and {name} {kinds[1]} tune")
    return make_plan(tune, wanted, bpm, instrument, parse_key(lead) if lead else None)
