import os

import pytest

from pedal.service.atomic_files import why_not_writable, write_whole


def test_a_file_is_replaced_at_once(tmp_path):
    file = tmp_path / "state"
    write_whole(file, b"one")
    with file.open("rb") as reader:
        write_whole(file, b"two")
        assert reader.read() == b"one", "who reads sees the whole old file"
    assert file.read_bytes() == b"two" and os.listdir(tmp_path) == ["state"]


def test_an_error_leaves_the_old_one(tmp_path, monkeypatch):
    file = tmp_path / "state"
    write_whole(file, b"one")

    def full(fd):
        raise OSError(28, "No space left on device")

    monkeypatch.setattr(os, "fsync", full)
    with pytest.raises(OSError, match="No space"):
        write_whole(file, b"two")
    assert file.read_bytes() == b"one" and os.listdir(tmp_path) == ["state"]


def test_an_interrupt_leaves_nothing_half_made(tmp_path, monkeypatch):
    def interrupted(fd):
        raise KeyboardInterrupt

    monkeypatch.setattr(os, "fsync", interrupted)
    with pytest.raises(KeyboardInterrupt):
        write_whole(tmp_path / "state", b"one")
    assert os.listdir(tmp_path) == []


def test_whether_a_folder_can_be_written(tmp_path):
    assert why_not_writable(tmp_path) is None and os.listdir(tmp_path) == []
    assert why_not_writable(tmp_path / "none") == "No such file or directory"
