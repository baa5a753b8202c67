"""The plan of a tune by name, as the player wants it."""

from ..errors import BadValue
from ..music.neck.fingerboard import FOUR, Instrument
from ..music.plan import Plan, make_plan
from .action_values import read_key
from .library import Library


def plan_for(
    library: Library,
    name: str,
    key: str | None = None,
    bpm: float | None = None,
    instrument: Instrument = FOUR,
    lead: str | None = None,
) -> Plan:
    """The plan of a tune by name. Raises Unknown, BadFile, or BadValue for a key that does not fit."""
    tune = library.tune(name)
    wanted = read_key(key) if key else tune.key
    if wanted.minor != tune.key.minor:
        kinds = ("a minor", "a major") if wanted.minor else ("a major", "a minor")
        raise BadValue(f"{wanted} is {kinds[0]} key, and {name} {kinds[1]} tune")
    return make_plan(tune, wanted, bpm, instrument, read_key(lead) if lead else None)
