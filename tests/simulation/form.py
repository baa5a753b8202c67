"""What must hold of the form: beats and bars add up, a vamp waits, a cue takes effect where it must."""

from collections.abc import Mapping
from typing import Any

from pedal.events import NS_PER_MS as MS
from pedal.events import BeatBegan, CommandDone, GestureDone
from pedal.session.session import Session
from pedal.session.state import FREEZE_NS

SLACK_NS = 12  # rounding of ticks to nanoseconds, in one beat
LINE_SLACK_NS = 1000  # where a bar line is expected, from the beats before it


class Broken(AssertionError):
    """An invariant does not hold."""


class Form:
    """The part of the watch that follows the positions."""

    session: Session
    counts: dict[str, int]
    _at: BeatBegan | None  # the last position
    _beat_ns: int | None
    _bar_line: int  # when the bar of the last position began
    _line_before: int
    _expected: tuple[int, int, int] | None  # a cue's bar, not before, not after
    _cue_at: int
    _uncued_at: int | None
    _last_moved: int  # something that may take the last time back
    _shaken: int  # something moved the timeline or the form by other means
    _joined: int

    def _need(self, holds: bool, *what: object) -> None:
        if not holds:
            raise Broken(" ".join(map(str, what)))

    def _cued(self, mark: GestureDone | CommandDone) -> None:
        """Work out, from the positions alone, where and when this cue must take effect."""
        last, beat = self._at, self._beat_ns
        self._cue_at, self._uncued_at = mark.due, None
        if not last or not beat or self._shaken >= self._line_before or last.chorus == 0:
            return
        plan, session = self.session.plan, self.session
        fields = last
        position = session.position
        if position is None or fields.mode != "vamp" or "last" in fields.armed:
            return
        starts = plan.steps[position.step]
        target = next((bar for bar in starts if bar > fields.bar), 1)
        next_line = self._bar_line + plan.feel.beats * beat
        after = mark.due - self._bar_line
        grace = min(beat // 3, 150 * MS)
        if fields.beat == 1 and after <= grace and fields.bar is not None and after < 200 * MS:
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

    def _cue_kept(self, mark: BeatBegan) -> None:
        fields, last = mark, self._at
        if fields.chorus and last and last.chorus:
            self._follows(last, mark)
        kept = self._expected is not None and self._shaken < self._bar_line
        if kept and self._expected and last and fields.beat == 1 and last.beat != 1:
            bar, not_before, _ = self._expected
            starts = self.session.plan.steps[self.session.state.settings.step]
            early = mark.due < not_before and fields.bar == bar and bar in starts
            self._need(not early, "a late cue was taken as one in time:", self._expected, mark)
        uncued = self._uncued_at is not None and mark.due > self._uncued_at + FREEZE_NS
        self._need(not (uncued and "cue" in fields.armed), "a cue that was withdrawn is still armed:", mark)
        stale = "cue" in fields.armed and max(self._cue_at, self._shaken) < self._line_before
        self._need(not stale, "a cue that was used is still armed:", mark)
        if kept and self._expected and fields.beat == 1 and mark.due >= self._expected[1]:
            bar, _, not_after = self._expected
            if mark.due <= not_after and fields.bar == bar:
                self._expected = None
                self.counts["cues right"] = self.counts.get("cues right", 0) + 1
            else:
                self._need(mark.due <= not_after, "a cue did not take effect:", self._expected, mark)
        if self._shaken >= self._bar_line:
            self._expected = None

    def _follows(self, last: BeatBegan, mark: BeatBegan) -> None:
        b, a = last, mark
        beats = self.session.plan.feel.beats
        if self._joined == last.due and a.bar == b.bar and a.beat == b.beat:
            return  # joined a little before the beat: that was told already
        if a.beat != 1:
            self._need(a.beat == b.beat + 1, "beats do not add up:", b, a)
        else:
            self._need(b.beat in (beats, 1), "a bar was cut short:", b, a)
            undisturbed = a.mode == b.mode and self._shaken < self._line_before
            if self._last_moved < self._bar_line - 40 * MS and "last" in b.armed:
                self._need(a.chorus == b.chorus, "the last time went by:", b, a)
            if undisturbed and a.mode == "vamp" and not b.armed and self._cue_at < self._line_before:
                self._stays(b, a)
            if a.mode == b.mode != "drill":
                # (Its first beat may have been on its way when the last time took the cue's place.)
                back = a.chorus - b.chorus == -1 and 0 <= last.due - self._last_moved <= FREEZE_NS
                self._need(back or a.chorus - b.chorus in (0, 1), "choruses do not add up:", b, a)
            if (
                a.mode == b.mode == "through"
                and self._shaken < self._bar_line - 40 * MS
                and "drill" not in b.armed
            ):
                ahead = b.bar % max(len(self.session.plan.layout), 1) + 1
                self._need(a.bar in (ahead, b.bar + 1), "bars do not add up:", b, a)

    def _stays(self, b: Mapping[str, Any], a: Mapping[str, Any]) -> None:
        """Without a cue a vamp does not leave its step."""
        starts = self.session.plan.steps[self.session.state.settings.step]
        steps = [max(start for start in starts if start <= fields.bar) for fields in (b, a)]
        self._need(steps[0] == steps[1] and a.chorus == b.chorus, "a vamp went on by itself:", b, a)
