"""The door for notebooks and scripts (``import facetrace as ft``): what the commands do, as calls.

``load`` opens a file as what it is; a design, a rough or a cut stone has a method for each study; each returns a
``Result``: short in a line, a picture and tables when a notebook shows it, ``rows()`` for pandas or polars, ``to_json()``.
"""

from facetrace.common.cluster import working_on
from facetrace.notebook.cut_stone import CutStone
from facetrace.notebook.design import Design
from facetrace.notebook.files import colours, load, verify
from facetrace.notebook.result import Result
from facetrace.notebook.rough import Prices, Rough, place_lot, wishes
from facetrace.trace.device import tracing_on

__all__ = [
    "CutStone", "Design", "Prices", "Result", "Rough", "colours", "load", "place_lot",
    "tracing_on", "verify", "wishes", "working_on",
]  # fmt: skip
