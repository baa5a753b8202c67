"""Comping voicings: three voices in the middle register that move as little as they can.

Third and seventh (the sixth in a 6) and one colour tone; the root is the bass player's.
Over a whole chorus the voicings are one shortest cycle: the last leads back to the first.
"""

from collections.abc import Sequence
from functools import cache
from itertools import pairwise, permutations

from .degrees import Chord

Voicing = tuple[int, ...]  # MIDI keys, lowest first

REGISTER = (52, 74)
SPREAD = 14  # semitones from the lowest voice to the highest, at most: a ninth
CENTRE = 62

# Lowest bottom note of an interval that still sounds clear, by semitones. Arranging practice:
# Lowell & Pullig, Arranging for Large Jazz Ensemble (2003); only m2 to P4 are agreed on.
LOW_LIMITS = {1: 52, 2: 51, 3: 48, 4: 47, 5: 45}

_GUIDES = {"o7": (3, 9), "ø7": (3, 10), "m6": (3, 9), "m": (3, 12), "": (4, 12), "6": (4, 9)}
_FIXED = {
    "ø7": (6,),
    "o7": (6,),
    "+7": (8,),
    "7b9": (13,),
    "7#9": (15,),
    "7b13": (20,),
    "9": (14,),
    "13": (21,),
}


def colours(chord: Chord, extension: int, minor_key: bool) -> tuple[int, ...]:
    """Semitones above the root that the third voice may take.

    `extension` is 0 (the fifth only), 9 or 13. A dominant on V of a minor key takes the fifth,
    ♭9 or ♭13, never the natural ones. In a major key III7 and VI7, which lead to minor chords,
    take the fifth or ♭9, and iii7 the fifth: its ninth is not in the key.
    """
    quality = chord.degree.quality
    if quality in _FIXED:
        return _FIXED[quality]
    if extension == 0:
        return (7,)
    if (chord.degree.number, chord.degree.alter) in ((3, 0), (6, 0)) and not minor_key:
        return (7, 13) if quality == "7" else (7,) if chord.degree.number == 3 else (7, 14)
    if quality in ("m", "m7", "m9", "6", "m6", ""):
        return (7, 14)
    if minor_key and chord.degree.lamp == "V":
        return (7, 13, 20) if extension == 13 else (7, 13)
    return (14, 21) if extension == 13 else (14,)


@cache
def candidates(chord: Chord, extension: int, minor_key: bool) -> tuple[Voicing, ...]:
    """Every allowed voicing of a chord, in a fixed order."""
    quality = chord.degree.quality
    guides = _GUIDES.get(quality) or (3 if chord.degree.minor_third else 4, 10)
    found = set()
    for colour in colours(chord, extension, minor_key):
        classes = [(chord.root.pc + tone) % 12 for tone in (*guides, colour)]
        for order in permutations(classes):
            found |= _stack(order)
    return tuple(sorted(found))


def _stack(order: Sequence[int]) -> set[Voicing]:
    """Close stackings of pitch classes upward from each bottom note in the register."""
    low, high = REGISTER
    stacked = set()
    for bottom in range(low, high):
        if bottom % 12 != order[0]:
            continue
        keys = [bottom]
        for pc in order[1:]:
            keys.append(keys[-1] + ((pc - keys[-1]) % 12 or 12))
        clear = all(lower >= LOW_LIMITS.get(upper - lower, 0) for lower, upper in pairwise(keys))
        if keys[-1] <= high and keys[-1] - bottom <= SPREAD and clear:
            stacked.add(tuple(keys))
    return stacked


def movement(one: Voicing, other: Voicing) -> int:
    """Semitones all voices move together."""
    return sum(abs(a - b) for a, b in zip(one, other, strict=True))


def _step_cost(one: Voicing, other: Voicing) -> int:
    # The top note is heard as a melody, so its leaps count twice; height is a tie-breaker.
    return 8 * (movement(one, other) + abs(one[-1] - other[-1])) + abs(sum(other) // 3 - CENTRE)


def smoothest(choices: Sequence[Sequence[Voicing]]) -> list[Voicing]:
    """One voicing from each of `choices`, the cheapest closed cycle. Exact: tries every start."""
    best: tuple[int, list[Voicing]] | None = None
    for start in choices[0]:
        costs = {start: (0, [start])}  # its height counts where the cycle closes
        for options in choices[1:]:
            costs = {
                here: min(
                    (
                        (cost + _step_cost(there, here), [*path, here])
                        for there, (cost, path) in costs.items()
                    ),
                )
                for here in options
            }
        close = min((cost + _step_cost(there, start), path) for there, (cost, path) in costs.items())
        if best is None or close < best:
            best = close
    assert best is not None
    return best[1]
