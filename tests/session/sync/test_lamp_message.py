"""The messages to followers, byte by byte, and what one message does."""

import mido
from hypothesis import given
from hypothesis import strategies as st

from pedal.session.sync.lamp_message import STATES, VERSION, Shown, decode, encode
from pedal.session.sync.lamp_receiver import LampReceiver
from tests.session.test_laws import most_flashes
from tests.support.band import MS, S
from tests.support.examples import examples

lawful = examples(40)

EXAMPLE = Shown(5, 7, 16_383, "playing", 1, 4, 2, 535, 0b010001, ((30, 0b010010), (110, 0b000010)))
# Worked out by hand from the table in `pedal/session/sync/lamp_message.py`.
BYTES = "F0 7D 4C 50 01 05 07 7F 7F 02 00 01 04 02 04 17 11 02 00 1E 12 00 6E 02 02 F7"

shown = st.builds(
    Shown,
    st.integers(0, 127),
    st.integers(0, 127),
    st.integers(0, 16_383),
    st.sampled_from(STATES),
    st.integers(0, 16_383),
    st.integers(0, 127),
    st.integers(0, 127),
    st.integers(0, 16_383),
    st.integers(0, 63),
    st.lists(st.tuples(st.integers(0, 16_383), st.integers(0, 63)), max_size=127).map(
        lambda changes: tuple(sorted(changes, key=lambda change: change[0]))
    ),
)


# ---- the messages -----------------------------------------------------------------------


def test_the_example():
    assert encode(EXAMPLE).hex(" ").upper() == BYTES
    assert decode(bytes.fromhex(BYTES)) == EXAMPLE
    assert sum(bytes.fromhex(BYTES)[2:-1]) % 128 == 0


@given(shown)
def test_what_is_said_is_heard(shown):
    message = encode(shown)
    assert max(message[1:-1]) < 128
    (heard,) = mido.Parser(message)
    assert heard.type == "sysex" and heard.bytes() == list(message)
    assert decode(message) == shown


@given(shown, st.integers(1, 10_000), st.integers(0, 127))
def test_one_byte_that_is_wrong_is_noticed(shown, place, byte):
    message = bytearray(encode(shown))
    place = 1 + place % (len(message) - 2)
    if message[place] != byte:
        message[place] = byte
        assert decode(bytes(message)) is None


@given(shown, st.integers(0, 500), st.integers(1, 400))
def test_a_piece_that_is_missing_is_noticed(shown, start, length):
    message = encode(shown)
    start %= len(message)
    cut = message[:start] + message[start + length :]
    assert decode(cut) is None


@given(st.binary(max_size=80))
def test_any_bytes_are_no_message_and_do_no_harm(data):
    follower = LampReceiver(0)
    follower.hear(S, data)
    follower.hear(2 * S, bytes((0xF0, 0x7D, *(byte & 127 for byte in data), 0xF7)))
    assert follower.shown is None
    assert follower.hear(3 * S, encode(EXAMPLE))


def test_another_version_is_not_understood():
    message = bytearray(encode(EXAMPLE))
    message[4], message[-2] = VERSION + 1, (message[-2] - 1) % 128
    assert sum(message[2:-1]) % 128 == 0
    assert decode(bytes(message)) is None


def test_a_wrong_count_of_changes_is_noticed():
    message = bytearray(encode(EXAMPLE))
    for count in (0, 1, 3, 127):
        message[17], message[-2] = count, 0
        message[-2] = -sum(message[2:-1]) % 128
        assert decode(bytes(message)) is None, count


def test_what_is_overtaken_is_out_of_date():
    follower = LampReceiver(0)
    assert follower.hear(S, encode(EXAMPLE._replace(number=126)))
    assert follower.hear(S + 1, encode(EXAMPLE._replace(number=1)))
    assert not follower.hear(S + 2, encode(EXAMPLE._replace(number=127)))
    assert not follower.hear(S + 3, encode(EXAMPLE._replace(number=1)))
    assert follower.hear(S + 4, encode(EXAMPLE._replace(number=2)))


def test_a_message_that_was_kept_back_makes_no_lamp_late():
    follower = LampReceiver(0)
    follower.hear(2 * S, encode(EXAMPLE._replace(number=1, ms=1000, lit=0, changes=())))
    follower.take(2 * S)
    follower.hear(2 * S + 700 * MS, encode(EXAMPLE._replace(number=2, ms=1500, lit=0, changes=((300, 1),))))
    assert [(light.due, light.lamp) for light in follower.take(3 * S)] == [(2 * S + 800 * MS, "I")]


def test_a_follower_never_flashes_a_fourth_time_in_a_second():
    changes = tuple((100 * n, n % 2 * 0b100) for n in range(1, 40))
    follower = LampReceiver(0)
    follower.hear(0, encode(EXAMPLE._replace(lit=0, changes=changes, every=4000)))
    lights = follower.take(4 * S)
    assert most_flashes(lights, ("V",)) == 3
    rises = sorted({light.due for light in lights if light.lit})
    assert min(fourth - first for first, fourth in zip(rises, rises[3:], strict=False)) == S + 1
    assert len(rises) > 9, "one that waits is not left out"


def test_a_clock_inside_of_a_message_is_no_part_of_it():
    follower = LampReceiver(0)
    message = encode(EXAMPLE)
    torn = bytes(one for byte in message for one in (byte, 0xF8))
    assert not follower.hear(0, torn[:9])
    assert follower.hear(1, torn[9:])
    assert follower.shown == EXAMPLE
