"""How the tests are shared out among the workers of pytest-xdist.

A file is run by one worker, for what it prepares for all its tests. What plays or listens in real time is
all run by one, and first: two such tests at a time would disturb each other, and while they wait for
their last note the others have something to do.
"""

# They judge times, or need the one JACK server.
REAL_TIME = (
    "tests/end_to_end/",
    "tests/bench/",
    "tests/hardware/test_port_side.py",
    "tests/hardware/test_ports.py",
    "tests/hardware/test_switch_midi.py",
    "tests/hardware/test_synth.py",
)
# Each test takes long enough to be worth the way to a worker of its own.
SINGLY = ("tests/simulation/", "tests/release/")
# Else these would begin when the other workers are done.
LONG = ()


def in_order(nodeid: str) -> int:
    """The smaller, the earlier a test is begun."""
    return 0 if nodeid.startswith(REAL_TIME) else 1 if nodeid.startswith(LONG) else 2


def share(nodeid: str) -> str:
    """Tests with the same are run by one worker."""
    if nodeid.startswith(REAL_TIME):
        return "real time"
    return nodeid if nodeid.startswith(SINGLY) else nodeid.split("::")[0]
