"""The lines of the flight recorder: JSON Lines, one output of the Session a line.

The format is described in DEVELOPERS.md ("The trace"). Channels are printed as players count
them: drums are on 10.
"""

import json

from .events import Light, Mark, Output, Send
from .score.plan import Plan

VERSION = 1


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


def line(output: Output, sent_ns: int | None = None) -> str | None:
    """One output as a line; None for what leaves no trace (programs, controllers, plans).

    `sent_ns` is when a note was really handed to the port; in simulated time, when it was due.
    """
    if isinstance(output, Send):
        return _note(output, output.due if sent_ns is None else sent_ns)
    if isinstance(output, Light):
        lit = "true" if output.lit else "false"
        return f'{{"type":"lamp","at_ns":{output.due},"lamp":"{output.lamp}","lit":{lit}}}'
    if isinstance(output, Mark):
        return json.dumps({"type": output.kind, "at_ns": output.due, **output.fields}, ensure_ascii=False)
    return None


def fault(at: int, what: str) -> str:
    """Something that went wrong, in one line of words."""
    return json.dumps({"type": "fault", "at_ns": at, "what": what}, ensure_ascii=False)


def _note(send: Send, sent: int) -> str | None:
    status, *values = send.data
    kind = status & 0xF0
    if kind not in (0x80, 0x90):
        return None
    on = "true" if kind == 0x90 else "false"
    return (
        f'{{"type":"note","due_ns":{send.due},"sent_ns":{sent},"part":"{send.part}",'
        f'"channel":{(status & 15) + 1},"note":{values[0]},"velocity":{values[1]},"on":{on},'
        f'"chorus":{send.chorus},"bar":{send.bar},"beat":{send.beat}}}'
    )
