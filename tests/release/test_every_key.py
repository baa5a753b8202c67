"""All that is shipped in all twelve keys: what the Session plays is what is written for the player."""

from itertools import product

import pytest

from pedal.commands import render
from pedal.export.full_score import band_score
from pedal.export.notation import bass_notation
from pedal.library.library import Library
from pedal.music.neck.fingerboard import FIVE, FOUR, SIX
from pedal.music.pitch import MAJOR_KEYS, MINOR_KEYS, parse_key
from pedal.music.plan import make_plan
from tests.export.schema import mistakes
from tests.support.midi import hanging

LIBRARY = Library()
EVERYTHING = [
    (name, key)
    for name in LIBRARY.names("tune")
    for key in (MINOR_KEYS if LIBRARY.tune(name).key.minor else MAJOR_KEYS)
]


@pytest.mark.parametrize(("name", "key"), EVERYTHING)
def test_it_is_played_to_its_end(name, key):
    plan = make_plan(LIBRARY.tune(name), parse_key(key))
    for seed in range(5):
        sends = render.performed(plan, 5, None, seed)
        assert hanging([send.data for send in sends]) == set()
        assert max(send.chorus for send in sends) == 5


@pytest.mark.parametrize(("name", "key"), EVERYTHING)
def test_the_w3c_schema_finds_nothing(name, key):
    tune = LIBRARY.tune(name)
    for instrument, choruses in product((FOUR, FIVE, SIX), (1, 3)):
        plan = make_plan(tune, parse_key(key), instrument=instrument)
        assert mistakes(bass_notation(plan, choruses)) == []
        assert mistakes(band_score(plan, choruses)) == []
