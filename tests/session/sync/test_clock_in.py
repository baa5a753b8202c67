"""Another machine's start, stop, continue and song position; what happens when its clock drops out.

Values from the MIDI 1.0 Detailed Specification 4.2.1, p. 27-32. Its bytes are written in hex or
made by mido.
"""

from itertools import pairwise

import mido
import pytest
from hypothesis import given
from hypothesis import strategies as st

from pedal.events import ClockIn, Command, Fault, Loaded, Press, Stopped
from pedal.session.player import FREEZE_NS
from pedal.session.session import Session
from pedal.session.settings import SessionSettings
from pedal.session.song_position import position_at
from pedal.session.sync.midi_stream import Stream, sixteenths_of, song_position
from tests.support.band import MS, Run, S, hold, plan, tap
from tests.support.other_machine import F8, FA, FB, FC, Machine, every, in_order, tempo_of

# ---- bytes --------------------------------------------------------------------------------


def test_song_position_is_in_sixteenths_least_significant_first():
    """p. 27: position 10 is 60 clocks; mido writes the same bytes."""
    for position in (0, 1, 10, 127, 128, 192, 16383):
        message = song_position(position)
        assert list(message) == mido.Message("songpos", pos=position).bytes()
        assert sixteenths_of(message) == position
    assert song_position(192).hex() == "f24001"  # twelve bars of four quarters
    assert 6 * sixteenths_of(bytes.fromhex("F2 0A 00")) == 60


def test_real_time_bytes_inside_of_other_messages():
    stream = Stream()
    assert stream.feed(bytes.fromhex("90 F8 24 FA 7F")) == [F8, FA]
    assert stream.feed(bytes.fromhex("F2 F8 0A F8 00")) == [F8, F8, song_position(10)]
    assert stream.feed(bytes.fromhex("F0 7D F8 01 FC 02 F7")) == [F8, FC, bytes.fromhex("F0 7D 01 02 F7")]
    assert stream.feed(bytes.fromhex("F2 05 F8 90 24 7F")) == [F8]  # broken off
    assert stream.feed(bytes.fromhex("04")) == []


@given(
    st.lists(
        st.sampled_from(
            (
                mido.Message("clock"),
                mido.Message("start"),
                mido.Message("stop"),
                mido.Message("continue"),
                mido.Message("songpos", pos=300),
                mido.Message("sysex", data=(1, 2, 3)),
                mido.Message("note_on", note=3),
                mido.Message("active_sensing"),
                mido.Message("program_change", program=4),
            )
        ),
        max_size=12,
    ),
    st.integers(1, 5),
)
def test_the_stream_hears_what_mido_hears(messages, piece):
    data = bytes(byte for message in messages for byte in message.bytes())
    stream, found = Stream(), []
    for start in range(0, len(data), piece):
        found += stream.feed(data[start : start + piece])
    wanted = ("clock", "start", "stop", "continue", "songpos", "sysex")
    assert found == [bytes(message.bytes()) for message in mido.Parser(data) if message.type in wanted]


@given(st.lists(st.binary(max_size=30), max_size=10))
def test_any_bytes_do_no_harm(pieces):
    session = Session(plan(), SessionSettings())
    for n, data in enumerate(pieces):
        session.handle(ClockIn(n * 10 * MS, data))
    session.take(10 * S)


# ---- start, stop, continue ----------------------------------------------------------------


def test_start_begins_with_the_next_clock_and_without_a_count_in():
    machine = Machine().clock(120, 30).say(FA).clock(120, 24 * 12)
    run = Run(machine.sent, 6 * S)
    downbeat = machine.meant[30]
    assert run.beats()[0] == (1, 1, 1, int(downbeat))
    assert abs(run.when(1, 2) - downbeat - 2 * S) < MS
    first = [send for send in run.ons() if send.due <= downbeat + FREEZE_NS + 1]
    assert {send.due for send in first} == {int(downbeat) + FREEZE_NS + 1}  # 20 ms: nothing sooner is touched
    assert {send.part for send in first} >= {"drums", "bass"}
    assert not any(send.chorus == 0 for send in run.ons())


def test_a_start_without_a_clock_starts_nothing():
    run = Run(Machine().clock(120, 30).say(FA).sent, 6 * S)
    assert not run.beats()


def test_the_twenty_seventh_clock():
    """p. 29: position 4 is clock 24; continue, and after 3 clocks the song is at the 27th."""
    session = Session(plan(), SessionSettings())
    machine = Machine().clock(120, 24).say(song_position(4)).say(FB).clock(120, 3)
    for event in machine.sent:
        session.take(event.at)
        session.handle(event)
    assert session.company.led.song == 27
    assert (session.report.bar, session.report.beat) == (1, 2)
    # Clocks 0 to 23 are beat 1, so the first of the three was beat 2 itself.
    assert abs(session.timeline.at(session.position.tick) - machine.meant[24]) < MS


@pytest.mark.parametrize(("sixteenths", "place"), [(10, (1, 1, 3)), (16, (1, 2, 1)), (192, (2, 1, 1))])
def test_continue_from_a_song_position(sixteenths, place):
    """Bar k of four quarters is position 16 (k - 1); twelve bars are 192."""
    machine = Machine().clock(120, 48).say(song_position(sixteenths)).say(FB).clock(120, 60)
    run = Run(machine.sent, 4 * S)
    assert run.beats()[0][:3] == place
    inner = sixteenths * 6 % 24
    second = run.beats()[1][3]
    assert abs(second - machine.meant[48] - (24 - inner) * every(120)) < MS


def test_stop_holds_the_place_and_continue_goes_on_there():
    """Clocks while stopped move nothing (p. 31)."""
    machine = Machine().clock(120, 24).say(FA).clock(120, 24 * 5 + 10).say(FC)
    stopped = machine.now
    machine.clock(120, 77).say(FB).clock(120, 24 * 4)
    goes_on = machine.meant[24 + 24 * 5 + 10 + 77]
    run = Run(machine.sent, 9 * S)
    (stop,) = [mark.due for mark in run.results(Stopped)]
    assert abs(stop - stopped) < 3 * MS
    quiet = [send for send in run.ons() if stop + FREEZE_NS < send.due < goes_on]
    assert not quiet
    after = [beat for beat in run.beats() if beat[3] >= stop]
    assert after[0][:3] == (1, 2, 2) and abs(after[0][3] - goes_on) < MS  # in the middle of it
    assert after[1][:3] == (1, 2, 3)
    assert abs(after[1][3] - goes_on - 14 * every(120)) < MS


def test_another_tune_begins_where_its_own_song_is():
    """Stopped in bar 11, and eight bars come next: a continue there is in their second chorus."""
    machine = Machine().clock(120, 24).say(FA).clock(120, 24 * 4 * 10 + 30).say(FC)
    loaded = Loaded(int(machine.now) + MS, plan("setlist-for-the-dog"))
    machine.clock(120, 24).say(FB).clock(120, 24 * 8)
    run = Run(in_order([*machine.sent, loaded]), int(machine.now))
    (stop,) = [mark.due for mark in run.results(Stopped)]
    assert next(beat[:2] for beat in run.beats() if beat[3] > stop) == (2, 3)


def test_a_vamp_goes_on_where_it_was():
    machine = Machine().clock(120, 24).say(FA).clock(120, 24 * 4 * 5).say(FC)
    machine.clock(120, 24).say(FB).clock(120, 24 * 8)
    run = Run(machine.sent, 16 * S, mode="vamp", step="bar")
    assert {bar for _, bar, _, _ in run.beats()} == {1}


def test_redundant_messages_are_ignored():
    """p. 32: a start while it plays, a stop while it does not."""
    plain = Machine().clock(120, 24).say(FA).clock(120, 24 * 9)
    more = Machine().clock(120, 12).say(FC).clock(120, 12).say(FA).clock(120, 24 * 4)
    more.say(FA).say(FB).say(song_position(0)).clock(120, 24 * 5)
    assert Run(more.sent, 6 * S).sends == Run(plain.sent, 6 * S).sends


def test_a_song_position_while_it_plays_moves_nothing():
    """p. 27: it counts while stopped."""
    machine = Machine().clock(120, 24).say(FA).clock(120, 24 * 5 + 10).say(song_position(160)).say(FC)
    run = Run(machine.sent, 9 * S)
    assert run.results(Stopped) and run.session.company.led.song == 24 * 5 + 10


def test_a_stop_of_a_machine_that_does_not_play_stops_no_foot():
    machine = Machine().clock(100, 24 * 4).say(FC).clock(100, 24 * 12)
    run = Run(in_order([*machine.sent, *tap(S)]), 10 * S)
    assert not run.results(Stopped) and run.beats()[-1][0] == 1


def test_stop_and_start_again_within_the_freeze():
    machine = Machine().clock(120, 24).say(FA).clock(120, 50).say(FC).say(FA).clock(120, 24 * 5)
    run = Run(machine.sent, 6 * S)
    again = int(machine.meant[24 + 50])
    assert next(beat for beat in run.beats() if beat[3] >= again) == (1, 1, 1, again)
    assert [send for send in run.ons() if again < send.due < again + 100 * MS]
    struck = set()
    for send in run.sends:
        if send.data[0] & 0xE0 == 0x80:
            on = send.data[0] & 0x10
            assert ((send.data[0] & 15, send.data[1]) in struck) != bool(on)
            (struck.add if on else struck.discard)((send.data[0] & 15, send.data[1]))


def test_an_end_is_an_end():
    """Behind the last chorus there is nothing to play."""
    session = Session(plan(), SessionSettings())
    assert position_at(session, 480 * 48)[0].chorus == 2
    for event in Machine().clock(120, 9).say(FA).clock(120, 24 * 40).sent:
        session.take(event.at)
        session.handle(event)
    session.handle(Command(session.now, "last"))
    session.take(200 * S)
    assert session.position is None


# ---- drop-outs and the foot -----------------------------------------------------------------


def test_a_drop_out_goes_on_at_the_last_tempo_and_is_said():
    machine = Machine().clock(96, 24).say(FA).clock(96, 24 * 8)
    last = machine.sent[-1].at
    run = Run(machine.sent, 16 * S)
    (fault,) = run.results(Fault)
    assert fault.what.endswith("is lost; going on at 96.0 beats a minute")
    assert 3 * every(96) < fault.due - last < 3 * every(96) + 100 * MS
    assert abs(tempo_of(run, 8, 16) / 96 - 1) < 0.001


def test_a_clock_that_comes_back_is_followed_again_without_a_jump():
    machine = Machine().clock(96, 24).say(FA).clock(96, 24 * 8).rest(3 * S + 7 * MS).clock(100, 24 * 16)
    run = Run(machine.sent, int(machine.now))
    lost, back = run.results(Fault)
    assert (lost.over, back.over) == (False, True)
    times = [due for *_, due in run.beats()]
    tempi = [60e9 / (b - a) for a, b in pairwise(times)]
    assert all(abs(b / a - 1) < 0.08 for a, b in pairwise(tempi))
    assert abs(tempo_of(run, len(times) - 5, len(times) - 1) / 100 - 1) < 0.005
    to_clock = [min(abs(t - clock) for clock in machine.meant) for t in times[-4:]]
    assert max(to_clock) < 2 * MS


def test_few_clocks_late_are_no_drop_out():
    machine = Machine(10, 3).clock(120, 24).say(FA).clock(120, 24 * 8).rest(2 * every(120)).clock(120, 99)
    assert not Run(in_order(machine.sent), int(machine.now)).results(Fault)


def test_a_clock_that_ends_while_stopped_is_no_fault():
    assert not Run(Machine().clock(120, 48).sent, 9 * S).results(Fault)


def test_the_foot_starts_on_the_other_machines_beat():
    machine = Machine().clock(100, 24).say(FA).clock(100, 24 * 6)
    inputs = in_order([*machine.sent, *hold(2 * S), *tap(3 * S + 123 * MS)])
    machine.clock(100, 24 * 20)
    inputs = in_order([*machine.sent, *hold(2 * S), *tap(3 * S + 123 * MS)])
    run = Run(inputs, 12 * S)
    after = [beat for beat in run.beats() if beat[3] > 4 * S]
    assert after[0][0] == 0  # it counts in
    grid = [machine.meant[24 + 24 * n] for n in range(20)]
    for *_, due in after[1:]:
        assert min(abs(due - beat) for beat in grid) < 2 * MS
    assert abs(60e9 / (after[3][3] - after[2][3]) - 100) < 0.5


def test_the_foot_cues_and_stops_as_ever():
    machine = Machine().clock(120, 24).say(FA).clock(120, 24 * 24)
    inputs = in_order([*machine.sent, *tap(5 * S + 100 * MS), *hold(9 * S)])
    run = Run(inputs, 14 * S, mode="vamp", step="bar")
    assert ("tap", "cue") in run.answers() and ("hold", "stop") in run.answers()
    assert max(bar for _, bar, _, _ in run.beats()) == 3  # the press of the hold was a cue, too
    assert run.results(Stopped) and not [s for s in run.ons() if s.due > 10 * S]


def test_the_tempo_is_the_other_machines():
    machine = Machine().clock(100, 24).say(FA).clock(100, 24 * 20)
    run = Run(in_order([*machine.sent, Command(5 * S, "tempo", 160)]), 11 * S)
    assert abs(tempo_of(run, 8, 14) - 100) < 0.1


def test_without_a_clock_all_is_as_ever():
    inputs = [*tap(0), Command(9 * S, "tempo", 130)]
    assert Run(inputs, 20 * S).outputs == Run([*inputs, ClockIn(30 * S, F8)], 20 * S).outputs


def test_clock_in_and_clock_out_together():
    """Who stands between two machines hands the song on, at most 25 ms behind in the first beat."""
    machine = Machine().clock(120, 24).say(FA).clock(120, 24 * 9 + 5).say(FC).clock(120, 24).say(FB)
    machine.clock(120, 24 * 4)
    from .test_clock_out import clocks, follower_of, of

    run = Run(machine.sent, int(machine.now), clock_out=True)
    heard = clocks(run)
    assert len(of(heard, "start")) == len(of(heard, "stop")) == len(of(heard, "continue")) == 1
    follower = follower_of(run)
    at = dict((song, due) for due, song in follower.played)
    assert abs(at[24 * 5] - machine.meant[24 + 24 * 5]) < MS
    assert at[0] - machine.meant[24] < 25 * MS
    wanted = machine.meant[24 + 24 * 9 + 5 + 24 + 30]
    assert min(abs(due - wanted) for due, song in follower.played if song == 24 * 9 + 5 + 30) < 12 * MS
    assert Press(0).switch == "main"
