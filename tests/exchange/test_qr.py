"""QR codes read back by another program."""

import io
from xml.etree import ElementTree

import segno
import zxingcpp
from PIL import Image

from app.exchange import qr

LINK = "http://192.168.1.20:8000/open/" + "k7Q" * 15


def test_a_phone_reads_the_link() -> None:
    rows = qr.modules(LINK)
    scale, border = 4, 4
    side = (len(rows) + 2 * border) * scale
    picture = Image.new("L", (side, side), 255)
    for y, row in enumerate(rows):
        for x, dark in enumerate(row):
            if dark:
                left, top = (x + border) * scale, (y + border) * scale
                picture.paste(0, (left, top, left + scale, top + scale))
    (found,) = zxingcpp.read_barcodes(picture)
    assert found.text == LINK
    assert segno.make(LINK, error="m", boost_error=False, micro=False).error == "M"


def test_the_svg_is_one_element_without_style_or_script() -> None:
    root = ElementTree.fromstring(qr.svg(LINK))
    assert root.tag.endswith("svg")
    assert root.find("{*}title") is not None
    assert {element.tag.rsplit("}")[-1] for element in root.iter()} <= {"svg", "title", "g", "path"}
    assert not any("style" in element.attrib for element in root.iter())


def test_the_terminal_shows_it_with_a_quiet_zone() -> None:
    lines = qr.terminal(LINK).splitlines()
    assert len(lines) >= 20
    assert len({len(line) for line in lines if line}) == 1


def test_the_title_is_escaped() -> None:
    assert "<b>" not in qr.svg(LINK, title="<b>x</b>")
    assert io.StringIO(qr.svg(LINK)).read().startswith("<svg")
