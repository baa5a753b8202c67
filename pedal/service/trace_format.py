"""The lines of the flight recorder: JSON Lines, one output of the Session a line.

The format is described in DEVELOPERS.md ("The trace"). Channels are printed as players count
them: drums are on 10.
"""

import json

from ..events import (
    BeatBegan,
    ChorusDone,
    CommandDone,
    DrillProgress,
    EdgeHeard,
    Fault,
    FaultsKnown,
    GestureDone,
    Light,
    Output,
    RepetitionDone,
    Result,
    Send,
    Stopped,
    TemposKnown,
)
from ..hardware.din_cable import DinCable
from ..music.plan import Plan

VERSION = 1
_encode = json.JSONEncoder(ensure_ascii=False).encode


def header(plan: Plan, mode: str, seed: int) -> str:
    """The first line of a trace."""
    return json.dumps(
        {
            "type": "header",
            "version": VERSION,
            "tune": plan.tune.name,
            "key": str(plan.key),
            "mbpm": plan.mbpm,
            "seed": seed,
            "mode": mode,
            "beats": plan.feel.beats,
            "bars": len(plan.layout),
        },
        ensure_ascii=False,
    )


class Recorder:
    """Turns outputs into lines, in the order in which they were put out."""

    def __init__(self, wire: str) -> None:
        """`wire`: what the synth hangs on. With `din`, notes also tell when the cable was done with them."""
        self._cable = DinCable() if wire == "din" else None

    def line(self, output: Output, sent_ns: int | None = None) -> str | None:
        """One output as a line; None for what leaves no trace (programs, controllers, plans).

        `sent_ns` is when it was really handed to the port; in simulated time, when it was due.
        """
        if isinstance(output, Send):
            sent = output.due if sent_ns is None else sent_ns
            left = self._cable.left(sent, output.data) if self._cable else None
            return _note(output, sent, left)
        if isinstance(output, Light):
            lit = "true" if output.lit else "false"
            return f'{{"type":"lamp","at_ns":{output.due},"lamp":"{output.lamp}","lit":{lit}}}'
        if isinstance(output, Result):
            return _encode({"type": _TYPES[type(output)], "at_ns": output.due, **_fields(output)})
        return None


def told(known: TemposKnown | FaultsKnown) -> str:
    """What the Session was told that nobody asked for: without it a run cannot be played again."""
    if isinstance(known, FaultsKnown):
        return _encode({"type": "command", "at_ns": known.at, "name": "faults", "value": known.kinds})
    value = {"tune": known.tune, "key": known.key, "mbpm": known.mbpm}
    return _encode({"type": "command", "at_ns": known.at, "name": "clean-tempos", "value": value})


def fault(at: int, what: str) -> str:
    """Something that went wrong, in one line of words."""
    return _encode({"type": "fault", "at_ns": at, "what": what})


_TYPES: dict[type[Result], str] = {
    BeatBegan: "position",
    EdgeHeard: "press",
    GestureDone: "gesture",
    CommandDone: "command",
    Stopped: "stopped",
    ChorusDone: "chorus",
    RepetitionDone: "repetition",
    Fault: "fault",
}


def _fields(result: Result) -> dict[str, object]:
    """The fields of a line; what there may be is left out where it is not."""
    fields: dict[str, object] = result._asdict()
    del fields["due"]
    match result:
        case BeatBegan():
            drill = fields.pop("drill")
            if isinstance(drill, DrillProgress):
                fields["drill"] = drill._asdict()
        case GestureDone():
            withdrew = {"withdrew": True} if result.withdrew else {}
            fields = {"switch": result.switch, "gesture": result.gesture, **withdrew, "action": result.action}
            if result.reason is not None:
                fields["reason"] = result.reason
        case CommandDone():
            del fields["id"]
            if result.reason is None:
                del fields["reason"]
    return fields


def _note(send: Send, sent: int, left: int | None) -> str | None:
    due, data, part, chorus, bar, beat = send
    status = data[0]
    if status < 0x80 or status >= 0xA0:
        return None
    on = "true" if status >= 0x90 else "false"
    wire = f'"wire_ns":{left},' if left is not None else ""
    return (
        f'{{"type":"note","due_ns":{due},"sent_ns":{sent},{wire}"part":"{part}",'
        f'"channel":{(status & 15) + 1},"note":{data[1]},"velocity":{data[2]},"on":{on},'
        f'"chorus":{chorus},"bar":{bar},"beat":{beat}}}'
    )
