"""Notation as SVG by verovio, a general-purpose engraver (the optional extra `engrave`).

What is drawn is the MusicXML of `notation`, in black, a system to a row of bars.
"""

_UNIT = 9  # a tenth of a millimetre at full scale: half the distance of staff lines


class NoEngraver(Exception):
    """The extra is not installed."""


def engraved(musicxml: str, width_mm: float, scale: int = 40) -> str:
    """One SVG element as wide as asked, as high as it comes. Raises NoEngraver."""
    try:
        import verovio
    except ImportError:
        raise NoEngraver(
            "notation in the sheet needs an engraver (pip install 'twelve-bar-pedal[engrave]')"
        ) from None
    verovio.enableLog(verovio.LOG_OFF)
    toolkit = verovio.toolkit()
    toolkit.setOptions(
        {
            "pageWidth": round(width_mm * 1000 / scale),
            "pageHeight": 60000,
            "adjustPageHeight": True,
            "pageMarginLeft": 40,
            "pageMarginRight": 0,
            "pageMarginTop": 0,
            "pageMarginBottom": 0,
            "scale": scale,
            "unit": _UNIT,
            "breaks": "encoded",
            "minLastJustification": 0.5,
            "header": "none",
            "footer": "none",
            "justifyVertically": False,
            "spacingSystem": 3,
            "spacingStaff": 4,
            "svgViewBox": True,
            "svgRemoveXlink": True,
            "mnumInterval": 0,
        }
    )
    if not toolkit.loadData(musicxml):
        raise ValueError("the engraver could not read the notation")
    return toolkit.renderToSVG(1)
