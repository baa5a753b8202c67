"""What a gesture or a command does to the Session.

An action answers None if it was accepted, else the reason why it was ignored. An accepted press
winks a lamp; an ignored one does not. What a tap set off is withdrawn if a double or a hold
follows and it has not been taken yet.
"""

from collections.abc import Callable
from dataclasses import replace
from statistics import median
from typing import TYPE_CHECKING, Any

from ..events import NS_PER_MS, Command, Mark, PlanWanted
from ..score.beat import PARTS
from ..score.grid import slot_ticks
from . import drill as drilling
from .drill import Drill, Loop
from .footmap import FootMap
from .gestures import Gesture
from .lamps import ALL, BLIP_NS, GAP, PULSE
from .timeline import FASTEST, SLOWEST, mbpm_of
from .walk import Cue, Walk, by_clock, cell, coming_step, count_in, cued, leave_drill, stomped_in

if TYPE_CHECKING:
    from .session import Session

NOT_YET = "not yet"
LATE_NS = 20 * NS_PER_MS  # a cue closer to the bar line than this is late
GRACE_NS = 150 * NS_PER_MS  # and this long after it, or a third of a beat, it still counts
SOON_NS = 40 * NS_PER_MS  # a late cue sounds at least so much later
LONE_TAP_NS = 1_800 * NS_PER_MS
START_NS = 25 * NS_PER_MS  # from "go" to the first stick: more than the freeze
UNEVEN = 0.25  # share of the median by which a stomped interval may stray


class Actions:
    """The answers of one Session, and the little that they must remember."""

    def __init__(self, session: "Session", footmap: FootMap) -> None:
        self._session = session
        self._footmap = footmap
        self._stomps: list[int] = []
        self._withdraw: Callable[[int], None] | None = None  # takes back what the last tap did
        self._deaf = False
        self._waited = False  # the bar line just passed was one that a cue could have moved
        self._rest_until = 0  # tick until which a cued change is left alone
        self.flags: list[Loop] = []
        self._gestures: dict[str, Callable[[int], str | None]] = {
            "stomp": self._stomp,
            "cue": self._cue,
            "last": self._last,
            "stop": self._stop,
            "flag": self._flag,
            "drill": self._drill,
            "missed": self._missed,
            "onward": self._onward,
            "leave": self._leave,
        }
        self._commands: dict[str, Callable[[int, Any], str | None]] = {
            "start": lambda at, _: self._start(at),
            "stop": lambda at, _: self._stop(at),
            "cue": lambda at, _: self._cue(at),
            "last": lambda at, _: self._last(at),
            "tempo": self._tempo,
            "mode": self._mode,
            "drill": lambda at, _: self._drill(at),
            "soft": self._soft,
            "stops": self._stops,
            "parts": self._parts,
            "key": lambda at, key: self._ask(at, self._session.plan.tune.name, key),
            "load": lambda at, tune: self._ask(at, tune, None),
        }

    # ---- what comes in ----------------------------------------------------------------

    def gesture(self, gesture: Gesture) -> None:
        """A foot has spoken."""
        session, at = self._session, gesture.at
        state = session.walk.mode if session.walk else "stopped"
        action = self._footmap.get((state, gesture.switch, gesture.kind))
        if gesture.kind != "tap" and self._withdraw:
            self._withdraw(at)
            session.panel.unwink(at)
        self._withdraw = None
        before = session.walk
        if action is None:
            reason: str | None = "nothing on this gesture"
        elif self._deaf and gesture.kind != "hold":
            reason = "deaf until beat 3"
        else:
            reason = self._gestures[action](at) if action in self._gestures else NOT_YET
        fields = {
            "switch": gesture.switch,
            "gesture": gesture.kind,
            "action": action if not reason else "ignored",
        }
        session.emit(Mark(at, "gesture", fields | ({"reason": reason} if reason else {})))
        if not reason:
            self._wink(at, action or "", before)

    def command(self, command: Command) -> None:
        """Something was asked for by other means than the foot."""
        act = self._commands.get(command.name)
        reason = act(command.at, command.value) if act else "unknown command"
        fields = {"name": command.name, "value": command.value}
        self._session.emit(Mark(command.at, "command", fields | ({"reason": reason} if reason else {})))

    def deadline(self) -> int | None:
        """When a stomped count that has stopped growing is decided."""
        return self._stomps[-1] + self._stomp_patience() if self._stomps else None

    def advance(self, now: int) -> None:
        """The count has not gone on: one tap alone counts in, a broken count is void."""
        alone = len(self._stomps) == 1
        self._stomps.clear()
        if alone:
            self._start(now)

    def beat_began(self, before: Walk, walk: Walk) -> None:
        """The band has come to another beat."""
        if walk.beat == 1:
            self._waited = (
                before.mode == "vamp" and not by_clock(self._session.plan, before) and not before.cue
            )
            if before.cue:
                self._rest_until = walk.tick + walk.late + self._session.plan.feel.ticks
        if self._deaf and walk.chorus == 1 and walk.beat >= min(3, self._session.plan.feel.beats):
            self._deaf = False

    def stopped(self) -> None:
        """The music is over."""
        self._deaf = self._waited = False
        self._rest_until = 0
        self._withdraw = None

    # ---- starting and stopping --------------------------------------------------------

    def _stomp(self, at: int) -> str | None:
        session = self._session
        beats = session.plan.feel.beats
        self._stomps.append(at)
        intervals = [later - sooner for sooner, later in zip(self._stomps, self._stomps[1:], strict=False)]
        if len(intervals) > 1 and any(
            abs(i - median(intervals)) > UNEVEN * median(intervals) for i in intervals
        ):
            self._stomps.clear()
            return "uneven count"
        if len(self._stomps) < beats:
            self._withdraw = lambda _: self._stomps.clear()
            return None
        mbpm = mbpm_of((self._stomps[-1] - self._stomps[0]) // (beats - 1))
        self._stomps.clear()
        if not SLOWEST * 1000 <= mbpm <= FASTEST * 1000:
            return "count too slow or too fast"
        # The foot was the count: this tap is its last beat, and the band enters one beat on.
        self._go(at, mbpm, stomped_in(session.plan, session.settings.mode, session.settings.step))
        return None

    def _stomp_patience(self) -> int:
        if len(self._stomps) > 1:
            beat = (self._stomps[-1] - self._stomps[0]) // (len(self._stomps) - 1)
        else:
            beat = 60 * 10**12 // self._session.mbpm
        return min(beat * 3 // 2, LONE_TAP_NS)

    def _start(self, at: int) -> str | None:
        session = self._session
        if session.walk:
            return "already playing"
        self._stomps.clear()
        walk = count_in(session.plan, session.settings.mode, session.settings.step, session.mbpm)
        self._go(max(at, session.now) + START_NS, session.mbpm, walk)
        return None

    def _go(self, at: int, mbpm: int, walk: Walk) -> None:
        self._deaf = True
        choruses = self._session.plan.tune.choruses if walk.mode == "through" else 0
        self._session.start(at, mbpm, replace(walk, last=choruses))

    def _stop(self, at: int) -> str | None:
        if not self._session.walk:
            return "already stopped"
        self._session.halt(at)
        return None

    # ---- walking the form -------------------------------------------------------------

    def _cue(self, at: int) -> str | None:
        session, walk, timeline = self._session, self._session.walk, self._session.timeline
        if not walk or not timeline:
            return "not playing"
        plan = session.plan
        if by_clock(plan, walk):
            return "the form moves by itself"
        if timeline.tick_at(at) < self._rest_until:
            return "the change has just come"
        if walk.cue:
            return "already cued"
        feel = plan.feel
        line = walk.tick + (feel.beats - walk.beat + 1) * feel.ticks
        if self._within_grace(at, walk) and self._waited:
            late = self._late_tick(at, walk.tick)
            moved = replace(cued(plan, walk, walk.tick), late=late, before=walk, hit=False)
            self._rest_until = walk.tick + late + feel.ticks
            self._waited = False
            session.change(at, moved, cut=walk.tick + late)
            self._withdraw = lambda now: self._unlate(now, walk)
            return None
        to_line = timeline.at(line) - at
        heard = timeline.tick_at(session.frozen_until(at))
        if to_line < LATE_NS:
            cue = Cue(heard, 0, self._late_tick(at, line))
        else:
            cue = Cue(heard, min(2, to_line // timeline.beat_ns))
        session.change(at, replace(walk, cue=cue), cut=line + cue.late)
        self._withdraw = self._uncue
        return None

    def _uncue(self, at: int) -> None:
        walk = self._session.walk
        if walk and walk.cue:
            self._session.change(at, replace(walk, cue=None))

    def _unlate(self, at: int, before: Walk) -> None:
        session, walk = self._session, self._session.walk
        if walk and walk.before and session.timeline:
            sounds = session.timeline.at(walk.tick + walk.late)
            if sounds > session.frozen_until(at):
                self._rest_until = 0
                session.change(at, before)

    def _within_grace(self, at: int, walk: Walk) -> bool:
        timeline = self._session.timeline
        assert timeline
        return walk.beat == 1 and at - timeline.at(walk.tick) <= min(timeline.beat_ns // 3, GRACE_NS)

    def _late_tick(self, at: int, beat_tick: int) -> int:
        """Ticks into the beat of the next subdivision at least SOON_NS after `at`."""
        session, timeline = self._session, self._session.timeline
        assert timeline
        feel = session.plan.feel
        swing = feel.swing_at(timeline.mbpm / 1000)
        for slots in (3 if swing > 1.2 or feel.meter[1] == 8 else 2, 4):
            for tick in slot_ticks(slots, feel.ticks, swing)[1:]:
                if timeline.at(beat_tick + tick) >= at + SOON_NS:
                    return tick
        raise AssertionError("the grace is shorter than three quarters of any beat")

    def _last(self, at: int) -> str | None:
        session, walk = self._session, self._session.walk
        if not walk:
            return "not playing"
        plan = session.plan
        in_ending = walk.is_last and walk.bar >= plan.ending_bar
        if walk.last >= max(walk.chorus, 1) and not in_ending:
            session.change(at, replace(walk, last=0, late_last=0))
            return None
        if in_ending:
            return "the ending is on"
        if walk.counting or walk.bar < plan.ending_bar:
            return self._arm_last(at, walk, max(walk.chorus, 1))
        if walk.bar == plan.ending_bar and self._within_grace(at, walk):
            late = self._late_tick(at, walk.tick)
            moved = replace(walk, last=walk.chorus, cue=None, late=late, before=walk)
            session.change(at, moved, cut=walk.tick + late)
            return None
        return self._arm_last(at, walk, walk.chorus + 1)

    def _arm_last(self, at: int, walk: Walk, chorus: int) -> None:
        session, timeline, plan = self._session, self._session.timeline, self._session.plan
        assert timeline
        line = walk.tick + plan.feel.ticks
        at_line = walk.beat == plan.feel.beats and walk.bar + 1 == plan.ending_bar and chorus == walk.chorus
        late = self._late_tick(at, line) if at_line and timeline.at(line) - at < LATE_NS else 0
        session.change(at, replace(walk, last=chorus, late_last=late))

    def _flag(self, at: int) -> str | None:
        """Note this change; practising alone, drill it from the next phrase on."""
        session, walk = self._session, self._session.walk
        if not walk or walk.chorus == 0 or walk.is_last:
            return "nothing to flag here"
        loops = drilling.loops_of(session.plan)
        loop = drilling.flagged(session.plan, loops, walk.bar, walk.beat)
        waiting = walk.drill_next
        if session.settings.use == "band":
            self.flags.append(loop)
            self._withdraw = lambda _: self.flags.remove(loop)
        elif waiting:
            self.flags = [flag for flag in self.flags if flag not in waiting.loops]
            session.change(at, replace(walk, drill_next=None))
            self._withdraw = lambda now: self._wait_for_drill(now, waiting)
        else:
            self.flags.append(loop)
            self._wait_for_drill(at, self._drill_of((loop,), came_through=True))
            self._withdraw = lambda now: self._unflag(now, loop)
        return None

    def _wait_for_drill(self, at: int, drill: Drill | None) -> None:
        if walk := self._session.walk:
            self._session.change(at, replace(walk, drill_next=drill))

    def _unflag(self, at: int, loop: Loop) -> None:
        self.flags.remove(loop)
        self._wait_for_drill(at, None)

    # ---- drill ------------------------------------------------------------------------

    def _drill_of(self, loops: tuple[Loop, ...], came_through: bool) -> Drill:
        return drilling.begin(loops, {}, came_through, self._session.settings.mark == "clean")

    def _drill(self, at: int) -> str | None:
        """Drill the flagged changes, else all of them."""
        session = self._session
        if session.walk:
            return "already playing"
        loops = tuple(dict.fromkeys(self.flags)) or drilling.loops_of(session.plan)
        if not loops:
            return "this form has no change"
        self._stomps.clear()
        drill = self._drill_of(loops, came_through=False)
        walk = count_in(session.plan, "drill", session.settings.step, session.mbpm * drill.pace // 1000)
        self._go(max(at, session.now) + START_NS, session.mbpm, replace(walk, drill=drill, pace=drill.pace))
        return None

    def _missed(self, at: int) -> str | None:
        session, walk = self._session, self._session.walk
        if not walk or not walk.drill or not walk.drill.markable or walk.counting:
            return "no change has come yet"
        session.change(at, replace(walk, drill=drilling.mark(walk.drill)))
        self._withdraw = self._unmissed
        return None

    def _unmissed(self, at: int) -> None:
        walk = self._session.walk
        if walk and walk.drill:
            self._session.change(at, replace(walk, drill=drilling.mark(walk.drill, False)))

    def _onward(self, at: int) -> str | None:
        """The next transition, from the next bar line on."""
        session, walk = self._session, self._session.walk
        if not walk or not walk.drill or walk.counting:
            return "no drill"
        session.change(at, replace(walk, drill=replace(drilling.onto_next(walk.drill), at=-1)))
        return None

    def _leave(self, at: int) -> str | None:
        session, walk = self._session, self._session.walk
        if not walk or not walk.drill or walk.counting or not walk.drill.came_through:
            return self._stop(at)
        session.change(at, leave_drill(session.plan, walk))
        return None

    # ---- settings ---------------------------------------------------------------------

    def _tempo(self, at: int, bpm: Any) -> str | None:
        if not isinstance(bpm, int | float) or not SLOWEST <= bpm <= FASTEST:
            return f"tempo must be {SLOWEST} to {FASTEST} beats a minute"
        self._session.retime(at, round(bpm * 1000))
        return None

    def _mode(self, at: int, mode: Any) -> str | None:
        session = self._session
        if mode not in ("through", "vamp"):
            return "mode must be through or vamp"
        session.settings = replace(session.settings, mode=mode)
        if session.walk:
            walk = leave_drill(session.plan, session.walk) if session.walk.drill else session.walk
            session.change(at, replace(walk, mode=mode, cue=None, drill_next=None))
        return None

    def _soft(self, at: int, soft: Any) -> str | None:
        """Soft or full from the next phrase on; without a value the other of the two."""
        walk = self._session.walk
        if not walk:
            return "not playing"
        soft = not walk.soft_next if soft is None else bool(soft)
        self._session.change(at, replace(walk, soft_next=soft))
        return None

    def _stops(self, at: int, stops: Any) -> str | None:
        """Stop-time in the first bars of the next chorus; again: withdrawn."""
        walk = self._session.walk
        if not walk:
            return "not playing"
        self._session.change(
            at, replace(walk, stops_next=not walk.stops_next if stops is None else bool(stops))
        )
        return None

    def _parts(self, at: int, parts: Any) -> str | None:
        """Who plays: a list of parts."""
        session = self._session
        wanted = frozenset(parts) if isinstance(parts, list | tuple | set | frozenset) else frozenset()
        if not wanted or not wanted <= set(PARTS):
            return f"parts must be some of {', '.join(PARTS)}"
        session.band = session.band._replace(parts=wanted)
        if session.walk:
            session.change(at, session.walk)
        return None

    def _ask(self, at: int, tune: Any, key: Any) -> str | None:
        self._session.emit(PlanWanted(at, str(tune), None if key is None else str(key)))
        return None

    # ---- the lamps' answer ------------------------------------------------------------

    def _wink(self, at: int, action: str, before: Walk | None) -> None:
        session = self._session
        panel, walk, timeline, plan = session.panel, session.walk, session.timeline, session.plan
        if action == "stop":
            return  # the lamps going out are the answer
        if not walk or not timeline or walk.counting:
            panel.wink(at, at + BLIP_NS, plan.chords[plan.layout[0][0].place].degree.lamp, PULSE)
        elif action == "cue" and before:
            comes = plan.chords[coming_step(plan, before).chord].degree.lamp
            if comes == plan.chords[cell(plan, before).place].degree.lamp:
                panel.wink(at, at + BLIP_NS, comes, GAP)
            else:
                until = walk.tick + (walk.late or plan.feel.ticks)
                panel.wink(at, timeline.at(until), comes, PULSE)
        else:
            panel.wink(at, at + BLIP_NS, ALL, GAP)
