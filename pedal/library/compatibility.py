"""Whether the parts of a tune go together."""

from .form_files import Read
from .toml_check import Table


def check_fit(
    table: Table, form: Read, feel: Read | None, figure: Read | None, tails: dict[str, Read | None]
) -> None:
    """Note what parts of a tune do not go together, at the keys that name them."""
    bars, minor = form.thing.bars, form.thing.minor
    if feel and feel.beats != form.beats:
        rule = f"a bar has {feel.beats} beats, a bar of the form {form.thing.name!r} has {form.beats}"
        table.wrong("feel", rule, value=feel.thing.name)
    for kind, tail in tails.items():
        if tail is None:
            continue
        name = tail.thing.name
        if tail.beats != form.beats:
            rule = f"its bars have {tail.beats} beats, the form's have {form.beats}"
            table.wrong(kind, rule, value=name)
        if tail.thing.start > len(bars):
            rule = f"starts {tail.thing.start} bars before the end of a form that has {len(bars)}"
            table.wrong(kind, rule, value=name)
        if tail.thing.minor != minor:
            modes = ("major", "minor") if minor else ("minor", "major")
            table.wrong(kind, f"is {modes[0]}, the form is {modes[1]}", value=name)
    if figure:
        # It also goes on in an ending until the ending's own line starts.
        led = [
            bar for tail in tails.values() if tail for bar in tail.thing.bars[: tail.thing.lead // tail.beats]
        ]
        # A passing chord of one beat gets its root only, which suits any.
        long = (
            span.degree
            for bar in (*bars, *led)
            for span, end in zip(bar, [*(later.beat for later in bar[1:]), form.beats], strict=True)
            if not (span.passing and end - span.beat <= 1)
        )
        unfit = [str(degree) for degree in dict.fromkeys(long) if degree.quality not in figure.thing.suits]
        if unfit:
            suits = ", ".join(quality or "plain major" for quality in figure.thing.suits)
            rule = f"does not suit {', '.join(unfit)} of the form {form.thing.name!r} (it suits {suits})"
            table.wrong("figure", rule, value=figure.thing.name)
