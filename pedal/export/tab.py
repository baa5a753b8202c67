"""The bass line as tab in text, under the chords, in the chart's rows of four bars.

    hand  5
      G |------------------------
      D |-7--x-----5-
      A |-------7----
      E |-------------
   beat   1  +  2  +

Strings have the names of their open notes, the highest on top. Frets stand where their notes
start, x is a dead note. The numbers over the strings are the fret of the first finger, at the
start of a row and wherever the hand moves. The count under the strings is the rhythm.
"""

from collections.abc import Sequence

from ..music.layout import Layout
from ..music.neck.bass_line import Placed
from ..music.plan import Plan
from .chart import ROW, bar_words, intro_words, road_map
from .written import write_part

_OPEN = {"avoid": "avoided where they can be", "allow": "allowed", "prefer": "preferred"}
_HAND, _BEAT = "hand", "beat"
# How a place in a beat is counted, by slot and slots; what is halved counts as what it halves.
_COUNTED = {(1, 2): "+", (2, 4): "+", (1, 3): "t", (2, 3): "t", (1, 4): "e", (3, 4): "a"}


def text_tab(plan: Plan, choruses: int = 0) -> str:
    """The tab of a chorus, then of the last bars of the last one, then what could not be had.

    `choruses` is 0 if the foot ends it; of one alone there is only the last time.
    """
    instrument = plan.neck.instrument
    strings = " ".join(reversed(instrument.string_names))
    meter = "/".join(map(str, plan.feel.meter))
    lines = [
        f"Bass on {len(instrument.tuning)} strings ({strings}), {instrument.frets} frets, "
        f"open strings: {_OPEN[instrument.open_strings]}",
        f"{meter}, {plan.mbpm / 1000:g} beats a minute, {plan.feel.title.lower()}",
        f"x is a dead note; {_HAND} is the first finger's fret, at the start of a row and where it moves",
        f"{_BEAT} counts: + is the second half of a beat, t a triplet's, e and a are sixteenths",
        "",
        *([intro, ""] if (intro := intro_words(plan)) else []),
        *([pickup, ""] if (pickup := _pickup(plan)) else []),
        *_body(plan, choruses),
        *(f"Note: {warning}." for warning in plan.neck.warnings),
    ]
    return "\n".join(lines).rstrip()


def _body(plan: Plan, choruses: int) -> list[str]:
    if choruses == 1:
        return [*_rows(plan, plan.last, plan.neck.last, 1), f"Ending, from bar {plan.ending_bar}."]
    ending = _rows(plan, plan.last[plan.ending_bar - 1 :], plan.neck.last, plan.ending_bar)
    return [*_rows(plan, plan.layout, plan.neck.chorus, 1), *road_map(plan, choruses), "", *ending]


def _pickup(plan: Plan) -> str:
    """Where the pickup into bar 1 is taken, in words; empty if there is none."""
    notes = [note for bar in write_part(plan, 2).bars if bar.source == "pickup" for note in bar.notes]
    names = plan.neck.instrument.string_names
    taken = ", ".join("x" if note.dead else f"{names[note.string - 1]} {note.fret}" for note in notes)
    return f"pickup into bar 1: {taken}" if notes else ""


def _rows(plan: Plan, bars: Layout, notes: Sequence[Placed], first: int) -> list[str]:
    notes = [note for note in notes if note.bar >= first]
    words = [bar_words(plan, bar) for bar in bars]
    frets = max((len(_fret(note)) for note in notes), default=1)
    # A column for every place in a beat where any note starts: in order, not to scale.
    columns = sorted({_into_beat(plan, note) for note in notes})
    cell = frets + 1
    width = max(plan.feel.beats * len(columns) * cell - 1, *(len(word) for pair in words for word in pair))
    lines: list[str] = []
    for start in range(0, len(bars), ROW):
        row = words[start : start + ROW]
        lines.append(f"{first + start:4} | " + " | ".join(chords.ljust(width) for chords, _ in row) + " |")
        lines.append("     | " + " | ".join(degrees.ljust(width) for _, degrees in row) + " |")
        here = [note for note in notes if first + start <= note.bar < first + start + len(row)]
        at = {}
        for note in here:
            column = (note.beat - 1) * len(columns) + columns.index(_into_beat(plan, note))
            at[note.tick] = 1 + (note.bar - first - start) * (width + 3) + column * cell
        hand = " " * (len(row) * (width + 3))
        before = None
        for note in here:
            if note.hand != before:
                hand = _put(hand, at[note.tick], str(note.hand))
            before = note.hand
        lines.append(f"{_HAND:>4}  {hand}".rstrip())
        for string, name in enumerate(plan.neck.instrument.string_names, 1):
            line = "|".join(["-" * (width + 2)] * len(row))
            for note in here:
                if note.string == string:
                    line = _put(line, at[note.tick], _fret(note))
            lines.append(f"{name:>4} |{line}|")
        count = " " * (len(row) * (width + 3))
        for index in range(len(row) * plan.feel.beats):
            bar, beat = divmod(index, plan.feel.beats)
            count = _put(count, 1 + bar * (width + 3) + beat * len(columns) * cell, str(beat + 1))
        for note in here:
            if note.slot.number:
                count = _put(count, at[note.tick], _COUNTED.get(note.slot, "."))
        lines += [f"{_BEAT:>4}  {count}".rstrip(), ""]
    return lines


def _into_beat(plan: Plan, note: Placed) -> int:
    """Ticks from the start of the beat that a note stands in."""
    return note.tick - ((note.bar - 1) * plan.feel.beats + note.beat - 1) * plan.feel.ticks


def _fret(note: Placed) -> str:
    return "x" if note.dead else str(note.fret)


def _put(line: str, at: int, text: str) -> str:
    return line[:at] + text + line[at + len(text) :]
