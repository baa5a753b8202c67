"""A foot on the pin: what is heard and what lights up."""

import time

from tests.machine.box import LATER, SWITCH
from tests.machine.pins import bounce, level, press, pull
from tests.support.wait import wait_for

DRUMS = 9
LOCK_OUT_S = 0.05  # longer than that, and it is another press


def test_a_press_counts_in_and_the_band_plays(box):
    ear = box.ear()
    box.start()
    assert ear.notes() == []
    said = box.play()
    assert (said["degree"], said["chord"]) == ("I7", "A7")
    wait_for("notes of all three", lambda: {channel for channel, _ in ear.notes()} >= {0, 1, DRUMS}, LATER)
    assert level(5), "the lamp of I"
    assert not level(13), "V comes much later"


def test_a_cue_moves_the_form_and_the_lamps(box):
    box.ear()
    box.start()
    assert box.play()["degree"] == "I7"
    time.sleep(4.5)  # two bars: without a foot nothing moves
    said = box.status()
    assert said["degree"] == "I7" and said["next_degree"] == "IV7"
    box.tap()
    box.wait_status(degree="IV7")
    wait_for("the lamp of IV, steady", lambda: level(6) and not level(5), LATER)


def test_a_bouncing_contact_is_one_cue(box):
    box.ear()
    box.start()
    box.play()
    took = bounce(SWITCH)
    for _ in range(5):
        if took < LOCK_OUT_S:
            break
        press(SWITCH, 1.2)  # it was too slow to be a bounce: stop, and once more
        box.wait_status(state="stopped")
        box.play()
        took = bounce(SWITCH)
    assert took < LOCK_OUT_S, "this machine cannot bounce a contact for 40 ms"
    assert box.wait_status(degree="IV7")["bar"] == 5
    time.sleep(4.5)  # more than two bars: a second cue would have moved it on
    assert box.status()["degree"] == "IV7"


def test_a_hold_stops_at_once(box):
    ear = box.ear()
    box.start()
    box.play()
    press(SWITCH, 1.2)
    box.wait_status(state="stopped")
    wait_for("silence", lambda: ear.sounding() == set(), LATER)


def test_a_wink_answers_each_press(box):
    """Stopped: the press itself lights I, wherever between two blips it comes."""
    box.ear()
    box.start()
    wait_for("a blip of readiness", lambda: level(5))
    wait_for("its end", lambda: not level(5))
    pull(SWITCH, True)
    seen = box.seen(0.8)
    pull(SWITCH, False)
    assert any("I" in lit for _, lit in seen), seen
