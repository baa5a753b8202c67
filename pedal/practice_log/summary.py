"""The practice log in words, and as rows for a spreadsheet."""

import csv
import io
from collections.abc import Iterable, Sequence
from datetime import datetime

from .clean import DrilledChange, best_by_day, day_of, transition_of
from .store import Chorus, PracticeSession, Repetition

COLUMNS = ("at", "what", "tune", "key", "bpm", "chorus", "change", "clean", "pace")
_HEADS: tuple[str, ...] = ("change", "last clean", "on", "best clean", "of written", "repetitions", "clean")


def text_summary(
    sessions: Sequence[PracticeSession], choruses: Sequence[Chorus], repetitions: Sequence[Repetition]
) -> str:
    """What was practised, tune by tune; tempos in beats a minute."""
    if not sessions:
        return "nothing has been practised yet"
    parts = [_overview(sessions)]
    entries: list[Chorus | Repetition] = [*choruses, *repetitions]
    tunes = {(entry.tune, entry.key): None for entry in entries}
    for tune, key in tunes:
        played = [entry for entry in choruses if (entry.tune, entry.key) == (tune, key)]
        drilled = [entry for entry in repetitions if (entry.tune, entry.key) == (tune, key)]
        parts.append("\n".join([f"{tune} in {key}{_choruses(played)}", *_drills(drilled)]))
    if repetitions:
        parts.append("A tempo counts as clean after three clean repetitions in a row on one day.")
    return "\n\n".join(parts)


def csv_table(choruses: Iterable[Chorus], repetitions: Iterable[Repetition]) -> str:
    """Every entry a row, in the order of time; tempo in beats a minute, pace in thousandths."""
    entries: list[Chorus | Repetition] = [*choruses, *repetitions]
    out = io.StringIO()
    writer = csv.writer(out, lineterminator="\n")
    writer.writerow(COLUMNS)
    writer.writerows(map(_row, sorted(entries, key=lambda entry: datetime.fromisoformat(entry.at))))
    return out.getvalue()


def _row(entry: Chorus | Repetition) -> tuple[str | int | float, ...]:
    """The cells of COLUMNS."""
    about = entry.tune, entry.key, entry.mbpm / 1000
    if isinstance(entry, Chorus):
        return (entry.at, "chorus", *about, entry.chorus, "", "", "")
    return (entry.at, "repetition", *about, "", entry.change, int(entry.clean), entry.pace)


def _overview(sessions: Sequence[PracticeSession]) -> str:
    days = sorted({day_of(session.began) for session in sessions})
    seconds = sum(
        max(0.0, (datetime.fromisoformat(ended) - datetime.fromisoformat(began)).total_seconds())
        for began, ended in sessions
    )
    when = f"on {days[0]}" if len(days) == 1 else f"on {len(days)} days from {days[0]} to {days[-1]}"
    return f"{_counted(len(sessions), 'session')} {when}, {_duration(seconds)}"


def _choruses(played: Sequence[Chorus]) -> str:
    if not played:
        return ""
    low, high = (f"{pick(entry.mbpm for entry in played) / 1000:.0f}" for pick in (min, max))
    tempo = low if low == high else f"{low} to {high}"
    count = _counted(len(played), "chorus", "choruses")
    return f": {count} at {tempo} beats a minute, last on {day_of(played[-1].at)}"


def _drills(drilled: Sequence[Repetition]) -> list[str]:
    if not drilled:
        return []
    clean = best_by_day(drilled)
    lines = [_HEADS]
    for transition in sorted({transition_of(entry): None for entry in drilled}, key=lambda one: one.change):
        lines.append(_line(transition, drilled, clean.get(transition, {})))
    widths = [max(len(line[column]) for line in lines) for column in range(len(_HEADS))]
    return ["  " + "  ".join(map(str.ljust, line, widths)).rstrip() for line in lines]


def _line(transition: DrilledChange, drilled: Sequence[Repetition], days: dict[str, int]) -> tuple[str, ...]:
    own = [entry for entry in drilled if transition_of(entry) == transition]
    counts = (str(len(own)), str(sum(entry.clean for entry in own)))
    name = f"bar {transition.change}"
    if not days:
        return (name, "-", "", "-", "", *counts)
    last, best = max(days), max(days.values())
    pace = max(entry.pace for entry in own if entry.clean and entry.mbpm == best)
    return (name, f"{days[last] / 1000:.0f}", last, f"{best / 1000:.0f}", f"{pace / 10:.0f} %", *counts)


def _duration(seconds: float) -> str:
    minutes = round(seconds / 60)
    return f"{minutes} min" if minutes < 60 else f"{minutes // 60} h {minutes % 60:02d} min"


def _counted(count: int, one: str, more: str = "") -> str:
    return f"{count} {one if count == 1 else more or one + 's'}"
