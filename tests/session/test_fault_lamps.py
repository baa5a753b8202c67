"""What is wrong, by lamp: patterns that the music never makes."""

from itertools import pairwise

import pytest

from pedal.events import LAMPS, NS_PER_MS, NS_PER_S, FaultsKnown, Light, Press, Release
from pedal.library.plans import plan_for
from pedal.session.lamp_patterns import FAULTS, GAP, IDLE_NS, PULSE, STEADY, Span, idle_spans
from pedal.session.lamp_scheduler import LampScheduler
from pedal.session.session import Session
from pedal.session.settings import SessionSettings

S = NS_PER_S


@pytest.fixture
def session(library):
    return Session(plan_for(library, "wet-boots"), SessionSettings(mode="through"))


def lights(outputs):
    return [output for output in outputs if isinstance(output, Light)]


def course(changes, until):
    """The set of lit lamps and how long it was, one after the other."""
    lit, since, seen = frozenset(), 0, []
    for light in changes:
        if light.due > since:
            seen.append((lit, light.due - since))
            since = light.due
        lit = lit | {light.lamp} if light.lit else lit - {light.lamp}
    return [*seen, (lit, until - since)]


def stopped(session, *faults, until=20 * S):
    """From when the pattern has begun: the one before is shown to its end."""
    session.handle(FaultsKnown(0, faults))
    session.take(IDLE_NS - 1)
    return course(lights(session.take(until)), until)[1:]


def long_ones(seen):
    return {lit - {"ready"} for lit, lasts in seen[1:-1] if lasts >= S // 2}


def test_ready_is_a_blip_on_one(session):
    seen = stopped(session)
    assert {lit - {"ready"} for lit, _ in seen} == {frozenset(), frozenset(("I",))}
    assert all(lasts == 80 * NS_PER_MS for lit, lasts in seen if "I" in lit)


def test_cannot_sound_is_all_three_half_of_the_time(session):
    seen = stopped(session, "cannot sound")
    assert long_ones(seen) == {frozenset(), frozenset(("I", "IV", "V"))}
    assert {lasts for lit, lasts in seen[2:-1]} == {S}


def test_bad_file_is_the_outer_two_and_the_middle_one_in_turn(session):
    seen = stopped(session, "bad file")
    without = [lit - {"ready"} for lit, _ in seen[1:-1]]
    assert set(without) == {frozenset(("I", "V")), frozenset(("IV",))}


def test_degraded_is_ready_with_an_echo(session):
    seen = [(lit - {"ready"}, lasts) for lit, lasts in stopped(session, "degraded")]
    blips = [next(iter(lit)) for lit, lasts in seen if lasts == 80 * NS_PER_MS and lit]
    assert blips[:6] == ["I", "V", "I", "V", "I", "V"]
    assert max(len(lit) for lit, _ in seen) == 1


def test_the_worst_shows(session):
    assert long_ones(stopped(session, "degraded", "cannot sound")) == {
        frozenset(),
        frozenset(("I", "IV", "V")),
    }


def test_mended_it_is_ready_again(session):
    stopped(session, "cannot sound", until=5 * S)
    session.handle(FaultsKnown(5 * S, ()))
    session.take(9 * S)
    seen = lights(session.take(20 * S))
    assert {light.lamp for light in seen} == {"I"}


def flashes(changes, lamps=LAMPS):
    return sorted({light.due for light in changes if light.lit and light.lamp in lamps})


@pytest.mark.parametrize("faults", [(), *[(fault,) for fault in FAULTS]])
def test_never_more_than_three_flashes_in_a_second(session, faults):
    session.handle(FaultsKnown(0, faults))
    changes = lights(session.take(30 * S))
    starts = flashes(changes)
    assert len(starts) >= 10 or not faults
    assert all(fourth - first > S for first, fourth in zip(starts, starts[3:], strict=False))


def play(session, *faults, seconds=30):
    session.handle(FaultsKnown(0, faults))
    out = session.take(S)
    session.handle(Press(S + 1, "main"))
    session.handle(Release(S + 80 * NS_PER_MS, "main"))
    return out + session.take(seconds * S)


def test_while_playing_only_the_lamp_ready_tells(library):
    plan = plan_for(library, "wet-boots")
    plain, faulty = (
        play(Session(plan, SessionSettings(mode="through")), *faults) for faults in ((), ("cannot sound",))
    )
    began = next(out.due for out in plain if type(out).__name__ == "Send" and out.data[0] & 0xF0 == 0x90)

    def musical(outputs):
        return [light for light in lights(outputs) if light.lamp != "ready" and light.due > began + 2 * S]

    assert musical(plain) == musical(faulty) and musical(plain)
    ready = [light for light in lights(faulty) if light.lamp == "ready" and light.due > began]
    assert ready == [], "lit all the time, without a flash"
    lit = {light.lamp: light.lit for light in lights(faulty)}
    assert lit["ready"] and not {light.lamp: light.lit for light in lights(plain)}["ready"]


def test_a_press_is_answered_whatever_is_lit(session):
    """Within 10 ms something changes that is not the pattern's own."""
    for fault in FAULTS:
        for ms in range(20, 2000, 90):
            one = Session(session.plan, session.state.settings)
            one.handle(FaultsKnown(0, (fault,)))
            at = 4 * S + ms * NS_PER_MS
            one.take(at - 1)
            one.handle(Press(at, "main"))
            assert lights(one.take(at + 10 * NS_PER_MS)), (fault, ms)


def test_patterns_cannot_be_taken_for_one_another():
    shapes = [frozenset((s.start, s.end, s.lamp) for s in idle_spans(0, faults) if s.lamp != "ready")
              for faults in ((), *[(fault,) for fault in FAULTS])]  # fmt: skip
    assert len(set(shapes)) == 4


def test_patterns_join_without_a_gap():
    lamps = LampScheduler()
    lamps.set_faults(("bad file",))
    at, changes = 0, []
    for _ in range(5):
        at = lamps.idle(at)
        changes += lamps.show(at - 1)
    dark = [lasts for lit, lasts in course(changes, at)[1:] if not lit]
    assert dark == [] and at == 5 * IDLE_NS


def test_what_flashes_half_a_millisecond_later_is_the_same_flash_and_begins_its_second():
    """A wink ends just before a beat: the fourth flash must lie a second after the beat, not the wink."""
    lamps = LampScheduler()
    lamps.put(0, [Span(0, 5 * S, "I", STEADY)])
    lamps.show(1)
    lamps.wink(S, 2 * S, "I", GAP)
    later = 2 * S + NS_PER_MS // 2
    for start in (later, later + 400 * NS_PER_MS, later + 700 * NS_PER_MS, later + S - NS_PER_MS // 4):
        lamps.put(start, [Span(start, start + 50 * NS_PER_MS, "V", PULSE)])
    lit = [light.due for light in lamps.show(5 * S) if light.lamp == "V" and light.lit]
    assert lit == [later, later + 400 * NS_PER_MS, later + 700 * NS_PER_MS]


def test_what_flashes_a_whole_millisecond_later_is_another_flash():
    lamps = LampScheduler()
    lamps.put(0, [Span(0, 5 * S, "I", STEADY)])
    lamps.show(1)
    starts = [S + later * NS_PER_MS for later in (0, 300, 601)]
    for start in starts:
        lamps.put(start, [Span(start, start + 50 * NS_PER_MS, "V", PULSE)])
    lamps.wink(S + 520 * NS_PER_MS, S + 600 * NS_PER_MS, "I", GAP)
    assert [light.due for light in lamps.show(5 * S) if light.lamp == "V" and light.lit] == starts[:2]


def test_no_position_of_the_music_shows_such_a_pattern(library):
    """While playing and without a drill there are never three degrees lit, nor the outer two for a second."""
    for tune in library.names("tune"):
        session = Session(plan_for(library, tune), SessionSettings(mode="through"))
        outputs = play(session, seconds=90)
        degrees = [light for light in lights(outputs) if light.lamp in ("I", "IV", "V", "other")]
        seen = course(degrees, 90 * S)
        assert all(len(lit) < 3 for lit, lasts in seen), tune
        darks = [lasts for (lit, lasts), _ in pairwise(seen) if not lit]
        assert all(lasts != S for lasts in darks)
