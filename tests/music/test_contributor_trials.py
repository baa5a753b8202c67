"""What a contributor does with DEVELOPERS.md alone: a new feel, a new form.

First in a folder of his own, then shipped, in a copy of this checkout. No file is touched but the new
ones, and what is asked of all feels and forms holds for them, too.
"""

import shutil
import subprocess
import sys
from pathlib import Path

import pytest

from pedal.library.library import Library, check_files
from pedal.music.feels import DRUM_KEYS
from pedal.music.plan import make_plan

from .playing import played

CHECKOUT = Path(__file__).parents[2]

# As unlike the shipped ones as it may be: no hat, no ride, one backbeat a bar, no chord ahead of its beat.
FEEL = """
title = "Porch stomp"
meter = "4/4"
tempo = [88, 140]
swing = 1.0
pulse = "straight"
backbeat = { snare = [4] }
figure = "straight-eighths"
comp = [
    "X- | -- | x- | -x",
    "-- | X- | -x | --",
    "-x | -- | X- | x-",
    "X= | =- | -- | -x",
]

[programs]
chords = 28
bass = 34

[[groove]]
maracas    = "xs | xs | xs | xs"
tambourine = "-- | x- | -- | x-"
snare      = "-- | -g | -- | X-"
kick       = "X- | -- | x- | --"

[[groove]]
maracas    = "xs | xs | xs | xs"
tambourine = "-- | x- | -- | x-"
snare      = "-- | -- | -g | X-"
kick       = "X- | -x | x- | --"

[[groove]]
maracas    = "xs | xs | xs | xs"
tambourine = "-- | x- | -- | xs"
snare      = "-- | -g | -g | Xg"
kick       = "X- | -- | x- | -x"

[phrase_end]
maracas    = "xs | xs | xs | xs"
tambourine = "-- | x- | -- | x-"
snare      = "-- | -g | -- | Xx"
kick       = "X- | -- | x- | --"

[top]
maracas   = "xs | xs | -- | --"
snare     = "-- | -- | xx | X-"
tom-floor = "-- | -- | -- | -X"
kick      = "X- | -- | x- | x-"

[fill.1]
snare = "Xx"
kick  = "x-"

[fill.2]
snare     = "xx | X-"
tom-floor = "-- | -X"
kick      = "x- | x-"

[hats]
hat = "Xs | xs | Xs | xs"
"""
TUNE = """
title = "Knock on the Rail"
key = "E"
tempo = 108
form = "{form}"
feel = "{feel}"
figure = "walking"
"""


def guides_form() -> str:
    """The form that DEVELOPERS.md shows."""
    section = (CHECKOUT / "DEVELOPERS.md").read_text().split("### A form")[1].split("\n### ")[0]
    lines = section[section.index("    title =") :].splitlines()
    return "\n".join(line[4:] for line in lines[: lines.index("    ]") + 1]) + "\n"


FILES = {
    "feel": {
        "feels/porch-stomp.toml": FEEL,
        "tunes/knock-on-the-rail.toml": TUNE.format(form="twelve-bar", feel="porch-stomp"),
    },
    "form": {
        "forms/ten-bars.toml": guides_form(),
        "tunes/knock-on-the-rail.toml": TUNE.format(form="ten-bars", feel="swing"),
    },
}


def write(sequences: Path, kind: str) -> None:
    for name, content in FILES[kind].items():
        path = sequences / name
        path.parent.mkdir(parents=True, exist_ok=True)
        assert not path.exists()
        path.write_text(content)


@pytest.mark.parametrize("kind", FILES)
def test_in_a_folder_of_ones_own(tmp_path, kind):
    write(tmp_path, kind)
    assert check_files([tmp_path / name for name in FILES[kind]], tmp_path) == []
    plan = make_plan(Library(tmp_path).tune("knock-on-the-rail"))
    assert len(plan.layout) == (10 if kind == "form" else 12)
    drums = {note.key for _, notes in played(plan, part="drums") for note in notes}
    assert (DRUM_KEYS["maracas"] in drums) == (kind == "feel")


@pytest.mark.slow
@pytest.mark.parametrize(
    ("kind", "name", "files"),
    [
        ("feel", "porch-stomp", ("test_every_feel", "test_tails", "test_comping", "test_arrange")),
        ("form", "ten-bars", ("test_corpus", "test_forms", "test_tails", "neck/test_bass_line")),
    ],
)
def test_shipped(tmp_path, kind, name, files):
    """What tests say of the new one, and of all together; of each of the others nothing has changed."""
    for folder in ("pedal", "sequences", "tests"):
        shutil.copytree(CHECKOUT / folder, tmp_path / folder, ignore=shutil.ignore_patterns("__pycache__"))
    shutil.copy(CHECKOUT / "pyproject.toml", tmp_path)
    write(tmp_path / "sequences", kind)
    done = subprocess.run(
        [sys.executable, "-m", "pytest", "-v", "-p", "no:cacheprovider", "-p", "no:xdist"]
        + [f"tests/music/{file}.py" for file in files]
        + ["-k", f"{name} or knock-on-the-rail or every_chord or not ["],
        cwd=tmp_path,
        capture_output=True,
        text=True,
        timeout=300,
    )
    assert done.returncode == 0, done.stdout[-5000:] + done.stderr[-2000:]
    assert f"{name}] PASSED" in done.stdout
