"""A card that wears out with every write: nothing is written without need.

What happens where nothing can be written is in `test_lamps` (a full disk) and `power_cut` (a root
that became read-only, which only a boot mends).
"""

from pathlib import Path

from tests.machine.box import STATE


def test_nothing_is_written_while_it_plays_but_at_the_end_of_a_chorus(box):
    box.ear()
    box.start()
    box.play()

    def written():
        lines = Path(f"/proc/{box.pid}/io").read_text().splitlines()
        return next(int(line.split()[1]) for line in lines if line.startswith("write_bytes"))

    before, files = written(), {file: file.stat().st_mtime_ns for file in STATE.iterdir()}
    for degree in ("IV7", "I7"):
        box.tap()
        box.wait_status(degree=degree)
        box.wait_status(beat=3)  # after a cued change taps are ignored for a beat
    assert box.status()["chorus"] == 1
    assert written() == before
    assert {file: file.stat().st_mtime_ns for file in STATE.iterdir()} == files
