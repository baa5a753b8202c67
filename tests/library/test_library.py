"""Sequences by name: what is shipped, and what wins."""

import os
import subprocess
import sys
import time
import zipfile
from pathlib import Path

import pytest

import pedal.library.library
from pedal.library.library import FOLDERS, KINDS, Library, check_files, sequences_dir
from pedal.library.toml_check import Unknown, read_toml
from pedal.music.pitch import MAJOR_KEYS, MINOR_KEYS, parse_key
from pedal.music.plan import make_plan
from tests.music.playing import played
from tests.support.own import ENDING, FEEL, FIGURE, FORM, TUNE, TURNAROUND, Own


@pytest.fixture
def own(tmp_path) -> Own:
    return Own(tmp_path)


# ---- what is shipped ------------------------------------------------------------------


def test_all_that_is_shipped_is_in_order():
    assert [str(problem) for problem in check_files()] == []


def test_there_is_something_of_every_kind(library):
    for kind in KINDS:
        assert library.names(kind)
    assert {"twelve-bar", "twelve-bar-quick-change", "twelve-bar-turnaround"} <= set(library.names("form"))
    for kind in ("turnaround", "ending"):
        minor = [getattr(library, kind)(name).minor for name in library.names(kind)]
        assert minor.count(True) >= 3 and minor.count(False) >= 3


@pytest.mark.slow
def test_every_shipped_tune_plays_in_every_key(library):
    for name in library.names("tune"):
        tune = library.tune(name)
        for key in MINOR_KEYS if tune.key.minor else MAJOR_KEYS:
            plan = make_plan(tune, parse_key(key))
            for last in (False, True):
                assert all(notes for _, notes in played(plan, last=last)[:-8])


def test_every_shipped_file_tells_how_to_add_one():
    for folder in sorted(set(FOLDERS.values())):
        texts = [path.read_text() for path in (sequences_dir() / folder).glob("*.toml")]
        assert all(text.startswith("# ") for text in texts)
        assert any("add your own" in text for text in texts)


def test_a_default_is_the_feels_or_the_lines(library):
    tune = library.tune("wet-boots")
    assert (tune.figure.name, tune.turnaround.name, tune.ending.name) == (
        "root-and-pickup",
        "walk-down",
        "stop-on-the-one",
    )
    assert (str(tune.key), tune.bpm, tune.choruses) == ("A", 112, 0)
    assert str(library.tune("third-bus-home").key) == "B♭"


def test_things_are_read_once(library):
    assert library.form("twelve-bar") is library.form("twelve-bar")
    assert library.tune("wet-boots").form is library.form("twelve-bar")


def test_a_tune_reads_only_what_it_needs(monkeypatch):
    read = []
    monkeypatch.setattr(
        pedal.library.library,
        "read_toml",
        lambda path, *rest: read.append(path.name) or read_toml(path, *rest),
    )
    Library().tune("wet-boots")
    needed = (TUNE, FORM, FEEL, FIGURE, TURNAROUND, ENDING)
    assert set(read) == {Path(file).name for file in needed}


def test_a_tune_is_ready_quickly():
    best = min(_time_to_load() for _ in range(3))
    assert best < 0.2  # s, of the 0.6 s that `pedal run` may take until it is ready


def _time_to_load() -> float:
    start = time.perf_counter()
    make_plan(Library().tune("wet-boots"))
    return time.perf_counter() - start


# ---- finding --------------------------------------------------------------------------


def test_the_players_own_wins(own):
    own.change(TUNE, title="Mine", tempo=80)
    assert Library(own.root).tune("wet-boots").title == "Mine"
    assert Library(own.root).tune("third-bus-home").title == "Third Bus Home"
    assert Library(own.root).names("tune") == Library().names("tune")


def test_a_part_of_ones_own_wins_too(own):
    own.change(FORM, title="My twelve")
    assert Library(own.root).tune("wet-boots").form.title == "My twelve"


def test_a_new_feel_and_figure_need_no_python(own):
    own.change(FEEL, title="Other").rename(own.root / "feels/other.toml")
    own.write("lines/pump.toml", 'kind = "figure"\ntitle = "Pump"\nline = "1 1 | 1 1"\nsuits = ["7"]\n')
    own.write(
        "tunes/new.toml",
        'title = "New"\nkey = "E"\ntempo = 90\nform = "twelve-bar"\nfeel = "other"\nfigure = "pump"\n',
    )
    tune = Library(own.root).tune("new")
    assert (tune.feel.name, tune.figure.name) == ("other", "pump")
    assert played(make_plan(tune))


def test_a_folder_that_is_not_there_is_an_empty_one(tmp_path):
    assert Library(tmp_path / "nothing").names("tune") == Library().names("tune")


@pytest.mark.parametrize("kind", KINDS)
def test_an_unknown_name_says_what_there_is(library, kind):
    name = library.names(kind)[0]
    with pytest.raises(Unknown) as caught:
        getattr(library, kind)(name[:-1])
    assert isinstance(caught.value, LookupError)
    message = str(caught.value)
    assert message.startswith(f"no {kind} is called {name[:-1]!r}; did you mean '")
    assert message.endswith(", ".join(library.names(kind))) and "\n" not in message


@pytest.mark.parametrize(
    "name", ["../tunes/wet-boots", "/etc/passwd", "wet-boots.toml", "", ".", "Wet-Boots", "wet-boots\n"]
)
def test_names_stay_in_their_folder(library, name):
    with pytest.raises(Unknown):
        library.tune(name)


def test_a_line_of_another_kind_is_unknown(library):
    with pytest.raises(Unknown, match="no figure is called 'walk-down'"):
        library.figure("walk-down")


def test_sequences_are_found_in_a_checkout_and_in_a_package(tmp_path):
    assert sequences_dir().name == "sequences"
    checkout = Path(__file__).parents[2]
    assert sequences_dir() == checkout / "sequences"
    # As the wheel is laid out (pyproject: `force-include`), and imported from a zip's content.
    archive = tmp_path / "wheel.zip"
    with zipfile.ZipFile(archive, "w") as wheel:
        for path in checkout.glob("pedal/**/*.py"):
            wheel.write(path, path.relative_to(checkout))
        for path in checkout.glob("sequences/**/*.toml"):
            wheel.write(path, "pedal" / path.relative_to(checkout))
    site = tmp_path / "site"
    zipfile.ZipFile(archive).extractall(site)
    program = "from pedal.library.library import *; print(sequences_dir()); print(len(check_files()))"
    done = subprocess.run(
        [sys.executable, "-c", program],
        cwd=tmp_path,
        env={**os.environ, "PYTHONPATH": str(site)},
        capture_output=True,
        text=True,
        check=True,
    )
    assert done.stdout.split() == [str(site / "pedal/sequences"), "0"]
