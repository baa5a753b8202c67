"""Drums: the General MIDI map, and the shipped groove against measured drumming."""

from dataclasses import replace

import pytest

from pedal.music.beat import Band
from pedal.music.drums import count_bars, count_strokes
from pedal.music.feels import DRUM_KEYS, SwingPoint, drum_beats
from pedal.music.plan import make_plan

from .playing import played

# General MIDI System Level 1 (MMA RP-003, 1991), table 3: the percussion map of channel 10.
GM_DRUMS = {
    "kick": (36, "Bass Drum 1"),
    "side-stick": (37, "Side Stick"),
    "snare": (38, "Acoustic Snare"),
    "hat": (42, "Closed Hi Hat"),
    "hat-foot": (44, "Pedal Hi-Hat"),
    "hat-open": (46, "Open Hi-Hat"),
    "ride": (51, "Ride Cymbal 1"),
    "ride-bell": (53, "Ride Bell"),
    "crash": (49, "Crash Cymbal 1"),
    "tom-floor": (43, "High Floor Tom"),
    "tom-low": (45, "Low Tom"),
    "tom-mid": (47, "Low-Mid Tom"),
    "tom-high": (50, "High Tom"),
    "tambourine": (54, "Tambourine"),
    "cowbell": (56, "Cowbell"),
    "conga-mute": (62, "Mute Hi Conga"),
    "conga": (63, "Open Hi Conga"),
    "conga-low": (64, "Low Conga"),
    "maracas": (70, "Maracas"),
    "claves": (75, "Claves"),
}
KICK, SNARE, HAT, CRASH = 36, 38, 42, 49


def test_drums_have_the_keys_of_general_midi():
    assert {drum: key for drum, (key, _) in GM_DRUMS.items()} == DRUM_KEYS


def struck(bar, key):
    """Velocity by place, in triplets of the bar (twelve in 4/4)."""
    return {
        beat * 3 + stroke.slot * 3 // stroke.slots: stroke.velocity
        for beat, strokes in enumerate(bar)
        for stroke in strokes
        if stroke.key == key
    }


# Blues shuffle at 72 beats a minute, 80 bars, Groove MIDI Dataset v1.0 (CC BY 4.0): a snare of
# velocity 60 or more falls on triplet 3 in 76 % of the bars, on 9 in 75 %, elsewhere in at most
# 19 %; the kick on 0 in 94 %, on 6 in 86 %. Median of the backbeats 100, of the ghost notes 14.
def test_the_backbeat_is_on_two_and_four(library):
    for bar in library.feel("medium-shuffle").groove:
        loud = {place for place, velocity in struck(bar, SNARE).items() if velocity >= 60}
        assert loud == {3, 9}


def test_ghost_notes_are_far_below_the_backbeat(library):
    groove = library.feel("medium-shuffle").groove
    velocities = [velocity for bar in groove for velocity in struck(bar, SNARE).values()]
    backbeats = [velocity for velocity in velocities if velocity >= 60]
    ghosts = [velocity for velocity in velocities if velocity < 60]
    assert len(ghosts) >= 2 and min(backbeats) - max(ghosts) >= 50
    assert 90 <= min(backbeats) <= 115


def test_the_kick_is_on_one_and_three(library):
    for bar in library.feel("medium-shuffle").groove:
        assert {0, 6} <= set(struck(bar, KICK))


def test_the_groove_survives_human_variation(library):
    plan = make_plan(library.tune("wet-boots"))
    for seed in range(5):
        for here, notes in played(plan, Band(seed=seed), part="drums"):
            if here.fill or here.beat not in (2, 4):
                continue
            backbeat = [n.velocity for n in notes if n.key == SNARE and n.tick == here.tick]
            ghosts = [n.velocity for n in notes if n.key == SNARE and n.tick != here.tick]
            assert len(backbeat) == 1 and backbeat[0] - max(ghosts, default=0) >= 40


def test_a_phrase_end_is_a_kick_or_snare_variation_at_most(library):
    feel = library.feel("medium-shuffle")
    time = {key for bar in feel.groove for beat in bar for key in [s.key for s in beat]}
    assert {s.key for beat in feel.phrase_end for s in beat} <= time
    others = time - {KICK, SNARE}
    assert others
    for key in others:
        assert struck(feel.phrase_end, key) in [struck(bar, key) for bar in feel.groove]


def test_a_bar_of_time_is_hat_alone(library):
    feel = library.feel("medium-shuffle")
    assert {s.key for beat in feel.hats for s in beat} == {HAT}
    assert {0, 3, 6, 9} <= set(struck(feel.hats, HAT))


def test_fills_are_as_long_as_they_say(library):
    feel = library.feel("medium-shuffle")
    assert {length: len(beats) for length, beats in feel.fills.items()} == {1: 1, 2: 2}
    assert len(feel.top) == feel.beats
    assert any(s.key == DRUM_KEYS["tom-floor"] for beat in feel.top for s in beat)


def test_programs_are_bytes_below_the_printed_numbers(library):
    # RP-003, page 5: programs are printed from 1, the data byte is one less. Printed, 17 is
    # Drawbar Organ and 34 Electric Bass (finger).
    assert library.feel("medium-shuffle").programs == {"chords": 16, "bass": 33}


def test_one_crash_at_the_top(library):
    plan = make_plan(library.tune("wet-boots"))
    crashes = [
        (here.bar, here.beat) for here, notes in played(plan, part="drums") for n in notes if n.key == CRASH
    ]
    assert crashes == [(1, 1)]


def test_one_crash_for_ride_and_hat_together(library):
    tune = library.tune("wet-boots")
    both = drum_beats({drum: ["x-"] * 4 for drum in ("ride", "hat", "kick")})
    plan = make_plan(replace(tune, feel=replace(tune.feel, groove=(both,))))
    assert [note.key for note in played(plan, part="drums")[0][1]].count(CRASH) == 1


@pytest.mark.parametrize(
    ("style", "mbpm", "strokes"),
    [
        ("beats", 130_000, [1, 1, 1, 1]),
        ("beats", 131_000, [1, 0, 1, 0, 1, 1, 1, 1]),
        ("halves", 200_000, [1, 0, 1, 0]),
        ("triplets", 60_000, [1, 1, 3, 3]),
    ],
)
def test_count_ins(style, mbpm, strokes):
    assert [len(beat) for beat in count_strokes(style, count_bars(style, mbpm), 4)] == strokes


def test_swing_follows_the_tempo(library):
    feel = replace(library.feel("medium-shuffle"), swing=(SwingPoint(80.0, 2.4), SwingPoint(160.0, 1.6)))
    assert [feel.swing_at(bpm) for bpm in (40, 80, 120, 160, 250)] == pytest.approx([2.4, 2.4, 2.0, 1.6, 1.6])
