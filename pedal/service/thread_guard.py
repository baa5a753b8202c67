"""A thread that dies must take the process with it.

A box whose GPIO thread has died looks alive and hears nothing. Better to end loudly: the
service manager starts the program again within seconds.
"""

import os
import threading
import traceback

EXIT_CODE = 70
"""EX_SOFTWARE of sysexits.h: an internal error."""


def end_process_on_thread_error() -> None:
    """From now on an exception in any thread is logged on stderr and ends the process with code 70.

    It ends at once, without clean-up: the unit's ExecStopPost silences the synth.
    """
    # A descriptor of our own: fd 2 is sent nowhere for moments while MIDI clients are made.
    stderr = os.dup(2)

    def hook(args: threading.ExceptHookArgs) -> None:
        if args.exc_type is SystemExit:  # the polite way for a thread to end
            return
        name = args.thread.name if args.thread is not None else "unknown"
        trace = traceback.format_exception(args.exc_type, args.exc_value, args.exc_traceback)
        block = f"fault: thread {name!r} died, ending the process\n" + "".join(trace)
        try:
            os.write(stderr, block.encode(errors="backslashreplace"))
        finally:
            os._exit(EXIT_CODE)

    threading.excepthook = hook
