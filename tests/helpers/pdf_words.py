"""What a PDF shows and holds, read by pikepdf alone (ISO 32000-1)."""

import re

import pikepdf


def elements(document, *, kind=None):
    """Return structure elements (14.7.2) in reading order: all, or a kind, e.g. ``/Figure``."""
    every = _walk(document.Root.StructTreeRoot)
    return [element for element in every if kind in (None, element["/S"])]


def caption_of(element):
    """Return the caption that stands in a figure or table, or in what holds it next."""
    while not (found := [part for part in _walk(element) if part["/S"] == "/Caption"]):
        element = element["/P"]
    (caption,) = found
    return caption


def _walk(node):
    if isinstance(node, pikepdf.Array):
        for child in node:
            yield from _walk(child)
    elif isinstance(node, pikepdf.Dictionary):
        if "/S" in node:
            yield node
        if "/K" in node:
            yield from _walk(node["/K"])


def pages_of(element, *, document):
    """Return the numbers of the pages, from 1, that an element and all in it stand on."""
    numbers = {page.obj.objgen: number for number, page in enumerate(document.pages, start=1)}
    found = set()

    def walk(node, page):
        if isinstance(node, pikepdf.Array):
            for child in node:
                walk(child, page)
        elif isinstance(node, pikepdf.Dictionary):
            page = node.get("/Pg", page)
            walk(node.get("/K", None), page)
        elif node is not None and page is not None:  # marked content on that page
            found.add(numbers[page.objgen])

    walk(element, None)
    return found


def words(page):
    """Return the text of a page as its fonts spell it (9.10.3), runs joined by blanks."""
    spelling, said = {}, []
    for operands, operator in pikepdf.parse_content_stream(page):
        if str(operator) == "Tf":
            spelling = _spelling(page.obj.Resources.Font[operands[0]])
        elif str(operator) in ("TJ", "Tj"):
            parts = operands[0] if str(operator) == "TJ" else operands
            codes = b"".join(bytes(part) for part in parts if isinstance(part, pikepdf.String))
            pairs = zip(codes[::2], codes[1::2], strict=True)
            said.append("".join(spelling.get(high << 8 | low, "?") for high, low in pairs))
    return " ".join(said).replace("\u00a0", " ")


def _spelling(font):
    cmap = font.ToUnicode.read_bytes().decode("ascii")
    found = {}
    for block in re.findall(r"beginbfchar(.*?)endbfchar", cmap, re.DOTALL):
        for code, letters in re.findall(r"<(\w+)>\s*<(\w+)>", block):
            found[int(code, 16)] = bytes.fromhex(letters).decode("utf-16-be")
    for block in re.findall(r"beginbfrange(.*?)endbfrange", cmap, re.DOTALL):
        for first, last, letters in re.findall(r"<(\w+)>\s*<(\w+)>\s*<(\w+)>", block):
            for code in range(int(first, 16), int(last, 16) + 1):
                found[code] = chr(int(letters, 16) + code - int(first, 16))
    return found
