"""What is turned by foot or by command: presets of the foot map, dials, sets."""

from itertools import pairwise

import pytest

from pedal.events import (
    BeatBegan,
    ChorusDone,
    Command,
    CommandDone,
    GestureDone,
    Loaded,
    PlanWanted,
    Press,
    Release,
    RepetitionDone,
)
from pedal.music.pitch import parse_key
from pedal.music.plan import make_plan
from pedal.session.foot_map import ACTIONS, GESTURES, PRESETS, STATES, traps
from pedal.session.session import Session
from pedal.session.setlist import Entry
from pedal.session.settings import SessionSettings
from tests.support.band import MS, Run, S, bar_one, beat_ns, double, plan, tap

BEAT = beat_ns()
BAR = 4 * BEAT
ONE = bar_one()


def at_bar(n, beat=1):
    return ONE + (n - 1) * BAR + (beat - 1) * BEAT + 50 * MS


def command(at, name, value=None):
    return Command(at, name, value)


# ---- maps ------------------------------------------------------------------------------


@pytest.mark.parametrize("preset", PRESETS)
def test_a_preset_is_whole_and_no_trap(preset):
    footmap = PRESETS[preset]
    assert set(footmap.values()) <= set(ACTIONS)
    for state in STATES:
        for gesture in GESTURES:
            assert (state, "main", gesture) in footmap
    assert traps(footmap) == []


def test_a_map_without_a_way_out_is_found():
    footmap = {key: action for key, action in PRESETS["one"].items() if key != ("vamp", "main", "hold")}
    assert traps(footmap) == ["vamp"]
    assert traps({key: "cue" for key in footmap}) == ["through", "vamp", "drill", "stopped"]


def test_every_action_of_the_map_is_known_to_the_session():
    session = Session(plan())
    for action in set(ACTIONS) - {"nothing"}:
        session.handle(Command(0, action))
    reasons = [o.reason for o in session.take(0) if isinstance(o, CommandDone)]
    assert len(reasons) == len(ACTIONS) - 1 and "unknown command" not in reasons


@pytest.mark.parametrize("preset", PRESETS)
def test_any_foot_on_any_preset_is_survived(preset):
    """Every gesture on every switch in every state, one after another."""
    for mode in ("through", "vamp", "drill"):
        session = Session(plan(), SessionSettings(mode=mode), footmap=PRESETS[preset])
        now = 0
        for switch in ("main", "second", "third", "fourth"):
            for held in (80, 80, 800):
                for event in (Press(now, switch), Release(now + held * MS, switch)):
                    session.take(event.at)
                    session.handle(event)
                now += (held + 130) * MS
        session.take(now + 60 * S)


# ---- dynamics, stop-time, who plays, guide ---------------------------------------------


def loudness(run, part, bars):
    low, high = ONE + (bars[0] - 1) * BAR - 20 * MS, ONE + bars[1] * BAR - 20 * MS
    values = [s.data[2] for s in run.ons(part) if low <= s.due < high]
    return sum(values) / len(values)


def test_soft_comes_with_the_next_phrase():
    run = Run([*tap(0), command(at_bar(3), "soft")], ONE + 9 * BAR)
    assert abs(loudness(run, "bass", (3, 4)) - loudness(run, "bass", (1, 2))) < 6
    assert loudness(run, "bass", (5, 8)) < loudness(run, "bass", (1, 4)) - 12


def test_stop_time_from_the_next_top_hits_beat_one_and_is_silent_between():
    run = Run([*tap(0), command(at_bar(3), "stop-time")], ONE + 24 * BAR)
    for bar in (13, 14, 15):  # the second chorus
        start = ONE + (bar - 1) * BAR
        inside = [s for s in run.ons() if start + 60 * MS <= s.due < start + BAR - 60 * MS]
        assert not inside
        assert {s.part for s in run.ons() if abs(s.due - start) < 30 * MS} == {"drums", "bass", "chords"}
    fill = [
        s for s in run.ons("drums") if ONE + 15 * BAR + 2 * BEAT - 30 * MS <= s.due < ONE + 16 * BAR - 30 * MS
    ]
    assert len(fill) > 3
    assert [
        s for s in run.ons("bass") if ONE + 16 * BAR + BEAT // 2 < s.due < ONE + 17 * BAR
    ]  # time from bar 5


def test_who_plays():
    run = Run([*tap(0), command(at_bar(2), "parts", ["drums"])], ONE + 4 * BAR)
    assert not [s for s in run.ons() if s.part != "drums" and s.due > at_bar(2) + 20 * MS]
    again = Run(
        [*tap(0), command(at_bar(2), "parts", ["drums"]), command(at_bar(3), "parts", ["bass", "drums"])],
        at_bar(5),
    )
    assert [s for s in again.ons("bass") if s.due > at_bar(3)]
    lamps_only = Run([*tap(0), command(at_bar(2), "parts", [])], ONE + 6 * BAR)
    assert not [s for s in lamps_only.ons() if s.due > at_bar(2) + 20 * MS]
    assert [light for light in lamps_only.lights if light.due > at_bar(3)]


def test_the_guide_alternates_and_fades():
    alternate = Run(tap(0), ONE + 36 * BAR, guide="alternate")
    by_chorus = {c: [s for s in alternate.ons("bass") if s.chorus == c] for c in (1, 2, 3)}
    assert by_chorus[1] and not by_chorus[2] and by_chorus[3]
    fading = Run(tap(0), ONE + 60 * BAR, guide="fading")
    loud = [max((s.data[2] for s in fading.ons("bass") if s.chorus == c), default=0) for c in range(1, 6)]
    assert loud[0] > loud[1] > loud[2] > loud[3] > loud[4] == 0


# ---- places ----------------------------------------------------------------------------


def bars(run):
    return [(c, b) for c, b, t, _ in run.beats() if t == 1 and c]


def test_again_from_this_phrase():
    run = Run([*tap(0), command(at_bar(6), "again")], ONE + 9 * BAR - 1)
    assert [b for _, b in bars(run)] == [1, 2, 3, 4, 5, 6, 5, 6, 7]


def test_back_to_the_step_before():
    inputs = [
        *tap(0),
        command(at_bar(2, 2), "cue"),
        command(at_bar(3, 3), "back"),
        command(at_bar(6, 3), "back"),
    ]
    run = Run(inputs, ONE + 8 * BAR - 1, mode="vamp")
    assert [b for _, b in bars(run)] == [1, 2, 5, 1, 2, 3, 1, 2]


# ---- tempo -----------------------------------------------------------------------------


def test_tempo_up_down_and_back():
    inputs = [*tap(0), command(at_bar(2), "tempo-up"), command(at_bar(3), "tempo-up")]
    assert Run(inputs, at_bar(4)).session.report.mbpm == round(round(112_000 * 1.05) * 1.05)
    assert Run([*inputs, command(at_bar(3, 3), "tempo-back")], at_bar(4)).session.report.mbpm == 112_000


def test_tapping_a_tempo():
    inputs = [*tap(0), *(command(20 * S + n * 600 * MS, "tap-tempo") for n in range(4))]
    assert Run(inputs, 25 * S).session.report.mbpm == 100_000


def test_a_ramp_with_a_ceiling():
    run = Run(tap(0), 190 * S, ramp=50, ceiling_mbpm=120_000)
    lengths = {}
    for (c, b, t, due), (_, _, _, after) in zip(run.beats(), run.beats()[1:], strict=False):
        if (b, t) == (3, 2):
            lengths[c] = after - due
    expected = {1: 112_000, 2: 117_600, 3: 120_000, 4: 120_000}
    for chorus, mbpm in expected.items():
        assert abs(lengths[chorus] - 60 * 10**12 / mbpm) < 5e5


# ---- keys and sets ---------------------------------------------------------------------


def test_a_key_by_foot_moves_when_stopped_and_sounds():
    session = Session(plan(), footmap=PRESETS["two"])
    session.handle(Press(0, "second"))
    session.handle(Release(80 * MS, "second"))
    (wanted,) = (o for o in session.take(S) if isinstance(o, PlanWanted))
    assert (wanted.tune, wanted.key) == ("wet-boots", "D")
    session.handle(Loaded(S, make_plan(plan().tune, parse_key(wanted.key))))
    heard = [
        o for o in session.take(4 * S) if getattr(o, "part", "") == "chords" and o.data[0] & 0xF0 == 0x90
    ]
    assert {o.data[1] % 12 for o in heard} <= {2, 6, 9, 0, 4}  # D7 or D9
    assert session.plan.key == parse_key("D")


def test_the_next_entry_is_announced_by_its_chord_and_its_tempo_without_clicks():
    entries = (Entry("wet-boots"), Entry("third-bus-home", key="F", mbpm=100_000, mode="vamp", guide="off"))
    session = Session(plan(), entries=entries)
    session.handle(Command(0, "next-entry"))
    (wanted,) = (o for o in session.take(S) if isinstance(o, PlanWanted))
    assert wanted[1:4] == ("third-bus-home", "F", 100_000)
    session.handle(Loaded(S, plan("third-bus-home", "F", 100)))
    out = session.take(12 * S)
    notes = [o for o in out if getattr(o, "data", b"\0")[0] & 0xF0 == 0x90]
    assert notes and {o.part for o in notes} == {"chords"}
    pulses = [o.due for o in out if getattr(o, "lamp", "") == "I" and o.lit and o.due < S + 8 * 600 * MS]
    assert len(pulses) == 8 and all(abs(b - a - 600 * MS) <= 1 for a, b in pairwise(pulses))
    assert (session.settings.mode, session.settings.guide) == ("vamp", "off")


def test_entries_change_only_when_stopped():
    run = Run([*tap(0), command(at_bar(3), "next-entry")], at_bar(4))
    assert run.results(CommandDone)[0].reason == "entries change when stopped"


def test_another_plan_while_playing_waits_for_the_top():
    other = plan("wet-boots", "G")
    run = Run([*tap(0), Loaded(at_bar(3), other)], ONE + 14 * BAR)
    chords = {m.chorus: m.chord for m in run.results(BeatBegan) if m.bar == 1 and m.chorus}
    assert chords == {1: "A7", 2: "G7"}


def test_the_diary_marks_choruses_and_repetitions():
    run = Run(tap(0), ONE + 25 * BAR)
    assert [m.chorus for m in run.results(ChorusDone)] == [1, 2]
    assert run.results(ChorusDone)[0][1:] == ("wet-boots", "A", 112_000, 1)
    drill = Run([command(0, "drill")], 60 * S)
    first = drill.results(RepetitionDone)[0]
    assert (first.change, first.clean, first.pace) == (5, True, 700)


def test_a_routine_goes_on_by_itself_when_its_goal_is_met():
    steps = (
        Entry("wet-boots", mode="through", choruses=1, goes_on=True),
        Entry("wet-boots", mode="through", choruses=1, guide="off", up=5, goes_on=True),
    )
    session = Session(plan(), entries=steps)
    out = []
    for event in tap(0):
        out += session.take(event.at)
        session.handle(event)
    out += session.take(ONE + 13 * BAR)
    wanted = [o for o in out if isinstance(o, PlanWanted)]
    assert [(w.tune, w.key) for w in wanted] == [("wet-boots", "D")]  # up a fourth
    session.handle(Loaded(ONE + 13 * BAR, plan("wet-boots", "D")))
    session.take(ONE + 17 * BAR)
    assert session.report.state == "playing" or session.report.state == "counting"
    out = session.take(ONE + 22 * BAR)
    assert not [o for o in out if getattr(o, "part", "") == "bass" and o.data[0] & 0xF0 == 0x90]
    session.take(ONE + 60 * BAR)
    assert session.report.state == "stopped"  # the last step was the last


def test_a_routine_goes_on_whatever_plan_comes_besides():
    """A key was asked for just before the step was over: two plans come, and the second must not stop it."""
    steps = (
        Entry("wet-boots", mode="through", choruses=1, goes_on=True),
        Entry("wet-boots", mode="through", choruses=1, goes_on=True),
    )
    session = Session(plan(), entries=steps)
    for event in tap(0):
        session.take(event.at)
        session.handle(event)
    session.take(ONE + 13 * BAR)
    for key in ("A", "D"):
        session.handle(Loaded(ONE + 13 * BAR, plan("wet-boots", key)))
    session.take(ONE + 17 * BAR)
    assert session.report.state in ("playing", "counting")


@pytest.mark.parametrize(
    ("act", "state"),
    [
        ("tempo-down", lambda session: (session.full_mbpm, session.mbpm, session.timeline.mbpm)),
        ("tempo-back", lambda session: (session.full_mbpm, session.mbpm, session.timeline.mbpm)),
        ("soft", lambda session: session.position.soft_next),
        ("stop-time", lambda session: session.position.stops_next),
        ("guide", lambda session: (session.settings.guide, session.position.guide)),
        ("parts", lambda session: session.band.parts),
        ("again", lambda session: session.position.again),
    ],
)
def test_what_the_first_half_of_a_double_turned_is_turned_back(act, state):
    footmap = {("stopped", "main", "tap"): "stomp", ("through", "third", "tap"): act}
    session = Session(plan(), SessionSettings(), footmap=footmap)
    at = at_bar(3)
    for event in (*tap(0), command(at_bar(1), "tempo", 97)):
        session.take(event.at)
        session.handle(event)
    session.take(at)
    before = state(session)
    for n, event in enumerate((*tap(at, "third"), *tap(at + 200 * MS, "third"))):
        session.take(event.at)
        session.handle(event)
        assert (state(session) == before) == (n > 1)


def test_a_key_is_taken_back_too():
    footmap = {("stopped", "second", "tap"): "key-fourth", ("stopped", "second", "hold"): "previous-entry"}
    session = Session(plan(), SessionSettings(), footmap=footmap)
    session.handle(Press(S, "second"))
    wanted = [o.key for o in session.take(3 * S) if isinstance(o, PlanWanted)]
    assert wanted == ["D", "A"]


def test_each_switch_takes_back_only_what_it_did_itself():
    """A foot rests on one switch, and the other says "missed": that stands."""
    session = Session(plan(), SessionSettings(), footmap=PRESETS["two"])
    resting = [Press(8 * S, "second"), *tap(8 * S + 300 * MS), Release(9 * S, "second")]
    for event in (command(0, "drill"), *resting):
        session.take(event.at)
        session.handle(event)
    assert session.position.drill.missed and not session.position.soft_next


def test_a_miss_that_was_marked_before_stays_marked():
    run = Run([command(0, "drill"), *tap(8 * S), *double(13_500 * MS)], 30 * S)
    assert next(mark.clean for mark in run.results(RepetitionDone)) is False
    gestures = [mark.action for mark in run.results(GestureDone)]
    assert gestures == ["missed", "missed", "onward"]
