"""What can be turned while it plays (or before): tempo, dynamics, who plays, the guide, the key."""

from dataclasses import replace
from itertools import pairwise
from typing import TYPE_CHECKING, Any

from ..events import NS_PER_S, PlanWanted
from ..music.beat import PARTS
from ..music.pitch import Key
from ..music.timeline import FASTEST, SLOWEST, mbpm_of
from .beat_context import GUIDES
from .form_position import FULL_PACE, FormPosition, leave_drill
from .outcome import Answer

if TYPE_CHECKING:
    from .session import Session

MODES = ("through", "vamp", "drill")
STEP = 1.05  # of the tempo: more than the just noticeable difference (see `drill`)
FOURTH = 5
TAP_PATIENCE_NS = 2 * NS_PER_S
WHO = (frozenset(PARTS), frozenset(("drums", "bass")), frozenset(("drums",)), frozenset())


class Dials:
    """The dials of one Session. Every action takes its moment and a value, which may be None."""

    def __init__(self, session: "Session") -> None:
        self._session = session
        self._taps: list[int] = []

    def tempo(self, at: int, bpm: Any) -> Answer:
        """Beats a minute from now on."""
        if isinstance(bpm, bool) or not isinstance(bpm, int | float) or not SLOWEST <= bpm <= FASTEST:
            return f"tempo must be {SLOWEST} to {FASTEST} beats a minute"
        self._session.retime(at, round(bpm * 1000))
        return None

    def tempo_up(self, at: int, _: Any) -> Answer:
        return self._tempo_by(at, STEP)

    def tempo_down(self, at: int, _: Any) -> Answer:
        return self._tempo_by(at, 1 / STEP)

    def tempo_back(self, at: int, _: Any) -> Answer:
        """The written tempo."""
        return self._retime(at, self._session.plan.mbpm)

    def _tempo_by(self, at: int, factor: float) -> Answer:
        return self._retime(at, round(self._session.full_mbpm * factor))

    def _retime(self, at: int, mbpm: int) -> Answer:
        session, was = self._session, (self._session.full_mbpm, self._session.mbpm)

        def back(now: int) -> None:
            session.retime(now, was[0])
            session.mbpm = was[1]

        session.retime(at, max(SLOWEST * 1000, min(FASTEST * 1000, mbpm)))
        return back

    def tap_tempo(self, at: int, _: Any) -> Answer:
        """Three taps or more set the tempo to their mean."""
        if self._taps and at - self._taps[-1] > TAP_PATIENCE_NS:
            self._taps.clear()
        self._taps.append(at)
        intervals = [later - sooner for sooner, later in pairwise(self._taps)]
        if len(intervals) >= 2:
            pace = self._session.position.pace if self._session.position else FULL_PACE
            mbpm = mbpm_of(sum(intervals) // len(intervals)) * FULL_PACE // pace
            if SLOWEST * 1000 <= mbpm <= FASTEST * 1000:
                self._session.retime(at, mbpm)
        return None

    def mode(self, at: int, mode: Any) -> Answer:
        """How the form moves; a drill starts from the next count-in."""
        session = self._session
        if mode not in MODES:
            return f"mode must be one of {', '.join(MODES)}"
        session.settings = replace(session.settings, mode=mode)
        if session.position and mode != "drill":
            position = (
                leave_drill(session.plan, session.position) if session.position.drill else session.position
            )
            session.change(at, position._replace(mode=mode, cue=None, drill_next=None))
        return None

    def soft(self, at: int, soft: Any) -> Answer:
        """Soft or full from the next phrase on; without a value the other of the two."""
        position = self._session.position
        if not position:
            return "not playing"
        wanted = not position.soft_next if soft is None else bool(soft)
        return self._turn(at, position, soft_next=wanted)

    def stop_time(self, at: int, _: Any) -> Answer:
        """Stop-time in the first bars of the next chorus; again: withdrawn."""
        position = self._session.position
        if not position:
            return "not playing"
        return self._turn(at, position, stops_next=not position.stops_next)

    def parts(self, at: int, parts: Any) -> Answer:
        """Who plays: a list of parts (none: lamps only); without one, the next of the usual choices."""
        session = self._session
        if parts is None:
            now = session.band.parts
            wanted = WHO[(WHO.index(now) + 1) % len(WHO)] if now in WHO else WHO[0]
        elif isinstance(parts, list | tuple | set | frozenset) and set(parts) <= set(PARTS):
            wanted = frozenset(parts)
        else:
            return f"parts must be some of {', '.join(PARTS)}"
        was = session.band.parts
        self._play(at, wanted)
        return lambda now: self._play(now, was)

    def _play(self, at: int, parts: frozenset[str]) -> None:
        session = self._session
        session.band = session.band._replace(parts=parts)
        if session.position:
            session.change(at, session.position)

    def guide(self, at: int, guide: Any) -> Answer:
        """The guide bass; without a value the next way."""
        session = self._session
        if guide is None:
            guide = GUIDES[(GUIDES.index(session.settings.guide) + 1) % len(GUIDES)]
        if guide not in GUIDES:
            return f"guide must be one of {', '.join(GUIDES)}"
        was = session.settings.guide
        self._guide_by(at, guide)
        return lambda now: self._guide_by(now, was)

    def _guide_by(self, at: int, guide: str) -> None:
        session = self._session
        session.settings = replace(session.settings, guide=guide)
        if session.position:
            session.change(at, session.position._replace(guide=guide))

    def again(self, at: int, _: Any) -> Answer:
        """From the start of this phrase again, at the next bar line; again: not after all."""
        position = self._session.position
        if not position or position.chorus == 0:
            return "not playing"
        if position.drill or position.is_last:
            return "not in a drill or an ending"
        return self._turn(at, position, again=not position.again, cue=None)

    def _turn(self, at: int, position: FormPosition, **to: Any) -> Answer:
        """Change the position. Taken back, what it has then come to is as it was before."""
        session, was = self._session, {name: getattr(position, name) for name in to}

        def back(now: int) -> None:
            if session.position:
                session.change(now, session.position._replace(**was))

        session.change(at, position._replace(**to))
        return back

    def key(self, at: int, key: Any) -> Answer:
        """Another key by name: at once when stopped, else from the next chorus."""
        session = self._session
        waits = session.waiting_tune
        if waits:
            session.want(PlanWanted(at, waits, str(key), None))
        else:
            session.want(PlanWanted(at, session.plan.tune.name, str(key), session.mbpm))
        return None

    def key_by(self, at: int, semitones: int) -> Answer:
        """Up or down; only when stopped."""
        session = self._session
        if session.position:
            return "the key moves when stopped"
        was = session.wanted_key
        self._want_key(at, was.up(semitones))
        return lambda now: self._want_key(now, was)

    def _want_key(self, at: int, key: Key) -> None:
        session = self._session
        session.wanted_key = key
        session.want(PlanWanted(at, session.plan.tune.name, str(key), session.mbpm))

    def load(self, at: int, tune: Any) -> Answer:
        """Another tune: at once when stopped, else when this one has stopped."""
        self._session.want(PlanWanted(at, str(tune), None, None))
        return None
