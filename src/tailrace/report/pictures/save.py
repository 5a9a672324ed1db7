"""A figure as a file, or as a part of a page."""

from __future__ import annotations

import io
import re
import warnings
from pathlib import Path
from typing import TYPE_CHECKING, Any, Literal, TypeAlias

from tailrace.report.pictures import style

if TYPE_CHECKING:
    from matplotlib.figure import Figure

PictureKind: TypeAlias = Literal["png", "svg", "pdf"]
KINDS: tuple[PictureKind, ...] = ("png", "svg", "pdf")
DPI = 180


def picture_bytes(figure: Figure, kind: PictureKind) -> bytes:
    """The figure as a PNG, SVG or PDF, the same bytes for the same figure: no date, and no random names inside."""
    import matplotlib as mpl

    date = {"png": {}, "svg": {"Date": None}, "pdf": {"CreationDate": None}}[kind]
    options: dict[Any, Any] = {"svg.hashsalt": "tailrace", "svg.fonttype": "none", "pdf.fonttype": 42}
    held = io.BytesIO()
    with mpl.rc_context(options), warnings.catch_warnings():
        # A name may be in a script that the font of the pictures lacks; the reader's own may have it.
        warnings.filterwarnings("ignore", "Glyph .* missing from", UserWarning)
        figure.savefig(held, format=kind, dpi=DPI, metadata=date, facecolor=figure.get_facecolor())
    return held.getvalue()


def save(figure: Figure, path: str | Path) -> Path:
    """Write the figure to a file of the kind that its name ends in: .png, .svg or .pdf.

    Raises:
        ValueError: another ending.
        OSError: the file cannot be written.
    """
    path = Path(path)
    kind = next((each for each in KINDS if path.suffix.lower() == f".{each}"), None)
    if kind is None:
        raise ValueError(
            f"{path.name} ends in {path.suffix!r}; accepted: {', '.join(f'.{k}' for k in KINDS)}"
        )
    path.write_bytes(picture_bytes(figure, kind))
    return path


def inline_svg(figure: Figure, name: str) -> str:
    """The figure as an `<svg>` element for a page: text stays text, colours are the page's variables.

    ``name`` is an identifier that no other picture of the page has; all ids inside begin with it. The element says
    nothing of itself; the page gives it its role and its text alternative.
    """
    figure.set_facecolor("none")
    text = picture_bytes(figure, "svg").decode()
    text = text[text.index("<svg") :]
    text = re.sub(r"<metadata>.*?</metadata>", "", text, flags=re.DOTALL)
    text = re.sub(r'\bid="([^"]+)"', rf'id="{name}-\1"', text)
    text = re.sub(r"url\(#([^)]+)\)", rf"url(#{name}-\1)", text)
    text = re.sub(r'href="#([^"]+)"', rf'href="#{name}-\1"', text)
    text = re.sub(r"\bfont: ([^;\"]*)", lambda found: _font(found[1]), text)
    text = re.sub(r"font-family: [^;\"]*; ?", "", text)
    for variable, colour in style.PAGE_COLOURS["light"].items():
        text = text.replace(colour, f"var(--{variable})")
    return text.strip()


def svg_without_styles(figure: Figure, name: str) -> str:
    """The same for a page that allows no style but its own sheet: what styles say stands in attributes."""
    text = re.sub(r"<style.*?</style>", "", inline_svg(figure, name), flags=re.DOTALL)
    text = text.replace("<svg ", '<svg stroke-linejoin="round" stroke-linecap="butt" ', 1)
    return re.sub(r' style="([^"]*)"', lambda found: _attributes(found[1]), text)


def _attributes(style: str) -> str:
    """Every declaration as an attribute of its own."""
    parts = (part.partition(":") for part in style.split(";") if part.strip())
    return "".join(f' {name.strip()}="{value.strip()}"' for name, _, value in parts)


def _font(written: str) -> str:
    """Size and weight of a text in the short form; the family is the page's."""
    size = re.search(r"[\d.]+px", written)
    weight = "font-weight: bold; " if "bold" in written or "700" in written else ""
    return f"{weight}font-size: {size[0] if size else '9px'}"
