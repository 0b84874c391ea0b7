"""Pages read back: their figures, their loose numbers, and the marks of their charts, from the page alone."""

import json
import re
from html import unescape
from html.parser import HTMLParser

from facetrace.report.html import DATA_ID, look_up, shown

# elements that hold no text and are not closed
VOID = {"area", "br", "col", "hr", "img", "input", "link", "meta", "source", "wbr"}


class _Reader(HTMLParser):
    """Text under every element with data-at, and the embedded document."""

    def __init__(self):
        super().__init__(convert_charrefs=True)
        self.open = []
        self.figures = []
        self.data = []
        self.loose = []

    def handle_starttag(self, tag, attrs):
        found = dict(attrs)
        if "data-at" in found:
            self.figures.append((found, []))
        if tag not in VOID:
            self.open.append((tag, found))

    def handle_endtag(self, tag):
        while self.open and self.open.pop()[0] != tag:
            pass

    def handle_data(self, data):
        tags = {tag for tag, _ in self.open}
        if self.open and self.open[-1][1].get("id") == DATA_ID:
            self.data.append(data)
        elif any("data-at" in attrs for _, attrs in self.open):
            self.figures[-1][1].append(data)
        elif not tags & {"script", "style", "title", "desc"} and not any(
            "data-fixed" in attrs for _, attrs in self.open
        ):
            self.loose.append(data)


def document_in(text):
    """The document that is embedded in a page. Raises ValueError without one."""
    reader = _Reader()
    reader.feed(text)
    found = json.loads("".join(reader.data))
    assert isinstance(found, dict)
    return found


def wrong_figures(text):
    """Figures of a page that its own document does not give, in words; none for a sound page."""
    reader = _Reader()
    reader.feed(text)
    document = json.loads("".join(reader.data))
    wrong = []
    for attrs, parts in reader.figures:
        pointer, got = str(attrs["data-at"]), "".join(parts)
        try:
            value = look_up(document, pointer)
        except (KeyError, IndexError, TypeError, ValueError):
            wrong.append(f"{pointer}: not in the document")
            continue
        expected = str(value)
        if "data-digits" in attrs:
            times = float(attrs.get("data-times") or 1.0)
            expected = shown(
                float(value), int(str(attrs["data-digits"])), times, "data-plus" in attrs
            )
        if got != expected:
            wrong.append(f"{pointer}: shows '{got}', is '{expected}'")
    return wrong


def loose_numbers(text):
    """Texts of a page that hold digits and are neither figures of its document nor marked data-fixed."""
    reader = _Reader()
    reader.feed(text)
    return [unescape(t).strip() for t in reader.loose if re.search(r"\d", t)]


class _Marks(HTMLParser):
    def __init__(self, document):
        super().__init__()
        self.document = document
        self.x = self.y = (0.0, 0.0)
        self.wrong = []
        self.count = 0

    def handle_starttag(self, tag, attrs):
        found = {k: v or "" for k, v in attrs}
        if tag == "svg" and "data-x" in found:
            self.x, self.y = _two(found["data-x"]), _two(found["data-y"])
        elif "data-x-at" in found:
            place = re.findall(r"-?[\d.]+", found["transform"])
            self._compare(found["data-x-at"], found["data-y-at"], [(place[0], place[1])])
        elif "data-xs-at" in found:
            points = [p.split(",") for p in found["points"].split()]
            self._compare(found["data-xs-at"], found["data-ys-at"], [(u, v) for u, v in points])

    def _compare(self, at_x, at_y, places):
        for pointer, (slope, start), k in ((at_x, self.x, 0), (at_y, self.y, 1)):
            value = look_up(self.document, pointer)
            values = value if isinstance(value, list) else [value]
            self.count += 1
            if len(values) != len(places) or any(
                abs(slope * float(v) + start - float(p[k])) > 0.02
                for v, p in zip(values, places, strict=True)
            ):
                self.wrong.append(f"{pointer}: drawn in another place")


def _two(text):
    a, b = text.split()
    return float(a), float(b)


def misplaced(text):
    """Marks of a page's charts that are not where its own document puts them; none for a sound page."""
    reader = _Marks(document_in(text))
    reader.feed(text)
    return reader.wrong
