"""`[bass]`: the instrument in the player's hands."""

import pytest

from pedal.library.settings import check_config, load_config
from pedal.music.neck.fingerboard import FIVE, FOUR


def read(tmp_path, text):
    path = tmp_path / "pedal.toml"
    path.write_text(text)
    return path


def test_four_strings_unless_said_otherwise(tmp_path):
    assert load_config(read(tmp_path, "")).bass == FOUR
    assert load_config(read(tmp_path, "[bass]\nstrings = 5\n")).bass == FIVE


def test_everything_can_be_set(tmp_path):
    text = "[bass]\ntuning = [26, 33, 38, 43]\nfrets = 24\nscale_mm = 762\n"
    text += 'open_strings = "prefer"\nspan_mm = 110\n'
    bass = load_config(read(tmp_path, text)).bass
    assert (bass.tuning, bass.frets, bass.scale_mm) == ((26, 33, 38, 43), 24, 762)
    assert (bass.open_strings, bass.span_mm) == ("prefer", 110)


@pytest.mark.parametrize(
    ("text", "says"),
    [
        ("strings = 7", "bass.strings = 7: must be a whole number from 4 to 6"),
        ("strings = 5\ntuning = [28, 33, 38, 43]", "bass.tuning = [28, 33, 38, 43]: has 4 strings"),
        ("tuning = [28, 20]", "must rise from string to string"),
        ("frets = 11", "bass.frets = 11: must be a whole number from 12 to 36"),
        ('open_strings = "yes"', "must be one of: avoid, allow, prefer"),
        ("fretts = 20", "bass.fretts: unknown key; did you mean"),
    ],
)
def test_a_mistake_is_told(tmp_path, text, says):
    (problem,) = check_config(read(tmp_path, f"[bass]\n{text}\n"))
    assert says in str(problem)
