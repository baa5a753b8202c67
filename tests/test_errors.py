"""The tree of exceptions is the one that is drawn, and what is shown is one line."""

import pkgutil
import re
from importlib import import_module

import pytest

import pedal
from pedal import errors
from pedal.errors import FileError, UserError, file_errors
from pedal.library.toml_check import BadFile, Problem

_ENTRY = re.compile(r"^ {4}([ │├└─]*)(\w+)(?: \((\w+)\))?(?: {2,}\S.*)?$")


def drawn():
    """Name: the names of its bases, as `pedal.errors` draws them."""
    above, found = [], {}
    for line in errors.__doc__.splitlines():
        if entry := _ENTRY.match(line):
            depth = len(entry[1]) // 4
            above[depth:] = [entry[2]]
            found[entry[2]] = {*above[depth - 1 : depth], entry[3]} - {None} if depth else {"Exception"}
    return found


def there():
    """The same of all the exceptions that the package has."""
    found = {}
    for module in pkgutil.walk_packages(pedal.__path__, "pedal."):
        if module.name == "pedal.__main__":
            continue
        for thing in vars(import_module(module.name)).values():
            if isinstance(thing, type) and issubclass(thing, Exception) and thing.__module__ == module.name:
                found[thing.__name__] = {base.__name__ for base in thing.__bases__}
    return found


def test_the_tree_is_the_one_that_is_drawn():
    # `Wrong (ValueError)` hangs on nothing of ours, so the root above it is drawn, not a base.
    want = {name: bases - {"Exception"} or {"Exception"} for name, bases in drawn().items()}
    assert there() == {name: bases for name, bases in want.items() if name != "Exception"}


def test_every_entry_has_an_example():
    for line in errors.__doc__.partition("Never shown")[0].splitlines():
        if entry := _ENTRY.match(line):
            assert len(re.split(r" {2,}", line.strip(" │├└─"))) == 3, entry[2]


@pytest.mark.parametrize(
    ("text", "shown"),
    [
        ("no tune is called 'B♭'", "pedal: no tune is called 'B♭'"),
        ("looked for it at /tmp/a\nb", r"pedal: looked for it at /tmp/a\nb"),
        ("a\x1b[2Jb\udcff", r"pedal: a\x1b[2Jb\udcff"),
    ],
)
def test_what_is_shown_is_one_line(text, shown):
    assert UserError(text).shown() == shown


def test_of_files_with_mistakes_each_is_a_line():
    error = BadFile(
        [Problem("a\n.toml", "tempo", "0", "is too low"), Problem("b\x1b.toml", "", "", "is gone")]
    )
    assert error.shown() == "a .toml: tempo = 0: is too low\nb\\x1b.toml: is gone"


class TestFileErrors:
    def test_what_the_system_refuses(self, tmp_path):
        with pytest.raises(FileError) as caught, file_errors("trace 'x' cannot be opened"):
            tmp_path.read_bytes()
        assert str(caught.value) == "trace 'x' cannot be opened: Is a directory"
        assert isinstance(caught.value, OSError) and isinstance(caught.value, UserError)

    def test_what_says_it_better_already(self):
        with pytest.raises(FileError, match=r"^there already$"), file_errors("x"):
            raise FileError("there already")

    def test_a_bug(self):
        with pytest.raises(ValueError, match=r"^bug$"), file_errors("x"):
            raise ValueError("bug")
