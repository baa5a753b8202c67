"""The chart as text: bars in rows of four, degrees under the chords."""

from ..score.plan import Cell, Layout, Plan

ROW = 4


def text_chart(plan: Plan) -> str:
    """Title, key, tempo and feel, then the chorus with its turnaround, and the ending."""
    tune = plan.tune
    meter = "/".join(map(str, plan.feel.meter))
    lines = [
        f"{tune.title}   key of {plan.key}, {plan.mbpm / 1000:g} beats a minute",
        f"{tune.form.title}, {meter}, {plan.feel.title.lower()}; bass: {tune.figure.title.lower()}",
        "",
    ]
    lines += _rows(plan, plan.layout, 1)
    lines.append(f"Repeat: bars 1 to {len(plan.layout)}, until the last time")
    if tune.turnaround:
        bars = f"bars {plan.turnaround_bar} to {len(plan.layout)}"
        lines.append(f"Turnaround ({bars}): {tune.turnaround.title}")
    lines += ["", f"Last time, from bar {plan.ending_bar}: {tune.ending.title}", ""]
    lines += _rows(plan, plan.last[plan.ending_bar - 1 :], plan.ending_bar)
    return "\n".join(lines)


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
