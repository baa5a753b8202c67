"""The variants of a tune that sound, as MIDI and as WAV: all of the band, parts of it, slower.

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


class Variant(NamedTuple):
    """`suffix` is the end of the file's name, `percent` of the tempo."""

    suffix: str
    parts: tuple[str, ...]
    percent: int = 100


VARIANTS = (
    Variant("", PARTS),
    Variant("-without-bass", ("drums", "chords")),
    Variant("-bass-only", ("bass",)),
    Variant("-slow-60", PARTS, 60),
    Variant("-slow-75", PARTS, 75),
    Variant("-slow-90", PARTS, 90),
)


def variant_midi(config: Config, plan: Plan, choruses: int, variant: Variant) -> bytes:
    """A variant as a MIDI file. Slower ones keep the line and its places on the neck.

    The feel's own swing: what is heard is what is printed. The count-in sounds in all of them.
    """
    plan = replace(plan, mbpm=plan.mbpm * variant.percent // 100)
    settings = SessionSettings(parts=frozenset(variant.parts), strict=config.session.strict)
    return midi_file(perform(plan, choruses, settings, config.play.seed))


class Sounder:
    """Renders variants in a folder of its own. Raises SynthError if it has nothing to do it with."""

    def __init__(self, config: Config, folder: Path, note: Callable[[str], None]) -> None:
        if not synth.SynthChild.find():
            raise synth.SynthError(
                "audio needs FluidSynth, which is not installed (try: apt install fluidsynth)"
            )
        chosen = config.synth.soundfont
        self._soundfont = synth.find_soundfont(str(chosen) if chosen else None)
        self._config, self._folder, self._note = config, folder, note

    def render(self, plan: Plan, choruses: int, wanted: Sequence[Variant]) -> Iterator[tuple[Variant, Path]]:
        """Each wanted variant and the WAV it is in. All are measured, so that some match the rest."""
        if not wanted:
            return
        heard: dict[Variant, Loudness] = {}
        for variant in VARIANTS:
            self._note(f"listening to {variant.suffix[1:] or 'the band'}")
            self._midi(variant).write_bytes(variant_midi(self._config, plan, choruses, variant))
            heard[variant] = self._sound(variant, _FIRST_GAIN)
        target = min(LOUDEST, *(one.lufs + _CEILING - one.peak for one in heard.values()))
        for variant in wanted:
            self._note(f"recording {variant.suffix[1:] or 'the band'}")
            gain = _FIRST_GAIN * 10 ** ((target - heard[variant].lufs) / 20)
            self._sound(variant, min(gain, _MOST_GAIN))
            yield variant, self._wav(variant)

    def _sound(self, variant: Variant, gain: float) -> Loudness:
        wav = self._wav(variant)
        synth.render(self._midi(variant), wav, self._soundfont, gain)
        return measure(wav)

    def _midi(self, variant: Variant) -> Path:
        return self._folder / f"song{variant.suffix}.mid"

    def _wav(self, variant: Variant) -> Path:
        return self._folder / f"song{variant.suffix}.wav"
