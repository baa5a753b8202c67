"""The versions of a tune that sound, as MIDI and as WAV: all of the band, parts of it, slower.

All WAVs of a tune are as loud as each other, as loud as the one with the least room allows
without clipping.
"""

from collections.abc import Callable, Iterator, Sequence
from dataclasses import replace
from pathlib import Path
from typing import NamedTuple

from ..hardware import synth
from ..library.settings import Config
from ..music.beat import PARTS
from ..music.plan import Plan
from ..session.settings import SessionSettings
from .loudness import Loudness, measure
from .midi import midi_file
from .performance import perform

LOUDEST = -14.0  # LUFS: as loud as recorded music is made to be; seldom reached
_CEILING = -1.0  # dB below full scale that the highest sample may have
_FIRST_GAIN, _MOST_GAIN = 0.25, 10.0


class Version(NamedTuple):
    """`suffix` is the end of the file's name, `percent` of the tempo."""

    suffix: str
    parts: tuple[str, ...]
    percent: int = 100


VERSIONS = (
    Version("", PARTS),
    Version("-without-bass", ("drums", "chords")),
    Version("-bass-only", ("bass",)),
    Version("-slow-60", PARTS, 60),
    Version("-slow-75", PARTS, 75),
    Version("-slow-90", PARTS, 90),
)


def version_midi(config: Config, plan: Plan, choruses: int, version: Version) -> bytes:
    """A version as a MIDI file. Slower ones keep the line and its places on the neck.

    The feel's own swing: what is heard is what is printed. The count-in sounds in all of them.
    """
    plan = replace(plan, mbpm=plan.mbpm * version.percent // 100)
    settings = SessionSettings(parts=frozenset(version.parts), strict=config.session.strict)
    return midi_file(perform(plan, choruses, settings, config.play.seed))


class Recording(NamedTuple):
    """A version, and the WAV it is in: 16-bit stereo at 48 kHz, which may be moved away."""

    version: Version
    wav: Path


class Sounder:
    """Renders versions in a folder that is given to it. Raises SynthError if it has nothing to do it with.

    `note` is told what is being done, in words.
    """

    def __init__(self, config: Config, folder: Path, note: Callable[[str], None]) -> None:
        if not synth.SynthChild.find():
            raise synth.SynthError(
                "audio needs FluidSynth, which is not installed (try: apt install fluidsynth)"
            )
        chosen = config.synth.soundfont
        self._soundfont = synth.find_soundfont(str(chosen) if chosen else None)
        self._config, self._folder, self._note = config, folder, note

    def render(self, plan: Plan, choruses: int, wanted: Sequence[Version]) -> Iterator[Recording]:
        """Each wanted version. All are measured, so that some match the rest. Raises SynthError."""
        if not wanted:
            return
        heard: dict[Version, Loudness] = {}
        for version in VERSIONS:
            self._note(f"listening to {version.suffix[1:] or 'the band'}")
            self._midi(version).write_bytes(version_midi(self._config, plan, choruses, version))
            heard[version] = self._sound(version, _FIRST_GAIN)
        target = min(LOUDEST, *(one.lufs + _CEILING - one.peak for one in heard.values()))
        for version in wanted:
            self._note(f"recording {version.suffix[1:] or 'the band'}")
            gain = _FIRST_GAIN * 10 ** ((target - heard[version].lufs) / 20)
            self._sound(version, min(gain, _MOST_GAIN))
            yield Recording(version, self._wav(version))

    def _sound(self, version: Version, gain: float) -> Loudness:
        wav = self._wav(version)
        synth.render(self._midi(version), wav, self._soundfont, gain)
        return measure(wav)

    def _midi(self, version: Version) -> Path:
        return self._folder / f"song{version.suffix}.mid"

    def _wav(self, version: Version) -> Path:
        return self._folder / f"song{version.suffix}.wav"
