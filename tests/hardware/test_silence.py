from pedal.hardware.silence import end_everything
from tests.support.recording import RecordingPort


def test_every_note_and_every_channel_and_ours_first():
    port = RecordingPort()
    end_everything(port, lambda seconds: None)
    offs = [data for data in port.sent if data[0] & 0xF0 == 0x80]
    assert {(data[0] & 15, data[1]) for data in offs} == {(c, k) for c in range(16) for k in range(128)}
    ends = [data for data in port.sent if data[0] & 0xF0 == 0xB0]
    assert ends[:3] == [bytes((0xB0, number, 0)) for number in (64, 123, 120)]
    assert [data[0] & 15 for data in ends[::3]][:3] == [0, 1, 9], "chords, bass and drums"
    first = port.sent.index(ends[0])
    assert {data[0] & 15 for data in port.sent[:first]} == {0}, "a channel's offs come before its controllers"


def test_not_more_at_once_than_a_slow_synth_takes():
    port, pauses = RecordingPort(), []
    end_everything(port, lambda seconds: pauses.append(len(port.sent)))
    bursts = [later - sooner for sooner, later in zip([0, *pauses], [*pauses, len(port.sent)], strict=False)]
    assert max(bursts) <= 20 and len(pauses) > 100
