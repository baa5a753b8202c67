"""mido's `MidiFile.play` as it is shipped, in a process of its own, on a port of its own.

    python -m tests.bench.mido_play FILE PORT > lateness

Prints, for each message, its place in the file in ns and how late it was sent.
"""

import sys
import time

import mido


def main(path: str, port_name: str) -> None:
    """Play a file to a port, or to nowhere if the name is empty."""
    song = mido.MidiFile(path)
    at, dues = 0.0, []
    for message in song:
        at += message.time
        if not message.is_meta:
            dues.append(at)
    port = None
    if port_name:
        backend = mido.Backend("mido.backends.rtmidi/UNIX_JACK")
        port = backend.open_output(next(name for name in backend.get_output_names() if port_name in name))
    sent = []
    start = time.monotonic_ns()  # play() takes its own start as its first step
    for message in song.play():
        if port:
            port.send(message)
        sent.append(time.monotonic_ns())
    for due, moment in zip(dues, sent, strict=True):
        print(round(due * 1e9), moment - start - round(due * 1e9))
    if port:
        time.sleep(0.1)
        port.close()


if __name__ == "__main__":
    main(*sys.argv[1:3])
