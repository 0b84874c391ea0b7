"""Quick plans of boxes, and their pages read back."""

import html
import re

import jsonschema
from page_checks import document_in, loose_numbers, misplaced, wrong_figures
from shared import SCHEMA, run


def box(folder, size, name="box", more="", weigh=""):
    corners = [[x * size[0] / 2, y * size[1] / 2, z * size[2] / 2] for x in (-1, 1) for y in (-1, 1) for z in (-1, 1)]  # fmt: skip
    path = folder / f"{name}.toml"
    path.write_text(
        f'name = "{name}"\nmaterial = "ruby"\n{weigh}[shape]\npoints_mm = {corners}\nc_axis = [0, 0, 1]\n'
        f"[loss]\nscan_mm = 0.03\nskin_mm = 0.1\nkerf_mm = 0.4\n{more}"
    )
    return path


FAST = [
    "--most-cells",
    "0",
    "--no-losses",
    "--no-directions",
    "--rays",
    "256",
    "--workers",
    "1",
    "--no-picture",
]


def plan_of(folder, rough, *words, fast=FAST, code=0):
    """The document of a quick plan, and where it lies."""
    told = folder / f"{rough.stem}.json"
    result = run("plan", rough, "designs/round-brilliant.toml", *fast, *words, "--csv", folder / f"{rough.stem}.csv", "--json", told)  # fmt: skip
    assert result.exit_code == code, result.output
    return told


def paged(told):
    """(words of a document's page without markup, its document); all its figures hold, and it is the schema's."""
    result = run("report", told, "--size", "96", "--samples", "1")
    assert result.exit_code == 0, result.output
    text = told.with_name(f"{told.stem}-report.html").read_text(encoding="utf-8")
    assert wrong_figures(text) == misplaced(text) == loose_numbers(text) == []
    document = document_in(text)
    jsonschema.validate(document, SCHEMA)
    body = re.sub(r"<(script|style).*?</\1>", "", text, flags=re.S)
    return html.unescape(re.sub(r"<[^>]+>", "", body)), document


def without(stone, *names):
    return {k: v for k, v in stone.items() if k not in names}


def sawn_of(stone, count):
    """Stones of so many pieces: *stone* again and again; cuts that nobody tried."""
    cuts = [{"normal": [0, 0, 1], "offset_mm": 0.5 * k, "crack": None, "depths_mm": [1, 2], "of": {"cut": 0, "side": -1} if k else None} for k in range(count - 1)]  # fmt: skip
    sides = [[{"cut": 0, "side": 1}], [{"cut": 0, "side": -1}], [{"cut": 0, "side": -1}]]
    stones = [without(stone, "bid") | {"kind": "sawn", "sides": own} for own in sides[:count]]
    money = {n: stone[n] for n in ("value", "bid")}
    return {
        "cuts": cuts,
        "stones": stones,
        "carats": count * stone["carats"],
        "first": True,
    } | money


def changes(plan):
    """Documents that plans come to, by name: how the plan is changed, and what its page says."""
    stone = plan["plans"][0]
    bare = without(stone, "value", "bid")
    bands = {"square to c": (0, 15), "tilted": (15, 45), "steep": (45, 75), "along c": (75, 90)}
    found = [
        {"name": n, "table_to_c_deg": list(b), "stone": None if n == "steep" else stone | {"kind": n}} for n, b in bands.items()
    ]  # fmt: skip
    nothing = {
        "plans": [],
        "best": None,
        "placing": None,
        "words": ["box: the search found no stone of it."],
    }
    return {
        "stopped": (
            {"stopped": True, "plans": [stone | {"gap": None, "most_carats": None, "remark": "stopped: the best so far"}]},
            ["not proven", "The work was stopped early"],
        ),
        "failed": ({"failed": ["a stone <i> did not pass its check: 1 mm"]}, ["a stone <i> did not pass its check"]),
        "asked": (
            {"question": "First find out: 9 ct.", "words": ["First find out: 9 ct.", *plan["words"]], "rough": plan["rough"] | {"weighed_carats": 9.0}},
            ["First find out: 9 ct.", f"The rough: 9.00 ct by the balance, {plan['rough']['carats']:.2f} by its volume."],
        ),
        "little": ({"little": True}, ["The search found little"]),
        "directions": ({"directions": found}, ["tilted (15 to 45°)", "none found"]),
        "two": ({"sawn": sawn_of(stone, 2)}, ["Two stones from one rough keep", "by one saw cut", "together"]),
        "three": ({"sawn": sawn_of(stone, 3)}, ["Three stones from one rough keep", "by two saw cuts", "piece C", "Piece A is what stone A is cut from"]),
        "unpriced": ({"plans": [bare], "currency": None, "sawn": {k: v for k, v in sawn_of(stone, 2).items() if k not in ("value", "bid")}}, ["Two stones"]),
        "second": ({"sawn": sawn_of(stone, 2) | {"first": False}}, ["round-brilliant keeps"]),
        "nothing": (nothing | {"sawn": None}, ["No stone was found.", "the search found no stone of it"]),
        "nothing whole": (nothing | {"sawn": sawn_of(stone, 2)}, ["Two stones from one rough keep"]),
        "nothing, stopped": (nothing | {"sawn": None, "stopped": True}, ["The work was stopped early"]),
    }  # fmt: skip
