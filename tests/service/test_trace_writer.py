import json
import os
import threading

import pytest

from pedal.errors import FileError
from pedal.service.trace_writer import TraceWriter
from tests.hardware.conformance import until


def test_every_line_in_order(tmp_path):
    path = tmp_path / "trace.jsonl"
    trace = TraceWriter(path)
    for number in range(1000):
        trace.write(json.dumps({"at": number, "chord": "B♭7"}, ensure_ascii=False))
    trace.close()
    trace.close()
    lines = [json.loads(line) for line in path.read_text(encoding="utf-8").splitlines()]
    assert [line["at"] for line in lines] == list(range(1000))
    assert (trace.dropped, trace.error) == (0, None)


def test_goes_on_where_the_last_one_ended(tmp_path):
    for word in ("one", "two"):
        trace = TraceWriter(tmp_path / "trace")
        trace.write(word)
        trace.close()
    assert (tmp_path / "trace").read_text() == "one\ntwo\n"


def test_a_quiet_moment_puts_lines_on_disk(tmp_path):
    trace = TraceWriter(tmp_path / "trace")
    trace.write("last words")
    until(lambda: (tmp_path / "trace").read_text() == "last words\n")
    trace.close()


def test_a_path_that_cannot_be_opened(tmp_path):
    with pytest.raises(FileError) as caught:
        TraceWriter(tmp_path / "no" / "trace")
    assert str(caught.value) == f"trace '{tmp_path}/no/trace' cannot be opened: No such file or directory"


@pytest.mark.skipif(not os.path.exists("/dev/full"), reason="no /dev/full here")
def test_a_full_disk_stops_the_writing_and_nothing_else():
    trace = TraceWriter("/dev/full")
    trace.write("a")
    until(lambda: trace.error)
    trace.write("b")
    trace.write("c")
    trace.close()
    assert trace.error == "trace '/dev/full' stopped: No space left on device"
    assert trace.dropped == 3


@pytest.mark.skipif(not os.path.exists("/dev/full"), reason="no /dev/full here")
def test_lines_that_never_left_the_buffer_are_counted():
    trace = TraceWriter("/dev/full")
    for _ in range(500):
        trace.write("x" * 50)
    trace.close()
    assert trace.dropped == 500


def test_lines_that_were_written_do_not_count_as_dropped(tmp_path):
    path = tmp_path / "pipe"
    os.mkfifo(path)
    reader = os.open(path, os.O_RDONLY | os.O_NONBLOCK)
    trace = TraceWriter(path)
    os.set_blocking(reader, True)
    trace.write("in time")
    assert os.read(reader, 100) == b"in time\n"
    os.close(reader)
    trace.write("too late")
    trace.close()
    assert trace.dropped == 1


def test_a_disk_that_hangs_holds_up_nothing(tmp_path):
    path = tmp_path / "pipe"
    os.mkfifo(path)
    reader = os.open(path, os.O_RDONLY | os.O_NONBLOCK)  # never read: the pipe fills up and blocks
    trace = TraceWriter(path, capacity=10)
    line = "x" * 10_000
    done = threading.Event()

    def write():
        for _ in range(1000):
            trace.write(line)
        done.set()

    threading.Thread(target=write, daemon=True).start()
    assert done.wait(5)
    assert trace.dropped > 900
    assert trace.error is None
    os.close(reader)  # now the write fails, and the thread can end
    trace.close()
    assert trace.error is not None and "Broken pipe" in trace.error
    assert trace.dropped == 1000
