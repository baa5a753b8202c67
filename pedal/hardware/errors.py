"""What can go wrong with hardware and the operating system: RigError and its branch of `pedal.errors`.

Every message is one line, fit to be shown to the player as it stands.
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


class SwitchError(PinError):
    """A foot switch cannot have the pin it was given."""


class LampError(PinError):
    """A lamp cannot have the pin it was given."""
