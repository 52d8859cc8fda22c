"""A style as SLD (OGC 05-078r4) with the symbols of OGC 05-077r4: what many programs read."""

from __future__ import annotations

from collections.abc import Iterator

from geofence.outputs.colours import Rgb
from geofence.outputs.gis.styles import Label, Look, Style, Symbol
from geofence.outputs.xml_text import DECLARATION, attribute, content

__all__ = ["sld"]

_ROOT = (
    '<StyledLayerDescriptor version="1.1.0" xmlns="http://www.opengis.net/sld" xmlns:se="http://www.opengis.net/se"'
    ' xmlns:ogc="http://www.opengis.net/ogc" xmlns:xlink="http://www.w3.org/1999/xlink"'
    ' xmlns:xsi="http://www.w3.org/2001/XMLSchema-instance" xsi:schemaLocation="http://www.opengis.net/sld'
    ' http://schemas.opengis.net/sld/1.1.0/StyledLayerDescriptor.xsd">'
)
_PIXELS_PER_MM = 1 / 0.28
"""By the rule of these standards, a pixel is 0.28 mm wide."""

_MARKS = {"diamond": ("square", 45), "pentagon": ("circle", 0), "hexagon": ("circle", 0), "octagon": ("circle", 0)}
"""Marks that the standard lacks, by those that it has."""


def sld(layer: str, style: Style) -> str:
    """The style of a layer as a document of its own."""
    rules = "".join(_rules(style))
    name = content(layer)
    return (
        f"{DECLARATION}{_ROOT}<NamedLayer><se:Name>{name}</se:Name><UserStyle><se:Name>{name}</se:Name>"
        f"<se:FeatureTypeStyle>{rules}</se:FeatureTypeStyle></UserStyle></NamedLayer></StyledLayerDescriptor>\n"
    )


def _rules(style: Style) -> Iterator[str]:
    for look in style.looks:
        test = _filter(style, look)
        yield f"<se:Rule><se:Name>{content(look.title)}</se:Name>{test}{_symbolizer(style, look.symbol)}</se:Rule>"
    if style.label:
        yield _label(style, style.label)


def _filter(style: Style, look: Look) -> str:
    if style.column is None:
        return ""
    if look.value is None:
        return "<se:ElseFilter/>"
    return f"<ogc:Filter>{_equal(style.column, look.value)}</ogc:Filter>"


def _equal(column: str, value: str) -> str:
    return (
        f"<ogc:PropertyIsEqualTo><ogc:PropertyName>{content(column)}</ogc:PropertyName>"
        f"<ogc:Literal>{content(value)}</ogc:Literal></ogc:PropertyIsEqualTo>"
    )


def _symbolizer(style: Style, symbol: Symbol) -> str:
    if style.shape == "Point":
        name, turn = _MARKS.get(symbol.mark, (symbol.mark, 0))
        rotation = f"<se:Rotation>{turn}</se:Rotation>" if turn else ""
        return (
            f"<se:PointSymbolizer><se:Graphic><se:Mark><se:WellKnownName>{name}</se:WellKnownName>"
            f"{_fill(symbol)}{_stroke(symbol)}</se:Mark><se:Size>{_pixels(symbol.size_mm)}</se:Size>{rotation}"
            "</se:Graphic></se:PointSymbolizer>"
        )
    if style.shape == "MultiPolygon":
        return f"<se:PolygonSymbolizer>{_fill(symbol)}{_stroke(symbol)}</se:PolygonSymbolizer>"
    return f"<se:LineSymbolizer>{_stroke(symbol)}</se:LineSymbolizer>"


def _fill(symbol: Symbol) -> str:
    if symbol.fill is None:
        return ""
    return f"<se:Fill>{_parameter('fill', _hex(symbol.fill))}{_parameter('fill-opacity', symbol.opacity)}</se:Fill>"


def _stroke(symbol: Symbol) -> str:
    dashes = " ".join(_pixels(length) for length in symbol.dash_mm)
    return (
        f"<se:Stroke>{_parameter('stroke', _hex(symbol.stroke))}"
        f"{_parameter('stroke-width', _pixels(symbol.width_mm))}"
        f"{_parameter('stroke-dasharray', dashes) if dashes else ''}</se:Stroke>"
    )


def _label(style: Style, label: Label) -> str:
    placement = (
        "<se:PointPlacement><se:AnchorPoint><se:AnchorPointX>0</se:AnchorPointX><se:AnchorPointY>0.5</se:AnchorPointY>"
        "</se:AnchorPoint><se:Displacement><se:DisplacementX>7</se:DisplacementX><se:DisplacementY>0</se:DisplacementY>"
        "</se:Displacement></se:PointPlacement>"
        if style.shape == "Point"
        else "<se:PointPlacement/>"
        if style.shape == "MultiPolygon"
        else "<se:LinePlacement><se:GeneralizeLine>true</se:GeneralizeLine></se:LinePlacement>"
    )
    size = _pixels(label.size_pt * 25.4 / 72)
    return (
        f"<se:Rule><se:Name>{content(label.column)}</se:Name>"
        f"<se:MaxScaleDenominator>{label.least_scale}</se:MaxScaleDenominator>"
        f"<se:TextSymbolizer><se:Label><ogc:PropertyName>{content(label.column)}</ogc:PropertyName></se:Label>"
        f"<se:Font>{_parameter('font-family', 'sans-serif')}{_parameter('font-size', size)}</se:Font>"
        f"<se:LabelPlacement>{placement}</se:LabelPlacement>"
        f"<se:Halo><se:Radius>1</se:Radius><se:Fill>{_parameter('fill', '#ffffff')}</se:Fill></se:Halo>"
        f"<se:Fill>{_parameter('fill', _hex(label.colour))}</se:Fill></se:TextSymbolizer></se:Rule>"
    )


def _parameter(name: str, value: object) -> str:
    return f"<se:SvgParameter name={attribute(name)}>{content(str(value))}</se:SvgParameter>"


def _pixels(length_mm: float) -> str:
    return f"{length_mm * _PIXELS_PER_MM:.3g}"


def _hex(rgb: Rgb) -> str:
    return "#{:02x}{:02x}{:02x}".format(*rgb)
