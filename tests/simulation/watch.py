"""What must hold whatever happens: checked on every output as it leaves."""

from collections import deque
from collections.abc import Iterable

from pedal.events import NS_PER_MS as MS
from pedal.events import NS_PER_S as S
from pedal.events import (
    BeatBegan,
    ClockIn,
    Command,
    CommandDone,
    GestureDone,
    Input,
    Light,
    Output,
    PlanWanted,
    Result,
    Send,
    Stopped,
    Sync,
)
from pedal.music.degrees import parse_degree
from pedal.session.session import Session
from pedal.session.state import FREEZE_NS
from pedal.session.sync.clock_out import TICKS
from pedal.session.sync.midi_stream import CONTINUE, START, STOP

from .company import Company, Diary
from .form import SLACK_NS, Form
from .machine import Machine

LAMPS = ("I", "IV", "V", "other")
# How long a note may last: two bars of chords at half of the slowest tempo; a stroke of the drums.
LONGEST_NS = {False: 24 * S, True: 2 * S}
MOVES_LAST = ("last", "again", "mode", "leave", "drill", "flag", "back", "cue")
GOES_ON_NS = 60 * S  # from the end of a step to the next: two bars of lamps, two of sticks at most
TRANSPORT = frozenset((START, CONTINUE, STOP))


class Watch(Form):
    """Looks at one Session from outside. `restart` when the box has been started anew."""

    def __init__(self, session: Session, seed: int = 0, machine: Machine | None = None) -> None:
        self.counts: dict[str, int] = {}
        self._seed, self._machine = seed, machine
        self._diary = Diary()
        self._company: Company | None = None
        self._foot_at = -1  # the last input that was no clock
        self._looks = {
            BeatBegan: self._beat,
            GestureDone: self._gesture,
            CommandDone: self._command,
            Stopped: self._stopped,
        }
        self._lit: dict[str, bool] = dict.fromkeys((*LAMPS, "beat", "ready"), False)
        self._moment, self._lit_before = -S, 0
        self._rises: deque[int] = deque()
        self._falls: deque[int] = deque()
        self._ons: deque[int] = deque(maxlen=4)  # when any lamp lit up
        self.restart(session)

    def end(self, at: int) -> None:
        """End the process, and all that sounds: also what is struck at this very moment."""
        self._silences.append(at)
        self.check(self.session.silence(at))

    def restart(self, session: Session) -> None:
        """A new process: nothing sounds, no lamp is lit."""
        if self._company:
            self._company.count(self.counts)
        if self._machine:
            self._machine.grid = None  # nobody has told this process where its song is
        self.session = session
        self._company = Company(session, self._seed)
        self._last_send = -1
        self.sounding: dict[tuple[int, int], int] = {}
        self._at: BeatBegan | None = None
        self._line_before = 0
        self._bar_line = 0  # when the bar of the last position began
        self._beat_ns: int | None = None
        self._expected: tuple[int, int, int] | None = None  # a cue's bar, not before, not after
        self._quiet_after: int | None = None  # nothing may sound later than this
        self._cue_at = -1
        self._tapped: dict[str, str] = {}  # what the last gesture of a switch did
        self._uncued_at: int | None = None  # a cue was withdrawn, and no other given since
        self._last_moved = -1  # something that may take the last time back
        self._clock_at = -1
        self._jumped = -S  # another machine has started or stopped the band,
        self._joined = -1  # and when the band was there
        self._shaken = -1  # something moved the timeline or the form by other means
        self._winks: deque[int] = deque(maxlen=4)
        self._silences: deque[int] = deque(maxlen=64)
        self._lit = dict.fromkeys(self._lit, False)
        self._rises.clear()  # a process takes longer than a second to come up
        self._falls.clear()
        self._deaf = True
        self._stopped_at = -1
        self._goes_on_by: int | None = None  # a routine's next step must have begun by then

    def saw(self, event: Input) -> None:
        """An input that the Session is about to get."""
        if isinstance(event, Command) and event.name not in ("cue", "start"):
            self._shaken = event.at
        if not isinstance(event, ClockIn):
            self._foot_at, self._goes_on_by = event.at, None
        else:
            self._shaken = self._clock_at = event.at
            if not TRANSPORT.isdisjoint(event.data):
                self._jumped = event.at

    def check(self, outputs: Iterable[Output]) -> None:
        """Every output, in the order it was given."""
        for output in outputs:
            if self._quiet_after is not None and output.due > self._quiet_after + MS:
                left = [key for key, since in self.sounding.items() if since <= self._quiet_after]
                self._need(not left, "sounding after the stop:", left)
            if isinstance(output, Send):
                self._send(output)
            elif isinstance(output, Light):
                self._light(output)
            elif isinstance(output, Sync):
                self._company.told(output)
            elif isinstance(output, PlanWanted):
                self._wanted(output)
            elif isinstance(output, Result):
                self._diary.look(output, len(self.session.plan.layout))
                if look := self._looks.get(type(output)):
                    look(output)

    def come_to(self, now: int) -> None:
        """All outputs up to now have been seen."""
        self._company.until(now)
        late = self._goes_on_by is not None and now > self._goes_on_by
        self._need(not late, "a routine did not go on by itself by", self._goes_on_by)

    def no_plan(self) -> None:
        """The plan that was asked for cannot be made."""
        self._goes_on_by = None

    def close(self, now: int) -> None:
        """The episode is over."""
        self._need(not self.sounding, "left sounding at the end:", self.sounding)
        self._company.count(self.counts)
        self.counts |= self._diary.close()

    # ---- who plays along --------------------------------------------------------------

    def _in_time(self, beat: BeatBegan) -> None:
        """A beat some time ago, with whoever plays along."""
        plan, fields, quiet = self.session.plan, beat, self._shaken < self._line_before
        # A drill has no place in the song of a machine that leads.
        quiet = quiet and not (fields.mode == "drill" and self.session.followed.leads)
        if quiet and fields.chorus and fields.beat > 2 and "last" not in fields.armed:
            self._company.beat(beat, plan.feel.ticks)
        machine, led = self._machine, self.session.followed
        since = max(self._foot_at, self._jumped)
        if machine and led.leads and fields.beat > 2 and machine.is_steady(since, beat.due):
            off = machine.off(beat.due, plan.feel.ticks // TICKS)
            self._need(off < 6 * MS + machine.jitter, "not with the leading clock:", off, beat)
            if machine.grid:
                self.counts["beats led"] = self.counts.get("beats led", 0) + 1

    # ---- notes ------------------------------------------------------------------------

    def _send(self, send: Send) -> None:
        self._need(send.due >= self._last_send, "sends out of order at", send.due)
        self._last_send = send.due
        self._need(all(byte < 128 for byte in send.data[1:]), "not MIDI:", send.data)
        kind, key = send.data[0] & 0xF0, (send.data[0] & 0x0F, send.data[1])
        if kind == 0x90:
            self.counts["notes"] = self.counts.get("notes", 0) + 1
            self._need(send.data[2] > 0, "a note-on without velocity")
            self._need(key not in self.sounding, "struck while sounding:", key, send.due)
            quiet = self._quiet_after is not None and send.due > self._quiet_after and send.chorus > 0
            self._need(not quiet, "a note after silence:", send)
            self.sounding[key] = send.due
            self._note_in_place(send)
        elif kind == 0x80:
            self._need(key in self.sounding, "an off without its on:", key, send.due)
            # (What is struck when a stop or an end silences everything may be ended in the same nanosecond.)
            short = self.sounding.pop(key) >= send.due and send.due not in self._silences
            self._need(not short, "a note without length:", key)
        elif kind == 0xB0 and send.data[1] == 120:
            left = [k for k in self.sounding if k[0] == key[0]]
            self._need(not left, "sound off before the note-offs:", left)

    def _note_in_place(self, send: Send) -> None:
        """A note is within 15 ms before and 19 ms after its beat's span, and no fill sounds while waiting."""
        mark = self._at
        if not mark or send.part != "drums" or send.chorus == 0 or self.session.position is None:
            return  # (stopped since: the plan may be another already)
        fields = mark
        plan = self.session.plan
        waiting = (
            fields.mode == "vamp"
            and self._cue_at < self._bar_line
            and not fields.armed
            and fields.chorus == send.chorus
        )
        if waiting and self._shaken < self._bar_line and (send.bar, send.beat) == (fields.bar, fields.beat):
            groove = {stroke.key for bar in plan.feel.groove for beat in bar for stroke in beat}
            allowed = groove | ({49} if send.beat == 1 else set())
            self._need(send.data[1] in allowed, "a fill while the vamp waits:", send)

    # ---- lamps ------------------------------------------------------------------------

    def _light(self, light: Light) -> None:
        self._need(self._lit[light.lamp] != light.lit, "a lamp set to what it is:", light)
        if light.due != self._moment:
            self._flashed()
            self._moment, self._lit_before = light.due, sum(self._lit.values())
        self._lit[light.lamp] = light.lit
        if light.lit and not (self._ons and light.due - self._ons[-1] < MS):
            self._ons.append(light.due)
        self._company.lit(light)

    def _flashed(self) -> None:
        """A moment is over: the number of lit lamps has risen or fallen, and that is half a flash."""
        change = sum(self._lit.values()) - self._lit_before
        moments = self._rises if change > 0 else self._falls
        # What lies within a millisecond is one change to any eye.
        if change and not (moments and self._moment - moments[-1] < MS):
            moments.append(self._moment)
        for queue in (self._rises, self._falls):
            while queue and queue[0] <= self._moment - S:
                queue.popleft()
        flashes = min(len(self._rises), len(self._falls))
        self._need(flashes <= 3, "a fourth flash in a second at", self._moment)

    def _lamps_tell(self, until: BeatBegan) -> None:
        mark, session = self._at, self.session
        assert mark
        degree = mark.degree
        winked = any(until.due - 100 * MS <= wink <= until.due for wink in self._winks)
        if degree is None or winked or session.state.settings.latency_ns or until.due - mark.due < 200 * MS:
            return
        flashes = sum(moment > mark.due - S for moment in (*self._ons, *self._winks))
        if max(self._shaken, self._jumped + S) >= mark.due or flashes > 2:
            return  # the limit on flashes is above all: it may have to wait
        self._need(self._lit[parse_degree(degree).lamp], "the lamp of", degree, "is dark at", until.due)

    # ---- marks ------------------------------------------------------------------------

    def _gesture(self, mark: GestureDone) -> None:
        action = mark.action
        self.counts[action] = self.counts.get(action, 0) + 1
        self._winks.append(mark.due)
        if mark.withdrew:
            self._expected = None
            self._shaken = mark.due
            if self._tapped.pop(mark.switch, "") == "cue":
                self._uncued_at = mark.due
        self._tapped[mark.switch] = action
        if action in ("cue", "back"):
            self._uncued_at = None
        if action in ("ignored", "stomp", "nothing"):
            return
        if action in MOVES_LAST:
            self._last_moved = mark.due
        if action == "drill":
            self._quiet_after = None  # it starts, and its first notes may come before its first beat
        if action == "cue":
            self._cued(mark)
        else:
            self._shaken = mark.due
        deaf = self._at is not None and self._deaf and mark.gesture != "hold"
        self._need(not deaf, "not deaf before beat 3 of bar 1:", mark)

    def _command(self, mark: CommandDone) -> None:
        self._winks.append(mark.due)
        if mark.name in MOVES_LAST:
            self._last_moved = mark.due
        if mark.name == "back" and mark.reason is None:
            self._uncued_at = None
        if mark.name == "cue" and mark.reason is None:
            self._cued(mark)

    def _stopped(self, mark: Stopped) -> None:
        self.counts["stops"] = self.counts.get("stops", 0) + 1
        self._quiet_after = mark.due + FREEZE_NS
        self._silences.append(self._quiet_after)
        self._at = self._beat_ns = self._expected = None
        self._deaf = True
        self._stopped_at = mark.due

    def _wanted(self, wanted: PlanWanted) -> None:
        """A step of a routine has come to its end: the next begins by itself."""
        if self.session.state.setlist.begins and wanted.due == self._stopped_at > self._foot_at:
            self._goes_on_by = wanted.due + GOES_ON_NS
            self.counts["steps by themselves"] = self.counts.get("steps by themselves", 0) + 1

    def _beat(self, mark: BeatBegan) -> None:
        last = self._at
        hanging = [key for key, since in self.sounding.items() if mark.due - since > LONGEST_NS[key[0] == 9]]
        self._need(not hanging, "hanging:", hanging, "at", mark.due)
        if last:
            self._lamps_tell(mark)
        self._cue_kept(mark)
        fields = mark
        if last and self._shaken < last.due and fields.beat == last.beat + 1:
            length = mark.due - last.due
            steady = fields.mode != "drill" and "last" not in fields.armed
            if self._beat_ns and steady and self._shaken < self._line_before and fields.beat > 2:
                self._need(abs(length - self._beat_ns) <= SLACK_NS, "the beat wavers:", length, self._beat_ns)
            if fields.beat > 2 or last.due == self._bar_line:  # not from where a late cue came in
                self._beat_ns = length
        self._goes_on_by = None
        if last:
            self._in_time(last)
        if last is None:
            self._quiet_after = None
            self._joined = mark.due if mark.due == self._clock_at else -1
            self._deaf = self._deaf and self._joined < 0  # nobody has counted
        if fields.beat == 1 and (last is None or last.beat != 1):
            self._line_before, self._bar_line = self._bar_line, mark.due
        if "drill" in fields:
            self._need(500 <= fields.drill.pace <= 1000, "pace", fields.drill)
        if fields.chorus and fields.beat >= 3:
            self._deaf = False
        self._at = mark
