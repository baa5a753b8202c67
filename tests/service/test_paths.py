"""Which practice log is read. What is never written over is tested with `pedal log` and `pedal render`."""

import pytest

from pedal.errors import FileError
from pedal.service import paths


@pytest.fixture
def logs(tmp_path, monkeypatch):
    """Our own log and the service's; neither is there."""
    monkeypatch.setattr(paths, "SERVICE_STATE", tmp_path / "service")
    for folder in ("service", "own"):
        (tmp_path / folder).mkdir()
    environ = {"STATE_DIRECTORY": str(tmp_path / "own")}
    return environ, tmp_path / "own/practice.sqlite", tmp_path / "service/practice.sqlite"


def test_our_own_log_before_that_of_the_service(logs):
    environ, own, service = logs
    assert paths.log_to_read(environ) == own
    service.touch()
    assert paths.log_to_read(environ) == service
    own.touch()
    assert paths.log_to_read(environ) == own


def test_a_log_that_we_may_not_look_at(logs, monkeypatch):
    environ, _, service = logs
    usual = type(service).exists

    def exists(path):
        if path == service:
            raise PermissionError(13, "Permission denied")
        return usual(path)

    monkeypatch.setattr(type(service), "exists", exists)
    with pytest.raises(FileError, match=r"^practice log '.*service/.*' cannot be read: Permission denied$"):
        paths.log_to_read(environ)
