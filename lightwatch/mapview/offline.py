"""A folium figure in one file: every script and style inside, nothing fetched."""

from __future__ import annotations

import re
from base64 import b64encode
from collections.abc import Mapping
from functools import cache
from hashlib import sha256
from importlib.resources import files
from pathlib import Path
from typing import Any

import jinja2
from branca.element import CssLink, Figure, JavascriptLink
from markupsafe import Markup
from xstatic.pkg import leaflet

UNUSED = frozenset(
    (
        "jquery",
        "bootstrap",
        "bootstrap_css",
        "awesome_markers",
        "awesome_markers_css",
        "awesome_markers_font_css",
        "awesome_rotate_css",
        "glyphicons_css",
    )
)
"""What folium names by default and this page does without."""


def _asset(name: str) -> str:
    return files(__package__).joinpath(name).read_text("utf-8")


@cache
def _leaflet_js() -> str:
    text = Path(leaflet.BASE_DIR, "leaflet.js").read_text("utf-8")
    return re.sub(r"\n//# sourceMappingURL=.*", "", text)


@cache
def _leaflet_css() -> str:
    def picture(found: re.Match[str]) -> str:
        data = b64encode(Path(leaflet.BASE_DIR, found[1]).read_bytes()).decode()
        return f"url(data:image/png;base64,{data})"

    text = Path(leaflet.BASE_DIR, "leaflet.css").read_text("utf-8")
    return re.sub(r"url\((images/[\w.-]+\.png)\)", picture, text)


INLINE = {"leaflet": _leaflet_js, "leaflet_css": _leaflet_css}
"""Name of a folium link to what stands in the page instead."""


@cache
def _page() -> jinja2.Template:
    environment = jinja2.Environment(
        autoescape=True, undefined=jinja2.StrictUndefined, trim_blocks=True
    )
    return environment.from_string(_asset("page.html"))


class OfflineFigure(Figure):
    """A figure that opens from a file with no network.

    Parameters
    ----------
    context
        What ``page.html`` shows around the map. Text in it is escaped there.
    """

    def __init__(self, context: Mapping[str, object]) -> None:
        super().__init__()
        self.context = context

    def _inlined(self, kind: type[Any]) -> list[str]:
        """Return what the header links to, in its order.

        Raises
        ------
        ValueError
            Something is linked that this page does not carry.
        """
        texts = []
        for name, child in self.header._children.items():
            if not isinstance(child, JavascriptLink | CssLink) or name in UNUSED:
                continue
            if name not in INLINE:
                raise ValueError(f"{name!r} ({child.url}) would be fetched; inline it")
            if isinstance(child, kind):
                texts.append(INLINE[name]())
        return texts

    def render(self, **kwargs: Any) -> str:
        """Return the page as HTML text."""
        for child in self._children.values():
            child.render(**kwargs)
        scripts = [*self._inlined(JavascriptLink), _asset("map.js")]
        scripts.append(self.script.render(**kwargs))
        return _page().render(
            self.context,
            styles=[Markup(text) for text in self._inlined(CssLink)],
            map_css=Markup(_asset("map.css")),
            body=Markup(self.html.render(**kwargs)),
            scripts=[Markup(text) for text in scripts],
            allowed=[_digest(text) for text in scripts],
        )


def _digest(script: str) -> str:
    """Return the one spelling under which the page lets a script run."""
    return f"sha256-{b64encode(sha256(script.encode()).digest()).decode()}"
