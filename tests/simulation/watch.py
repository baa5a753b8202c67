"""What must hold whatever happens: checked on every output as it leaves."""

from collections import deque
from collections.abc import Iterable, Mapping
from typing import Any

from pedal.events import NS_PER_MS as MS
from pedal.events import NS_PER_S as S
from pedal.events import Command, Input, Light, Mark, Output, Send
from pedal.leader.session import FREEZE_NS, Session
from pedal.score.degrees import parse_degree

LAMPS = ("I", "IV", "V", "other")
SLACK_NS = 12  # rounding of ticks to nanoseconds, in one beat
# How long a note may last: two bars of chords at half of the slowest tempo; a stroke of the drums.
LONGEST_NS = {False: 24 * S, True: 2 * S}
MOVES_LAST = ("last", "again", "mode", "leave", "drill", "flag", "back", "cue")
LINE_SLACK_NS = 1000  # where a bar line is expected, from the beats before it


class Broken(AssertionError):
    """An invariant does not hold."""


class Watch:
    """Looks at one Session from outside. `restart` when the box has been started anew."""

    def __init__(self, session: Session) -> None:
        self.counts: dict[str, int] = {}
        self._looks = {
            "position": self._beat,
            "gesture": self._gesture,
            "command": self._command,
            "stopped": self._stopped,
        }
        self._lit: dict[str, bool] = dict.fromkeys((*LAMPS, "beat", "ready"), False)
        self._moment, self._lit_before = -S, 0
        self._rises: deque[int] = deque()
        self._falls: deque[int] = deque()
        self.restart(session)

    def restart(self, session: Session) -> None:
        """A new process: nothing sounds, no lamp is lit."""
        self.session = session
        self._last_send = -1
        self.sounding: dict[tuple[int, int], int] = {}
        self._at: Mark | None = None
        self._line_before = 0
        self._bar_line = 0  # when the bar of the last position began
        self._beat_ns: int | None = None
        self._expected: tuple[int, int, int] | None = None  # a cue's bar, not before, not after
        self._quiet_after: int | None = None  # nothing may sound later than this
        self._cue_at = -1
        self._last_moved = -1  # something that may take the last time back
        self._shaken = -1  # something moved the timeline or the form by other means
        self._winks: deque[int] = deque(maxlen=4)
        self._lit = dict.fromkeys(self._lit, False)
        self._rises.clear()  # a process takes longer than a second to come up
        self._falls.clear()
        self._deaf = True

    def saw(self, event: Input) -> None:
        """An input that the Session is about to get."""
        if isinstance(event, Command) and event.name not in ("cue", "start"):
            self._shaken = event.at

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
            elif isinstance(output, Mark) and (look := self._looks.get(output.kind)):
                look(output)

    def _need(self, holds: bool, *what: object) -> None:
        if not holds:
            raise Broken(" ".join(map(str, what)))

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
            self._need(self.sounding.pop(key) < send.due, "a note without length:", key)
        elif kind == 0xB0 and send.data[1] == 120:
            left = [k for k in self.sounding if k[0] == key[0]]
            self._need(not left, "sound off before the note-offs:", left)

    def _note_in_place(self, send: Send) -> None:
        """A note is within 15 ms before and 19 ms after its beat's span, and no fill sounds while waiting."""
        mark = self._at
        if not mark or send.part != "drums" or send.chorus == 0 or self.session.walk is None:
            return  # (stopped since: the plan may be another already)
        fields = mark.fields
        plan = self.session.plan
        waiting = (
            fields["mode"] == "vamp"
            and self._cue_at < self._bar_line
            and not fields["armed"]
            and fields["chorus"] == send.chorus
        )
        if (
            waiting
            and self._shaken < self._bar_line
            and (send.bar, send.beat) == (fields["bar"], fields["beat"])
        ):
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

    def _lamps_tell(self, until: Mark) -> None:
        mark, session = self._at, self.session
        assert mark
        degree = mark.fields["degree"]
        winked = any(until.due - 100 * MS <= wink <= until.due for wink in self._winks)
        if degree is None or winked or session.settings.latency_ns or until.due - mark.due < 200 * MS:
            return
        if self._shaken >= mark.due or sum(rise > mark.due - S for rise in self._rises) > 2:
            return  # the limit on flashes is above all: it may have to wait
        self._need(self._lit[parse_degree(degree).lamp], "the lamp of", degree, "is dark at", until.due)

    # ---- marks ------------------------------------------------------------------------

    def _gesture(self, mark: Mark) -> None:
        action = mark.fields["action"]
        self.counts[action] = self.counts.get(action, 0) + 1
        self._winks.append(mark.due)
        if mark.fields.get("withdrew"):
            self._expected = None
            self._shaken = mark.due
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
        deaf = self._at is not None and self._deaf and mark.fields["gesture"] != "hold"
        self._need(not deaf, "not deaf before beat 3 of bar 1:", mark)

    def _command(self, mark: Mark) -> None:
        self._winks.append(mark.due)
        if mark.fields["name"] in MOVES_LAST:
            self._last_moved = mark.due
        if mark.fields["name"] == "cue" and "reason" not in mark.fields:
            self._cued(mark)

    def _stopped(self, mark: Mark) -> None:
        self.counts["stops"] = self.counts.get("stops", 0) + 1
        self._quiet_after = mark.due + FREEZE_NS
        self._at = self._beat_ns = self._expected = None
        self._deaf = True

    def _cued(self, mark: Mark) -> None:
        """Work out, from the positions alone, where and when this cue must take effect."""
        last, beat = self._at, self._beat_ns
        self._cue_at = mark.due
        if not last or not beat or self._shaken >= self._line_before or last.fields["chorus"] == 0:
            return
        plan, session = self.session.plan, self.session
        fields = last.fields
        walk = session.walk
        if walk is None or fields["mode"] != "vamp" or "last" in fields["armed"]:
            return
        starts = plan.steps[walk.step]
        target = next((bar for bar in starts if bar > fields["bar"]), 1)
        next_line = self._bar_line + plan.feel.beats * beat
        after = mark.due - self._bar_line
        grace = min(beat // 3, 150 * MS)
        if fields["beat"] == 1 and after <= grace and fields["bar"] is not None and after < 200 * MS:
            if next_line - mark.due > 20 * MS and after > 0:
                # Either the line just passed was one that waited, or this means the next.
                self._expected = None
            return
        if abs(next_line - mark.due - 20 * MS) < LINE_SLACK_NS:
            self._expected = None  # on the edge between on time and late
        elif next_line - mark.due >= 20 * MS:
            self._expected = (target, next_line - LINE_SLACK_NS, next_line + LINE_SLACK_NS)
        else:
            self._expected = (target, mark.due + 40 * MS - SLACK_NS, next_line + beat)

    def _cue_kept(self, mark: Mark) -> None:
        fields, last = mark.fields, self._at
        if fields["chorus"] and last and last.fields["chorus"]:
            self._follows(last, mark)
        kept = self._expected is not None and self._shaken < self._bar_line
        if kept and self._expected and last and fields["beat"] == 1 and last.fields["beat"] != 1:
            bar, not_before, _ = self._expected
            starts = self.session.plan.steps[self.session.settings.step]
            early = mark.due < not_before and fields["bar"] == bar and bar in starts
            self._need(not early, "a late cue was taken as one in time:", self._expected, mark)
        stale = "cue" in fields["armed"] and max(self._cue_at, self._shaken) < self._line_before
        self._need(not stale, "a cue that was used is still armed:", mark)
        if kept and self._expected and fields["beat"] == 1 and mark.due >= self._expected[1]:
            bar, _, not_after = self._expected
            if mark.due <= not_after and fields["bar"] == bar:
                self._expected = None
                self.counts["cues right"] = self.counts.get("cues right", 0) + 1
            else:
                self._need(mark.due <= not_after, "a cue did not take effect:", self._expected, mark)
        if self._shaken >= self._bar_line:
            self._expected = None

    def _follows(self, last: Mark, mark: Mark) -> None:
        b, a = last.fields, mark.fields
        beats = self.session.plan.feel.beats
        if a["beat"] != 1:
            self._need(a["beat"] == b["beat"] + 1, "beats do not add up:", b, a)
        else:
            self._need(b["beat"] in (beats, 1), "a bar was cut short:", b, a)
            undisturbed = a["mode"] == b["mode"] and self._shaken < self._line_before
            if self._last_moved < self._bar_line - 40 * MS and "last" in b["armed"]:
                self._need(a["chorus"] == b["chorus"], "the last time went by:", b, a)
            if undisturbed and a["mode"] == "vamp" and not b["armed"] and self._cue_at < self._line_before:
                self._stays(b, a)
            if a["mode"] == b["mode"] != "drill":
                self._need(a["chorus"] - b["chorus"] in (0, 1), "choruses do not add up:", b, a)
            if (
                a["mode"] == b["mode"] == "through"
                and self._shaken < self._bar_line - 40 * MS
                and "drill" not in b["armed"]
            ):
                ahead = b["bar"] % max(len(self.session.plan.layout), 1) + 1
                self._need(a["bar"] in (ahead, b["bar"] + 1), "bars do not add up:", b, a)

    def _stays(self, b: Mapping[str, Any], a: Mapping[str, Any]) -> None:
        """Without a cue a vamp does not leave its step."""
        starts = self.session.plan.steps[self.session.settings.step]
        steps = [max(start for start in starts if start <= fields["bar"]) for fields in (b, a)]
        self._need(steps[0] == steps[1] and a["chorus"] == b["chorus"], "a vamp went on by itself:", b, a)

    def _beat(self, mark: Mark) -> None:
        last = self._at
        hanging = [key for key, since in self.sounding.items() if mark.due - since > LONGEST_NS[key[0] == 9]]
        self._need(not hanging, "hanging:", hanging, "at", mark.due)
        if last:
            self._lamps_tell(mark)
        self._cue_kept(mark)
        fields = mark.fields
        if last and self._shaken < last.due and fields["beat"] == last.fields["beat"] + 1:
            length = mark.due - last.due
            steady = fields["mode"] != "drill" and "last" not in fields["armed"]
            if self._beat_ns and steady and self._shaken < self._line_before and fields["beat"] > 2:
                self._need(abs(length - self._beat_ns) <= SLACK_NS, "the beat wavers:", length, self._beat_ns)
            if fields["beat"] > 2 or last.due == self._bar_line:  # not from where a late cue came in
                self._beat_ns = length
        if last is None:
            self._quiet_after = None
        if fields["beat"] == 1 and (last is None or last.fields["beat"] != 1):
            self._line_before, self._bar_line = self._bar_line, mark.due
        if "drill" in fields:
            self._need(500 <= fields["drill"]["pace"] <= 1000, "pace", fields["drill"])
        if fields["chorus"] and fields["beat"] >= 3:
            self._deaf = False
        self._at = mark
