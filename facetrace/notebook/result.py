"""What a study found, for a notebook: short in a line, a picture and a table when shown, JSON and rows to go on with."""

import base64
import io
from collections.abc import Sequence
from dataclasses import dataclass
from pathlib import Path
from typing import Any

from rich.console import Console
from rich.table import Table

from facetrace.common.ledger import Row
from facetrace.common.output import write_all
from facetrace.results.document import text_of

# letters in a line of a printed table
COLUMNS = 100


@dataclass(frozen=True, repr=False)
class Result:
    """What all results can do. Figures come with standard errors; units stand in the names."""

    def document(self) -> dict[str, Any]:
        """The JSON document as a dict: what the command of the same name writes with --json."""
        raise NotImplementedError

    def rows(self) -> list[Row]:
        """Flat rows of numbers and words by column, as ``pandas.DataFrame`` and ``polars.DataFrame`` take them."""
        raise NotImplementedError

    def tables(self) -> Sequence[Table | str]:
        """Tables and sentences, as the command prints them."""
        raise NotImplementedError

    def picture(self) -> bytes | None:
        """A picture (PNG), None where there is none."""
        return None

    def summary(self) -> str:
        """The result in a line."""
        raise NotImplementedError

    def to_json(self, path: str | Path | None = None) -> str:
        """The document as JSON text, by ``results/facetrace-result.schema.json``; also written to *path*, if given."""
        text = text_of(self.document())
        if path is not None:
            write_all({Path(path): text.encode()})
        return text

    def save_picture(self, path: str | Path) -> Path:
        """Write the picture (PNG). Raises ValueError where there is none."""
        content = self.picture()
        if content is None:
            raise ValueError(f"{type(self).__name__} has no picture")
        write_all({Path(path): content})
        return Path(path)

    def text(self) -> str:
        """Tables and sentences as plain text."""
        console = Console(width=COLUMNS, file=io.StringIO(), record=True, highlight=False)
        for part in self.tables():
            console.print(part)
        return console.export_text()

    def __repr__(self) -> str:
        return f"<{type(self).__name__}: {self.summary()}>"

    def __str__(self) -> str:
        return self.text()

    def _repr_html_(self) -> str:
        from facetrace.report.html import esc

        content = self.picture()
        image = ""
        if content is not None:
            coded = base64.b64encode(content).decode()
            image = f'<img alt="{esc(self.summary())}" src="data:image/png;base64,{coded}"/>'
        return f"<div><p>{esc(self.summary())}</p>{image}<pre>{esc(self.text())}</pre></div>"
