"""`[foot]`: a preset of what the switches mean, and what the player wants otherwise.

[foot]
preset = "two"              # one, two, four: for so many switches
[foot.vamp.main]
hold = "back"               # refused if no switch that there is can stop a state any more
"""

from collections.abc import Collection

from ..session.action_table import ON_FEET
from ..session.foot_map import GESTURES, PRESETS, STATES, FootMap, traps
from .toml_check import Table, guess, one_of


def read_foot(table: Table, there: Collection[str]) -> FootMap:
    """The map in force; `there` are the switches that the settings know.

    A preset may have more: at a desk the keyboard has them. What is wrong is noted in the table.
    """
    preset = table.get("preset", one_of(*PRESETS), "one")
    footmap = dict(PRESETS[preset or "one"])
    known = list(dict.fromkeys([*there, *(switch for _, switch, _ in footmap)]))
    for state in STATES:
        states = table.table(state)
        for switch in states.values:
            gestures = states.table(switch)
            if switch not in known:
                states.wrong(switch, f"is no switch; there are: {', '.join(known)}", guess(switch, known))
            for gesture in GESTURES:
                action = gestures.get(gesture, one_of(*ON_FEET), None)
                if action:
                    footmap[state, switch, gesture] = action
            gestures.close()
    table.close()
    for state in traps({key: action for key, action in footmap.items() if key[1] in there}):
        rule = "no switch can start the music" if state == "stopped" else "no switch can stop the music"
        table.wrong(state, rule, f"give one the action {'stomp' if state == 'stopped' else 'stop'}")
    return footmap
