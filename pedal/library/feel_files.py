"""What a feel's file may say. How it looks to a player is told in the shipped ones."""

from typing import Any

from ..music.feels import DRUM_KEYS, PULSES, VOLUMES, DrumBeat, Feel, SwingPoint, beats_marked
from .form_files import TEMPO, Read, comp_row, drum_rows, drums_of, opened
from .toml_check import Rule, Table, Wrong, a_table, flag, number, one_of, text, whole

METERS = {"2/4": (2, 4), "3/4": (3, 4), "4/4": (4, 4), "6/8": (6, 8), "9/8": (9, 8), "12/8": (12, 8)}
# From straight to the longest ride-cymbal eighths measured: Friberg & Sundström, Music
# Perception 19(3), 2002.
SWING = (1.0, 3.5)
FILLS = (1, 2)  # beats of the fills a feel must have


def read_feel(name: str, table: Table, a_figure: Rule[str] = text) -> Read[Feel] | None:
    """A feel. `a_figure` is the rule for the figure it names.

    None, and problems noted in the table, if anything is wrong with it.
    """
    checkpoint = opened(table, "feel")
    title = table.get("title", text)
    meter = METERS[table.get("meter", one_of(*METERS)) or "4/4"]
    beats = meter[0] // 3 if meter[1] == 8 else meter[0]
    tempo = _tempo_range(table)
    swing = _swing(table)
    pulse = table.get("pulse", one_of(*PULSES), None)
    backbeat = _backbeat(table, beats)
    count = table.get("count", one_of("beats", "halves", "triplets"), "beats")
    slow = table.get("slow", flag, False)
    figure = table.get("figure", a_figure)
    extension = table.get("extension", _extension, 0)
    comp = table.each("comp", comp_row(beats))
    programs = _programs(table)
    volumes = _volumes(table)
    groove = _groove(table, beats)
    phrase_end = drums_of(table, "phrase_end", beats)
    top = drums_of(table, "top", beats)
    fills = _fills(table)
    hats = drums_of(table, "hats", beats)
    table.close()
    if checkpoint.broken() or tempo is None or swing is None:
        return None
    # What the feel says of itself is held against what it plays.
    _check_pulse(table, pulse, swing)
    _check_backbeat(table, backbeat, groove)
    if checkpoint.broken():
        return None
    feel = Feel(
        name=name,
        title=title,
        meter=meter,
        swing=swing,
        tempo=tempo,
        groove=groove,
        phrase_end=phrase_end,
        top=top,
        fills=fills,
        hats=hats,
        comp=comp,
        figure=figure,
        programs=programs,
        volumes=volumes,
        extension=extension,
        count=count,
        slow=slow,
        pulse=pulse,
        backbeat=backbeat,
    )
    return Read(feel, beats)


def _groove(table: Table, beats: int) -> tuple[tuple[DrumBeat, ...], ...]:
    bars = table.each("groove", a_table) or ()
    return tuple(
        drum_rows(Table(table.file, bar, table.problems, ("groove", n)), beats)
        for n, bar in enumerate(bars, 1)
    )


def _fills(table: Table) -> dict[int, tuple[DrumBeat, ...]]:
    if table.get("fill", a_table) is None:
        return {}
    fill = table.table("fill")
    fills = {length: drums_of(fill, str(length), length) for length in FILLS}
    fill.close()
    return fills


def _programs(feel: Table) -> dict[str, int]:
    if feel.get("programs", a_table) is None:
        return {}
    table = feel.table("programs")
    # General MIDI prints its programs from 1; the data byte is one less (MMA RP-003, page 5).
    printed = {part: table.get(part, whole(1, 128)) for part in ("chords", "bass")}
    table.close()
    return {part: program - 1 for part, program in printed.items() if program}


def _volumes(feel: Table) -> dict[str, int]:
    table = feel.table("volumes")
    volumes = {part: table.get(part, whole(1, 127), usual) for part, usual in VOLUMES.items()}
    table.close()
    return volumes


def _tempo_range(table: Table) -> tuple[int, int] | None:
    ends = table.each("tempo", whole(*TEMPO))
    if ends is None:
        return None
    if len(ends) != 2 or ends[0] > ends[1]:
        table.wrong("tempo", "must be the slowest and the fastest tempo it is for, like [84, 152]")
        return None
    return ends[0], ends[1]


def _swing(table: Table) -> tuple[SwingPoint, ...] | None:
    if not isinstance(table.values.get("swing"), list):
        level = table.get("swing", number(*SWING))
        return None if level is None else (SwingPoint(0.0, level),)
    points = table.each("swing", _swing_point)
    if points and [bpm for bpm, _ in points] != sorted({bpm for bpm, _ in points}):
        table.wrong("swing", "its tempos must rise from pair to pair")
        return None
    return points


def _swing_point(value: Any) -> SwingPoint:
    if not isinstance(value, list) or len(value) != 2:
        raise Wrong("must be a tempo and the swing at it, like [80, 2.2]")
    return SwingPoint(number(*TEMPO)(value[0]), number(*SWING)(value[1]))


def _check_pulse(table: Table, pulse: str | None, swing: tuple[SwingPoint, ...]) -> None:
    ratios = [point.ratio for point in swing]
    if pulse == "straight" and ratios != [1.0] * len(ratios):
        table.wrong("swing", "must be 1 where pulse is 'straight'")
    if pulse == "shuffle" and (len(set(ratios)) > 1 or ratios[0] == 1):
        table.wrong("swing", "must be one number above 1 where pulse is 'shuffle'")
    if pulse == "swing" and (len(ratios) < 2 or ratios != sorted(set(ratios), reverse=True)):
        table.wrong(
            "swing", "must fall from tempo to tempo where pulse is 'swing', like [[100, 2.4], [220, 1.5]]"
        )


def _backbeat(feel: Table, beats: int) -> dict[str, tuple[int, ...]] | None:
    """The beats that drums mark; none if the feel says that there are none, None if it does not say."""
    table = feel.table("backbeat")
    marked = {drum: table.each(drum, whole(1, beats), ()) for drum in DRUM_KEYS}
    table.close("unknown drum")
    return {drum: on for drum, on in marked.items() if on} if "backbeat" in feel else None


def _check_backbeat(
    table: Table, backbeat: dict[str, tuple[int, ...]] | None, groove: tuple[tuple[DrumBeat, ...], ...]
) -> None:
    if backbeat is None:
        return
    for n, bar in enumerate(groove, 1):
        for drum in backbeat or ("snare",):
            said, played = backbeat.get(drum, ()), beats_marked(bar, drum)
            if played != said:
                hint = "change one of the two, or leave backbeat out"
                rule = f"is struck (x or X) on {_beats(played)}, but backbeat says on {_beats(said)}"
                table.wrong(("groove", n, drum), rule, hint, table.values["groove"][n - 1].get(drum))


def _beats(beats: tuple[int, ...]) -> str:
    if not beats:
        return "no beat"
    return f"beat{'s' * (len(beats) > 1)} {' and '.join(map(str, beats))}"


def _extension(value: Any) -> int:
    if isinstance(value, bool) or value not in (0, 9, 13):
        raise Wrong("must be 0, 9 or 13")
    return int(value)
