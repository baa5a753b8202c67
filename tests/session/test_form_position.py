"""Walking the form: counts, cues on time and late, last time, stop, deaf windows.

The rules are the project's own; the twelve bars are those of Hutchinson, Music Theory for the
21st-Century Classroom, section 12.4.
"""

from itertools import pairwise

import pytest

from pedal.events import BeatBegan, Command, CommandDone
from tests.support.band import MS, Run, S, bar_one, beat_ns, double, hold, plan, tap

BEAT = beat_ns()
BAR = 4 * BEAT
A, D = plan().roots[:2]  # I and IV, where the neck has them
ONE = bar_one()  # bar 1 of a Session that a single tap at 0 started


def line(n):
    """The bar line at which the n-th bar played begins."""
    start = ONE - 4 * 60 * 10**12 // plan().mbpm  # where the tick of the first stick lies
    return start + 4 * n * 60 * 10**12 // plan().mbpm


def bars_played(run):
    """(chorus, bar) of every bar line, count-in left out."""
    return [(c, b) for c, b, t, _ in run.beats() if t == 1 and c]


# ---- counting in -----------------------------------------------------------------------


def test_one_tap_counts_a_bar_of_sticks_at_the_written_tempo():
    run = Run(tap(0), 4 * S)
    sticks = [s.due for s in run.ons("drums") if s.data[1] == 37]  # General MIDI: side stick
    assert len(sticks) == 4
    assert run.when(1, 1) == ONE == line(1)
    assert [round((b - a) / BEAT, 6) for a, b in pairwise(sticks)] == [1, 1, 1]


def test_above_130_two_bars_are_counted_the_first_in_halves():
    fast = plan("wet-boots", None, 131)
    run = Run(tap(0), 6 * S, fast)
    sticks = [s.due for s in run.ons("drums") if s.data[1] == 37]
    gaps = [round((b - a) / beat_ns(fast), 6) for a, b in pairwise(sticks)]
    assert gaps == [2, 2, 1, 1, 1]


def stomps(*times_ms):
    return [event for t in times_ms for event in tap(t * MS)]


def test_stomping_a_bar_sets_the_tempo_and_the_band_enters_a_beat_later():
    run = Run(stomps(100, 600, 1100, 1600), 5 * S)
    assert run.when(1, 1) == 2100 * MS
    assert run.when(1, 1, 2) - run.when(1, 1) == 500 * MS
    assert not [s for s in run.ons("drums") if s.data[1] == 37]  # the foot was the count


def test_the_pickup_into_bar_1_is_played_in_the_count():
    run = Run(tap(0), 4 * S)
    before = [s.data[1] for s in run.ons("bass") if s.due < ONE - BEAT // 100]
    assert before == [A - 5, A - 2]  # the fifth and the flat seventh below


def test_an_uneven_count_is_void():
    run = Run(stomps(0, 500, 1000, 1700), 8 * S)
    assert run.answers()[-1] == ("tap", "ignored")
    assert run.session.report.state == "stopped"
    assert Run(stomps(0, 500, 1000, 1620), 8 * S).session.report.state == "playing"


def test_two_taps_and_then_nothing_are_no_count():
    assert Run(stomps(0, 500), 8 * S).session.report.state == "stopped"


def test_the_foot_is_deaf_until_beat_3_of_bar_1_but_for_the_hold():
    third = ONE + 2 * BEAT
    run = Run(tap(0) + tap(ONE - BEAT) + tap(third - 10 * MS) + tap(third + 500 * MS), 8 * S)
    assert [action for _, action in run.answers()] == ["stomp", "ignored", "ignored", "flag"]
    stopped = Run(tap(0) + hold(ONE - BEAT), 8 * S)
    assert stopped.answers()[-1] == ("hold", "stop")
    assert stopped.session.report.state == "stopped"


# ---- through ---------------------------------------------------------------------------


def test_twelve_bars_come_round_by_the_clock():
    run = Run(tap(0), line(26) - 1)
    assert bars_played(run) == [(1 + n // 12, 1 + n % 12) for n in range(25)]
    chords = [m.chord for m in run.results(BeatBegan) if m.beat == 1][1:13]
    assert chords == ["A7", "A7", "A7", "A7", "D7", "D7", "A7", "A7", "E7", "D7", "A7", "E7"]


def test_last_time_takes_the_ending_and_then_there_is_silence_and_ready():
    run = Run(tap(0) + double(line(3)), ONE + 16 * BAR)
    assert bars_played(run)[-1] == (1, 12)
    assert run.session.report.state == "stopped"
    assert all(send.due <= line(13) for send in run.sends)
    held = [s for s in run.ons("chords") if s.due >= line(12)]
    tonic = {9, 1, 4, 7}  # A7
    assert {s.data[1] % 12 for s in held[-3:]} <= tonic
    assert run.ons("bass")[-1].data[1] % 12 == 9


def test_last_time_again_is_withdrawn():
    run = Run(tap(0) + double(line(3)) + double(line(5)), ONE + 14 * BAR)
    assert (2, 1) in bars_played(run)
    assert [a for _, a in run.answers()].count("last") == 2


def test_last_time_after_the_endings_bar_line_means_the_next_chorus():
    run = Run(tap(0) + double(line(11) + BEAT), ONE + 26 * BAR)
    assert bars_played(run)[-1] == (2, 12)


def test_last_time_in_the_grace_after_the_bar_line_still_counts():
    # The second press of the double, 200 ms after the first, falls 100 ms after the line.
    run = Run(tap(0) + double(line(11) - 100 * MS), ONE + 16 * BAR)
    assert bars_played(run)[-1] == (1, 12)


def test_a_hold_is_silence_at_once():
    at = line(4) + 130 * MS
    run = Run(tap(0) + hold(at), at + 5 * S)
    decided = at + 700 * MS
    assert all(s.due <= decided + 20 * MS for s in run.sends)
    assert run.session.report.state == "stopped"
    last = [bytes(s.data) for s in run.sends if s.due == decided + 20 * MS]
    # MIDI 1.0: sustain off, all notes off, all sound off, on every channel that plays.
    for channel in (9, 1, 0):
        controllers = [data[1] for data in last if data[0] == 0xB0 | channel]
        assert controllers == [64, 123, 120]


# ---- vamp ------------------------------------------------------------------------------


def vamp(presses, bars, step="change", **more):
    return Run(tap(0) + presses, line(bars + 1) - 1, mode="vamp", step=step, **more)


def test_a_vamp_stays_until_it_is_cued():
    run = vamp([], 9)
    assert bars_played(run) == [(1, b) for b in (1, 2, 3, 4, 1, 2, 3, 4, 1)]


@pytest.mark.parametrize("ago", [BAR - 200 * MS, 2 * BEAT, BEAT, BEAT // 2, 60 * MS, 21 * MS])
def test_a_cue_before_the_bar_line_takes_effect_on_it(ago):
    run = vamp(tap(line(3) - ago), 4)
    assert bars_played(run) == [(1, 1), (1, 2), (1, 5), (1, 6)]
    assert run.when(1, 5) == line(3)


@pytest.mark.parametrize("ago", [19 * MS, 1 * MS, 0, -1 * MS, -100 * MS, -149 * MS])
def test_a_late_cue_sounds_at_the_next_subdivision(ago):
    at = line(3) - ago
    run = vamp(tap(at), 4)
    beats = [(c, b, t, due) for c, b, t, due in run.beats() if (c, b) == (1, 5)]
    came = beats[0][3]
    # The triplets of a shuffle at 2:1; the first at least 40 ms after the press.
    third = BEAT / 3
    expected = next(line(3) + n * third for n in (1, 2) if line(3) + n * third >= at + 40 * MS)
    assert abs(came - expected) < 2 * MS
    assert beats[1][2] == 2 and abs(beats[1][3] - (line(3) + BEAT)) <= 9
    bass = [s for s in run.ons("bass") if came <= s.due < line(3) + BEAT - MS]
    assert [s.data[1] for s in bass] == [D]  # plain
    toms = {50, 43, 47, 45}
    assert not [s for s in run.ons("drums") if s.data[1] in toms]  # no fill


def test_past_the_grace_a_cue_means_the_next_bar_line():
    run = vamp(tap(line(3) + 151 * MS), 5)
    assert bars_played(run) == [(1, 1), (1, 2), (1, 3), (1, 5), (1, 6)]
    assert run.when(1, 5) == line(4)


def test_one_step_per_bar_line_and_rest_for_a_beat_after_it():
    run = vamp(tap(line(3) - BEAT) + tap(line(3) - BEAT + 400 * MS), 5)
    assert run.answers()[1:] == [("tap", "cue"), ("tap", "ignored")]
    late = vamp(tap(line(3) - BEAT) + tap(line(3) + BEAT - 10 * MS), 5)
    assert late.answers()[1:] == [("tap", "cue"), ("tap", "ignored")]
    free = vamp(tap(line(3) - BEAT) + tap(line(3) + BEAT + 10 * MS), 5)
    assert free.answers()[1:] == [("tap", "cue"), ("tap", "cue")]


@pytest.mark.parametrize(
    ("step", "expected"),
    [
        ("change", [1, 5, 7, 9, 10, 11, 12, 1]),
        ("bar", [1, 2, 3, 4, 5, 6, 7, 8]),
        ("phrase", [1, 5, 9, 1, 5, 9, 1, 5]),
    ],
)
def test_steps(step, expected):
    cues = [event for n in range(2, 9) for event in tap(line(n) - BEAT)]
    assert [b for _, b in bars_played(vamp(cues, 8, step))] == expected


def test_the_wrap_is_always_a_step():
    cues = [event for n in range(2, 8) for event in tap(line(n) - BEAT)]
    run = vamp(cues, 11)
    assert bars_played(run)[-5:] == [(1, 12)] * 5


def test_a_double_withdraws_the_cue_that_its_first_press_gave():
    run = vamp(double(line(3) - BEAT), 4)
    assert bars_played(run)[:4] == [(1, 1), (1, 2), (1, 3), (1, 4)]
    assert run.answers()[1:] == [("tap", "cue"), ("double", "last")]


def test_last_time_in_a_vamp_lets_the_last_phrase_run_into_the_ending():
    cues = [event for n in (3, 4, 5) for event in tap(line(n) - BEAT)]
    run = vamp(cues + double(line(2) + BEAT), 14)
    assert [b for _, b in bars_played(run)] == [1, 2, 5, 7, 9, 10, 11, 12]
    assert run.session.report.state == "stopped"


def test_while_a_vamp_waits_there_is_groove_only():
    run = vamp([], 16)
    assert not [
        s for s in run.ons("drums") if s.data[1] in (43, 45, 47, 50, 49) and s.due > line(1) + 50 * MS
    ]
    bass = {s.data[1] for s in run.ons("bass") if s.due >= ONE - MS}
    assert bass == {A, A - 5, A - 2}  # the fifth and the flat seventh below: its own root, all through


def test_a_fill_always_means_we_go():
    full = vamp(tap(line(3) - 3 * BEAT), 4).ons("drums")
    fills = [s for s in full if s.data[1] in (50, 43) and line(2) <= s.due < line(3)]
    assert fills and min(s.due for s in fills) >= line(3) - 2 * BEAT - 20 * MS
    one = vamp(tap(line(3) - 3 * BEAT // 2), 4).ons("drums")
    snares = [s for s in one if s.data[1] == 38 and line(3) - BEAT - 20 * MS <= s.due < line(3) - MS]
    assert len(snares) >= 3  # the one-beat fill
    hit = [s for s in vamp(tap(line(3) - BEAT // 2), 4).ons("drums") if s.data[1] == 49 and s.due > line(2)]
    assert [round((s.due - line(3)) / (20 * MS)) for s in hit] == [0]  # only the hit on the one


def test_the_pickup_leads_where_the_foot_asked_if_it_came_in_time():
    early = [
        s.data[1]
        for s in vamp(tap(line(3) - 2 * BEAT), 3).ons("bass")
        if line(3) - BEAT - MS <= s.due < line(3) - MS
    ]
    assert early == [D - 5, D - 2]
    late = [
        s.data[1]
        for s in vamp(tap(line(3) - BEAT // 2), 3).ons("bass")
        if line(3) - BEAT - MS <= s.due < line(3) - MS
    ]
    assert late == [A - 5, A - 2]


# ---- tempo and commands ----------------------------------------------------------------


def test_a_tempo_change_takes_hold_at_once_and_keeps_the_place():
    at = line(2) + BEAT // 2
    run = Run([*tap(0), Command(at, "tempo", 56)], line(8))
    beats = [due for _, _, _, due in run.beats() if due > at]
    assert abs((beats[2] - beats[1]) - 2 * BEAT) <= 9  # ns
    half = run.when(1, 2, 2) - at
    assert abs(half - BEAT) < 25 * MS  # the half beat left, at half the tempo


@pytest.mark.parametrize("value", [39, 261, "fast", None])
def test_a_tempo_out_of_range_is_refused(value):
    run = Run([*tap(0), Command(line(2), "tempo", value)], line(3))
    assert "40 to 260" in run.results(CommandDone)[0].reason
    assert run.session.report.mbpm == 112_000


def test_start_stop_cue_and_last_by_command():
    run = Run(
        [Command(0, "start"), Command(10 * S, "cue"), Command(12 * S, "last"), Command(90 * S, "stop")],
        91 * S,
        mode="vamp",
    )
    assert run.session.report.state == "stopped"
    assert (1, 5) in bars_played(run)
