"""A drawing as SVG text: a file of its own, in the page's colours, light or dark as its reader wants it. Pure."""

from __future__ import annotations

from typing import Final
from xml.sax.saxutils import escape

from oyez.loudness.drawing import COLOURS, PAINTS, SIZE_PX, Area, Drawing, Line, Paint, Point, Shape

FONT: Final = "'Atkinson Hyperlegible', system-ui, 'DejaVu Sans', sans-serif"


def to_svg(drawing: Drawing, *, styled: bool = True) -> str:
    """The drawing as one SVG element. With `styled` it carries its colours; without, a page gives them by class
    (`loudness` on the root, a paint's name on each shape).
    """
    width, height = _number(drawing.width), _number(drawing.height)
    size = f'width="{width}" height="{height}" viewBox="0 0 {width} {height}" font-size="{_number(SIZE_PX)}"'
    parts = [
        f'<svg xmlns="http://www.w3.org/2000/svg" class="loudness" role="img" {size}>',
        f"<title>{_text(drawing.title)}</title>",
        f"<desc>{_text(drawing.description)}</desc>",
    ]
    if styled:
        parts.append(f"<style>{_style()}</style>")
    parts += map(_shape, drawing.shapes)
    parts.append("</svg>")
    return "\n".join(parts) + "\n"


def _shape(shape: Shape) -> str:
    if isinstance(shape, Line):
        return f'<polyline class="{shape.paint}" points="{_points(shape.points)}"/>'
    if isinstance(shape, Area):
        return f'<polygon class="{shape.paint}" points="{_points(shape.points)}"/>'
    x, y = map(_number, shape.at)
    anchor = "" if shape.anchor == "start" else f' text-anchor="{shape.anchor}"'
    halo = " halo" if shape.halo else ""
    return f'<text class="{shape.paint}{halo}" x="{x}" y="{y}"{anchor}>{_text(shape.text)}</text>'


def _style() -> str:
    rules = [f".loudness text{{font-family:{FONT};font-variant-numeric:tabular-nums}}"]
    rules += [_rule(name, paint, 0) for name, paint in PAINTS.items()]
    rules.append(_HALO.format(COLOURS["sheet"][0]))
    darker = [_rule(name, paint, 1) for name, paint in PAINTS.items()]
    darker.append(_HALO.format(COLOURS["sheet"][1]))
    return "\n".join([*rules, f"@media (prefers-color-scheme:dark){{{''.join(darker)}}}"])


_HALO = ".halo{{paint-order:stroke;stroke:{};stroke-width:5px;stroke-linejoin:round}}"


def _rule(name: str, paint: Paint, mode: int) -> str:
    fill = COLOURS[paint.fill][mode] if paint.fill else "none"
    said = f"fill:{fill}"
    if paint.stroke:
        said += f";stroke:{COLOURS[paint.stroke][mode]};stroke-width:{_number(paint.width)};stroke-linejoin:round"
    if paint.dash:
        said += f";stroke-dasharray:{' '.join(map(_number, paint.dash))}"
    return f".{name}{{{said}}}"


def _points(points: tuple[Point, ...]) -> str:
    return " ".join(f"{_number(x)},{_number(y)}" for x, y in points)


def _number(value: float) -> str:
    return f"{value:.2f}".rstrip("0").rstrip(".")


def _text(text: str) -> str:
    """Escaped, and without what XML does not allow."""
    kept = "".join(
        c
        if c in "\t\n\r" or (c >= " " and c not in "\ufffe\uffff" and not "\ud800" <= c <= "\udfff")
        else "\ufffd"
        for c in text
    )
    return escape(kept)
