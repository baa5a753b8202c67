"""How many examples hypothesis tries: a few in `tests/run --quick` (profile `quick`), else all (`ci`).

A decorator that names a number wins over hypothesis's profile; so a test that needs one of its own asks
`examples` for it.
"""

import os
from collections.abc import Iterable
from typing import Any

import pytest
from hypothesis import HealthCheck, settings

QUICK = os.environ.get("PEDAL_TESTS") == "quick"
FEW = 5

# A machine that has other things to do is no fault of ours.
settings.register_profile("ci", deadline=None, suppress_health_check=[HealthCheck.too_slow], print_blob=True)
settings.register_profile("quick", settings.get_profile("ci"), max_examples=FEW)
settings.load_profile("quick" if QUICK else "ci")


def examples(count: int, **other: Any) -> settings:
    """So many examples for a test, or fewer if time is short; `other` are more of hypothesis's settings."""
    return settings(max_examples=min(count, FEW) if QUICK else count, **other)


def some(values: Iterable[Any], count: int = 1) -> list[Any]:
    """Parameters of a test of which all but the first are `slow`."""
    found = [value if type(value) is tuple else (value,) for value in values]
    return [pytest.param(*one, marks=[pytest.mark.slow] * (n >= count)) for n, one in enumerate(found)]
