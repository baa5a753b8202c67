"""The neck, against music21, tables of frequencies and frets, and published places of a pitch."""

import pytest
from hypothesis import given
from hypothesis import strategies as st
from music21 import tablature

from pedal.music.neck.fingerboard import FIVE, FOUR, INSTRUMENTS, SIX, Instrument, frets_mm

GUITAR = Instrument(tuning=(40, 45, 50, 55, 59, 64), scale_mm=635.0)


def hertz(key):
    """Equal temperament, A4 = 440 Hz (ISO 16): p = 69 + 12 log2(f/440), Tymoczko 2005, eq. (1)."""
    return 440 * 2 ** ((key - 69) / 12)


def test_the_four_strings_are_those_of_music21():
    theirs = tablature.BassGuitarFretBoard().tuning
    assert FOUR.tuning == tuple(pitch.midi for pitch in theirs)
    assert FOUR.string_names == tuple(reversed([pitch.name for pitch in theirs]))


@pytest.mark.parametrize(
    ("instrument", "frequencies"),
    [
        # Wikipedia, "Bass guitar tuning": E1 A1 D2 G2, low B0, high C3.
        (FOUR, (41.203, 55.0, 73.416, 97.999)),
        (FIVE, (30.868, 41.203, 55.0, 73.416, 97.999)),
        (SIX, (30.868, 41.203, 55.0, 73.416, 97.999, 130.813)),
    ],
)
def test_open_strings_sound_their_frequencies(instrument, frequencies):
    assert [hertz(key) for key in instrument.tuning] == pytest.approx(frequencies, abs=0.001)
    assert INSTRUMENTS[len(frequencies)] is instrument


def test_range():
    # By arithmetic: twenty frets on the G string reach E♭4, twenty-four G4.
    assert (FOUR.lowest, FOUR.highest) == (28, 63)
    assert Instrument(frets=24).highest == 67


def test_frets_lie_where_a_published_table_has_them():
    # A builders' worked table for a scale of 25 in (635 mm): fret to bridge, frets 1 to 10, in mm.
    bridge = [599.360, 565.721, 533.969, 504.000, 475.712, 449.013, 423.812, 400.025, 377.573, 356.382]
    ours = [635 - GUITAR.fret_mm(fret) for fret in range(1, 11)]
    assert ours == pytest.approx(bridge, abs=0.001)
    assert frets_mm(GUITAR)[:11] == pytest.approx([0, *(635 - mm for mm in bridge)], abs=0.001)


def test_frets_follow_the_builders_rule():
    # M. Koch, Building Electric Guitars: what is left to the bridge, divided by 17.817, is the next fret.
    left = FOUR.scale_mm
    for fret in range(1, FOUR.frets + 1):
        left -= left / 17.817
        assert FOUR.scale_mm - FOUR.fret_mm(fret) == pytest.approx(left, abs=0.02)


@pytest.mark.parametrize(
    ("instrument", "key", "places"),
    [
        # Lombardo & Radicioni, "Guitar fingering for music performance", figure 1: E4 of the guitar.
        (GUITAR, 64, [(1, 0), (2, 5), (3, 9), (4, 14), (5, 19)]),
        # The same of a bass in fourths, by arithmetic: G2.
        (FOUR, 43, [(1, 0), (2, 5), (3, 10), (4, 15)]),
        (FOUR, 28, [(4, 0)]),
        (FOUR, 63, [(1, 20)]),
        (FOUR, 27, []),
        (FOUR, 64, []),
        (FIVE, 28, [(4, 0), (5, 5)]),
    ],
)
def test_all_places_of_a_pitch(instrument, key, places):
    assert list(instrument.fret_positions(key)) == places


@st.composite
def instruments(draw):
    """Any instrument whose strings leave no gap."""
    frets = draw(st.integers(12, 24))
    tuning = [draw(st.integers(10, 60))]
    for _ in range(draw(st.integers(0, 5))):
        tuning.append(tuning[-1] + draw(st.integers(1, 7)))
    low, high = sorted((draw(st.integers(1, 5)), draw(st.integers(1, 5))))
    span_mm = draw(st.none() | st.floats(20, 300))
    return Instrument(tuple(tuning), frets, draw(st.sampled_from((762.0, 864.0))), (low, high), span_mm)


@given(instruments(), st.integers(0, 127))
def test_fret_positions_sound_their_pitch_and_none_is_missed(instrument, key):
    positions = instrument.fret_positions(key)
    assert {instrument.tuning[-position.string] + position.fret for position in positions} <= {key}
    fretted = [open_ + fret for open_ in instrument.tuning for fret in range(instrument.frets + 1)]
    assert len(positions) == fretted.count(key)
    assert bool(positions) == (instrument.lowest <= key <= instrument.highest)


@given(instruments(), st.integers(-30, 160))
def test_the_nearest_octave_is_playable_and_near(instrument, key):
    near = instrument.nearest(key)
    assert instrument.fret_positions(near) and (near - key) % 12 == 0
    others = [key + 12 * n for n in range(-15, 16) if instrument.fret_positions(key + 12 * n)]
    assert abs(near - key) == min(abs(other - key) for other in others)


def test_reach_is_a_length_not_a_number_of_frets():
    # By the formula for 864 mm: frets 1 to 4 are 129.8 mm apart, 5 to 8 103.0, 12 to 15 68.7.
    reaches = [round(FOUR.between_mm(fret, fret + 3), 1) for fret in (1, 5, 12)]
    assert reaches == [129.8, 103.0, 68.7]


def test_the_hand_spans_three_frets_low_and_four_from_the_fifth():
    # One finger a fret from the fifth up; three frets a hand below (F. Simandl, 1881).
    for hand in range(1, 21):
        span = 3 if hand < 5 else 4
        inside = [fret for fret in range(hand, 21) if FOUR.stretch_mm(hand, fret) == 0]
        assert inside == list(range(hand, min(20, hand + span - 1) + 1))
    assert FOUR.stretch_mm(5, 9) == pytest.approx(FOUR.between_mm(8, 9))
    # Every position that has the fret inside, and the one that stretches for it.
    assert FOUR.hands(9) == (5, 6, 7, 8, 9)
    assert FOUR.hands(4) == (1, 2, 3, 4)
    assert FOUR.hands(0) == tuple(range(1, 21))


def test_a_span_in_millimetres_covers_more_frets_higher_up():
    ruler = Instrument(span_mm=104.0)
    spans = [sum(ruler.stretch_mm(hand, fret) == 0 for fret in range(hand, 21)) for hand in (1, 5, 12)]
    assert spans == [3, 4, 5]


@pytest.mark.parametrize(
    ("settings", "says"),
    [
        ({"tuning": ()}, "0 strings"),
        ({"tuning": (28, 28)}, "must rise"),
        ({"tuning": (33, 28)}, "must rise"),
        ({"tuning": (28, 60)}, "32 semitones between"),
        ({"frets": 11}, "frets is 11; 12 to 36"),
        ({"frets": 37}, "frets is 37"),
        ({"scale_mm": 86.4}, "300 to 1500"),
        ({"span_frets": (4, 3)}, "span_frets"),
        ({"span_frets": (0, 3)}, "span_frets"),
        ({"span_mm": 5.0}, "span_mm is 5"),
        ({"open_strings": "never"}, "avoid, allow, prefer"),
    ],
)
def test_impossible_instruments_are_refused(settings, says):
    with pytest.raises(ValueError, match=says):
        Instrument(**settings)
