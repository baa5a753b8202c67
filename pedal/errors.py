"""Whose fault it is, told by the type: a `UserError` is the user's, everything else is a bug of ours.

The command line shows a UserError as one line and ends with exit status 1. Whatever else comes out of
a command keeps its traceback: a bug that looks like a mistake of the user's is never mended.

    UserError                        what it says                            for example
    ├── BadValue (ValueError)        what is asked for cannot be             --tempo 500; --key H; --only x
    ├── FileError (OSError)          a file cannot be read or written        --trace on a full disk
    │   └── LogError                 the practice log cannot be used         it is damaged; there is none yet
    ├── BadFile (ValueError)         mistakes in settings or sequences       tempo = 0; --config is a folder
    ├── Unknown (LookupError)        no sequence has this name               pedal show wet-bots
    ├── ControlError                 no control of a running box             pedal stop, and no box runs
    └── RigError                     hardware, or what the system lacks      --desk without a terminal
        ├── MidiMissing (OSError)    no MIDI system to open ports on         no /dev/snd/seq, no JACK server
        ├── PortMissing (LookupError)  no port has the name asked for        the synth is not plugged in
        ├── SynthError               FluidSynth or its soundfont             it is not installed; it failed
        ├── PinError                 the GPIO library cannot be used         lgpio is not installed
        ├── SwitchError              one switch: a bad, shared or busy pin   two switches on GPIO 17
        ├── LampError                one lamp: the same                      a running box has the pin
        └── TerminalError            no keys to play with                    standard input is a file

In brackets is the standard type that it is as well, for who asks by that. The class of a branch lives with
what raises it: `library.toml_check`, `service.control.socket_path`, `hardware.errors`, `practice_log.store`.

Never shown, because somebody is always there to catch them:

    Exception
    ├── Wrong (ValueError)           a rule of `library.toml_check` refuses a value: a line of a BadFile
    ├── NoEngraver                   verovio is not installed: the sheet goes without notation
    └── Ended                        a signal has come before the loop ran

In the pure rooms (`music`, `session`) and at the socket a bad argument is a plain ValueError. It becomes
a BadValue where a user's word enters: `library.action_values`, `library.foot_script`, `commands`.
"""

from collections.abc import Iterator
from contextlib import contextmanager


class UserError(Exception):
    """The user's mistake, or lack. Its text says in one line what is wrong and, if known, what helps."""

    def shown(self) -> str:
        """What a person reads: the text on one line, whatever was in the words that it repeats."""
        return f"pedal: {plain(str(self))}"


class BadValue(UserError, ValueError):
    """Something that was asked for, by a word or a number, cannot be."""


class FileError(UserError, OSError):
    """A file or folder cannot be read or written: missing, full, forbidden, there already, no file."""


@contextmanager
def file_errors(what: str) -> Iterator[None]:
    """Whatever the system refuses in here becomes `FileError(what: why)`; `what` names the file.

    For nothing but what touches the file: an OSError of other work would be told as the user's.
    """
    try:
        yield
    except UserError:
        raise
    except OSError as error:
        raise FileError(f"{what}: {error.strerror or error}") from None


def plain(text: str) -> str:
    """A text with what does not print (line ends, escapes to a terminal) written out."""
    return "".join(letter if letter.isprintable() else repr(letter)[1:-1] for letter in text)
