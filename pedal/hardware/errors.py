"""What can go wrong with hardware and the operating system.

    RigError
    ├── MidiMissing (OSError)       no MIDI system: no /dev/snd/seq, no JACK server, no python-rtmidi
    ├── PortMissing (LookupError)   MIDI works, but no port has the name that was asked for
    ├── SynthError                  FluidSynth or its soundfont is missing, or it failed
    └── PinError                    the GPIO library cannot be used at all
        ├── SwitchError             one switch: a bad, shared or busy pin
        └── LampError               one lamp: the same

Every message is one line, fit to be shown to the player as it stands.
"""


class RigError(Exception):
    """Base of everything the rig raises."""


class MidiMissing(RigError, OSError):
    """There is no MIDI system to open ports on."""


class PortMissing(RigError, LookupError):
    """No MIDI port matches the wanted name."""


class SynthError(RigError):
    """FluidSynth cannot be found, started or used."""


class PinError(RigError):
    """GPIO cannot be used through the chosen library."""


class SwitchError(PinError):
    """A foot switch cannot have the pin it was given."""


class LampError(PinError):
    """A lamp cannot have the pin it was given."""
