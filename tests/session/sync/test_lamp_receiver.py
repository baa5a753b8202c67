"""Lamps elsewhere: a leader, and followers on cables that lose, double and delay."""

from itertools import pairwise

import pytest
from hypothesis import given
from hypothesis import strategies as st

from pedal.events import LAMPS, Command, Sync
from pedal.session.sync.lamp_message import decode, encode, lamps_of
from pedal.session.sync.lamp_receiver import LOST_EVERY_NS, LampReceiver
from tests.session.test_laws import most_flashes
from tests.support.band import MS, Run, S, hold, plays, tap
from tests.support.examples import examples

lawful = examples(40)


# ---- leader and follower ----------------------------------------------------------------


def lamps_over_time(lights, until, step=MS):
    """The lit lamps just before each `step`."""
    lit, seen, at = set(), [], 0
    for now in range(0, until, step):
        while at < len(lights) and lights[at].due < now:
            (lit.add if lights[at].lit else lit.discard)(lights[at].lamp)
            at += 1
        seen.append(frozenset(lit))
    return seen


def said(run):
    return [(sync.due, sync.data) for sync in run.outputs if isinstance(sync, Sync) and sync.to == "follow"]


def followed(messages, until, now=0):
    """The lamps of a follower that hears these."""
    follower, lights = LampReceiver(now), []
    for at, data in sorted(messages):
        if at >= until:
            break
        lights += follower.take(at)
        follower.hear(at, data)
    return follower, lights + follower.take(until)


DRILL = [*tap(0), Command(20 * S, "missed"), Command(31 * S, "onward")]
VAMP = [*tap(0), *(event for n in range(9) for event in tap((9 + 4 * n) * S + 311 * MS))]
PIECES = {
    "choruses": ([*tap(0), Command(30 * S, "tempo", 150), Command(41 * S, "last")], {"mode": "through"}),
    "vamp": (VAMP, {"mode": "vamp", "latency_ns": 60 * MS}),
    "drill": (DRILL, {"mode": "drill"}),
    "stopped": (tap(0) + hold(11 * S) + tap(16 * S), {}),
}


@pytest.mark.parametrize("piece", PIECES)
@pytest.mark.parametrize("delay", [0, 13 * MS])
def test_a_good_cable_shows_the_same_lamps(piece, delay):
    """The same to two milliseconds (messages tell whole ones), later by what the cable takes."""
    inputs, options = PIECES[piece]
    run = Run(inputs, 60 * S, follow_out=True, **options)
    _, lights = followed([(at + delay, data) for at, data in said(run)], 60 * S)
    leader, follower = lamps_over_time(run.lights, 60 * S), lamps_over_time(lights, 60 * S)
    late = delay // MS
    for now in range(100, len(leader) - 100):
        assert follower[now + late] in leader[now - 2 : now + 3], now


@pytest.mark.slow
@pytest.mark.parametrize("piece", PIECES)
def test_who_joins_late_is_right_within_a_beat(piece):
    inputs, options = PIECES[piece]
    run = Run(inputs, 60 * S, follow_out=True, **options)
    beat = 60 * 10**12 // run.plan.mbpm
    leader = lamps_over_time(run.lights, 60 * S)
    for join in range(1, 58, 3):
        join *= S + 37 * MS
        late = [(at, data) for at, data in said(run) if at >= join]
        state = decode(late[0][1]).state
        within = S if state == "stopped" else beat * (10 if options.get("mode") == "drill" else 5) // 4
        assert late[0][0] - join <= within, "nothing is said for longer than a beat"
        _, lights = followed(late, 60 * S, now=join)
        follower = lamps_over_time(lights, 60 * S)
        sure = (late[0][0] + S) // MS  # the limit of flashes may hold one back for a second
        wrong = [
            now for now in range(sure, len(leader) - 9) if follower[now] not in leader[now - 2 : now + 3]
        ]
        assert not wrong, (join, wrong[0])


@st.composite
def bad_cables(draw):
    """What happens to message n: lost, doubled, and kept back by so many ms."""
    return draw(
        st.lists(
            st.tuples(
                st.sampled_from((0, 1, 1, 1, 1, 2)),
                st.sampled_from((0, 0, 1, 5, 20, 90, 400)),
                st.integers(0, 700),
            ),
            min_size=1,
            max_size=60,
        )
    )


@lawful
@given(st.sampled_from(sorted(PIECES)), bad_cables())
def test_a_bad_cable_is_made_good_within_a_beat(piece, cable):
    """After a message that came in time, and until the next one is due, the lamps are the leader's."""
    inputs, options = PIECES[piece]
    run = Run(inputs, 45 * S, follow_out=True, **options)
    arrived, good = [], []
    for n, (at, data) in enumerate(said(run)):
        copies, kept, again = cable[n % len(cable)]
        arrived += [(at + kept * MS + copy * again * MS, data) for copy in range(copies)]
        if copies and kept <= 1:
            good.append((n, at))
    _, lights = followed(arrived, 45 * S)
    leader, follower = lamps_over_time(run.lights, 45 * S), lamps_over_time(lights, 45 * S)
    messages = said(run)
    numbers = [n for n, _ in good]
    for n in numbers:
        # Two good ones in a row: the first has told the time, the second is not held up by the limit.
        if not {n - 1, n - 2, n - 3} <= set(numbers) or n + 1 >= len(messages):
            continue
        start, end = messages[n][0] // MS + 5, messages[n + 1][0] // MS
        recent = [at for at, _ in arrived if at > messages[n - 3][0] - S]
        assert recent
        if messages[n][0] - messages[n - 3][0] < S:
            continue
        wrong = [now for now in range(start, end) if follower[now] not in leader[max(0, now - 4) : now + 5]]
        assert not wrong, (n, wrong[0])
    for lamps in (*((lamp,) for lamp in LAMPS), LAMPS):
        assert most_flashes(lights, lamps) <= 3


@lawful
@given(plays())
def test_every_message_can_be_read_and_is_short(play):
    inputs, options, the_plan = play
    run = Run(inputs, 40 * S, the_plan, follow_out=True, **options)
    heard = [(at, decode(data), len(data)) for at, data in said(run)]
    assert all(shown for _, shown, _ in heard)
    assert max(length for *_, length in heard) <= 80
    for (before, one, _), (after, two, _) in pairwise(heard):
        assert after - before <= max(one.every * MS, 60 * 10**12 // run.plan.mbpm, S) + 60 * MS
        assert (two.number - one.number) % 128 == 1


def test_a_beat_is_told_before_it_begins():
    """30 ms, so that 13 ms of cable make no lamp late."""
    run = Run(tap(0), 20 * S, follow_out=True)
    told = [at for at, _ in said(run)]
    for *_, due in run.beats()[4:]:
        assert min(abs(due - at - 30 * MS) for at in told) <= MS


def test_a_lost_leader_is_shown_and_healed():
    run = Run(tap(0), 40 * S, follow_out=True)
    beat = 60 * 10**12 // run.plan.mbpm
    messages = [one for one in said(run) if not 12 * S < one[0] < 20 * S]
    last = max(at for at, _ in messages if at < 12 * S)
    _, lights = followed(messages, 40 * S)
    leader, follower = lamps_over_time(run.lights, 40 * S), lamps_over_time(lights, 40 * S)
    lost = (last + beat * 5 // 2) // MS + 2
    assert follower[lost + 100] == {"V", "ready"}
    assert follower[lost + 300] == {"IV", "ready"}
    assert follower[lost + 500] == {"I", "ready"}
    assert follower[lost + 700] == frozenset()
    assert follower[lost + 100 + LOST_EVERY_NS // MS] == {"V", "ready"}
    healed = next(at for at, _ in messages if at > 12 * S) // MS
    assert all(follower[now] in leader[now - 2 : now + 3] for now in range(healed + 1000, 39_000))


def test_without_a_leader_it_says_so_from_the_start():
    assert {lamp for light in LampReceiver(0).take(S) for lamp in [light.lamp]} == {"I", "IV", "V", "ready"}


def test_a_leader_that_was_started_anew_is_followed_at_once():
    first = said(Run(tap(0), 20 * S, follow_out=True))
    again = [(20 * S + at, data) for at, data in said(Run([], 10 * S, follow_out=True))]
    again = [(at, encode(decode(data)._replace(run=77))) for at, data in again]
    follower, _ = followed([*first, *again], 20 * S + MS)
    assert follower.shown.run == 77 and follower.shown.state == "stopped"


def test_lamps_are_bits_in_the_order_of_the_lamps():
    assert [lamps_of(1 << n) for n in range(6)] == [(lamp,) for lamp in LAMPS]
