"""How many files a cue runs through: `python -m tests.support.cue_path` lists them.

One press in a vamp, from `Session.handle` until the answer is there. What is unsent is composed anew
then, by one call of the Player: what runs inside that is composing, and counted for itself.
"""

import sys
from collections import Counter
from pathlib import Path
from types import FrameType

import pedal
from pedal.events import NS_PER_S, Press
from pedal.session.session import Session
from pedal.session.settings import SessionSettings
from tests.support.band import plan, tap

PEDAL = Path(pedal.__file__).parent
PLAYER = str(PEDAL / "session" / "player.py")


def files_of_a_cue() -> tuple[Counter[str], Counter[str]]:
    """The files of `pedal/` that one cue runs through, by how often each is entered: deciding, composing."""
    session = Session(plan(), SessionSettings(mode="vamp"))
    for event in tap(0):
        session.handle(event)
    session.take(9 * NS_PER_S)
    session.prepare(9 * NS_PER_S)
    deciding: Counter[str] = Counter()
    composing: Counter[str] = Counter()
    players = 0  # calls into the Player that have not returned

    def look(frame: FrameType, event: str, _: object) -> None:
        nonlocal players
        here, back = frame.f_code.co_filename, frame.f_back
        if event == "call" and here.startswith(str(PEDAL)):
            players += here == PLAYER
            if not back or back.f_code.co_filename != here:
                (composing if players else deciding)[Path(here).relative_to(PEDAL).as_posix()] += 1
        elif event == "return":
            players -= here == PLAYER

    sys.setprofile(look)
    try:
        session.handle(Press(9 * NS_PER_S + 1))
    finally:
        sys.setprofile(None)
    assert session.position and session.position.cue
    return deciding, composing


if __name__ == "__main__":
    for title, files in zip(("deciding", "composing"), files_of_a_cue(), strict=True):
        print(f"{title}: {len(files)} files, {files.total()} changes of file")
        for file in sorted(files):
            print(f"{files[file]:>5}  {file}")
