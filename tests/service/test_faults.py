from pedal.service.faults import BAD_FILE, CANNOT_SOUND, DEGRADED, Faults


def test_what_is_wrong_is_told_when_it_changes():
    told, faults = [], Faults()
    faults.add("disk", DEGRADED, "no room")
    faults.then(told.append)
    faults.add("synth", CANNOT_SOUND, "gone")
    faults.add("log", DEGRADED, "no room either")  # of a kind that is known already
    faults.clear("synth")
    faults.clear("synth")
    faults.clear("disk")
    faults.clear("log")
    assert told == [(DEGRADED,), (CANNOT_SOUND, DEGRADED), (DEGRADED,), ()]


def test_nothing_is_told_if_nothing_is_wrong():
    told = []
    Faults().then(told.append)
    assert told == []


def test_the_worst_comes_first():
    faults = Faults()
    faults.add("disk", DEGRADED, "no room")
    faults.add("files", BAD_FILE, "pedal.toml: no")
    faults.add("synth", CANNOT_SOUND, "gone")
    assert faults.details == ["cannot sound: gone", "bad file: pedal.toml: no", "degraded: no room"]
