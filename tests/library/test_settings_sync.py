"""`[clock]` and `[follow]` in the settings, and what becomes of them."""

import pytest

from pedal.library.settings import Config, load_config
from pedal.library.settings_sync import SyncSettings
from pedal.library.toml_check import BadFile


def load(tmp_path, text):
    path = tmp_path / "pedal.toml"
    path.write_text(text)
    return load_config(path)


def test_nobody_plays_along_unless_it_is_said():
    assert Config().sync == SyncSettings(None, None, None, None)
    assert not Config().session.clock_out and not Config().session.follow_out


def test_all_of_it(tmp_path):
    text = '[clock]\nout = "Drums"\nin = "Laptop"\n[follow]\nout = "Horns"\nin = "Leader"\n'
    config = load(tmp_path, text)
    assert config.sync == SyncSettings("Drums", "Laptop", "Horns", "Leader")
    assert config.session.clock_out and config.session.follow_out


def test_who_only_listens_sends_nothing(tmp_path):
    config = load(tmp_path, '[clock]\nin = "Laptop"\n')
    assert not config.session.clock_out and not config.session.follow_out


def test_mistakes(tmp_path):
    with pytest.raises(BadFile) as caught:
        load(tmp_path, '[clock]\nout = ""\ninn = "x"\n[follow]\nin = 3\n')
    lines = [str(problem).split(": ", 1)[1] for problem in caught.value.problems]
    assert lines == [
        "clock.out = '': must be a text in quotes, on one line and not empty",
        "clock.inn: unknown key; did you mean 'in'?",
        "follow.in = 3: must be a text in quotes, on one line and not empty",
    ]
