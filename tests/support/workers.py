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


def in_order(nodeid: str) -> bool:
    """What sorts the tests into the order in which they are begun."""
    return not nodeid.startswith(REAL_TIME)


def share(nodeid: str) -> str:
    """Tests with the same are run by one worker."""
    if nodeid.startswith(REAL_TIME):
        return "real time"
    return nodeid if nodeid.startswith(SINGLY) else nodeid.split("::")[0]
