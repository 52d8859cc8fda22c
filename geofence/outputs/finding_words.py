"""What a finding says, also in files whose lengths are not in metres.

The words of a finding are the same in every file, in metres, as are the keys of a job that its remedy names. A file in
feet says each figure of them once more in brackets, as drawings with two units do, so that nobody works out feet on the
way, and nobody writes feet into a job or takes one for the other.
"""

from __future__ import annotations

import re
from collections.abc import Callable

from geofence.engine.records import Finding
from geofence.outputs.plain_text import one_line
from geofence.plan import FencePlan
from geofence.units import POUND_FORCE_KN, POUND_KG, same_unit, unit_word

__all__ = ["Said", "chainage_words", "said_in", "sentences", "told", "with_brackets"]

Said = Callable[[float], str]
"""Writes a length in metres in another unit: ``0.57 ft``."""

_FIGURE = r"[+-]?\d+(?:\.\d+)?"
_LENGTHS = re.compile(rf"(?<![\w./])({_FIGURE})(?:( and | to )({_FIGURE}))? m\b(?!/)")
_OTHERS = re.compile(rf"(?<![\w./])({_FIGURE}) (kN|kg|°C)(?![\w/])")


def said_in(unit_m: float, name: str) -> Said | None:
    """How lengths are said in a unit of so many metres, of that name; None for the metre."""
    if same_unit(unit_m, 1.0):
        return None
    word = "ft" if unit_word(unit_m) else one_line(name)
    return lambda value_m: f"{value_m / unit_m:.2f} {word}"


def told(plan: FencePlan, finding: Finding, said: Said | None) -> str:
    """A finding on one line: how grave it is, at which post or bay, where along which line, and its sentences."""
    name = ""
    if finding.post is not None:
        name = plan.post_names[finding.post]
    elif finding.bay is not None:
        name = plan.bay_names[finding.bay]
    on, along = ", ".join(filter(None, (name, one_line(finding.line)))), chainage_words(finding, said)
    where = f"{f' {on}' if on else ''}{f' at {along}' if along else ''}"
    return f"{finding.severity.upper()}{where}: {sentences(finding, said)}"


def sentences(finding: Finding, said: Said | None) -> str:
    """What is so, and what would cure it; ``said`` as in :func:`with_brackets`."""
    remedy = f" {one_line(finding.remedy)}" if finding.remedy else ""
    return with_brackets(f"{one_line(finding.message).rstrip('.')}.{remedy}", said)


def with_brackets(text: str, said: Said | None) -> str:
    """A text in metres with each length once more by ``said``; None leaves it as it is.

    With lengths go tensions, weights and temperatures, in pounds and degrees Fahrenheit.

    >>> with_brackets("From 3.00 to 4.57 m it carries 1.47 kN at -15 °C.", lambda value_m: f"{value_m / 0.3048:.2f} ft")
    'From 3.00 to 4.57 m [9.84 ft to 14.99 ft] it carries 1.47 kN [330 lbf] at -15 °C [5 °F].'
    """
    if said is None:
        return text

    def lengths(found: re.Match[str]) -> str:
        one, between, other = found.groups()
        return f"{found[0]} [{said(float(one))}{f'{between}{said(float(other))}' if other else ''}]"

    return _OTHERS.sub(
        lambda found: f"{found[0]} [{_imperial(float(found[1]), found[2])}]", _LENGTHS.sub(lengths, text)
    )


def _imperial(value: float, unit: str) -> str:
    match unit:
        case "kN":
            return f"{value / POUND_FORCE_KN:.0f} lbf"
        case "kg":
            return f"{value / POUND_KG:.0f} lb"
        case _:
            return f"{value * 9 / 5 + 32:.0f} °F"


def chainage_words(finding: Finding, said: Said | None) -> str:
    """Where a finding is along its line, or from where to where; empty where it has no chainage.

    >>> chainage_words(Finding(code="x", severity="warn", message="x", chainage_m=2.0, chainage_to_m=4.5), None)
    '2.00 to 4.50 m'
    """
    if finding.chainage_m is None:
        return ""
    ends = [at for at in (finding.chainage_m, finding.chainage_to_m) if at is not None]
    return " to ".join(map(said, ends)) if said else f"{' to '.join(f'{at:.2f}' for at in ends)} m"
