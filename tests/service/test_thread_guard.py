import subprocess
import sys

CODE = """
import threading, time
from pedal.service.thread_guard import end_process_on_thread_error
end_process_on_thread_error()
def work():
    raise {error}
thread = threading.Thread(target=work, name="gpio")
thread.start()
thread.join()
{after}
"""


def run(error, after):
    code = CODE.format(error=error, after=after)
    return subprocess.run([sys.executable, "-c", code], capture_output=True, text=True, timeout=20)


def test_an_error_in_a_thread_ends_the_process():
    done = run("ValueError('bad edge')", "threading.Event().wait()")
    assert done.returncode == 70
    lines = done.stderr.splitlines()
    assert lines[0] == "fault: thread 'gpio' died, ending the process"
    assert lines[1].startswith("Traceback")
    assert lines[-1] == "ValueError: bad edge"


def test_a_thread_may_end_itself():
    done = run("SystemExit", "print('alive')")
    assert (done.returncode, done.stdout, done.stderr) == (0, "alive\n", "")
