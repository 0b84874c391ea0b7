"""One self-contained HTML page: its frame, its figures, its pictures.

Every figure that a page shows is taken from the JSON document that is embedded in it, and says from where: the
element that shows it carries ``data-at``, a JSON pointer (RFC 6901), and what was done to the value (``data-times``,
``data-digits``, ``data-plus``). The tests do all of that again from the page alone.

Nothing is loaded from outside: a content security policy forbids it, pictures are data URLs.
"""

import base64
import json
import math
import re
from collections.abc import Iterable, Sequence
from dataclasses import dataclass
from html import escape
from importlib import resources
from typing import Any

POLICY = "default-src 'none'; img-src data:; style-src 'unsafe-inline'; script-src 'unsafe-inline'"
MINUS = "\N{MINUS SIGN}"
DATA_ID = "facetrace-data"


def esc(text: object) -> str:
    """Text for HTML, between tags or in an attribute; what a file's name has beyond UTF-8 becomes "?"."""
    return escape(str(text).encode("utf-8", "replace").decode(), quote=True)


def asset(name: str) -> str:
    """A style sheet or script that belongs to this package."""
    return (resources.files("facetrace.report") / name).read_text(encoding="utf-8")


def embedded(document: dict[str, Any]) -> str:
    """JSON that no HTML parser can mistake for markup; refuses NaN and infinities."""
    text = json.dumps(document, ensure_ascii=True, allow_nan=False, separators=(",", ":"))
    return text.replace("<", "\\u003c").replace(">", "\\u003e").replace("&", "\\u0026")


def css_string(text: str) -> str:
    """Text as a CSS string, in which nothing can end the string or its style element (CSS Syntax 3, 4.3.7)."""
    return '"' + re.sub(r"[^A-Za-z0-9 ,.-]", lambda m: f"\\{ord(m[0]):06X} ", text) + '"'


def data_url(content: bytes, kind: str) -> str:
    """A picture as a data URL; *kind* like image/png."""
    return f"data:{kind};base64,{base64.b64encode(content).decode('ascii')}"


def look_up(document: Any, pointer: str) -> Any:
    """The value that a JSON pointer names (RFC 6901). Raises KeyError, IndexError."""
    value = document
    for part in pointer.split("/")[1:]:
        key = part.replace("~1", "/").replace("~0", "~")
        value = value[int(key)] if isinstance(value, list) else value[key]
    return value


def pointer_part(key: object) -> str:
    """A key as a part of a JSON pointer."""
    return str(key).replace("~", "~0").replace("/", "~1")


def shown(value: float, digits: int, times: float = 1.0, plus: bool = False) -> str:
    """A number as pages print it: *digits* decimals, thousands apart, a real minus, no minus at zero."""
    text = f"{value * times:,.{digits}f}"
    zero = not any(c in text for c in "123456789")
    if zero:
        text = text.lstrip("-")
    if plus and not zero and not text.startswith("-"):
        text = f"+{text}"
    return text.replace("-", MINUS)


@dataclass(frozen=True)
class Figures:
    """The document's figures as HTML, each with its pointer."""

    document: dict[str, Any]

    def at(self, pointer: str) -> Any:
        """The value itself."""
        return look_up(self.document, pointer)

    def has(self, pointer: str) -> bool:
        """Whether there is a value, and not null."""
        try:
            return self.at(pointer) is not None
        except (KeyError, IndexError, TypeError):
            return False

    def number(
        self, pointer: str, digits: int = 2, *, times: float = 1.0, plus: bool = False
    ) -> str:
        """A number, rounded."""
        value = float(self.at(pointer))
        extra = f' data-times="{times:g}"' if times != 1 else ""
        extra += " data-plus" if plus else ""
        return (
            f'<data value="{value!r}" data-at="{esc(pointer)}" data-digits="{digits}"{extra}>'
            f"{shown(value, digits, times, plus)}</data>"
        )

    def estimate(
        self, pointer: str, digits: int | None = None, *, times: float = 1.0, plus: bool = False
    ) -> str:
        """An estimate {value, stderr} with its standard error.

        Both get *digits* decimals, or as many as show one figure of the error, 1 to 4.
        """
        if digits is None:
            error = abs(float(self.at(f"{pointer}/stderr")) * times)
            digits = 1 if error == 0 else min(max(math.ceil(-math.log10(error)), 1), 4)
        value = self.number(f"{pointer}/value", digits, times=times, plus=plus)
        apart = self.number(f"{pointer}/stderr", digits, times=times)
        return (
            f'<span class="est">{value} <span class="err">\N{PLUS-MINUS SIGN} {apart}</span></span>'
        )

    def words(self, pointer: str) -> str:
        """Text as it stands in the document."""
        return f'<span data-at="{esc(pointer)}">{esc(self.at(pointer))}</span>'


def rough_carats(f: Figures, at: str) -> str:
    """Carats of a rough {carats, weighed_carats}, as HTML: by the balance, by its volume, or both where they differ."""
    volume = f.number(f"{at}/carats")
    if not f.has(f"{at}/weighed_carats"):
        return f"{volume} ct by its volume"
    balance = f"{f.number(f'{at}/weighed_carats')} ct by the balance"
    same = shown(f.at(f"{at}/weighed_carats"), 2) == shown(f.at(f"{at}/carats"), 2)
    return balance if same else f"{balance}, {volume} by its volume"


# ---- building blocks ---------------------------------------------------------------------------


def section(ident: str, heading: str, *parts: str) -> str:
    """A section with a heading that a link can reach; nothing without parts."""
    body = "\n".join(p for p in parts if p)
    if not body:
        return ""
    return f'<section id="{ident}" aria-labelledby="{ident}-h"><h2 id="{ident}-h">{esc(heading)}</h2>\n{body}\n</section>'


def paragraph(html: str, kind: str = "") -> str:
    """A paragraph of HTML."""
    mark = f' class="{kind}"' if kind else ""
    return f"<p{mark}>{html}</p>"


def table(caption: str, heads: Sequence[str], rows: Iterable[Sequence[str]], kind: str = "") -> str:
    """A table of HTML cells; the first cell of a row is its heading. *heads* may be empty.

    Columns of figures stand on the right, their heads too; those of words, and all of a table of kind "text", on the left.
    """
    rows = list(rows)
    cells = [(k, cell) for row in rows for k, cell in enumerate(row) if k]
    figures = {k for k, cell in cells if "<data" in cell}
    words = {0, *(k for k, cell in cells if re.search(r"[^\W\d]", cell))} - figures

    def mark_of(k: int) -> str:
        return ' class="words"' if k in words else ""

    head = "".join(f'<th scope="col"{mark_of(k)}>{h}</th>' for k, h in enumerate(heads))
    lines = [
        f'<tr><th scope="row">{row[0]}</th>'
        + "".join(f"<td{mark_of(k)}>{c}</td>" for k, c in enumerate(row[1:], 1))
        + "</tr>"
        for row in rows
    ]
    top = f"<thead><tr>{head}</tr></thead>" if heads else ""
    mark = f' class="{kind}"' if kind else ""
    return (
        f'<div class="wide" tabindex="0" role="region" aria-label="{esc(caption)}"><table{mark}><caption data-fixed>{esc(caption)}</caption>{top}'
        f"<tbody>{''.join(lines)}</tbody></table></div>"
    )


def image(source: str, alt: str, size: tuple[int, int]) -> str:
    """A picture; *alt* is plain text."""
    return f'<img src="{source}" alt="{esc(alt)}" width="{size[0]}" height="{size[1]}">'


def figure(picture: str, caption: str, kind: str = "") -> str:
    """A picture (HTML) with its caption (HTML)."""
    mark = f' class="{kind}"' if kind else ""
    return f"<figure{mark}>{picture}<figcaption>{caption}</figcaption></figure>"


def listed(items: Iterable[str], kind: str = "") -> str:
    """A list of HTML items."""
    mark = f' class="{kind}"' if kind else ""
    lines = "".join(f"<li>{i}</li>" for i in items)
    return f"<ul{mark}>{lines}</ul>" if lines else ""


def page(
    title: str, body: str, document: dict[str, Any], *, styles: Sequence[str] = (), scripts: Sequence[str] = (),
    rules: str = "",
) -> str:  # fmt: skip
    """The whole page. *styles* and *scripts*: names of assets beside page.css; *title*: plain text; *rules*: CSS of its own."""
    style = "\n".join([*(asset(name) for name in ("page.css", *styles)), rules])
    script = "\n".join(f"<script>\n{asset(name)}\n</script>" for name in scripts)
    return f"""<!DOCTYPE html>
<html lang="en">
<head>
<meta charset="utf-8">
<meta http-equiv="Content-Security-Policy" content="{POLICY}">
<meta name="viewport" content="width=device-width, initial-scale=1">
<meta name="color-scheme" content="light dark">
<title>{esc(title)}</title>
<style>
{style}
</style>
</head>
<body>
{body}
<script type="application/json" id="{DATA_ID}">{embedded(document)}</script>
{script}
</body>
</html>
"""
