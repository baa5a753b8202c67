"""Ticks to nanoseconds by one anchor, in integers, so that an hour drifts by nothing."""

from dataclasses import dataclass, replace

SLOWEST, FASTEST = 40, 260  # beats a minute
_TURNS = 4  # so many can fall into one beat; what lies further back nobody asks for
_NS_PER_MINUTE_MILLI = 60 * 10**12  # nanoseconds a minute, times the thousand in milli-beats


@dataclass(frozen=True, slots=True)
class Timeline:
    """At `ns` the music is at `tick` and goes on at `mbpm` milli-beats a minute.

    `before` is how time went until then: an input leaves the next 20 ms as they are, and the
    beat that a change of tempo falls into began at the old one.
    """

    tick: int
    ns: int
    mbpm: int
    ticks_per_beat: int
    before: "Timeline | None" = None

    def at(self, tick: int) -> int:
        """When a tick comes (or came), in ns."""
        if tick < self.tick and self.before:
            return self.before.at(tick)
        return self.ns + (tick - self.tick) * _NS_PER_MINUTE_MILLI // (self.mbpm * self.ticks_per_beat)

    def tick_at(self, ns: int) -> int:
        """The last tick that has come at `ns`."""
        if ns < self.ns and self.before:
            return self.before.tick_at(ns)
        scale = self.mbpm * self.ticks_per_beat
        tick = self.tick + (ns - self.ns) * scale // _NS_PER_MINUTE_MILLI
        return tick + 1 if self.at(tick + 1) <= ns else tick

    def mbpm_at(self, tick: int) -> int:
        """The tempo at which a tick comes or came, in milli-beats a minute."""
        return self.before.mbpm_at(tick) if tick < self.tick and self.before else self.mbpm

    @property
    def beat_ns(self) -> int:
        """How long a beat lasts at `mbpm`, in ns."""
        return _NS_PER_MINUTE_MILLI // self.mbpm

    def retimed(self, ns: int, mbpm: int) -> "Timeline":
        """The same music at another tempo from the first tick after `ns` on."""
        return self.turned(self.tick_at(ns) + 1, mbpm)

    def turned(self, tick: int, mbpm: int) -> "Timeline":
        """The same music at another tempo from a tick on."""
        return Timeline(tick, self.at(tick), mbpm, self.ticks_per_beat, self._back_to(_TURNS))

    def _back_to(self, turns: int) -> "Timeline":
        """The same, without what lies more turns back."""
        before = self.before._back_to(turns - 1) if self.before and turns else None
        return replace(self, before=before)


def mbpm_of(interval_ns: float) -> int:
    """Milli-beats a minute of a beat that lasts `interval_ns`."""
    return round(_NS_PER_MINUTE_MILLI / interval_ns)
