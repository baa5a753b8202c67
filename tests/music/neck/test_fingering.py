"""The cheapest way to play a line: against brute force, and against what players do."""

import time
from itertools import product

import pytest
from hypothesis import assume, given
from hypothesis import strategies as st

from pedal.music.neck.effort import (
    NEVER,
    SCALE,
    SHORTEST_MS,
    STRETCH,
    Fingering,
    Gap,
    fingerings,
    height_cost,
    hold_cost,
    move_cost,
    move_rows,
    note_cost,
    path_cost,
    travel_cost,
)
from pedal.music.neck.fingerboard import FOUR, Instrument
from pedal.music.neck.fingering import Tone, cheapest_cycle, cheapest_path
from tests.support.examples import examples

IMPOSSIBLE = NEVER // 2  # no line that can be played comes near it
QUICK, SLOW = Gap(60, 120), Gap(500, 900)

necks = st.builds(
    Instrument,
    tuning=st.sampled_from([(28, 33, 38), (28, 33), (23, 28, 33), (28, 35)]),
    frets=st.sampled_from([12, 14]),
    span_frets=st.sampled_from([(2, 2), (3, 4), (1, 2)]),
    open_strings=st.sampled_from(["avoid", "allow", "prefer"]),
)
tones = st.builds(
    Tone,
    root=st.sampled_from([0, 0, 4]),
    semitones=st.integers(-7, 12),
    gap=st.builds(Gap, st.sampled_from([0, 30, 400]), st.sampled_from([60, 600])),
)
octaves = st.fixed_dictionaries(
    {0: st.sampled_from([(28,), (28, 40), (40, 28)]), 4: st.sampled_from([(32,), (32, 44)])}
)


def brute(line, root_octaves, instrument):
    """Every combination of octaves, every way to play it; the ties as `fingering` promises."""
    met = list(dict.fromkeys(tone.root for tone in line))
    best = None
    for chosen in product(*(root_octaves[root] for root in met)):
        settled = dict(zip(met, chosen, strict=True))
        keys = [instrument.nearest(settled[tone.root] + tone.semitones) for tone in line]
        for path in product(*(fingerings(instrument, key) for key in keys)):
            pairs = zip(path, (*path[1:], path[0]), line, strict=True)
            cost = sum(move_cost(instrument, a, b, tone.gap) for a, b, tone in pairs)
            cost += sum(note_cost(instrument, fingering) for fingering in path)
            # Lower root_octaves first, then lower fret, lower hand, higher string at the first difference.
            if best is None or (cost, chosen, path) < best[:3]:
                best = cost, chosen, path, settled
    return best


def ways(line, root_octaves, instrument):
    count = 1
    for tone in line:
        keys = [instrument.nearest(octave + tone.semitones) for octave in root_octaves[tone.root]]
        count *= max(len(fingerings(instrument, key)) for key in keys)
    return count


@examples(150)
@given(st.lists(tones, min_size=1, max_size=4), octaves, necks)
def test_nothing_is_cheaper_than_what_is_found(line, root_octaves, instrument):
    assume(ways(line, root_octaves, instrument) <= 6000)
    cost, _, path, settled = brute(line, root_octaves, instrument)
    found = cheapest_cycle(line, root_octaves, instrument)
    assert (found.cost, found.root_octaves, found.path) == (cost, settled, path)


@examples(60)
@given(st.lists(tones, min_size=1, max_size=6), necks, st.data())
def test_longer_lines_on_a_narrow_neck(line, instrument, data):
    """Up to six notes: the states are few where the hand has no stretch to choose from."""
    narrow = Instrument(instrument.tuning[:2], 12, span_frets=(1, 1), open_strings=instrument.open_strings)
    root_octaves = {0: (40,), 4: data.draw(st.sampled_from([(44,), (32, 44)]))}
    assume(ways(line, root_octaves, narrow) <= 6000)
    cost, _, path, settled = brute(line, root_octaves, narrow)
    assert cheapest_cycle(line, root_octaves, narrow) == (settled, path, cost)


@examples(80)
@given(st.lists(st.integers(28, 47), min_size=2, max_size=4), necks, st.data())
def test_open_paths_are_the_cheapest_between_their_ends(keys, instrument, data):
    keys = [instrument.nearest(key) for key in keys]
    gaps = [data.draw(st.sampled_from([QUICK, SLOW])) for _ in keys[1:]]
    start = data.draw(st.none() | st.sampled_from(fingerings(instrument, keys[0])))
    end = data.draw(st.none() | st.sampled_from(fingerings(instrument, keys[-1])))
    layers = [fingerings(instrument, key) for key in keys]
    if start:
        layers[0] = (start,)
    if end:
        layers[-1] = (end,)
    cost, path = min((path_cost(instrument, path, gaps), path) for path in product(*layers))
    found, ours = cheapest_path(keys, gaps, instrument, start, end)
    # Two open strings in a row keep the hand: not every start can come to every end.
    if cost < IMPOSSIBLE:
        assert (found, ours) == (cost, path)
    else:
        assert found >= IMPOSSIBLE


@examples(100)
@given(
    necks, st.integers(28, 45), st.integers(28, 45), st.builds(Gap, st.integers(0, 900), st.integers(0, 900))
)
def test_the_quick_tables_hold_the_plain_costs(instrument, key, onto, gap):
    key, onto = instrument.nearest(key), instrument.nearest(onto)
    plain = [
        [move_cost(instrument, a, b, gap) + note_cost(instrument, b) for b in fingerings(instrument, onto)]
        for a in fingerings(instrument, key)
    ]
    quick = move_rows(instrument, key, onto, gap)
    assert [[min(cost, IMPOSSIBLE) for cost in row] for row in quick] == [
        [min(cost, IMPOSSIBLE) for cost in row] for row in plain
    ]


def test_the_way_round_counts():
    """Two notes far apart: a line that is played over and over comes back."""
    keys, slow = (33, 57), Gap(2000, 2000)
    line = [Tone(0, key - 33, slow) for key in keys]
    round_ = cheapest_cycle(line, {0: (33,)}, FOUR)
    there, _ = cheapest_path(keys, [slow], FOUR)
    assert round_.cost > there
    assert path_cost(FOUR, round_.path, [slow, slow]) == round_.cost


def test_shifts_cost_the_same_both_ways_and_nothing_inside_a_position():
    for one, other in product(range(1, 21), repeat=2):
        assert travel_cost(FOUR, one, other, 200) == travel_cost(FOUR, other, one, 200)
        assert (travel_cost(FOUR, one, other, 200) == 0) == (one == other)
    inside = [Fingering(fret, 5, 3) for fret in (5, 6, 7, 8)]
    for a, b in product(inside, repeat=2):
        same_pitch = a.fret - b.fret
        assert move_cost(FOUR, a, b, QUICK) == move_cost(FOUR, b, a, QUICK) == 5 * same_pitch**2


def test_travel_is_dearer_the_less_time_there_is():
    costs = [travel_cost(FOUR, 5, 7, ms) for ms in (5000, 500, 100, SHORTEST_MS)]
    assert costs == sorted(costs) and len(set(costs)) == 4
    assert travel_cost(FOUR, 5, 7, 0) == costs[-1]
    # Frets shrink: two frets are a shorter way higher up.
    assert travel_cost(FOUR, 12, 14, 500) < travel_cost(FOUR, 2, 4, 500)


def test_a_line_is_never_cheaper_without_open_strings():
    line = [Tone(0, semitones, QUICK) for semitones in (0, -5, -2, 0, 7, 5)]
    for setting in ("avoid", "allow", "prefer"):
        neck = Instrument(open_strings=setting)
        keys = [33 + tone.semitones for tone in line]
        found = cheapest_cycle(line, {0: (33,)}, neck).cost
        # The same strings without their nuts: fret 0 is out of the choice.
        layers = [[fingering for fingering in fingerings(neck, key) if fingering.fret] for key in keys]
        if all(layers):
            costs = [path_cost(neck, path, [QUICK] * 6) for path in product(*layers)]
            assert found <= min(costs)
    avoid, allow, prefer = (
        cheapest_cycle(line, {0: (33,)}, Instrument(open_strings=setting))
        for setting in ("avoid", "allow", "prefer")
    )
    opens = [sum(fingering.fret == 0 for fingering in found.path) for found in (avoid, allow, prefer)]
    assert opens == sorted(opens) and opens[0] < opens[-1]
    assert avoid.cost >= allow.cost >= prefer.cost


def test_an_open_string_keeps_the_hand_where_it_was():
    neck = Instrument(open_strings="prefer")
    path = cheapest_cycle([Tone(0, step, QUICK) for step in (7, 0, 8)], {0: (33,)}, neck).path
    for one, other in zip(path, (*path[1:], path[0]), strict=True):
        if other.fret == 0:
            assert other.hand == one.hand
    assert any(fingering.fret == 0 for fingering in path)


def test_what_a_note_costs():
    # A stretch past the hand's span, an open string, and height, each by itself.
    assert hold_cost(FOUR, Fingering(8, 5, 3)) == 0
    assert hold_cost(FOUR, Fingering(9, 5, 3)) == round(SCALE * STRETCH * FOUR.between_mm(8, 9))
    assert [
        hold_cost(Instrument(open_strings=s), Fingering(0, 5, 3)) for s in ("avoid", "allow", "prefer")
    ] == [
        20000,
        0,
        -2000,
    ]
    assert height_cost(FOUR, 28) == 0 and height_cost(FOUR, 40) == 12 * height_cost(FOUR, 29)


def test_it_is_the_same_every_time():
    line = [Tone(root, step, QUICK) for root in (0, 5, 0) for step in (0, 7, 10, 12)]
    root_octaves = {0: (28, 40), 5: (33, 45)}
    assert len({repr(cheapest_cycle(line, root_octaves, FOUR)) for _ in range(3)}) == 1


def test_a_line_needs_a_note():
    with pytest.raises(ValueError, match="without notes"):
        cheapest_cycle([], {}, FOUR)


def test_a_chorus_of_eighths_on_six_strings_is_quick():
    """96 notes, three chords in three octaves each, 24 frets: under 150 ms here."""
    six = Instrument(tuning=(23, 28, 33, 38, 43, 48), frets=24, open_strings="allow")
    roots = [0, 0, 0, 0, 5, 5, 0, 0, 7, 5, 0, 7]
    line = [Tone(root, step, QUICK) for root in roots for step in (0, 0, -5, -2, 0, 4, 7, 9)]
    root_octaves = {root: tuple(28 + root + 12 * octave for octave in range(3)) for root in set(roots)}
    took = []
    for _ in range(3):
        start = time.process_time()
        found = cheapest_cycle(line, root_octaves, six)
        took.append(time.process_time() - start)
    assert len(found.path) == 96
    assert min(took) < 0.15
