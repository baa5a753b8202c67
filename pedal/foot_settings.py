"""`[foot]`: a preset of what the switches mean, and what the player wants otherwise.

[foot]
preset = "two"              # one, two, four: for so many switches
[foot.vamp.main]
hold = "back"               # refused if a state is left without a way to stop
"""

from .checks import Table, one_of
from .leader.footmap import ACTIONS, GESTURES, PRESETS, STATES, FootMap, traps


def read_foot(table: Table) -> FootMap:
    """The map in force."""
    preset = table.get("preset", one_of(*PRESETS), "one")
    footmap = dict(PRESETS[preset or "one"])
    for state in STATES:
        states = table.table(state)
        for switch in states.values:
            gestures = states.table(switch)
            for gesture in GESTURES:
                action = gestures.get(gesture, one_of(*ACTIONS), None)
                if action:
                    footmap[state, switch, gesture] = action
            gestures.close()
    table.close()
    for state in traps(footmap):
        rule = "no switch can start the music" if state == "stopped" else "no switch can stop the music"
        table.wrong(state, rule, f"give one the action {'stomp' if state == 'stopped' else 'stop'}")
    return footmap
