"""The changes of a tune, what each costs the hand, and the other ways into it."""

from collections.abc import Callable, Mapping, Sequence
from itertools import pairwise
from typing import NamedTuple

from ..degrees import QUALITIES, Chord
from ..figure_steps import LineNote, own_tone
from ..layout import Layout
from ..lines import Figure, Tail
from ..pickups import PICKUPS, WRITTEN, Bend, Bends, bend
from .effort import NEVER, SCALE, Gap, Stand, cross_cost, height_cost, hold_cost, leap_cost, travel_cost
from .fingerboard import Instrument
from .fingering import cheapest_path

NOTICED_MM = 25.0  # effort that a hand notices: less is no reason to leave what is written
A_LEAP = 7  # semitones from which a player calls it one: more than a hand's span on one string
_TONES = {2: "third", 4: "fifth", 5: "sixth", 6: "seventh", 8: "ninth", 12: "thirteenth"}  # by letters up


class Change(NamedTuple):
    """A change of chord, or the line's turn: from note `before` to note `lands` of the chorus.

    `kind` is `change`, `turnaround` (where its line takes over) or `wrap` (into bar 1). The
    notes between are the pickup. Chords are indices into the plan's.
    """

    bar: int
    beat: int
    kind: str
    leaves: int
    reaches: int
    before: int
    lands: int


class Variant(NamedTuple):
    """A way into a chord (a name in PICKUPS) and what it costs, in hundredths of a mm of travel."""

    name: str
    cost: int
    chosen: bool


class Transition(NamedTuple):
    """What a change asks of the hand, from the last note before its pickup to the landing.

    Costs are in hundredths of a millimetre of unhurried travel: `cost` is the sum of `travel`,
    `crossing`, `leap` and `holding` (stretches and open strings). `mm` and `frets` are how
    far the hand goes (frets from its place before to its place after, up the neck positive),
    `strings` where it leaves and lands, from the highest (1), `semitones` the widest interval.
    `seconds` is the time there is: for the longest move of the hand, or to the landing if it
    stays. `common` names tones that both chords have, `reason` says it all in words.
    """

    bar: int
    beat: int
    kind: str
    leaves: int
    reaches: int
    cost: int
    travel: int
    crossing: int
    leap: int
    holding: int
    mm: float
    frets: int
    strings: tuple[int, int]
    semitones: int
    seconds: float
    common: tuple[str, ...]
    reason: str
    variants: tuple[Variant, ...]


def changes_of(layout: Layout, notes: Sequence[LineNote], turnaround: Tail | None) -> list[Change]:
    """Every change of a chorus that is played again and again, in order."""
    cells = [(bar, beat, cell) for bar, row in enumerate(layout, 1) for beat, cell in enumerate(row, 1)]
    changes = []
    for index, (bar, beat, cell) in enumerate(cells):
        leaves, reaches = cells[index - 1][2].sounding[-1].chord, cell.sounding[0].chord
        turns = turnaround is not None and cell.tail_beat == turnaround.lead
        if leaves == reaches and index and not turns:
            continue
        lands = next((n for n, note in enumerate(notes) if (note.bar, note.beat) >= (bar, beat)), 0)
        before = (lands - 1) % len(notes)
        while notes[before].pickup and notes[before].chord != leaves and before != lands:
            before = (before - 1) % len(notes)
        kind = "wrap" if not index else "turnaround" if turns else "change"
        changes.append(Change(bar, beat, kind, leaves, reaches, before, lands))
    return changes


class Ways(NamedTuple):
    """The ways into a change. `chosen` is a name in PICKUPS, "" where the figure has no pickup."""

    chosen: str
    costs: dict[str, int]
    bends: dict[str, Bend]
    paths: dict[str, tuple[Stand, ...]]


Measure = Callable[[Sequence[LineNote]], tuple[list[int], list[Gap]]]


def ways_into(
    change: Change,
    notes: Sequence[LineNote],
    path: Sequence[Stand],
    figure: Figure,
    chords: Sequence[Chord],
    landing: int,
    measure: Measure,
    instrument: Instrument,
    pin: str | None = None,
) -> Ways:
    """Try every pickup into a change, the hand where `path` has it before and after.

    `landing` is the landing note in semitones above the root of the chord reached. `measure`
    tells the MIDI keys of some notes in a row, where they are written, and the times between
    them. What the instrument has no place for is left out, but for what is written. The one that
    costs the hand least is chosen, and what is written if it costs no more than NOTICED_MM above
    that; `pin` is chosen if it is there.
    """
    window = window_of(change, len(notes))
    played = [notes[index] for index in window]
    inner = played[1:-1]
    ways = Ways("", {}, {}, {})
    # With the root the same there is no other chord to lead into; the figure goes on.
    if not inner or change.leaves == change.reaches or not all(note.pickup for note in inner):
        return ways
    for name in PICKUPS:
        way = bend(name, figure, landing)
        if way is None or len(way) < len(inner):
            continue
        bent = []
        for note, step in zip(inner, way[-len(inner) :], strict=True):
            chord = change.reaches if step.coming else change.leaves
            semitones = step.semitones + own_tone(chords, chord, step)
            bent.append(note._replace(chord=chord, semitones=semitones, dead=step.dead))
        keys, gaps = measure([played[0], *bent, played[-1]])
        if name != WRITTEN and not all(instrument.places(key) for key in keys[1:-1]):
            continue
        keys = [instrument.nearest(key) for key in keys]
        ways.bends[name] = way
        cost, ways.paths[name] = cheapest_path(
            keys, gaps, instrument, path[change.before], path[change.lands]
        )
        # The hand alone: a pickup is no better for lying low.
        ways.costs[name] = cost - sum(height_cost(instrument, key) for key in keys[1:])
    if not ways.costs:
        return ways
    chosen = min(ways.costs, key=ways.costs.__getitem__)
    if ways.costs.get(WRITTEN, NEVER) <= ways.costs[chosen] + round(SCALE * NOTICED_MM):
        chosen = WRITTEN
    return ways._replace(chosen=pin if pin in ways.costs else chosen)


def window_of(change: Change, size: int) -> list[int]:
    """The notes of a change, from the last before its pickup to the landing, round the end."""
    count = (change.lands - change.before) % size or size
    return [(change.before + step) % size for step in range(count + 1)]


def chosen_bends(changes: Sequence[Change], ways: Sequence[Ways], pins: Mapping[int, str]) -> Bends:
    """The pickups by bar and chords, and for a vamp, whose bars may come otherwise, by chords alone."""
    bends: dict[tuple[int, int, int], Bend] = {}
    pairs = sorted(
        ((change, way) for change, way in zip(changes, ways, strict=True) if way.chosen),
        key=lambda pair: pair[0].bar not in pins,  # what the tune asks for speaks for its chords
    )
    for change, way in pairs:
        chords = change.leaves, change.reaches
        bends[change.bar, *chords] = way.bends[way.chosen]
        bends.setdefault((0, *chords), way.bends[way.chosen])
    return bends


def transition(
    change: Change,
    path: Sequence[Stand],
    gaps: Sequence[Gap],
    chords: Sequence[Chord],
    instrument: Instrument,
    ways: Ways,
) -> Transition:
    """Measure a change on a whole closed path."""
    window = window_of(change, len(path))
    stands = [path[index] for index in window]
    times = [gaps[a].stopped if path[a].fret else gaps[a].open for a in window[:-1]]
    moves = list(pairwise(stands))
    keys = [instrument.tuning[-stand.string] + stand.fret for stand in stands]
    leaps = [high - low for low, high in pairwise(keys)]
    lengths = [instrument.between_mm(a.hand, b.hand) for a, b in moves]
    longest = max(range(len(moves)), key=lambda n: (lengths[n], n))
    travel = sum(travel_cost(instrument, a.hand, b.hand, ms) for (a, b), ms in zip(moves, times, strict=True))
    crossing = sum(cross_cost(a.string, b.string) for a, b in moves)
    leap = sum(map(leap_cost, leaps))
    holding = sum(hold_cost(instrument, stand) for stand in stands[1:])
    # A hand that stays has from the last note before the pickup to the landing.
    whole = times[0] + sum(gaps[index].open for index in window[1:-1])
    seconds = (times[longest] if lengths[longest] else whole) / 1000
    chord_pair = chords[change.leaves], chords[change.reaches]
    measured = Transition(
        bar=change.bar,
        beat=change.beat,
        kind=change.kind,
        leaves=change.leaves,
        reaches=change.reaches,
        cost=travel + crossing + leap + holding,
        travel=travel,
        crossing=crossing,
        leap=leap,
        holding=holding,
        mm=sum(lengths),
        frets=stands[-1].hand - stands[0].hand,
        strings=(stands[0].string, stands[-1].string),
        semitones=max(leaps, key=abs),
        seconds=seconds,
        common=common_tones(*chord_pair),
        reason="",
        variants=tuple(Variant(name, cost, name == ways.chosen) for name, cost in ways.costs.items()),
    )
    return measured._replace(reason=_reason(measured, stands, instrument))


def ranked(transitions: Sequence[Transition]) -> tuple[Transition, ...]:
    """Hardest first; of equally hard ones the earlier in the chorus."""
    return tuple(sorted(transitions, key=lambda change: (-change.cost, change.bar, change.beat)))


def common_tones(leaves: Chord, reaches: Chord) -> tuple[str, ...]:
    """What two chords share: `the fifth of IV7 is the root of I7`. Nothing for a chord that stays."""
    if leaves == reaches:
        return ()
    theirs = dict(zip((tone.pc for tone in reaches.tones), _names(reaches), strict=True))
    return tuple(
        f"the {name} of {leaves.degree} is the {theirs[tone.pc]} of {reaches.degree}"
        for tone, name in zip(leaves.tones, _names(leaves), strict=True)
        if tone.pc in theirs
    )


def _names(chord: Chord) -> list[str]:
    return [_TONES.get(letters, "root") for letters, _ in QUALITIES[chord.degree.quality][1]]


def _reason(change: Transition, stands: Sequence[Stand], instrument: Instrument) -> str:
    words = [_hand_words([stand.hand for stand in stands]), _string_words(stands, instrument)]
    if abs(change.semitones) >= A_LEAP:
        way = "up" if change.semitones > 0 else "down"
        words.append(f"a leap {way} of {abs(change.semitones)} semitones")
    words.append(f"{change.seconds:.2f} s to get there")
    return ", ".join(words)


def _hand_words(hands: Sequence[int]) -> str:
    frets = hands[-1] - hands[0]
    if frets:
        return f"hand moves {abs(frets)} fret{'s' * (abs(frets) != 1)} {'up' if frets > 0 else 'down'}"
    away = max(hands, key=lambda hand: abs(hand - hands[0]))
    if away != hands[0]:
        return f"hand goes to fret {away} and comes back to {hands[0]}"
    return f"hand stays at fret {hands[0]}"


def _string_words(stands: Sequence[Stand], instrument: Instrument) -> str:
    one, *between, other = (stand.string for stand in stands)
    names = [f"{instrument.name_of(string)} string" for string in (one, other)]
    words = f"stays on the {names[0]}" if one == other else f"{names[0]} to {names[1]}"
    # The pickup may make a detour: told where it is widest.
    away = max(between, key=lambda string: abs(string - one) + abs(string - other), default=one)
    if not min(one, other) <= away <= max(one, other):
        words = f"{names[0]} to {names[1]}" if one != other else names[0] + " and back"
        words += f" by way of the {instrument.name_of(away)} string"
    return words
