"""Something to play to, in a process of its own: a JACK client with one MIDI input.

    python -m tests.bench.ear NAME

Says "there" once it is there, and ends when standard input does.
"""

import sys
import time

import jack


def main(name: str, seconds: float = 10.0) -> None:
    """Wait for the server, listen until told to end."""
    give_up = time.monotonic() + seconds
    while True:
        try:
            client = jack.Client(name, no_start_server=True)
            break
        except jack.JackOpenError:
            if time.monotonic() > give_up:
                raise
            time.sleep(0.05)
    client.midi_inports.register("in")
    with client:
        print("there", flush=True)
        sys.stdin.read()


if __name__ == "__main__":
    main(sys.argv[1])
