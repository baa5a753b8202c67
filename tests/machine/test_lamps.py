"""Every lamp and every pattern of the stopped box, on the pins."""

import os
import shutil
import subprocess

from tests.machine.box import LAMPS, SETTINGS, STATE, USUAL, VENV, command

ALL = frozenset(("I", "IV", "V", "ready"))
DARK = frozenset()
LONG = 0.5  # seconds; a second of a pattern is never as short, and a blip never as long


def lit_long(seen):
    """What was lit for longer than a blip, `ready` aside, without the first and the last, which are cut."""
    return [lit - {"ready"} for seconds, lit in seen[1:-1] if seconds > LONG]


def lit_short(seen):
    return [lit - {"ready"} for seconds, lit in seen[1:-1] if seconds <= LONG]


def shows_cannot_sound(seen):
    return set(lit_long(seen)) == {DARK, ALL - {"ready"}}


def shows_bad_file(seen):
    return {frozenset(("I", "V")), frozenset(("IV",))} <= set(lit_long(seen)) and DARK not in lit_long(seen)


def shows_degraded(seen):
    one, other = frozenset(("I",)), frozenset(("V",))
    return {one, other} <= set(lit_short(seen)) and not {one, other} & set(lit_long(seen))


def shows_ready(seen):
    return set(lit_short(seen)) <= {frozenset(("I",)), DARK} and {one for one in lit_long(seen)} == {DARK}


def test_the_lamp_test_lights_each_lamp_and_shows_every_pattern(box):
    box.start()
    box.stop()
    run = subprocess.Popen(
        [f"{VENV}/bin/pedal", "lamps", "--test", "--config", str(SETTINGS)],
        stdout=subprocess.PIPE,
        text=True,
        env={**os.environ, "PYTHONUNBUFFERED": "1"},
    )
    said: list[str] = []
    try:
        for lamp, pin in LAMPS.items():
            said.append(run.stdout.readline().strip())
            assert said[-1] == f"lamp {lamp}, GPIO {pin}"
            assert frozenset((lamp,)) in [lit for _, lit in box.seen(0.6)]
        shows = [shows_ready, shows_cannot_sound, shows_bad_file, shows_degraded]
        names = ["stopped and ready", "cannot sound", "bad file", "degraded"]
        for name, is_shown in zip(names, shows, strict=True):
            assert run.stdout.readline().strip() == f"pattern {name}"
            seen = box.seen(3.9)
            assert is_shown(seen), seen
        assert run.wait(20) == 0
        assert box.lit() == DARK
    finally:
        run.kill()


def test_the_lamp_test_says_that_the_pins_are_taken(box):
    box.start()
    said = command(VENV + "/bin/pedal", "lamps", "--test", "--config", SETTINGS, check=False)
    assert "pin 5" in said and said.count("\n") == 1, said


def test_ready(box):
    box.ear()
    box.start()
    assert box.status()["faults"] == []
    assert shows_ready(box.seen(6)) and "ready" in box.lit()


def test_without_a_synth_it_cannot_sound(box):
    box.start()
    assert "aseqdump" in box.wait_fault("cannot sound")[0]
    seen = box.seen(8)
    assert shows_cannot_sound(seen), seen
    assert "no MIDI port has 'aseqdump' in its name" in box.journal()


def test_a_mistake_in_the_settings_is_shown_and_the_rest_counts(box):
    box.ear()
    box.start(USUAL.replace("tempo = 120", "tempo = 9000\ncolour = 'blue'"))
    assert "tempo = 9000: must be a number" in box.wait_fault("bad file")[0]
    assert "colour: unknown key" in box.journal()
    seen = box.seen(8)
    assert shows_bad_file(seen), seen
    assert box.status()["bpm"] == box.status()["written_bpm"]
    box.play()


def test_settings_that_cannot_be_read_at_all(box):
    """The wiring is that of the last file that was right."""
    box.ear()
    box.start()
    box.start("[[[ this is no TOML\n" + USUAL, keep=True)
    assert "is not TOML" in box.wait_fault("bad file")[0]
    assert shows_bad_file(box.seen(8))


def test_a_tune_that_nobody_knows(box):
    box.ear()
    box.start(USUAL.replace('"wet-boots"', '"wet-bots"'))
    assert "no tune is called 'wet-bots'" in box.wait_fault("bad file")[0]
    assert shows_bad_file(box.seen(8))
    box.play()


def test_with_no_place_to_write_it_is_degraded(box):
    box.ear()
    box.start()
    box.stop()
    shutil.rmtree(STATE, ignore_errors=True)
    STATE.mkdir(exist_ok=True)
    command("mount", "-t", "tmpfs", "-o", "size=64k,mode=0755", "tmpfs", STATE)
    try:
        command("chown", "pedal:pedal", STATE)
        command("dd", "if=/dev/zero", f"of={STATE}/full", "bs=1k", check=False)
        command("systemctl", "start", "pedal.service")
        assert "No space left on device" in box.wait_fault("degraded")[0]
        seen = box.seen(8)
        assert shows_degraded(seen), seen
        box.play()
    finally:
        box.stop()
        command("umount", STATE)
