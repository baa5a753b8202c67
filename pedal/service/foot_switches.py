"""Which devices the foot switches of the settings are on: pins, foot controllers, USB pedals."""

from collections.abc import Iterator, Mapping
from typing import NamedTuple

from ..hardware.box import Box
from ..hardware.switch import SwitchBackend, SwitchSource


class FootDevice(NamedTuple):
    """One thing with switches: what it is, and which they are, by name."""

    what: str
    switches: Mapping[str, SwitchBackend]

    @property
    def on_pins(self) -> bool:
        """Whether they sit on GPIOs of the box."""
        return any(switch.on_pin() is not None for switch in self.switches.values())

    def load(self, box: Box) -> None:
        """Import ahead of time what opening it will use. Never raises."""
        self._backend.load(box)

    def open(self, box: Box) -> SwitchSource:
        """Raises RigError."""
        return self._backend.open(self.switches, box)

    @property
    def _backend(self) -> type[SwitchBackend]:
        return type(next(iter(self.switches.values())))


def devices_of(switches: Mapping[str, SwitchBackend]) -> Iterator[FootDevice]:
    """What has to be opened, in the order of the settings."""
    devices: dict[tuple[type, str], dict[str, SwitchBackend]] = {}
    for name, switch in switches.items():
        devices.setdefault((type(switch), switch.device().casefold()), {})[name] = switch
    for some in devices.values():
        yield FootDevice(next(iter(some.values())).device(), some)
