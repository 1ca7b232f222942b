"""How figures look: colours, sizes, axes. The one place where a size or a ramp is chosen.

Everything is drawn in one hue, sea blue, from light to nearly black; what is louder is darker
and heavier, so that figures survive grey print and every kind of colour vision. Lengths are
CSS pixels at 1×, angles degrees.
"""

import math

from reportlib import palette

INK = palette.INK
MUTED = palette.MUTED
RULE = palette.RULE
FAINT = palette.FAINT
UNTOLD = palette.UNTOLD
UNTOLD_ALPHA = 0.34
"""Grey is drawn over the plot at so much."""
SEA = palette.SEA
WATER = palette.WATER
NO_CHANGE = "#f3f6f8"
"""The pale zero of a map that goes both ways."""

TITLE_PX = 18.0
TEXT_PX = 14.0
SMALL_PX = 12.5

FONT = "DejaVu Sans"
FONT_STACK = "'DejaVu Sans', 'Arial', 'Helvetica', sans-serif"
"""What the SVG asks for. Everything is measured in the first, which is the widest of them."""

_HUE_DEG = 248.0
_GAIN_HUE_DEG = 70.0
"""Sand, for maps where something rose; in grey print stripes tell it from the sea."""
_SHADE_LIGHT = 86.0
_LIGHT, _DARK = 60.0, 14.0
"""CIE L* of the ramp's ends: the light one has 3:1 against white (WCAG 2.2, 1.4.11)."""


def lightness_colour(lightness: float, *, hue_deg: float = _HUE_DEG) -> str:
    """Return the house hue at a CIE L* (CIE 15:2004, 8.2.1; IEC 61966-2-1, D65) as #rrggbb."""
    # Full chroma up to the ramp's lightest colour, fading towards white above it.
    chroma = (6.5 + 0.5 * lightness) * min(1.0, (100.0 - lightness) / (100.0 - _LIGHT))
    a = chroma * math.cos(math.radians(hue_deg))
    b = chroma * math.sin(math.radians(hue_deg))
    y = (lightness + 16.0) / 116.0
    x_n, y_n, z_n = (_uncompressed(t) for t in (y + a / 500.0, y, y - b / 200.0))
    xyz = (0.95047 * x_n, y_n, 1.08883 * z_n)
    rows = (
        (3.2404542, -1.5371385, -0.4985314),
        (-0.9692660, 1.8760108, 0.0415560),
        (0.0556434, -0.2040259, 1.0572252),
    )
    linear = (sum(m * v for m, v in zip(row, xyz, strict=True)) for row in rows)
    return "#" + "".join(f"{round(255.0 * _encoded(value)):02x}" for value in linear)


def _uncompressed(t: float) -> float:
    return t**3 if t > 6.0 / 29.0 else 3.0 * (6.0 / 29.0) ** 2 * (t - 4.0 / 29.0)


def _encoded(linear: float) -> float:
    value = min(max(linear, 0.0), 1.0)
    return 12.92 * value if value <= 0.0031308 else 1.055 * value ** (1.0 / 2.4) - 0.055


def ramp(count: int) -> tuple[str, ...]:
    """Return `count` colours, evenly spaced in lightness, the last the darkest."""
    if count == 1:
        return (lightness_colour(_DARK + 12.0),)
    step = (_LIGHT - _DARK) / max(count - 1, 1)
    return tuple(lightness_colour(_LIGHT - index * step) for index in range(count))


def shades(count: int, *, gain: bool = False) -> tuple[str, ...]:
    """Return colours for areas, from just off white, the last the darkest; sand for a gain."""
    step = (_SHADE_LIGHT - _DARK - 6.0) / max(count - 1, 1)
    hue_deg = _GAIN_HUE_DEG if gain else _HUE_DEG
    return tuple(
        lightness_colour(_SHADE_LIGHT - index * step, hue_deg=hue_deg) for index in range(count)
    )


def weights(count: int) -> tuple[float, ...]:
    """Return `count` line widths, the last the heaviest."""
    if count == 1:
        return (2.4,)
    return tuple(1.3 + 1.3 * index / max(count - 1, 1) for index in range(count))
