"""Where the control socket lies, who may use it, and what asks it."""

import os
import socket
import stat
import tempfile
import threading
from pathlib import Path

import pytest

from pedal.service.control.client import ask
from pedal.service.control.server import ControlServer
from pedal.service.control.socket_path import ControlError
from tests.service.control.bench import STATUS


class TestPlace:
    def test_only_owner_and_group_may_use_it(self, server, place):
        state = os.stat(place)
        assert stat.S_IMODE(state.st_mode) == 0o660 and state.st_gid == os.getgid()
        assert stat.S_IMODE(os.stat(place.parent).st_mode) == 0o700
        assert os.listdir(place.parent) == ["control"]

    @pytest.mark.skipif(os.getuid() != 0, reason="only root may give it to any group")
    def test_another_group(self, loop, place):
        import grp

        group = next(group for group in grp.getgrall() if group.gr_gid != os.getgid())
        server = ControlServer(place, loop.put, group=group.gr_name)
        assert os.stat(place).st_gid == group.gr_gid
        server.close()

    def test_a_group_that_is_none(self, loop, place):
        with pytest.raises(ControlError, match="there is no group 'nobody at all'"):
            ControlServer(place, loop.put, group="nobody at all")

    def test_is_taken_away_at_the_end(self, server, place):
        server.close()
        server.close()
        assert os.listdir(place.parent) == []
        assert not any(thread.name == "control" for thread in threading.enumerate())

    def test_what_a_dead_box_has_left_is_replaced(self, loop, place):
        place.parent.mkdir(mode=0o700)
        left = socket.socket(socket.AF_UNIX)
        left.bind(str(place))
        left.close()
        server = ControlServer(place, loop.put)
        assert ask([place], "start") == {"ok": True}
        server.close()

    def test_a_box_that_runs_is_left_alone(self, server, loop, place):
        with pytest.raises(ControlError, match="another box is running"):
            ControlServer(place, loop.put)
        assert ask([place], "status") == STATUS

    def test_anothers_socket_is_not_taken_away(self, loop, place):
        first = ControlServer(place, loop.put)
        place.unlink()
        second = ControlServer(place, loop.put)
        first.close()
        assert ask([place], "start") == {"ok": True}
        second.close()

    def test_too_long_a_path_is_told(self, loop, tmp_path):
        with pytest.raises(ControlError, match="no control socket at "):
            ControlServer(tmp_path / ("x" * 120) / "control", loop.put)

    def test_a_folder_in_tmp_that_others_can_write(self, loop):
        folder = Path(tempfile.mkdtemp(prefix="pd"))
        try:
            folder.chmod(0o777)
            with pytest.raises(ControlError, match="is not ours alone"):
                ControlServer(folder / "control", loop.put)
        finally:
            folder.rmdir()


class TestClient:
    def test_no_box(self, place):
        with pytest.raises(ControlError) as caught:
            ask([place, Path("/run/no-box")], "status")
        assert str(caught.value) == (
            f"no box is running here (try: pedal run); looked for it at {place}, /run/no-box"
        )

    def test_the_first_that_answers(self, server, place):
        assert ask([Path("/run/no-box"), place], "status") == STATUS

    def test_a_refusal_is_told(self, server, place):
        with pytest.raises(ControlError, match=r"^refused: already playing$"):
            ask([place], "refused")

    @pytest.mark.parametrize("answer", [b"", b"hello\n", b"[1, 2]\n", b'"yes"\n'])
    def test_what_is_no_box(self, place, answer):
        place.parent.mkdir()
        listener = socket.socket(socket.AF_UNIX)
        listener.bind(str(place))
        listener.listen()

        def say():
            connection, _ = listener.accept()
            with connection:
                connection.recv(4096)
                connection.sendall(answer)

        other = threading.Thread(target=say)
        other.start()
        with pytest.raises(ControlError, match="has not answered"):
            ask([place], "status")
        other.join()
        listener.close()
