"""What the package is beside its code."""

from importlib.resources import files


def test_it_tells_type_checkers_that_it_has_types():
    assert files("pedal").joinpath("py.typed").read_text() == ""
