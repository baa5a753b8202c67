"""The W3C's own XSD of MusicXML 4.0, as the package `musicxml` on PyPI carries it."""

import importlib.util
import tempfile
from functools import cache
from pathlib import Path

from lxml import etree

_WEB = "http://www.musicxml.org/xsd/"
_HEAD = '<xs:schema xmlns:xs="http://www.w3.org/2001/XMLSchema" targetNamespace="{}">{}</xs:schema>'
# What it imports, which the package does not carry: attributes by namespace, all of them text.
_IMPORTED = {
    "xml.xsd": ("http://www.w3.org/XML/1998/namespace", ("lang", "space")),
    "xlink.xsd": ("http://www.w3.org/1999/xlink", ("href", "type", "role", "title", "show", "actuate")),
}


@cache
def schema() -> etree.XMLSchema:
    found = importlib.util.find_spec("musicxml")
    assert found and found.origin
    text = (Path(found.origin).parent / "generate_classes" / "musicxml_4_0.xsd").read_text("utf-8")
    assert "Version 4.0" in text and "W3C Music Notation Community Group" in text
    with tempfile.TemporaryDirectory() as folder:
        here = Path(folder)
        for name, (space, attributes) in _IMPORTED.items():
            body = "".join(f'<xs:attribute name="{one}" type="xs:string"/>' for one in attributes)
            (here / name).write_text(_HEAD.format(space, body))
        (here / "musicxml.xsd").write_text(text.replace(_WEB, ""), "utf-8")
        return etree.XMLSchema(etree.parse(str(here / "musicxml.xsd")))


def mistakes(musicxml: str) -> list[str]:
    """What the schema finds wrong with a file."""
    parser = etree.XMLParser(load_dtd=False, no_network=True)
    schema().validate(etree.fromstring(musicxml.encode(), parser))
    return [f"line {error.line}: {error.message}" for error in schema().error_log]
