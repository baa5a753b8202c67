"""What a gesture or a command does to the Session.

An action answers with the reason why it was ignored, with None, or with what takes it back
(`answers`). An accepted press winks a lamp; an ignored one does not. What a tap set off is
withdrawn if a double or a hold follows and it has not been taken yet.
"""

from collections.abc import Callable
from itertools import pairwise
from statistics import median
from typing import TYPE_CHECKING, Any

from ..events import NS_PER_MS, Command, CommandDone, GestureDone
from ..music.timeline import FASTEST, SLOWEST, mbpm_of
from .controls import FOURTH, Dials
from .cues import Cues
from .foot_map import FootMap
from .form_position import FULL_PACE, FormPosition, cell, coming_step, count_in, stomped_in
from .gestures import Gesture
from .lamp_patterns import ALL, BLIP_NS, GAP, PULSE
from .outcome import Answer
from .practice import Practice

if TYPE_CHECKING:
    from .session import Session

LONE_TAP_NS = 1_800 * NS_PER_MS
START_NS = 25 * NS_PER_MS  # from "go" to the first stick: more than the freeze
UNEVEN = 0.25  # share of the median by which a stomped interval may stray


class Actions:
    """The answers of one Session, and the little that they must remember."""

    def __init__(self, session: "Session", footmap: FootMap) -> None:
        self._session = session
        self._footmap = footmap
        self._stomps: list[int] = []
        # By switch: what takes back what its last tap did, and the state that this fell in.
        self._withdraw: dict[str, Callable[[int], None] | None] = {}
        self._tapped_in: dict[str, str] = {}
        self._deaf = False
        self._cues = Cues(session)
        self._practice = Practice(session)
        dials, practice, programme = Dials(session), self._practice, session.programme
        # Every action takes its moment and a value; from the foot the value is None.
        self._acts: dict[str, Callable[[int, Any], Answer]] = {
            "stomp": lambda at, _: self._stomp(at),
            "start": lambda at, _: self._start(at),
            "stop": lambda at, _: self._stop(at),
            "cue": lambda at, _: self._cues.cue(at),
            "back": lambda at, _: self._cues.cue(at, back=True),
            "last": lambda at, _: self._cues.last(at),
            "again": dials.again,
            "flag": lambda at, _: practice.flag(at),
            "drill": lambda at, _: self._drill(at),
            "missed": lambda at, _: practice.missed(at),
            "onward": lambda at, _: practice.onward(at),
            "leave": lambda at, _: self._leave(at),
            "next-entry": lambda at, _: programme.move(at, 1),
            "previous-entry": lambda at, _: programme.move(at, -1),
            "key": dials.key,
            "key-fourth": lambda at, _: dials.key_by(at, FOURTH),
            "key-up": lambda at, _: dials.key_by(at, 1),
            "key-down": lambda at, _: dials.key_by(at, -1),
            "load": dials.load,
            "mode": dials.mode,
            "tempo": dials.tempo,
            "tempo-up": dials.tempo_up,
            "tempo-down": dials.tempo_down,
            "tempo-back": dials.tempo_back,
            "tap-tempo": dials.tap_tempo,
            "soft": dials.soft,
            "stop-time": dials.stop_time,
            "parts": dials.parts,
            "guide": dials.guide,
        }

    # ---- what comes in ----------------------------------------------------------------

    def gesture(self, gesture: Gesture) -> None:
        """A foot has spoken."""
        session, at = self._session, gesture.at
        state = session.position.mode if session.position else "stopped"
        if gesture.kind == "tap":
            self._tapped_in[gesture.switch] = state
        elif session.position and (tapped := self._tapped_in.get(gesture.switch, "stopped")) != "stopped":
            state = tapped  # a phrase may have ended, and a drill begun, under the foot
        action = self._footmap.get((state, gesture.switch, gesture.kind))
        done = GestureDone(at, gesture.switch, gesture.kind, action or "nothing")
        withdraw = self._withdraw.pop(gesture.switch, None)
        if gesture.kind != "tap" and withdraw:
            withdraw(at)
            session.lamps.unwink(at)
            done = done._replace(withdrew=True)
        before = session.position
        if action in (None, "nothing"):
            answer: Answer = "nothing on this gesture"
        elif self._deaf and gesture.kind != "hold":
            answer = "deaf until beat 3"
        else:
            answer = self._acts[action](at, None)
        if isinstance(answer, str):
            session.emit(done._replace(action="ignored", reason=answer))
            return
        session.emit(done)
        self._withdraw[gesture.switch] = answer
        self._wink(at, action or "", before)

    def command(self, command: Command) -> None:
        """Something was asked for by other means than the foot."""
        act = self._acts.get(command.name)
        answer = act(command.at, command.value) if act else "unknown command"
        reason = answer if isinstance(answer, str) else None
        self._session.emit(CommandDone(command.at, command.name, command.value, reason, command.id))

    def deadline(self) -> int | None:
        """When a stomped count that has stopped growing is decided."""
        return self._stomps[-1] + self._stomp_patience() if self._stomps else None

    def advance(self, now: int) -> None:
        """The count has not gone on: one tap alone counts in, a broken count is void."""
        alone = len(self._stomps) == 1
        self._stomps.clear()
        if alone:
            self._start(now)

    def beat_began(self, before: FormPosition, position: FormPosition) -> None:
        """The band has come to another beat."""
        self._cues.beat_began(before, position)
        if self._deaf and position.chorus == 1 and position.beat >= min(3, self._session.plan.feel.beats):
            self._deaf = False

    def stopped(self) -> None:
        """The music is over."""
        self._deaf = False
        self._withdraw.clear()
        self._cues.stopped()

    # ---- starting and stopping --------------------------------------------------------

    def _stomp(self, at: int) -> Answer:
        session = self._session
        beats = session.plan.feel.beats
        self._stomps.append(at)
        intervals = [later - sooner for sooner, later in pairwise(self._stomps)]
        if len(intervals) > 1 and any(
            abs(i - median(intervals)) > UNEVEN * median(intervals) for i in intervals
        ):
            self._stomps.clear()
            return "uneven count"
        if len(self._stomps) < beats:
            return lambda _: self._stomps.clear()
        if session.settings.mode == "drill":
            return self._drill(at)  # at its own tempo
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
        if session.position:
            return "already playing"
        if session.settings.mode == "drill":
            return self._drill(at)
        self._stomps.clear()
        position = count_in(session.plan, session.settings.mode, session.settings.step, session.mbpm)
        self._go(max(at, session.now) + START_NS, session.mbpm, position)
        return None

    def _go(self, at: int, mbpm: int, position: FormPosition) -> None:
        self._deaf = True
        session, settings = self._session, self._session.settings
        entry = session.programme.entry
        choruses = (entry and entry.choruses) or session.plan.tune.choruses
        choruses = choruses if position.mode == "through" else 0
        ceiling = max(FULL_PACE, round(settings.ceiling_mbpm * FULL_PACE / mbpm))
        position = position._replace(last=choruses, guide=settings.guide, ramp=settings.ramp, ceiling=ceiling)
        session.start(at, mbpm, position)

    def _stop(self, at: int) -> str | None:
        if not self._session.position:
            return "already stopped"
        self._session.halt(at)
        return None

    def _drill(self, at: int) -> str | None:
        session = self._session
        if session.position:
            return "already playing"
        position = self._practice.first_position()
        if not position:
            return "this form has no change"
        self._stomps.clear()
        self._go(max(at, session.now) + START_NS, session.mbpm, position)
        return None

    def _leave(self, at: int) -> str | None:
        return None if self._practice.leave(at) else self._stop(at)

    # ---- the lamps' answer ------------------------------------------------------------

    def _wink(self, at: int, action: str, before: FormPosition | None) -> None:
        session = self._session
        lamps, position, timeline, plan = session.lamps, session.position, session.timeline, session.plan
        if action == "stop":
            return  # the lamps going out are the answer
        if not position or not timeline or position.counting:
            lamps.wink(at, at + BLIP_NS, plan.chords[plan.layout[0][0].form_chord].degree.lamp, PULSE)
        elif action in ("cue", "back") and before:
            comes = plan.chords[coming_step(plan, position if position.cue else before).chord].degree.lamp
            if comes == plan.chords[cell(plan, before).form_chord].degree.lamp:
                lamps.wink(at, at + BLIP_NS, comes, GAP)
            else:
                until = timeline.at(self._pulses_from(position)) + session.settings.latency_ns
                lamps.wink(at, until, comes, PULSE)
        else:
            lamps.wink(at, at + BLIP_NS, ALL, GAP)

    def _pulses_from(self, position: FormPosition) -> int:
        """The tick until which a cue's own light stays on: where it sounds, or where its pulses begin."""
        if position.late:
            return position.tick + position.late
        beat = position.tick + self._session.plan.feel.ticks
        if position.cue and position.cue.late:
            return beat + position.cue.late
        if position.cue and beat < position.cue.tick:
            beat += self._session.plan.feel.ticks
        return beat
