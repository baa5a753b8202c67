"""What every test may use: the shipped library."""

import pytest

from pedal.library import Library


@pytest.fixture(scope="session")
def library() -> Library:
    return Library()
