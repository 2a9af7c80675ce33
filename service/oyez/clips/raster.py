"""A drawing as PNG, with the same places, colours and typeface as its SVG."""

from __future__ import annotations

import io
from typing import Final

from PIL import Image, ImageDraw, ImageFont

from oyez.loudness.drawing import COLOURS, PAINTS, SIZE_PX, Area, Drawing, Line, Point, Words
from oyez.settings import folder

SCALE: Final = 2  # pixels of the image to one of the drawing
_FINER: Final = 2  # drawn larger and reduced, so that edges are smooth
_HALO_PX = 2.5
_ANCHORS: Final = {"start": "ls", "middle": "ms", "end": "rs"}


def to_png(drawing: Drawing) -> bytes:
    """The drawing on paper, in the light colours, two pixels of the image to one of the drawing."""
    fine = SCALE * _FINER
    size = (round(drawing.width * fine), round(drawing.height * fine))
    image = Image.new("RGB", size, COLOURS["sheet"][0])
    pen = ImageDraw.Draw(image)
    for shape in drawing.shapes:
        if not isinstance(shape, Words):
            _shape(pen, shape, fine)
    image = image.resize((size[0] // _FINER, size[1] // _FINER), Image.Resampling.LANCZOS)
    pen, font = ImageDraw.Draw(image), _font(SIZE_PX * SCALE)
    for shape in drawing.shapes:
        if isinstance(shape, Words):
            fill = PAINTS[shape.paint].fill
            pen.text(
                (shape.at[0] * SCALE, shape.at[1] * SCALE),
                shape.text,
                fill=COLOURS[fill or "ink"][0],
                font=font,
                anchor=_ANCHORS[shape.anchor],
                stroke_width=round(_HALO_PX * SCALE) if shape.halo else 0,
                stroke_fill=COLOURS["sheet"][0],
            )
    out = io.BytesIO()
    image.quantize(128).save(out, "PNG", optimize=True)
    return out.getvalue()


def _shape(pen: ImageDraw.ImageDraw, shape: Line | Area, fine: int) -> None:
    paint = PAINTS[shape.paint]
    points = [(x * fine, y * fine) for x, y in shape.points]
    if isinstance(shape, Area) and paint.fill is not None and len(points) > 2:
        pen.polygon(points, fill=COLOURS[paint.fill][0])
        points.append(points[0])
    if paint.stroke is None:
        return
    colour, width = COLOURS[paint.stroke][0], max(1, round(paint.width * fine))
    if paint.dash:
        for piece in _dashes(points, [length * fine for length in paint.dash]):
            pen.line(piece, fill=colour, width=width)
    else:
        pen.line(points, fill=colour, width=width, joint="curve")


def _dashes(points: list[Point], lengths: list[float]) -> list[list[Point]]:
    """The drawn pieces of a straight line from its first point to its last."""
    (x1, y1), (x2, y2) = points[0], points[-1]
    whole = ((x2 - x1) ** 2 + (y2 - y1) ** 2) ** 0.5
    pieces, at, drawn = [], 0.0, True
    while at < whole:
        until = min(whole, at + lengths[0 if drawn else 1])
        if drawn:
            pieces.append([(x1 + (x2 - x1) * t / whole, y1 + (y2 - y1) * t / whole) for t in (at, until)])
        at, drawn = until, not drawn
    return pieces


def _font(size_px: float) -> ImageFont.FreeTypeFont | ImageFont.ImageFont:
    """The page's typeface; Pillow's own where its FreeType cannot open it."""
    path = folder("web") / "static" / "fonts" / "atkinson-hyperlegible-latin-400-normal.woff2"
    try:
        return ImageFont.truetype(path, size_px)
    except OSError:
        return ImageFont.load_default(size_px)
