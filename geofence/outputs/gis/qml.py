"""A style as QML, the language of styles of QGIS (release 3)."""

from __future__ import annotations

from collections.abc import Mapping

from geofence.outputs.colours import Rgb
from geofence.outputs.gis.styles import Label, Look, Style, Symbol
from geofence.outputs.xml_text import attribute

__all__ = ["qml"]

_TYPES = {"Point": "marker", "LineString": "line", "LineString Z": "line", "MultiPolygon": "fill"}
_MARKS = {"cross": "cross2"}
_DOCTYPE = "<!DOCTYPE qgis PUBLIC 'http://mrcc.com/qgis.dtd' 'SYSTEM'>\n"
_MOST_SCALE = 1


def qml(style: Style) -> str:
    """The style as a document of its own."""
    categories = "Symbology|Labeling" if style.label else "Symbology"
    return (
        f'{_DOCTYPE}<qgis version="3.22.0" styleCategories="{categories}" labelsEnabled="{int(bool(style.label))}">\n'
        f"{_renderer(style)}{_labeling(style, style.label) if style.label else ''}</qgis>\n"
    )


def _renderer(style: Style) -> str:
    symbols = "".join(_symbol(style, str(row), look.symbol) for row, look in enumerate(style.looks))
    common = 'forceraster="0" symbollevels="0" enableorderby="0"'
    if style.column is None:
        return f'<renderer-v2 type="singleSymbol" {common}>\n<symbols>\n{symbols}</symbols>\n</renderer-v2>\n'
    categories = "".join(_category(row, look) for row, look in enumerate(style.looks))
    return (
        f'<renderer-v2 type="categorizedSymbol" attr={attribute(style.column)} {common}>\n'
        f"<categories>\n{categories}</categories>\n<symbols>\n{symbols}</symbols>\n</renderer-v2>\n"
    )


def _category(row: int, look: Look) -> str:
    """An empty value stands for all others."""
    kind, value = ("NULL", "") if look.value is None else ("string", look.value)
    given = {"symbol": str(row), "value": value, "type": kind, "label": look.title, "render": "true"}
    return f"<category {_given(given)}/>\n"


def _symbol(style: Style, name: str, symbol: Symbol) -> str:
    kind = _TYPES[style.shape]
    layer, options = {
        "marker": ("SimpleMarker", _marker),
        "line": ("SimpleLine", _line),
        "fill": ("SimpleFill", _area),
    }[kind]
    return (
        f'<symbol type="{kind}" name="{name}" alpha="1" clip_to_extent="1" force_rhr="0">\n'
        f'<layer class="{layer}" enabled="1" pass="0" locked="0">\n{_options(options(symbol))}</layer>\n</symbol>\n'
    )


def _marker(symbol: Symbol) -> Mapping[str, str]:
    return {
        "name": _MARKS.get(symbol.mark, symbol.mark),
        "color": _rgba(symbol.fill, symbol.opacity),
        "outline_color": _rgba(symbol.stroke),
        "outline_style": "solid",
        "outline_width": f"{symbol.width_mm:g}",
        "outline_width_unit": "MM",
        "size": f"{symbol.size_mm:g}",
        "size_unit": "MM",
        "scale_method": "diameter",
    }


def _line(symbol: Symbol) -> Mapping[str, str]:
    return {
        "line_color": _rgba(symbol.stroke),
        "line_style": "solid",
        "line_width": f"{symbol.width_mm:g}",
        "line_width_unit": "MM",
        "capstyle": "flat" if symbol.dash_mm else "round",
        "joinstyle": "round",
        **_dashes(symbol),
    }


def _area(symbol: Symbol) -> Mapping[str, str]:
    return {
        "color": _rgba(symbol.fill, symbol.opacity),
        "style": "no" if symbol.fill is None else "solid",
        "outline_color": _rgba(symbol.stroke),
        "outline_style": "dash" if symbol.dash_mm else "solid",
        "outline_width": f"{symbol.width_mm:g}",
        "outline_width_unit": "MM",
        "joinstyle": "round",
    }


def _dashes(symbol: Symbol) -> Mapping[str, str]:
    if not symbol.dash_mm:
        return {}
    dashes = ";".join(f"{length:g}" for length in symbol.dash_mm)
    return {"use_custom_dash": "1", "customdash": dashes, "customdash_unit": "MM"}


def _options(values: Mapping[str, str]) -> str:
    inner = "".join(
        f'<Option type="QString" name={attribute(name)} value={attribute(value)}/>\n' for name, value in values.items()
    )
    return f'<Option type="Map">\n{inner}</Option>\n'


_PLACEMENTS: Mapping[str, Mapping[str, str]] = {
    "Point": {"placement": "0", "dist": "1.2", "distUnits": "MM"},
    "MultiPolygon": {"placement": "1"},
}
_ALONG = {"placement": "2", "placementFlags": "10", "dist": "0.8", "distUnits": "MM"}
_HALO = {
    "bufferDraw": "1",
    "bufferSize": "0.5",
    "bufferSizeUnits": "MM",
    "bufferColor": "255,255,255,255",
    "bufferOpacity": "1",
}


def _labeling(style: Style, label: Label) -> str:
    """Beside points, along lines, in the middle of areas; not when the map is drawn small."""
    placement = _PLACEMENTS.get(style.shape, _ALONG)
    text = {
        "fieldName": label.column,
        "isExpression": "0",
        "fontFamily": "Sans",
        "fontSize": f"{label.size_pt:g}",
        "fontSizeUnit": "Point",
        "textColor": _rgba(label.colour),
        "textOpacity": "1",
    }
    shown = {
        "scaleVisibility": "1",
        "scaleMin": str(_MOST_SCALE),
        "scaleMax": str(label.least_scale),
        "drawLabels": "1",
        "obstacle": "1",
    }
    return (
        '<labeling type="simple">\n<settings calloutType="simple">\n'
        f"<text-style {_given(text)}>\n<text-buffer {_given(_HALO)}/>\n</text-style>\n"
        f"<placement {_given(placement)}/>\n<rendering {_given(shown)}/>\n</settings>\n</labeling>\n"
    )


def _given(values: Mapping[str, str]) -> str:
    return " ".join(f"{name}={attribute(value)}" for name, value in values.items())


def _rgba(rgb: Rgb | None, opacity: float = 1.0) -> str:
    return "255,255,255,0" if rgb is None else ",".join(map(str, (*rgb, round(255 * opacity))))
