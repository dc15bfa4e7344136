"""A page of figures and tables that needs nothing else: one of ``templates/``, filled with plain values.

Every value is escaped where it is written, and no part of it steers what shows it
(emulator.core.outside.visible_text); only the files of ``assets/`` go in as they are.
Figures (emulator.report.figures.drawing) come by key; a page has a place of the same id for each.
"""

from __future__ import annotations

import json
import math
from collections.abc import Mapping
from dataclasses import dataclass
from functools import cache
from importlib.resources import files
from typing import TYPE_CHECKING, Any

from emulator.core.outside.visible_text import visible
from emulator.report.figures.columns import packed
from emulator.report.figures.drawing import Figure

if TYPE_CHECKING:
    from jinja2 import Environment
    from markupsafe import Markup


@dataclass(frozen=True)
class Cell:
    """A table's cell of more than plain words: ``strong`` ones first, then ``text``, which may be code.

    leads_to  [s] from, to: the stretch of the ride that its words lead to; ``panel``: key of the panel there
    """

    text: str = ""
    strong: str = ""
    code: bool = False
    leads_to: tuple[float, float] | None = None
    panel: str = ""


def asset(name: str) -> str:
    """A file of ``assets/`` as text: ``page.css`` is the look of every page, ``page.js`` what it can do."""
    return (files("emulator.report") / "assets" / name).read_text(encoding="utf-8")


def page_html(
    template: str,
    title: str,
    figures: Mapping[str, Figure],
    by_time: Mapping[str, object] | None = None,
    **values: object,
) -> str:
    """The whole page as one HTML document.

    template  a file of ``templates/`` that extends ``page.html``
    figures   without any the page carries nothing that draws
    by_time   what goes by time beside panels of kind ``strip``: bands, pose (figures.over_time)
    values    what the template names

    Raises jinja2.UndefinedError if the template names what is not there.
    """
    carried, numbers = packed({"figures": figures, "ride": by_time or {}})
    strips = any(figure.get("kind") == "strip" for figure in figures.values())
    return environment().get_template(template).render(
        title=title, figures=figures, carried=carried, numbers=numbers, strips=strips, **values
    )  # fmt: skip


@cache
def environment() -> Environment:
    """The template engine, made once; only who writes a page waits for it."""
    from jinja2 import Environment, PackageLoader, StrictUndefined

    from emulator.report.kept_templates import KeptTemplates

    engine = Environment(
        loader=PackageLoader("emulator.report"),
        bytecode_cache=KeptTemplates(),
        autoescape=True,
        undefined=StrictUndefined,
        finalize=_visible,
        trim_blocks=True,
        lstrip_blocks=True,
        keep_trailing_newline=True,
    )
    # As figures are written in a script element: tojson turns "<" into an escape, so that no name can end it.
    engine.policies["json.dumps_function"] = _json
    engine.policies["json.dumps_kwargs"] = {
        "ensure_ascii": False,
        "allow_nan": False,
        "separators": (",", ":"),
    }
    engine.globals |= {"asset": _asset_as_it_is}
    return engine


def _json(value: object, **options: Any) -> str:
    """A figure as JSON; numbers that are none, as a damaged record may give, are left out of it."""
    try:
        return json.dumps(value, **options)
    except ValueError:
        return json.dumps(_without_gaps(value), **options)


def _without_gaps(value: object) -> object:
    if isinstance(value, float):
        return value if math.isfinite(value) else None
    if isinstance(value, Mapping):
        return {key: _without_gaps(item) for key, item in value.items()}
    if isinstance(value, list | tuple):
        return [_without_gaps(item) for item in value]
    return value


def _visible(value: object) -> object:
    """What a template writes; what is no longer plain text, such as an asset, as it is."""
    return visible(value) if type(value) is str else value


def _asset_as_it_is(name: str) -> Markup:
    from markupsafe import Markup

    return Markup(asset(name))
