"""A figure on everything that it is shown on: a page, a phone, and as pixels."""

from collections.abc import Callable
from concurrent.futures import ThreadPoolExecutor
from dataclasses import replace

from reportlib.figures.paper import PAGE, PHONE, Paper
from reportlib.figures.pixels import png_bytes
from reportlib.figures.sheet import Sheet
from reportlib.shown import Picture


def printed(
    draw: Callable[[Paper], Sheet | None],
    *,
    name: str,
    caption: Callable[[], str],
    alt: Callable[[], str],
) -> Picture | None:
    """Return a drawing for a page and a phone with its pixels and words; None where it is none.

    Parameters
    ----------
    draw : None for a page: there is nothing to show; for a phone: it has no room
    name : see :class:`Picture`
    caption, alt : asked only where there is something to show

    Raises
    ------
    RenderError
        The pixels could not be made.
    """
    sheet = draw(PAGE)
    if sheet is None:
        return None
    svg = sheet.svg()
    with ThreadPoolExecutor(1) as press:
        # Typst needs no interpreter: the phone's drawing is made meanwhile.
        png = press.submit(png_bytes, svg, width_px=sheet.width_px, height_px=sheet.height_px)
        phone = draw(PHONE)
        phone_box = None if phone is None else phone.read_box
        return Picture(
            name=name,
            svg=svg,
            phone_svg="" if phone is None else phone.svg(),
            caption=caption(),
            alt=alt(),
            width_px=sheet.width_px,
            height_px=sheet.height_px,
            read_out=sheet.read_out and replace(sheet.read_out, phone_box=phone_box),
            png=png.result(),
        )
