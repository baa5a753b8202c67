"""Finding where strokes begin in a recording, without knowing where they should."""

import numpy as np

_HOP = 48  # 1 ms
_RISE = 4.0  # a stroke is so much louder than what went before
_FLOOR = 0.004
_MEMORY = 12  # hops that "before" means
_APART = 50  # hops: no two strokes are closer


def onsets(sound: np.ndarray) -> np.ndarray:
    """Samples at which the sound jumps up, to the millisecond."""
    hops = len(sound) // _HOP
    # The slope instead of the level: a boom that dies away is smooth, a stroke is not.
    slope = np.abs(np.diff(sound[: hops * _HOP], prepend=sound[:1]))
    level = slope.reshape(hops, _HOP).max(axis=1)
    found: list[int] = []
    for hop in np.flatnonzero(level > _FLOOR):
        before = level[max(0, hop - _MEMORY) : hop]
        if len(before) and level[hop] < _RISE * before.max():
            continue
        if not found or hop - found[-1] >= _APART:
            found.append(int(hop))
    return np.array(found, dtype=np.int64) * _HOP
