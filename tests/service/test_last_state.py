"""What is remembered across restarts, and what becomes of a file that is not what it should be."""

import os
import threading
from dataclasses import replace

import pytest
from hypothesis import given
from hypothesis import strategies as st

from pedal.library.settings import Config, PlaySettings
from pedal.service import last_state as module
from pedal.service.last_state import LastState, StateKeeper, pack, resume, unpack, written
from tests.support.wait import wait_for

STATE = LastState("third-bus-home", "B♭", 63_500, "vamp")
USUAL = Config()


@pytest.fixture
def path(tmp_path):
    return tmp_path / "state" / "last.json"


def left(path, content):
    path.parent.mkdir(exist_ok=True)
    path.write_bytes(content)
    return path


class TestResuming:
    def test_goes_on_as_it_was(self, path):
        left(path, pack(STATE, written(USUAL)))
        config, why_not = resume(USUAL, path)
        assert why_not is None
        assert config == replace(
            USUAL, tune="third-bus-home", key="B♭", tempo=63.5, play=PlaySettings(mode="vamp")
        )

    def test_nothing_is_remembered_yet(self, path):
        assert resume(USUAL, path) == (USUAL, None)

    @pytest.mark.parametrize(
        "changed",
        [
            replace(USUAL, tune="fog-on-platform-four"),
            replace(USUAL, tempo=90.0),
            replace(USUAL, play=PlaySettings(mode="drill")),
        ],
    )
    def test_settings_that_were_changed_since_hold(self, path, changed):
        left(path, pack(STATE, written(USUAL)))
        assert resume(changed, path) == (changed, None)

    def test_other_settings_do_not_matter(self, path):
        left(path, pack(STATE, written(USUAL)))
        config, _ = resume(replace(USUAL, gpio="mock"), path)
        assert (config.tune, config.gpio) == (STATE.tune, "mock")

    @pytest.mark.parametrize("what", [{"set": "saturday"}, {"routine": "morning"}])
    def test_a_set_begins_at_its_beginning(self, path, what):
        config = replace(USUAL, **what)
        left(path, pack(STATE, written(config)))
        assert resume(config, path) == (config, None)

    @pytest.mark.parametrize("state", [STATE._replace(tune="gone"), STATE._replace(key="F♯m")])
    def test_what_cannot_be_played_now(self, path, state):
        left(path, pack(state, written(USUAL)))
        config, why_not = resume(USUAL, path)
        assert config == USUAL and why_not.startswith(f"{state.tune} was on last and cannot be played now; ")


class TestStrangeFiles:
    GOOD = pack(STATE, written(USUAL))

    @pytest.mark.parametrize(
        ("content", "why"),
        [
            (b"", "is cut off or damaged"),
            (GOOD[:-20], "is cut off or damaged"),
            (b"\0" * 150, "is cut off or damaged"),
            (b"\xff\xfe", "is cut off or damaged"),
            (b"[" * 4000, "is cut off or damaged"),
            (b"[]", "is damaged"),
            (b'{"version": 1}', "is damaged"),
            (GOOD.replace(b"63500", b"6350000"), "is damaged"),
            (GOOD.replace(b"63500", b"63500.5"), "is damaged"),
            (GOOD.replace(b"third", b"../th"), "is damaged"),
            (GOOD.replace(b"vamp", b"vmap"), "is damaged"),
            (GOOD.replace('"B♭"'.encode(), b"5"), "is damaged"),
            (
                GOOD.replace(b'"version": 1', b'"version": 2'),
                "was written by a newer version of this program",
            ),
        ],
    )
    def test_count_for_nothing_and_are_told(self, path, content, why):
        left(path, content)
        config, why_not = resume(USUAL, path)
        assert config == USUAL
        assert why_not.startswith(f"{path} {why}") and why_not.endswith("; starting as the settings say")
        assert path.read_bytes() == content

    def test_a_folder_in_its_place(self, path):
        path.mkdir(parents=True)
        config, why_not = resume(USUAL, path)
        assert config == USUAL and "Is a directory" in why_not

    @given(st.integers(0, len(GOOD)))
    def test_cut_off_anywhere(self, length):
        if length < len(self.GOOD) - 1:  # the line end may go
            with pytest.raises(ValueError, match="is cut off or damaged"):
                unpack(self.GOOD[:length])
        else:
            assert unpack(self.GOOD[:length]) == (STATE, written(USUAL))

    @given(st.binary(max_size=200), st.integers(0, 140))
    def test_anything_is_a_state_or_told(self, junk, at):
        content = self.GOOD[:at] + junk + self.GOOD[at + len(junk) :] if at else junk
        try:
            state, settings = unpack(content)
        except ValueError as error:
            assert "\n" not in str(error)
        else:
            assert isinstance(settings, list)
            assert unpack(pack(state, settings)) == (state, settings)

    @given(
        st.builds(
            LastState,
            st.sampled_from(["wet-boots", "a", "x-9"]),
            st.sampled_from(["A", "B♭", "F♯m"]),
            st.integers(40_000, 260_000),
            st.sampled_from(["through", "vamp", "drill"]),
        )
    )
    def test_what_is_packed_is_unpacked(self, state):
        assert unpack(pack(state, [1, None])) == (state, [1, None])


class TestKeeping:
    def test_the_latest_is_kept(self, path):
        keeper = StateKeeper(path, written(USUAL))
        for mbpm in range(60_000, 60_100):
            keeper.keep(STATE._replace(mbpm=mbpm))
        keeper.close()
        assert unpack(path.read_bytes()) == (STATE._replace(mbpm=60_099), written(USUAL))
        assert os.listdir(path.parent) == [path.name]

    def test_it_is_on_the_disk_soon(self, path):
        keeper = StateKeeper(path, [])
        keeper.keep(STATE)
        wait_for("the state", path.exists)
        keeper.close()

    def test_what_is_known_is_not_written_again(self, path, monkeypatch):
        writes = []
        monkeypatch.setattr(module, "write_whole", lambda path, content: writes.append(content))
        keeper = StateKeeper(path, [])
        for state in (STATE, STATE, STATE._replace(mode="through"), STATE._replace(mode="through")):
            count = len(writes)
            keeper.keep(state)
            if not writes or unpack(writes[-1])[0] != state:
                wait_for("a write", lambda count=count: len(writes) > count)
        keeper.close()
        assert len(writes) == 2

    def test_the_loop_never_waits_and_nothing_is_half_written(self, path, monkeypatch):
        free, began = threading.Event(), threading.Event()
        whole = module.write_whole

        def stuck(path, content):
            began.set()
            free.wait(10)
            whole(path, content)

        monkeypatch.setattr(module, "write_whole", stuck)
        keeper = StateKeeper(path, [])
        keeper.keep(STATE)
        assert began.wait(5)
        keeper.keep(STATE._replace(mbpm=70_000))  # returns while the disk is stuck
        assert not path.exists()
        free.set()
        keeper.close()
        assert unpack(path.read_bytes())[0].mbpm == 70_000

    def test_a_place_that_cannot_be_is_told_once(self, tmp_path):
        (tmp_path / "file").touch()
        told = []
        keeper = StateKeeper(tmp_path / "file" / "last.json", [], told.append)
        keeper.keep(STATE)
        wait_for("the trouble", lambda: told)
        keeper.keep(STATE._replace(mode="through"))
        keeper.close()
        assert len(told) == 1 and "cannot be written: " in told[0]

    def test_a_failing_disk_leaves_the_old_one(self, path, monkeypatch):
        keeper = StateKeeper(path, [])
        keeper.keep(STATE)
        wait_for("the state", path.exists)
        monkeypatch.setattr("pedal.service.atomic_files.os.fsync", _no_room)
        keeper.keep(STATE._replace(mbpm=70_000))
        keeper.close()
        assert unpack(path.read_bytes())[0] == STATE


def _no_room(_):
    raise OSError(28, "No space left on device")
