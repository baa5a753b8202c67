"""The process behind an `Ear`: a JACK client that writes down all that it hears.

It is a process of its own because one that waits for the interpreter's lock would hold up
JACK's whole graph, and make the others lose what is sent to them. It ends with its input.

    python -m tests.support.listening NAME FILE [--midi]

Each period is a record: HEAD, then as many EVENTs as HEAD says, then the sound as 32-bit floats.
"""

import gc
import os
import struct
import sys
import time

HEAD = struct.Struct("<qqqii")  # monotonic ns, JACK's frame then, first frame, frames, messages
EVENT = struct.Struct("<iB3s")  # frame after the first, length, bytes


def main(name: str, path: str, *options: str) -> None:
    import jack  # finds its C library at import, or fails

    out = os.open(path, os.O_WRONLY | os.O_CREAT | os.O_TRUNC)
    client = jack.Client(name, no_start_server=True)
    midi = client.midi_inports.register("midi") if "--midi" in options else None
    sound = client.inports.register("sound")

    @client.set_process_callback
    def hear(frames: int) -> None:
        now, frame = time.monotonic_ns(), client.frame_time
        events = [
            EVENT.pack(offset, len(data), bytes(data)[:3])
            for offset, data in (midi.incoming_midi_events() if midi else ())
        ]
        head = HEAD.pack(now, frame, client.last_frame_time, frames, len(events))
        os.write(out, b"".join((head, *events, bytes(sound.get_buffer()))))

    gc.collect()
    gc.disable()
    with client:
        sys.stdin.read()


if __name__ == "__main__":
    main(*sys.argv[1:])
