"""Comping voicings: voice leading by brute force, low intervals, what a chord may contain."""

from dataclasses import replace
from itertools import pairwise, permutations, product

import pytest

from pedal.music import voicing
from pedal.music.degrees import QUALITIES, Degree, parse_degree, resolve
from pedal.music.pitch import MAJOR_KEYS, parse_key
from pedal.music.plan import make_plan
from pedal.music.voicing import REGISTER, candidates, movement, smoothest

from .playing import ALL_KEYS

# Smallest movement in semitones between the pitch classes of two chords, voices free to cross:
# the taxicab measure of Tymoczko, The Geometry of Musical Chords, Science 313, 2006, by hand.
WORKED = {
    ("C", "F"): 3,
    ("C", "G"): 3,
    ("F", "G"): 6,
    ("C", "Am"): 2,
    ("C", "Cm"): 1,
    ("C7", "F7"): 4,
    ("C7", "G7"): 4,
    ("G7", "F7"): 4,
    ("C7", "F#7"): 2,
    ("Cm7", "Fm7"): 4,
    ("Ab7", "G7"): 4,
    ("F7", "F#o7"): 1,
    ("F#o7", "C7"): 3,
    ("C7", "A7"): 2,
    ("A7", "Dm7"): 5,
    ("Dm7", "G7"): 3,
}
WORKED_GUIDES = {("C7", "F7"): 2, ("C7", "G7"): 2, ("F7", "G7"): 4}  # third and seventh only

# Lowest bottom note of an interval, by its semitones (60 is middle C): arranging practice after
# Lowell & Pullig, Arranging for Large Jazz Ensemble, 2003. Books agree on these five only.
LOWEST = {1: 52, 2: 51, 3: 48, 4: 47, 5: 45}


def chord(symbol: str):
    quality = symbol.lstrip("ABCDEFG").lstrip("b#")
    return resolve(Degree(1, 0, quality), parse_key(symbol[: len(symbol) - len(quality)]))


def least(one, other) -> int:
    """Movement of the best assignment of pitch classes to pitch classes."""
    return min(
        sum(min((a - b) % 12, (b - a) % 12) for a, b in zip(one, order, strict=True))
        for order in permutations(other)
    )


def pcs(symbol: str, *which: int) -> list[int]:
    tones = [tone.pc for tone in chord(symbol).tones]
    return [tones[i] for i in which] if which else tones


@pytest.mark.parametrize(("pair", "size"), WORKED.items())
def test_worked_sizes_hold_for_our_chord_tones(pair, size):
    assert least(pcs(pair[0]), pcs(pair[1])) == least(pcs(pair[1]), pcs(pair[0])) == size


@pytest.mark.parametrize(("pair", "size"), WORKED_GUIDES.items())
@pytest.mark.parametrize("up", range(12))
def test_guide_tones_move_as_little_as_they_can(pair, size, up):
    """The best two of our voicings move third and seventh by the worked size, in every key."""
    assert least(pcs(pair[0], 1, 3), pcs(pair[1], 1, 3)) == size
    base = parse_key("C").up(up)
    options = []
    for symbol in pair:
        degree = Degree({"C": 1, "F": 4, "G": 5}[symbol[0]], 0, "7")
        one = resolve(degree, base)
        guides = {one.tones[1].pc, one.tones[3].pc}
        options.append([[key for key in v if key % 12 in guides] for v in candidates(one, 0, False)])
    assert min(movement(a, b) for a, b in product(*options)) == size


def test_movement_is_a_taxicab():
    assert movement((60, 64, 67), (60, 65, 69)) == 3  # C to F
    assert movement((60, 65, 69), (60, 64, 67)) == 3


def cost(cycle) -> int:
    """What `smoothest` says it minimises: movement, the top voice twice, height to break ties."""
    return sum(
        8 * (sum(abs(a - b) for a, b in zip(one, other, strict=True)) + abs(one[-1] - other[-1]))
        + abs(sum(other) // 3 - 62)
        for one, other in pairwise([*cycle, cycle[0]])
    )


@pytest.mark.parametrize("key", ALL_KEYS)
@pytest.mark.parametrize("extension", [0, 9])
def test_the_cycle_is_the_cheapest_of_all(key, extension):
    home = parse_key(key)
    degrees = ("i7", "iv7", "bVI7", "V7") if home.minor else ("I7", "IV7", "V7", "bII7")
    choices = [candidates(resolve(parse_degree(d), home), extension, home.minor) for d in degrees]
    found = smoothest(choices)
    assert all(voiced in options for voiced, options in zip(found, choices, strict=True))
    assert cost(found) == min(cost(cycle) for cycle in product(*choices))


@pytest.mark.parametrize("key", ["A", "Bb", "F#", "E"])
def test_a_whole_chorus_is_the_cheapest_cycle(library, key):
    """Every span of the form: brute force over all cycles, cut off only where it has lost already."""
    plan = make_plan(replace(library.tune("wet-boots"), turnaround=None), parse_key(key))
    spans = [cells[0].sounding[0] for cells in plan.layout if cells[0].beats_in == 0]
    chosen = [span.voicing for span in spans]
    choices = [candidates(plan.chords[span.chord], 9, False) for span in spans]
    limit = cost(chosen)

    def cheaper(path, spent):
        if spent >= limit:
            return False
        if len(path) == len(choices):
            return cost(path) < limit
        return any(
            cheaper([*path, v], spent + 8 * (movement(path[-1], v) + abs(path[-1][-1] - v[-1])))
            for v in choices[len(path)]
        )

    assert not any(cheaper([start], 0) for start in choices[0])


@pytest.mark.parametrize("quality", QUALITIES)
@pytest.mark.parametrize("root", MAJOR_KEYS)
@pytest.mark.parametrize("minor", [False, True])
def test_every_chord_has_voicings_that_are_clear(quality, root, minor):
    for number in (1, 5):
        one = resolve(Degree(number, 0, quality), parse_key(root))
        for extension in (0, 9, 13):
            voicings = candidates(one, extension, minor)
            assert voicings
            for voiced in voicings:
                assert voiced == tuple(sorted(set(voiced))) and len(voiced) == 3
                assert REGISTER[0] <= voiced[0] and voiced[-1] <= REGISTER[1]
                for low, high in pairwise(voiced):
                    assert low >= LOWEST.get(high - low, 0)


@pytest.mark.parametrize("extension", [0, 9, 13])
def test_low_intervals_stay_clear_in_a_lower_register_too(monkeypatch, extension):
    """The usual register is above the limits of all but the smallest; an octave down they bind."""
    monkeypatch.setattr(voicing, "REGISTER", (36, 64))
    found = {
        (high - low, low)
        for quality in QUALITIES
        for root in MAJOR_KEYS
        for voiced in candidates.__wrapped__(
            resolve(Degree(1, 0, quality), parse_key(root)), extension, False
        )
        for low, high in pairwise(voiced)
    }
    assert all(low >= LOWEST.get(size, 0) for size, low in found)


@pytest.mark.parametrize("quality", [q for q in QUALITIES if q not in ("", "m")])
def test_voicings_have_the_third_and_no_root(quality):
    one = resolve(Degree(1, 0, quality), parse_key("C"))
    third = 3 if one.degree.minor_third else 4
    seventh = {"6": 9, "m6": 9, "o7": 9}.get(quality, 10)
    for extension in (0, 9, 13):
        for voiced in candidates(one, extension, False):
            found = {key % 12 for key in voiced}
            assert {third, seventh} <= found and 0 not in found
            assert 5 not in found  # nor the eleventh, which a 13 leaves out


def test_v_in_minor_has_no_natural_ninth_or_thirteenth():
    dominant = resolve(parse_degree("V7"), parse_key("Am"))
    for extension in (0, 9, 13):
        for voiced in candidates(dominant, extension, True):
            assert not {(key - dominant.root.pc) % 12 for key in voiced} & {2, 9}
    assert any((key - dominant.root.pc) % 12 == 2 for v in candidates(dominant, 9, False) for key in v)
