"""Debounce and gestures on waveforms.

Sources of the bounce times: Ganssle, "A Guide to Debouncing" (2004): 16 of 18 switches average
1557 µs, at most 6200 µs; open measurements at adamfk/bouncy-button-data: an electronic kick
pedal bounces for 11 to 40.3 ms (issue 14). The kinds of gestures and their times are ours.
"""

from hypothesis import given
from hypothesis import strategies as st

from pedal.session.gestures import DOUBLE_NS, HOLD_NS, LOCK_OUT_NS, TWO_FEET_NS, Foot

US = 1_000
MS = 1_000_000


def kinds(edges, until=10_000 * MS):
    """Gestures of edges [(ns, down)] or [(ns, down, switch)]."""
    foot, decided = Foot(), []
    for at, down, *switch in edges:
        decided += foot.edge(at, switch[0] if switch else "main", down)
    decided += foot.advance(until)
    return [(g.kind, g.at) for g in decided]


def bouncing(at, down, bounces, burst):
    """An edge at `at` that bounces `bounces` times within `burst` ns and ends on the level `down`."""
    step = burst // (2 * bounces + 1) if bounces else 0
    edges = [(at, down)]
    for index in range(bounces):
        edges += [(at + (2 * index + 1) * step, not down), (at + (2 * index + 2) * step, down)]
    return edges


def test_a_tap_counts_at_its_first_edge():
    assert kinds([(7, True), (80 * MS, False)]) == [("tap", 7)]


def test_a_second_press_within_the_time_is_a_double():
    edges = [(0, True), (80 * MS, False), (DOUBLE_NS, True), (DOUBLE_NS + 80 * MS, False)]
    assert kinds(edges) == [("tap", 0), ("double", DOUBLE_NS)]
    edges[2] = (DOUBLE_NS + 1, True)
    assert kinds(edges) == [("tap", 0), ("tap", DOUBLE_NS + 1)]


def test_a_third_press_starts_anew():
    edges = [(at, down) for t in (0, 200 * MS, 400 * MS) for at, down in ((t, True), (t + 80 * MS, False))]
    assert [kind for kind, _ in kinds(edges)] == ["tap", "double", "tap"]


def test_a_hold_comes_while_the_foot_is_down():
    assert kinds([(0, True), (HOLD_NS + 1, False)]) == [("tap", 0), ("hold", HOLD_NS)]
    assert kinds([(0, True), (HOLD_NS - 1, False)]) == [("tap", 0)]


def test_a_second_press_is_never_a_hold():
    edges = [(0, True), (80 * MS, False), (200 * MS, True), (1500 * MS, False)]
    assert [kind for kind, _ in kinds(edges)] == ["tap", "double"]


def test_a_foot_left_standing_holds_once():
    assert [kind for kind, _ in kinds([(0, True)])] == ["tap", "hold"]


def test_a_short_press_inside_the_lock_out_is_let_go_at_its_end():
    foot = Foot()
    foot.edge(0, "main", True)
    foot.edge(20 * MS, "main", False)
    assert foot.deadline() == LOCK_OUT_NS
    assert foot.advance(LOCK_OUT_NS) == []
    assert [g.kind for g in foot.edge(120 * MS, "main", True)] == ["double"]


def test_two_switches_at_once_are_one_clumsy_foot():
    near, far = TWO_FEET_NS - 1, TWO_FEET_NS
    edges = [
        (0, True, "main"),
        (near, True, "second"),
        (300 * MS, False, "main"),
        (310 * MS, False, "second"),
    ]
    assert [kind for kind, _ in kinds(edges)] == ["tap"]
    # Dead until both are up: the second switch pressed again while the first is down does nothing.
    edges = [
        (0, True, "main"),
        (near, True, "second"),
        (150 * MS, False, "second"),
        (250 * MS, True, "second"),
        (350 * MS, False, "main"),
        (400 * MS, False, "second"),
        (600 * MS, True, "second"),
    ]
    assert [kind for kind, _ in kinds(edges, 700 * MS)] == ["tap", "tap"]
    assert [kind for kind, _ in kinds([(0, True, "main"), (far, True, "second")], 100 * MS)] == ["tap", "tap"]


@given(
    st.integers(0, 12),
    st.sampled_from((1557 * US, 6200 * US, 11 * MS, 40_300 * US)),
    st.integers(90, 650),
    st.integers(0, 12),
)
def test_bounce_never_makes_a_second_press(bounces, burst, held_ms, bounces_up):
    edges = bouncing(0, True, bounces, burst) + bouncing(held_ms * MS, False, bounces_up, burst)
    assert kinds(edges) == [("tap", 0)]


@given(
    st.lists(st.integers(420, 3000), min_size=1, max_size=30), st.integers(0, 8), st.sampled_from((11, 40))
)
def test_every_bouncing_press_counts_once(gaps_ms, bounces, burst_ms):
    edges, at = [], 0
    for gap in gaps_ms:
        edges += bouncing(at, True, bounces, burst_ms * MS)
        edges += bouncing(at + 120 * MS, False, bounces, burst_ms * MS)
        at += gap * MS
    assert [kind for kind, _ in kinds(edges, at)] == ["tap"] * len(gaps_ms)


@given(
    st.lists(st.tuples(st.integers(0, 3000), st.booleans(), st.sampled_from("ab")), max_size=40),
    st.integers(1, 400),
)
def test_when_time_passes_does_not_matter(raw, stride_ms):
    """Advancing in steps decides the same gestures at the same moments."""
    edges = sorted((at * MS, down, switch) for at, down, switch in raw)
    foot, decided, now = Foot(), [], 0
    for at, down, switch in edges:
        while now + stride_ms * MS < at:
            now += stride_ms * MS
            decided += foot.advance(now)
        decided += foot.edge(at, switch, down)
        now = at
    decided += foot.advance(10_000 * MS)
    assert [(g.kind, g.at) for g in decided] == kinds(edges)
