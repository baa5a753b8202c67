"""What holds for every shipped feel: time, swing, dynamics, comping; against measured playing.

Measured numbers: Groove MIDI Dataset v1.0 (CC BY 4.0), Gillick et al., Learning to Groove with
Inverse Sequence Transformations, ICML 2019, as counted in its recordings. Ride cymbals: Friberg
& Sundström, Swing Ratios and Ensemble Timing in Jazz Performance, Music Perception 19(3), 2002.
"""

from collections import Counter
from dataclasses import replace
from itertools import pairwise
from statistics import mean, median, pstdev

import pytest

from pedal.library.library import Library
from pedal.music.beat import Band
from pedal.music.drums import count_bars, count_strokes
from pedal.music.feels import DRUM_KEYS, PULSES
from pedal.music.pitch import parse_key
from pedal.music.plan import make_plan

from .playing import played

MS = 1_000_000
LIBRARY = Library()
FEELS = LIBRARY.names("feel")
BY_PULSE = {pulse: [name for name in FEELS if LIBRARY.feel(name).pulse == pulse] for pulse in PULSES}
KICK, SNARE, HAT = (DRUM_KEYS[name] for name in ("kick", "snare", "hat"))


def tune_in(feel_name: str, form_name: str = "twelve-bar"):
    """A tune in a feel, everything that it does not choose being usual."""
    feel, form = LIBRARY.feel(feel_name), LIBRARY.form(form_name)
    minor = "-minor" if form.minor else ""
    return replace(
        LIBRARY.tune("wet-boots"),
        name="test",
        key=parse_key("Am" if minor else "A"),
        bpm=float(sum(feel.tempo) // 2),
        form=form,
        feel=feel,
        figure=LIBRARY.figure(feel.figure),
        turnaround=LIBRARY.turnaround("walk-down" + minor),
        ending=LIBRARY.ending(("slow-to-the-one" if feel.slow else "stop-on-the-one") + minor),
    )


def strokes(plan, band=None, chorus=2, last=False):
    """(place in the beat as a share, beat of the bar, key, velocity, shift) of every drum stroke."""
    ticks = plan.feel.ticks
    return [
        ((note.tick - here.tick) / ticks, here.beat, note.key, note.velocity, note.shift)
        for here, notes in played(plan, band, chorus, last, part="drums")
        for note in notes
    ]


@pytest.mark.parametrize("name", FEELS)
def test_a_shipped_feel_says_what_it_is(name):
    """By this it is known what to expect of it below."""
    feel = LIBRARY.feel(name)
    assert feel.pulse in PULSES and feel.backbeat is not None


# ---- swing ----------------------------------------------------------------------------


def measured_swing(name: str, bpm: float) -> float:
    """The long eighth over the short one, as the drummer plays it."""
    plan = make_plan(tune_in(name), None, bpm)
    upbeats = [share for share, *_ in strokes(plan, Band(strict=True)) if 0.45 < share < 0.72]
    assert len(upbeats) >= 20
    return median(share / (1 - share) for share in upbeats)


@pytest.mark.parametrize("name", BY_PULSE["shuffle"])
def test_a_shuffle_is_two_to_one(name):
    # Blues shuffle, 72 beats a minute, 232 pairs: median 1.99, quartiles 1.89 and 2.12.
    for bpm in LIBRARY.feel(name).tempo:
        assert 1.89 <= measured_swing(name, bpm) <= 2.12


@pytest.mark.parametrize("name", BY_PULSE["straight"])
def test_straight_is_straight(name):
    for bpm in LIBRARY.feel(name).tempo:
        assert measured_swing(name, bpm) == pytest.approx(1.0, abs=0.01)


@pytest.mark.parametrize("name", BY_PULSE["swing"])
def test_swing_gets_evener_as_the_tempo_rises(name):
    low, high = LIBRARY.feel(name).tempo
    tempos = range(low, high + 1, 12)
    ratios = [measured_swing(name, bpm) for bpm in tempos]
    assert all(one >= other for one, other in pairwise(ratios)) and ratios[0] - ratios[-1] >= 0.3
    # Drummers kept between 1 and 3.5 to 1, and the short eighth at about a tenth of a second.
    assert all(1 < ratio <= 3.5 for ratio in ratios)
    assert all(60_000 / bpm / (1 + ratio) >= 80 for bpm, ratio in zip(tempos, ratios, strict=True))


@pytest.mark.parametrize("name", FEELS)
def test_everybody_swings_alike(name):
    """No two parts place an upbeat differently: what is written in twos falls together."""
    plan = make_plan(tune_in(name))
    for here, notes in played(plan, Band(strict=True), 2):
        places = {note.tick - here.tick for note in notes if note.part == "drums"}
        for note in notes:
            near = [
                place for place in places if 0 < abs(place - (note.tick - here.tick)) < plan.feel.ticks // 16
            ]
            assert not near, (here.bar, here.beat)


# ---- the drummer ----------------------------------------------------------------------


@pytest.mark.parametrize("name", FEELS)
def test_a_groove_has_bars_that_differ_and_dynamics(name):
    feel = LIBRARY.feel(name)
    assert len(feel.groove) >= 2 and len(set(feel.groove)) == len(feel.groove)
    levels = Counter(s.velocity for bar in feel.groove for beat in bar for s in beat)
    assert len(levels) >= 3 and min(levels) <= 40  # ghost notes
    assert max(levels) >= 2 * min(levels)  # what stands out
    assert set(feel.fills) == {1, 2} and len(feel.comp) >= 2


@pytest.mark.parametrize("name", FEELS)
def test_the_backbeat(name):
    """Where the feel says that it is, it is heard in every bar but those with a fill; elsewhere not."""
    plan, backbeat = make_plan(tune_in(name)), LIBRARY.feel(name).backbeat
    fills = {*plan.tune.form.phrases, len(plan.layout) + 1}
    for drum, beats in (backbeat or {"snare": ()}).items():
        for here, notes in played(plan, Band(strict=True), 2, part="drums"):
            if here.bar + 1 in fills or here.bar >= plan.turnaround_bar:
                continue
            loud = [n for n in notes if n.key == DRUM_KEYS[drum] and n.tick == here.tick and n.velocity >= 60]
            assert bool(loud) == (here.beat in beats), (drum, here.bar, here.beat)


@pytest.mark.parametrize("name", FEELS)
def test_the_kick_is_on_one(name):
    # In measured shuffles the kick is on 1 in 94 to 100 % of the bars.
    for bar in LIBRARY.feel(name).groove:
        assert any(s.key == KICK and s.slot == 0 for s in bar[0])


@pytest.mark.parametrize("name", FEELS)
def test_a_phrase_end_only_speaks_up_with_kick_and_snare(name):
    feel = LIBRARY.feel(name)

    def time_of(bar):
        return {
            (b, s.slot / s.slots, s.key)
            for b, beat in enumerate(bar)
            for s in beat
            if s.key not in (KICK, SNARE)
        }

    time = time_of(feel.phrase_end)
    assert time and any(time == time_of(bar) for bar in feel.groove)
    assert feel.phrase_end not in feel.groove


@pytest.mark.parametrize("name", FEELS)
def test_fills_end_with_a_stroke_that_leads_on(name):
    feel = LIBRARY.feel(name)
    for fill in (*feel.fills.values(), feel.top):
        last = fill[-1]
        assert max(s.slot / s.slots for s in last) >= 0.5
        assert {s.key for s in last} & {
            SNARE,
            *(DRUM_KEYS[f"tom-{t}"] for t in ("high", "mid", "low", "floor")),
        }


@pytest.mark.parametrize("name", FEELS)
def test_a_bar_of_time_is_hat_alone_on_every_beat(name):
    hats = LIBRARY.feel(name).hats
    assert {s.key for beat in hats for s in beat} == {HAT}
    assert all(any(s.slot == 0 for s in beat) for beat in hats)


@pytest.mark.parametrize(
    ("name", "bpm", "per_beat"),
    [
        ("slow-twelve-eight", 58, [1, 1, 3, 3]),
        ("two-beat", 184, [1, 0, 1, 0]),
        ("medium-shuffle", 112, [1, 1, 1, 1]),
        ("swing", 180, [1, 0, 1, 0, 1, 1, 1, 1]),
    ],
)
def test_the_count_in_fits_the_feel(name, bpm, per_beat):
    feel = LIBRARY.feel(name)
    count = count_strokes(feel.count, count_bars(feel.count, bpm * 1000), feel.beats)
    assert [len(beat) for beat in count] == per_beat


@pytest.mark.parametrize("name", FEELS)
def test_the_drummer_is_human_within_limits(name):
    """Snare against the beat: drummers' standard deviation 14.9 to 27.1 ms, half of them under 20.7.

    Between drums and bass listeners preferred less than 19 ms (J. New Music Research 46(4), 2017).
    """
    plan = make_plan(tune_in(name))
    found = [s for seed in range(6) for chorus in range(1, 5) for s in strokes(plan, Band(seed=seed), chorus)]
    shifts = [shift / MS for *_, shift in found]
    assert all(-15 <= shift <= 19 for shift in shifts)
    snare = [shift / MS for share, _, key, _, shift in found if key == SNARE and share == 0]
    if len(snare) > 40:
        assert 0 < pstdev(snare) <= 20 and abs(mean(snare)) <= 10
    assert all(shift == 0 for *_, shift in strokes(plan, Band(strict=True)))
    for key in {key for _, _, key, *_ in found}:
        velocities = {velocity for _, _, k, velocity, _ in found if k == key}
        assert len(velocities) > 5, key  # no drum is struck alike every time


@pytest.mark.parametrize("name", FEELS)
def test_a_chorus_does_not_repeat_itself(name):
    plan = make_plan(tune_in(name))
    bars: dict[int, list] = {}
    for here, notes in played(plan, Band(seed=3), 2):
        rhythm = [(here.beat, n.part, n.tick - here.tick, n.key if n.part == "drums" else 0) for n in notes]
        bars.setdefault(here.bar, []).extend(r for r in rhythm if r[1] != "bass")
    assert len({tuple(sorted(bar)) for bar in bars.values()}) >= 8


@pytest.mark.parametrize("name", FEELS)
def test_programs_and_volumes_are_general_midis(name):
    # MMA RP-003, page 5, printed numbers: pianos 1-8, organs 17-24, guitars 25-32, basses 33-40.
    feel = LIBRARY.feel(name)
    assert 33 <= feel.programs["bass"] + 1 <= 40
    printed = feel.programs["chords"] + 1
    assert printed <= 8 or 17 <= printed <= 32
    assert all(1 <= volume <= 127 for volume in feel.volumes.values())
