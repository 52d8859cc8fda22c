"""``setout.html``: the set-out sheet for the crew, to be printed: one file without scripts that needs no network.

The page's frame is a table whose head and foot browsers repeat on every sheet of paper: there stand the caution on
services and the lines to sign on. Page numbers stand in the margin, by the style sheet's rules for pages.
"""

from __future__ import annotations

from collections.abc import Iterable, Iterator
from html import escape
from importlib.resources import files
from pathlib import Path

from geofence.outputs.setout.content import setout_sheet
from geofence.outputs.setout.figure import Figure
from geofence.outputs.setout.parts import LOCATED, SERVICES, SIGN_OFF, Band, Cell, Column, Line, Sheet, Table
from geofence.outputs.setout.posts import Note
from geofence.outputs.setout.style import PAPERS_MM, SetoutStyle
from geofence.plan import FencePlan, Output

__all__ = ["OUTPUT", "write"]

SEAL = "default-src 'none'; style-src 'unsafe-inline'"
"""Content security policy: the browser itself refuses every request, and every script."""


def write(plan: FencePlan, path: Path, *, style: SetoutStyle | None = None) -> None:
    """Write the set-out sheet of a plan; ``style`` in place of the job's own."""
    style = style or SetoutStyle.of(plan)
    with path.open("w", encoding="utf-8", errors="backslashreplace", newline="\n") as file:
        file.writelines(_page(setout_sheet(plan, style), style))


def _page(sheet: Sheet, style: SetoutStyle) -> Iterator[str]:
    width, height = PAPERS_MM[style.paper]
    css = (files("geofence.outputs.setout") / "assets" / "sheet.css").read_text(encoding="utf-8")
    yield f"""<!DOCTYPE html>
<html lang="en">
<head>
<meta charset="utf-8">
<meta http-equiv="Content-Security-Policy" content="{SEAL}">
<meta name="viewport" content="width=device-width, initial-scale=1">
<title>Set-out sheet: {escape(sheet.name)}</title>
<style>
{css}
@page {{
  size: {width}mm {height}mm; margin: 10mm 10mm 13mm;
  @bottom-right {{ content: "Page " counter(page) " of " counter(pages); font: 10pt Arial, sans-serif; }}
}}
</style>
</head>
<body class="{style.paper} {style.units}">
<main>
<table class="frame" role="presentation">
<thead><tr><td><div class="running"><span class="job">Set-out sheet: {escape(sheet.name)}</span>
<span class="services">{escape(SERVICES)}</span></div></td></tr></thead>
<tfoot><tr><td><div class="signing">{"".join(f"<span>{word}</span>" for word in SIGN_OFF)}</div></td></tr></tfoot>
<tbody><tr><td>
"""
    yield from _front(sheet)
    for number, table in enumerate(sheet.tables, start=1):
        yield from _table(table, f"table-{number}", last=number == len(sheet.tables))
    yield "</td></tr></tbody>\n</table>\n</main>\n</body>\n</html>\n"


def _front(sheet: Sheet) -> Iterator[str]:
    yield f'<div class="section">\n<h1>{escape(sheet.name)}</h1>\n<p class="fence">{escape(sheet.fence)}</p>\n'
    yield _definitions(sheet.facts, kind="facts")
    cautions = "".join(f"<li>{escape(caution)}</li>\n" for caution in (*sheet.cautions, *sheet.zones))
    yield f'<div class="boxed"><h2>Before anybody digs</h2>\n<ul class="checks">\n{cautions}</ul>\n'
    blanks = "".join(f"<span>{escape(word)}</span>" for word in LOCATED)
    yield f'<p class="located">{blanks}</p></div>\n'
    if sheet.look:
        notes = "".join(f"<li>{_note(note)}</li>\n" for note in sheet.look)
        yield f'<h2>Look at these first</h2>\n<ul class="checks">\n{notes}</ul>\n'
    yield f'<div class="keep"><h2>What the columns of the posts mean</h2>\n{_figure(sheet.figure)}'
    yield f"{_definitions(sheet.legend, kind='legend')}</div></div>\n"


def _definitions(pairs: Iterable[tuple[str, str]], *, kind: str) -> str:
    rows = "".join(f"<div><dt>{escape(label)}</dt><dd>{escape(text)}</dd></div>\n" for label, text in pairs)
    return f'<dl class="{kind}">\n{rows}</dl>\n'


def _figure(figure: Figure) -> str:
    """As a drawing of the page's own, without scripts; words are the columns', which the list below it explains."""
    high = figure.height_mm
    parts = [
        f'<svg class="figure" viewBox="0 0 {figure.width_mm:g} {high:g}" role="img" '
        'aria-label="A post between two bays, with the words that the columns use">\n'
    ]
    for way in figure.ways:
        points = " ".join(f"{x:g},{high - y:g}" for x, y in way.points)
        kind, fill = ("polygon", way.fill) if way.closed else ("polyline", "none")
        parts.append(f'<{kind} points="{points}" fill="{fill}" stroke="#000" stroke-width="{way.width_mm:g}"/>\n')
    for label in figure.labels:
        parts.append(
            f'<text x="{label.x:g}" y="{high - label.y:g}" text-anchor="{label.anchor}">{escape(label.text)}</text>\n'
        )
    return "".join([*parts, "</svg>\n"])


def _note(note: Note) -> str:
    kind = "word stop" if note.word == "STOP" else "word"
    return f'<b class="{kind}">{escape(note.word)}</b> {escape(note.text)}'


def _table(table: Table, key: str, *, last: bool) -> Iterator[str]:
    own_page = " own-page" if last else ""
    yield f'<div class="section{own_page}">\n<div class="lead"><h2 id="{key}">{escape(table.title)}</h2>\n'
    yield f'<p class="hint">{escape(table.hint)}</p></div>\n'
    yield f'<div class="scroll" tabindex="0" role="region" aria-labelledby="{key}">\n'
    yield f'<table class="data" aria-labelledby="{key}">\n<colgroup>'
    whole = sum(column.width for column in table.columns)
    yield "".join(f'<col style="width:{100 * column.width / whole:.2f}%">' for column in table.columns)
    yield "</colgroup>\n<thead><tr>" + "".join(_head(column) for column in table.columns) + "</tr></thead>\n"
    yield from _bodies(table)
    yield "</table>\n</div>\n</div>\n"


def _head(column: Column) -> str:
    kind = f' class="{column.kind}"' if column.kind in ("text", "tick") else ""
    return f'<th scope="col"{kind}>{_lines(column.head)}</th>'


def _lines(cell: Cell) -> str:
    main, second = (escape(text) for text in cell)
    return f"<b>{main}</b> <span>{second}</span>" if second else f"<b>{main}</b>" if main else ""


def _bodies(table: Table) -> Iterator[str]:
    """The rows; those that belong together on a page in a body of their own."""
    across, waiting, striped = len(table.columns), "", False
    for row in table.rows:
        if isinstance(row, Band):
            waiting, striped = f'<tr class="band"><td colspan="{across}">{escape(row.text)}</td></tr>\n', False
            continue
        line = _line(table.columns, row, striped)
        notes = "".join(f'<tr class="note"><td colspan="{across}">{_note(note)}</td></tr>\n' for note in row.notes)
        kept = ' class="keep"' if waiting or notes else ""
        yield f"<tbody{kept}>\n{waiting}{line}{notes}</tbody>\n"
        waiting, striped = "", not striped


def _line(columns: tuple[Column, ...], row: Line, striped: bool) -> str:
    kinds = [word for word, given in (("strong", row.weight == "strong"), ("zebra", striped)) if given]
    cells, texts = iter(row.cells), []
    for column in columns:
        if column.kind in ("tick", "blank"):
            texts.append(f'<td class="{column.kind}"></td>')
        else:
            cell = next(cells)
            stands_out = column.kind == "signed" and cell[0][:1] in ("+", "-")
            kind = ' class="text"' if column.kind == "text" else ' class="out"' if stands_out else ""
            texts.append(f"<td{kind}>{_lines(cell)}</td>")
    kind = f' class="{" ".join(kinds)}"' if kinds else ""
    return f"<tr{kind}>{''.join(texts)}</tr>\n"


OUTPUT = Output(
    filename="setout.html", title="Set-out sheet for the crew, to be printed (HTML)", write=write, standing=False
)
