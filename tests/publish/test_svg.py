import xml.etree.ElementTree as ET

import pytest
from hostile import Reader
from sample_notebook import make_picture

from reportlib.errors import RenderError
from reportlib.publish.svg import read_drawing


def drawn(inside, *, root='viewBox="0 0 10 10"'):
    names = 'xmlns="http://www.w3.org/2000/svg" xmlns:xlink="http://www.w3.org/1999/xlink"'
    return read_drawing(f"<svg {names} {root}>{inside}</svg>", name="sample").inline(
        prefix="p-", alt="alt"
    )


@pytest.mark.parametrize(
    "inside",
    [
        "<script>alert(1)</script>",
        '<g onload="alert(1)" onclick="alert(1)"/>',
        '<a xlink:href="javascript:alert(1)"><text>x</text></a>',
        '<image xlink:href="https://evil.example/a.png"/>',
        '<image href="data:image/svg+xml;base64,PHN2Zz4="/>',
        '<use href="https://evil.example/a.svg#b"/>',
        "<foreignObject><body xmlns='http://www.w3.org/1999/xhtml'>x</body></foreignObject>",
        "<style>@import url(https://evil.example/a.css); * {fill: red}</style>",
        '<path style="fill: url(https://evil.example/a#b)"/>',
        '<path style="fill: u\\72l(https://evil.example/a)"/>',
        '<path style="fill: URL(https://evil.example/a)"/>',
        '<path style="fill: url(//evil.example/a)"/>',
        '<path style="fill: URL(//evil.example/a)"/>',
        '<path fill="image(//evil.example/a)"/>',
        '<path style="fill: red}evil{fill: red"/>',
        '<path style="fill: url (https://evil.example/a)"/>',
        '<path style="behavior: url(#x); background: url(//evil.example)"/>',
        '<path style="width: expression(alert(1))"/>',
        "<path fill=\"image('https://evil.example')\"/>",
        '<animate attributeName="href" to="javascript:alert(1)"/>',
        '<set attributeName="onclick" to="alert(1)"/>',
        "<!-- <script>alert(1)</script> --><?xml-stylesheet href='https://evil.example'?>",
        "<iframe xmlns='http://www.w3.org/1999/xhtml' src='https://evil.example'/>",
    ],
)
def test_nothing_in_a_drawing_acts_or_loads(inside):
    found = Reader(drawn(inside))
    assert found.harm == []
    assert found.unbalanced == []
    assert not {"script", "style", "a", "foreignobject"} & {tag for tag, _ in found.elements}
    assert "evil" not in drawn(inside)


def test_text_and_paint_arrive():
    svg = drawn(
        '<text x="1" style="font-size: 10px; font-family: \'DejaVu Sans\', sans-serif; '
        'fill: #0d4f6c">&lt;−1.5 dB&gt; &amp; <tspan>94</tspan> on</text>'
    )
    assert "font-size:10px;font-family:&#x27;DejaVu Sans&#x27;, sans-serif;fill:#0d4f6c" in svg
    assert Reader(svg).text == "<−1.5 dB> & 94 on"


def test_every_id_and_every_use_of_it_gets_the_prefix():
    svg = drawn(
        '<defs><clipPath id="c"><rect id="r"/></clipPath></defs><g clip-path="url(#c)"/>'
        "<g style=\"clip-path: url('#c'); fill: url( #r )\"/><use xlink:href='#r'/>"
    )
    assert Reader(svg).ids == ["p-c", "p-r"]
    assert svg.count("url(#p-c)") == 2
    assert "url(#p-r)" in svg
    assert '<use href="#p-r">' in svg


def test_a_drawing_by_matplotlib_keeps_all_its_marks_text_and_names():
    source = make_picture().svg
    before = ET.fromstring(source)
    after = ET.fromstring(read_drawing(source, name="x").standalone(width_px=720, height_px=345.6))

    def count(root, name):
        return sum(element.tag.rpartition("}")[2] == name for element in root.iter())

    for name in ("path", "use", "text", "clipPath", "image", "g"):
        assert count(after, name) == count(before, name) > 0
    assert [e.text for e in after.iter() if e.text and e.tag.endswith("text")] == [
        e.text for e in before.iter() if e.text and e.tag.endswith("text")
    ]
    ids = {element.get("id") for element in after.iter()} - {None}
    links = {
        element.get("href", "#")[1:] for element in after.iter() if element.tag.endswith("use")
    }
    assert links <= ids


def test_names_keep_their_capital_letters():
    svg = drawn('<clipPath id="a" clipPathUnits="userSpaceOnUse"/>')
    assert 'viewBox="0 0 10 10"' in svg
    assert "<clipPath" in svg
    assert "clipPathUnits" in svg


def test_the_size_stands_in_for_a_missing_view_box():
    assert 'viewBox="0 0 460.8 345.6"' in drawn("", root='width="460.8pt" height="345.6pt"')


SIZELESS = (
    *("0 0 0 9", "0 0 9 0", "0 0 -9 9", "0 0 nan 9", "0 0 9 inf", "0 0 9", "0 0 1.2.3 9"),
    *("0 0 9 .", "0 0 0.001 9", f"0 0 {'9' * 400} 9", f"{'9' * 400} 0 9 9", "1e9 0 9 9"),
)


@pytest.mark.parametrize(
    ("svg", "words"),
    [
        ("<svg", "cannot be read"),
        ("", "cannot be read"),
        ("<svg><g></svg>", "cannot be read"),
        ("<svg/>", "has no size"),
        ('<svg viewBox="0 0 1 url(x)"/>', "has no size"),
        *((f'<svg viewBox="{box}"/>', "has no size") for box in SIZELESS),
        *(
            (f'<svg width="{one}" height="9"/>', "has no size")
            for one in ("0", "0px", "-1", "9" * 9)
        ),
        ('<!DOCTYPE svg [<!ENTITY a "b">]><svg viewBox="0 0 1 1">&a;</svg>', "declares entities"),
    ],
)
def test_a_damaged_drawing_is_named(svg, words):
    with pytest.raises(RenderError, match=f"picture 'ladder': .*{words}"):
        read_drawing(svg, name="ladder")


def test_a_drawing_nested_without_end_is_cut_and_not_followed():
    deep = "<g>" * 3000 + "</g>" * 3000
    assert drawn(deep).count("<g>") < 100
