"""The chart as text: bars in rows of four, degrees under the chords."""

from ..music.layout import Cell, Layout
from ..music.plan import Plan

ROW = 4  # bars in a row, on every page
LATER = "@3 after a chord: it comes on beat 3 (@2.5: half a beat after beat 2)"


def text_chart(plan: Plan, choruses: int = 0) -> str:
    """Title, key, tempo and feel, then the chorus with its turnaround, and the ending.

    `choruses` is 0 if the foot ends it; of one alone there is only the last time.
    """
    tune = plan.tune
    meter = "/".join(map(str, plan.feel.meter))
    lines = [
        f"{tune.title}   key of {plan.key}, {plan.mbpm / 1000:g} beats a minute",
        f"{tune.form.title}, {meter}, {plan.feel.title.lower()}; bass: {tune.figure.title.lower()}",
        "",
    ]
    if intro := intro_words(plan):
        lines += [f"{intro[:1].upper()}{intro[1:]}", ""]
    if choruses == 1:
        lines += [*_rows(plan, plan.last, 1), f"Ending, from bar {plan.ending_bar}: {tune.ending.title}"]
    else:
        lines += [*_rows(plan, plan.layout, 1), *road_map(plan, choruses), ""]
        lines += _rows(plan, plan.last[plan.ending_bar - 1 :], plan.ending_bar)
    if any("@" in line for line in lines):
        lines += ["", LATER]
    return "\n".join(lines)


def intro_words(plan: Plan) -> str:
    """What is played before bar 1; empty if nothing is."""
    if not plan.intro_bar:
        return ""
    what = "the turnaround, " if plan.tune.intro == "turnaround" else ""
    return f"intro: {what}from bar {plan.intro_bar}"


def road_map(plan: Plan, choruses: int) -> list[str]:
    """How the chorus is repeated and left, line by line; the last time is to follow."""
    tune, bars = plan.tune, len(plan.layout)
    times = f"{choruses - 1} times, then" if choruses > 2 else "once, then" if choruses else "until"
    lines = [f"Repeat: bars 1 to {bars}, {times} the last time"]
    if tune.turnaround:
        lines.append(f"Turnaround (bars {plan.turnaround_bar} to {bars}): {tune.turnaround.title}")
    return [*lines, "", f"Last time, from bar {plan.ending_bar}: {tune.ending.title}"]


def bar_words(plan: Plan, bar: tuple[Cell, ...]) -> tuple[str, str]:
    """A bar's chords and, under them, its degrees; chords off beat 1 carry their beat."""
    chords, degrees = [], []
    before = None
    for beat, cell in enumerate(bar):
        for index, sound in enumerate(cell.sounding):
            if (beat == 0 and index == 0) or sound.chord != before:
                at = beat + 1 + (sound.beat % 1 if index else 0)
                chord = plan.chords[sound.chord]
                chords.append(chord.symbol + (f"@{at:g}" if at > 1 else ""))
                degrees.append(str(chord.degree))
            before = sound.chord
    return " ".join(chords), " ".join(degrees)


def _rows(plan: Plan, bars: Layout, first: int) -> list[str]:
    words = [bar_words(plan, bar) for bar in bars]
    width = max(len(word) for pair in words for word in pair)
    lines = []
    for start in range(0, len(words), ROW):
        row = words[start : start + ROW]
        lines.append(f"{first + start:3} | " + " | ".join(chords.ljust(width) for chords, _ in row) + " |")
        lines.append("    | " + " | ".join(degrees.ljust(width) for _, degrees in row) + " |")
    return lines
