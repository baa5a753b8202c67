"""What can go wrong with hardware and the operating system: RigError and its branch of `pedal.errors`.

Whatever a library raises (mido, rtmidi, gpiozero, lgpio, RPi.GPIO, evdev, termios) and every OSError becomes
one of these where it arises. What goes wrong while the band plays is not raised at all: it is dropped, or
put into the inbox as words. Every message is one line, fit to be shown to the player as it stands.
"""

from ..errors import UserError


class RigError(UserError):
    """Base of everything the rig raises."""


class MidiMissing(RigError, OSError):
    """There is no MIDI system to open ports on."""


class PortMissing(RigError, LookupError):
    """No MIDI port matches the wanted name."""


class SynthError(RigError):
    """FluidSynth cannot be found, started or used."""


class PinError(RigError):
    """GPIO cannot be used through the chosen library."""


class SwitchError(RigError):
    """A foot switch cannot have the pin or the key it was given, or cannot be watched."""


class LampError(RigError):
    """A lamp cannot have the pin it was given."""


class TerminalError(RigError):
    """There is no terminal to take keys from."""
