"""Hostile inputs for ``fuzz.py``: shipped examples with something wrong put in, by hypothesis and byte by byte."""

import copy
import json
import math
import random
import struct
from dataclasses import dataclass, field
from functools import cache
from pathlib import Path

import numpy as np
import trimesh
from hypothesis import strategies as st
from shared import ROOT

# formats of meshes and how the files end; stla and plya are the texts of STL and PLY
MESHES = {
    "stl": ".stl", "stla": "-text.stl", "obj": ".obj", "ply": ".ply", "plya": "-text.ply", "off": ".off", "glb": ".glb", "gltf": ".gltf",
}  # fmt: skip


@dataclass(frozen=True)
class Kind:
    """A kind of input: where it lies in the working folder, examples, and commands, {} for the input.

    A command with *stop* reads the file and is then ended by a second mistake on purpose: a line that begins with
    *stop* says that the file was read. share: of 100 inputs.
    """

    place: str
    examples: tuple[str, ...]
    commands: tuple[tuple[int, str, str], ...]
    suffixes: tuple[str, ...] = (".toml",)
    slow: tuple[str, ...] = field(default=())

    def command(self, number: int) -> tuple[str, str]:
        """(words, stop) by a number from 0 to 99."""
        for share, words, stop in self.commands:
            number -= share
            if number < 0:
                return words, stop
        return self.commands[-1][1:]


DESIGNS = tuple(f"designs/{p.name}" for p in sorted((ROOT / "designs").glob("*.toml")))
ROUND, NONE = "designs/round-brilliant.toml", "none.toml"
NO_FILE, NO_TILT = f"error: {NONE}: no such file", "error: --tilts: 'x'"
NO_TABLE = "error: --table-to-c: 'x'"
ORIENT = "--tilts 0 --directions 1 --shifts 0 --samples 1 --pixel 2 --no-picture"
LOOK = "--most-cells 0 --rays 1 --no-losses --no-directions --workers 1 --no-picture"

KINDS = {
    "design": Kind(
        "designs/in", DESIGNS,
        (
            (40, "solid {}", ""), (30, "solid {} --facets --json -", ""), (15, "solid {} --tiers", ""),
            (12, "trace {} --rays 64 --no-picture --json -", ""), (2, "sheet {} --json -", ""), (1, "view {}", ""),
        ),
    ),
    "zone": Kind(
        "designs/zones/in", ("designs/zones/blue-corner.toml", "designs/zones/blue-flank.toml", "designs/zones/pale-core.toml", "zone-shapes.toml"),
        ((85, f"orient {ROUND} --zone {{}} --tilts x --json -", NO_TILT), (15, f"orient {ROUND} --zone {{}} {ORIENT} --json -", "")),
    ),
    "rough": Kind(
        "designs/roughs/in", ("designs/roughs/blue-plate.toml", "designs/roughs/crystal-barrel.toml", "designs/roughs/cracked-pebble.toml", "rough-shapes.toml"),
        ((92, f"plan {{}} {NONE} --json -", NO_FILE), (8, "view {}", "")),
    ),
    "price": Kind(
        "designs/prices/in", ("designs/prices/invented.toml",),
        (
            (85, f"plan designs/roughs/blue-plate.toml {ROUND} --prices {{}} --table-to-c x --json -", NO_TABLE),
            (15, f"plan designs/roughs/blue-plate.toml {ROUND} {LOOK} --csv made/plan.csv --prices {{}} --json -", ""),
        ),
    ),
    "spectrum": Kind(
        "designs/in", ("designs/pink-sapphire.csv", "spectrum-coefficient.csv"),
        ((90, "dichroscope ruby --spectrum {}", ""), (10, "dichroscope ruby --spectrum {} --json -", "")), (".csv",),
    ),
    "material": Kind(
        "designs/in", ("material-corundum.toml", "material-spinel.toml"),
        ((100, "dichroscope {} --json -", ""),),
    ),
    "stone": Kind(
        "designs/cut/in", ("designs/cut/ruby-above-a-carat.toml", "designs/cut/oval-not-worth-it.toml", "stone-mesh.toml"),
        ((98, "recut {} --facets", ""), (2, "recut {} --no-picture --rays 16 --json -", "")),
    ),
    "mesh": Kind(
        "designs/roughs/in", tuple(f"made/{name}{end}" for name in ("pebble", "stone") for end in MESHES.values()),
        (
            (50, f"plan mesh-rough.toml {NONE} --json -", NO_FILE), (25, f"orient {ROUND} --zone mesh-zone.toml --tilts x --json -", NO_TILT),
            (20, "recut mesh-stone.toml --facets", ""), (5, "solid {}", ""),
        ),
        (".stl", ".obj", ".ply", ".off", ".glb", ".gltf"),
    ),
    "result": Kind(
        "designs/in", ("made/plan.json", "made/recut.json", "made/angles.json", "made/girdle.json", "made/orient.json", "made/lot.json", "made/solid.json"),
        ((75, "report {} --out page.html --size 64 --samples 1", ""), (25, "view {}", "")), (".json",),
    ),
    "ledger": Kind(
        "designs/in", ("made/orient.csv",),
        ((100, f"orient {ROUND} --zone designs/zones/blue-corner.toml {ORIENT} --csv {{}} --json -", ""),), (".csv",),
    ),
}  # fmt: skip


# ---- hostile values ---------------------------------------------------------------------------

HUGE = [
    10**6, 10**9, 2**31, 2**63, 2**64, 10**30, 10**400, -1, 0, -(2**63), 255, 256, 257, 1000, 1001, 400, 401, 4096, 100_000,
]  # fmt: skip
FLOATS = [
    math.nan, math.inf, -math.inf, 1e308, -1e308, 1.7976931348623157e308, 5e-324, 1e-300, -0.0, 0.0, 1e-12, 1e-9, 1e-6, 1e-3,
    1.0, -1.0, 0.5, 89.999999999, 90.0, 90.0000001, 1e6, 1e15, 1e16, 499.999999, 500.0, 500.1, 0.1 + 0.2, 100.0, 99.9999999,
]  # fmt: skip
WORDS = [
    "", " ", "a" * 39, "a" * 41, "x" * 5000, "\x00", "\x1b[31m", "\n", "a\nb", "\r", "\t", "[red]x[/red]", "[/]", "{}", "%s%n", "<script>alert(1)</script>",
    "../../../etc/passwd", "/dev/zero", "/dev/stdin", ".", "..", "/", "~", "none.toml", "fifo", "loop", "dangling", "folder", "\u202e", "\ufeff", "\u0000",
    "é", "日本語", "🙂", "\U0010ffff", "ruby", "42", "4_2", "0x10", "nan", "inf", "1e999", "true", "null", "$(id)", "a;b", "a@b", "@", "wall", "girdle", "main 0",
    "round", "heart", "pear", "brilliant", "step", "mixed", "crown", "pavilion", "cut away", "inside", "hide", "table", "culet", "in.toml", "in", "\u2028",
]  # fmt: skip
HOSTILE = st.one_of(
    st.sampled_from(FLOATS),
    st.floats(),
    st.sampled_from(HUGE),
    st.integers(min_value=-(10**6), max_value=10**6),
    st.integers(),
    st.sampled_from(WORDS),
    st.text(st.characters(exclude_categories=["Cs"]), max_size=30),
    st.booleans(),
    st.none(),
    st.sampled_from([[], {}, [[]], [{}], [0, 0, 0], [1e308] * 3, [0.0] * 300, [1, 2, 3, 4] * 70]),
    st.lists(st.floats(), min_size=2, max_size=4),
    st.integers(1, 120).map(lambda n: _deep(n)),
    st.integers(1, 3000).map(lambda n: [float(k) for k in range(n)]),
)
# near what was there: the hard cases are stones that are almost right
FACTORS = [
    -1.0,
    0.0,
    1e-9,
    1e-6,
    1e-3,
    0.1,
    0.5,
    0.9,
    0.99,
    0.999999,
    1.000001,
    1.01,
    1.1,
    2.0,
    10.0,
    1e3,
    1e6,
    1e300,
]


def _deep(levels):
    found = 1
    for k in range(levels):
        found = [found] if k % 2 else {"a": found}
    return found


def _spots(data, prefix=()):
    """Every place of a nested document."""
    items = data.items() if isinstance(data, dict) else enumerate(data)
    for key, value in items:
        yield (*prefix, key)
        if isinstance(value, (dict, list)):
            yield from _spots(value, (*prefix, key))


def _at(data, path):
    for key in path:
        data = data[key]
    return data


def changed(draw, data, donor):
    """One change somewhere in a document, in place."""
    spots = list(_spots(data))
    if not spots:
        return
    path = spots[draw(st.integers(0, len(spots) - 1))]
    holder, key = _at(data, path[:-1]), path[-1]
    value = holder[key]
    way = draw(st.sampled_from(("value", "value", "value", "near", "near", "near", "drop", "key", "copy", "many", "quote", "other", "graft")))  # fmt: skip
    if way == "near" and isinstance(value, (int, float)) and not isinstance(value, bool):
        # a whole number may have more digits than a float has room for
        base = value if abs(value) < 10**300 else 1.0
        new = base * draw(st.sampled_from(FACTORS)) + draw(
            st.sampled_from((0, 0, 0, 1e-9, 1, -1, 0.25))
        )
        holder[key] = int(new) if isinstance(value, int) and abs(new) < 1e15 and draw(st.booleans()) else new  # fmt: skip
    elif way == "drop":
        del holder[key]
    elif way == "key" and isinstance(holder, dict):
        name = draw(st.one_of(st.sampled_from((f"{key}s", str(key)[:-1] or "a", "x", "name", "tier", "outline")), st.sampled_from(WORDS)))  # fmt: skip
        holder[name] = holder.pop(key) if draw(st.booleans()) else copy.deepcopy(value)
    elif way == "copy" and isinstance(holder, list):
        holder.insert(draw(st.integers(0, len(holder))), copy.deepcopy(value))
    elif way == "many" and isinstance(value, list) and value:
        holder[key] = copy.deepcopy(value) * draw(st.sampled_from((2, 10, 65, 300)))
    elif way == "quote":
        holder[key] = str(value)[:400]
    elif way == "other":
        holder[key] = copy.deepcopy(_at(data, spots[draw(st.integers(0, len(spots) - 1))]))
    elif way == "graft":
        own = list(_spots(donor))
        top = own[draw(st.integers(0, len(own) - 1))]
        part = copy.deepcopy(_at(donor, top))
        if isinstance(data, dict):
            data[str(top[-1])] = part
        else:
            data.append(part)
    else:
        # a copy, which later changes may change
        holder[key] = copy.deepcopy(draw(HOSTILE))


# ---- texts ------------------------------------------------------------------------------------


def _value(value):
    if isinstance(value, bool):
        return str(value).lower()
    if isinstance(value, float):
        return repr(value)
    if isinstance(value, int):
        # Python refuses to write integers of more than 4,300 digits
        return str(value)
    if isinstance(value, str):
        return '"' + "".join(c if c >= " " and c not in '"\\\x7f' else f"\\u{ord(c):04x}" for c in value) + '"'  # fmt: skip
    if isinstance(value, list):
        return "[" + ", ".join(map(_value, value)) + "]"
    if isinstance(value, dict):
        return "{ " + ", ".join(f"{_key(k)} = {_value(v)}" for k, v in value.items()) + " }"
    return "null"


def _key(name):
    plain = name and all(c.isascii() and (c.isalnum() or c in "-_") for c in name)
    return name if plain else _value(name)


def toml(data):
    """TOML text of a document; None becomes a word that TOML does not have."""
    plain = [f"{_key(k)} = {_value(v)}" for k, v in data.items() if not _table(v)]
    tables = []
    for k, v in data.items():
        for one in v if isinstance(v, list) and _table(v) else [v] if _table(v) else []:
            head = f"[[{_key(k)}]]" if isinstance(v, list) else f"[{_key(k)}]"
            tables += ["", head, *(f"{_key(n)} = {_value(w)}" for n, w in one.items())]
    return "\n".join([*plain, *tables]) + "\n"


def _table(value):
    if isinstance(value, list):
        return bool(value) and all(isinstance(v, dict) for v in value)
    return isinstance(value, dict)


@cache
def parsed(path):
    """A shipped example as a document: TOML, JSON or the lines of a CSV."""
    import tomllib

    text = path.read_text(encoding="utf-8")
    if path.suffix == ".toml":
        return tomllib.loads(text)
    if path.suffix == ".json":
        return json.loads(text)
    return [line.split(",") for line in text.splitlines()]


def _csv(rows):
    lines = [r if isinstance(r, list) else [r] for r in rows]
    return "\n".join(",".join(str(f)[:4000] for f in row) for row in lines) + "\n"


ENCODINGS = ("utf-8", "utf-8", "utf-8", "utf-8", "utf-8", "utf-8", "utf-8", "utf-8", "utf-8-sig", "utf-16", "utf-16-le", "utf-32", "latin-1", "cp037")  # fmt: skip


def _text_tricks(draw, text):
    """What only a text can have wrong: lines twice, headers twice, ends cut off, line ends."""
    trick = draw(st.sampled_from(("", "", "", "", "", "", "", "", "line twice", "cut", "crlf", "cr", "head", "dots", "nul", "deep", "number")))  # fmt: skip
    lines = text.split("\n")
    at = draw(st.integers(0, len(lines) - 1)) if trick else 0
    if trick == "line twice":
        lines.insert(at, lines[at])
    elif trick == "cut":
        return text[: draw(st.integers(0, len(text)))]
    elif trick == "crlf":
        return text.replace("\n", "\r\n")
    elif trick == "cr":
        return text.replace("\n", "\r")
    elif trick == "head":
        lines.insert(at, draw(st.sampled_from(("[[zone]]", "[outline]", "[[tier]]", "[x.y.z]", "[]", "[[", "[a]\n[a]", "a.b.c.d = 1"))))  # fmt: skip
    elif trick == "dots":
        lines.insert(0, ".".join(["a"] * draw(st.sampled_from((10, 500, 5000)))) + " = 1")
    elif trick == "nul":
        lines[at] += "\0"
    elif trick == "deep":
        n = draw(st.sampled_from((50, 500, 5000, 100_000)))
        lines.insert(0, f"deep = {'[' * n}{']' * n}")
    elif trick == "number":
        odd = ("1" * 5000, "0x" + "f" * 3000, "1e99999", "1_0", "+inf", "-nan", "1979-05-27T07:32:00Z", "0o7", "00", "1.", "'''a'''")  # fmt: skip
        lines[at] = f"{lines[at].split('=')[0]}= {draw(st.sampled_from(odd))}"
    return "\n".join(lines)


@st.composite
def documents(draw, folder, kind):
    """(suffix, content) of a TOML, JSON or CSV file of a kind."""
    path = Path(folder) / draw(st.sampled_from(KINDS[kind].examples))
    data = copy.deepcopy(parsed(path))
    donors = KINDS[kind].examples
    donor = parsed(Path(folder) / draw(st.sampled_from(donors)))
    for _ in range(draw(st.sampled_from((0, 1, 1, 1, 1, 2, 2, 3, 5)))):
        changed(draw, data, donor)
    if path.suffix == ".json":
        text = json.dumps(data)
    else:
        text = toml(data) if path.suffix == ".toml" else _csv(data)
    text = _text_tricks(draw, text)
    return path.suffix, text.encode(draw(st.sampled_from(ENCODINGS)), errors="replace")


# ---- stones of tiers, where geometry itself is hostile ----------------------------------------


@st.composite
def tiers(draw):
    """A design in tiers: closed stones with facets twice, planes nearly parallel, needles and flakes."""
    gear = draw(st.sampled_from((3, 8, 64, 96, 96, 96, 1000)))
    long = draw(st.sampled_from((1.0, 1.0, 1.0, 1e-6, 1e-3, 10.0, 200.0, 499.0)))
    tilt = st.one_of(st.sampled_from((1e-9, 1e-6, 1e-3, 0.01, 1, 20, 42, 43, 60, 89, 89.9, 89.999999, 89.9999999999)), st.floats(0, 90))  # fmt: skip
    found = []
    for k in range(draw(st.integers(1, 7))):
        side = draw(st.sampled_from(("crown", "pavilion", "girdle", "pavilion")))
        fold = draw(st.sampled_from((1, 3, 4, 8, 16, 96, 256)))
        at = draw(st.lists(st.floats(0, gear), min_size=1, max_size=3))
        tier = {
            "name": f"t{k}", "side": side, "angle": 90 if side == "girdle" else draw(tilt),
            "index": {"at": at, "fold": fold, "mirror": draw(st.booleans())},
        }  # fmt: skip
        way = draw(st.sampled_from(("distance_mm", "height_mm", "to_girdle", "through")))
        if way == "to_girdle" and side != "girdle":
            tier[way] = True
        elif way == "through" and k:
            tier[way] = [f"t{draw(st.integers(0, k - 1))}" for _ in range(3)]
        elif side == "girdle" or way == "distance_mm":
            tier["distance_mm"] = long * draw(st.sampled_from((1.0, 1.0, 1.0000001, 0.999999999, 3.0, 0.001, 1e-9, -0.1)))  # fmt: skip
        else:
            tier["height_mm"] = long * draw(st.sampled_from((1.0, 2.0, 1.0000001, 0.5, 1e-9, 0.0, -0.5)))  # fmt: skip
        if draw(st.integers(0, 9)) == 0 and found:
            tier = copy.deepcopy(found[-1]) | {"name": f"t{k}"}
            tier["angle"] = min(tier["angle"] + draw(st.sampled_from((0, 1e-13, 1e-9, 1e-6))), 90)
        if draw(st.integers(0, 30)) == 0:
            tier["lobe"] = draw(st.sampled_from(("left", "right")))
        found.append(tier)
    whole = {"name": "t", "gear": gear, "girdle": {"thickness_mm": draw(st.sampled_from((1e-9, 0.1, 1.0, 50.0)))}, "tier": found}  # fmt: skip
    return ".toml", toml(whole).encode()


@st.composite
def shorts(draw):
    """A design in the short form, every number within its own bounds and at their ends."""
    width = draw(st.sampled_from((1e-9, 1e-3, 1.0, 6.0, 6.0, 500.0)))
    some = lambda *ends: draw(st.one_of(st.sampled_from(ends), st.floats(min(ends), max(ends))))  # noqa: E731
    shape = draw(st.sampled_from(("round", "oval", "pear", "marquise", "cushion", "rectangle", "heart")))  # fmt: skip
    ratio = 1.0 if shape == "round" else some(0.8, 1.25) if shape == "heart" else some(1.0, 1.000001, 6.0)  # fmt: skip
    crown = {"style": draw(st.sampled_from(("brilliant", "step"))), "angle": some(1e-6, 20, 40, 89.999999), "table_percent": some(1e-6, 50, 99.999999)}  # fmt: skip
    pavilion = {"style": draw(st.sampled_from(("brilliant", "step", "mixed"))), "angle": some(1e-6, 40, 45, 89.999999)}  # fmt: skip
    for part, names in ((crown, ("mains", "star_percent", "steps", "bulge")), (pavilion, ("mains", "lower_girdle_percent", "steps", "step_percent", "bulge", "culet_percent", "keel_percent", "culet_shift_percent"))):  # fmt: skip
        for name in names:
            if draw(st.integers(0, 3)) == 0:
                part[name] = {
                    "mains": lambda: draw(st.integers(3, 64)), "steps": lambda: draw(st.integers(1, 12)), "bulge": lambda: some(0.0, 1e-9, 0.5),
                    "culet_percent": lambda: some(0.0, 1e-9, 89.9), "keel_percent": lambda: some(0.0, 99.9), "culet_shift_percent": lambda: [some(-200, 0, 200), some(-200, 0, 200)],
                }.get(name, lambda: some(1e-6, 50, 99.999999))()  # fmt: skip
    whole = {
        "name": "s", "gear": draw(st.sampled_from((3, 96, 96, 96, 64, 1000))),
        "outline": {"shape": shape, "length_mm": min(width * ratio, 500.0), "width_mm": width},
        "girdle": {"thickness_mm": some(1e-9, 0.1, 50.0), "facets": draw(st.sampled_from((3, 8, 16, 16, 24, 64, 256)))},
        "crown": crown, "pavilion": pavilion,
    }  # fmt: skip
    return ".toml", toml(whole).encode()


@st.composite
def spectra(draw):
    """A spectrum with rows of its own."""
    said = [f"# {k}: {draw(st.sampled_from(v))}" for k, v in (
        ("quantity", ("absorbance", "absorption coefficient", "transmission")), ("logarithm", ("decadic", "natural")),
        ("thickness_mm", ("2.0", "1e-300", "1000", "nan", "0")), ("reflection", ("included", "removed")), ("unit", ("1/cm", "1/mm")),
    ) if draw(st.integers(0, 9)) > 2]  # fmt: skip
    start, step = draw(st.sampled_from((380, 370, 200, 0.38, 379.9999))), draw(st.sampled_from((5, 1, 10, 10.1, 0.05)))  # fmt: skip
    count = draw(st.sampled_from((1, 2, 90, 400)))
    names = draw(st.sampled_from(("nm,o,e", "nm,unpolarised", "nm,e,o", "o,nm,e", "nm,o", "NM,O,E")))  # fmt: skip
    level = draw(st.one_of(st.sampled_from(FLOATS), st.floats(0, 10)))
    rows = [f"{start + step * k:.10g}" + f",{level!r}" * (names.count(",")) for k in range(count)]
    if rows:
        rows[draw(st.integers(0, len(rows) - 1))] = draw(st.sampled_from(("500,nan,1", "500", "500;1;2", "1e308,1,1", ",,", "#", '"500",1,2', "500,1_0,2", "5" * 400 + ",1,2")))  # fmt: skip
    return ".csv", ("\n".join([*said, names, *rows]) + "\n").encode()


# ---- meshes -----------------------------------------------------------------------------------


def mesh_bytes(mesh, kind):
    """A mesh in one of MESHES."""
    if kind == "gltf":
        return bytes(trimesh.exchange.gltf.export_gltf(trimesh.Scene(mesh), embed_buffers=True)["model.gltf"])  # fmt: skip
    if kind == "plya":
        return trimesh.exchange.ply.export_ply(mesh, encoding="ascii")
    made = mesh.export(file_type={"stla": "stl_ascii"}.get(kind, kind))
    return made.encode() if isinstance(made, str) else bytes(made)


def _stl(v, f):
    rows = np.zeros(len(f), dtype=np.dtype([("n", "<f4", 3), ("v", "<f4", (3, 3)), ("a", "<u2")]))
    with np.errstate(over="ignore"):
        rows["v"] = v[f % len(v)]
    return bytes(80) + struct.pack("<I", len(f)) + rows.tobytes()


def _written(v, f, kind):
    """The mesh by hand: no library stands between hostile numbers and the file."""
    if kind == "stl":
        return _stl(v, f)
    if kind == "stla":

        def corners(t):
            return "".join(f"vertex {' '.join(map(repr, map(float, p)))}\n" for p in v[t % len(v)])

        return ("solid x\n" + "".join(f"facet normal 0 0 0\nouter loop\n{corners(t)}endloop\nendfacet\n" for t in f) + "endsolid x\n").encode()  # fmt: skip
    points = "\n".join(" ".join(map(repr, map(float, p))) for p in v)
    if kind == "obj":
        return ("\n".join(f"v {line}" for line in points.splitlines()) + "\n" + "\n".join(f"f {a + 1} {b + 1} {c + 1}" for a, b, c in f) + "\n").encode()  # fmt: skip
    faces = "\n".join(f"3 {a} {b} {c}" for a, b, c in f)
    if kind == "off":
        return f"OFF\n{len(v)} {len(f)} 0\n{points}\n{faces}\n".encode()
    head = f"ply\nformat ascii 1.0\nelement vertex {len(v)}\nproperty float x\nproperty float y\nproperty float z\nelement face {len(f)}\nproperty list uchar int vertex_indices\nend_header\n"  # fmt: skip
    return f"{head}{points}\n{faces}\n".encode()


LIES = (b"4294967295", b"1000000000000", b"-1", b"0", b"99999999999999999999", b"1e9", b"nan", b"")
LINES = (
    b"mtllib /etc/passwd", b"mtllib fifo", b"usemtl x", b"f 1 2", b"f 0 0 0", b"f -1 -2 -3", b"f 999999999999 1 2", b"f 1/2/3 4/5/6 7/8/9", b"f 1//1 2//2 x",
    b"call fifo", b"v 1 2", b"v nan nan nan", b"v 1e400 0 0", b"vn 0 0 0", b"vt a b", b"g \x1b[31m", b"element vertex 1000000000", b"element face 4294967295",
    b"property list int int x", b"property double x", b"format binary_little_endian 1.0", b"format binary_big_endian 1.0", b"comment TextureFile /dev/zero",
    b"end_header", b"obj_info x", b"solid", b"endsolid", b"OFF", b"l 1 2", b"p 1", b"f " + b"1 " * 5000, b"v " + b"1 " * 5000, b"o a", b"\\",
)  # fmt: skip


@st.composite
def meshes(draw, folder):
    """(suffix, content) of a mesh: shapes that are almost bodies, or files whose heads lie."""
    kind = draw(st.sampled_from(sorted(MESHES)))
    suffix = Path(f"x{MESHES[kind]}").suffix
    if draw(st.integers(0, 2)) == 0 or kind in ("glb", "gltf"):
        content = (Path(folder) / "made" / f"{draw(st.sampled_from(('stone', 'pebble')))}{MESHES[kind]}").read_bytes()  # fmt: skip
        return suffix, _lied(draw, content, kind)
    shape = draw(st.sampled_from(("box", "ball", "cone", "needle", "flake", "two", "ring", "random", "soup", "tiny")))  # fmt: skip
    v, f = _shape(draw, shape)
    v = v * draw(st.sampled_from((1.0, 1.0, 1.0, 1.0, 1e-3, 1e-30, 25.4, 1e6, 1e30, 1e300, 0.0)))
    v = v + draw(st.sampled_from((0.0, 0.0, 0.0, 1e3, 1e7, 1e16, 1e300)))
    for _ in range(draw(st.integers(0, 3))):
        way = draw(st.sampled_from(("corner", "drop", "twice", "flip", "index", "join", "none")))
        if not len(f):
            break
        at = draw(st.integers(0, len(f) - 1))
        if way == "corner":
            v[f[at, 0] % len(v), draw(st.integers(0, 2))] = draw(st.one_of(st.sampled_from(FLOATS), st.floats(-20, 20)))  # fmt: skip
        elif way == "drop":
            f = np.delete(f, at, axis=0)
        elif way == "twice":
            f = np.vstack([f, f[at : at + 1]])
        elif way == "flip":
            f[at] = f[at, ::-1]
        elif way == "index":
            f[at, 0] = draw(st.sampled_from((-1, len(v), 10**6, 2**31 - 1, 2**40, 0)))
        elif way == "join":
            f[at, 1] = f[at, 0]
    with np.errstate(all="ignore"):
        content = _written(v, f, kind)
    return suffix, _lied(draw, content, kind) if draw(st.integers(0, 5)) == 0 else content


def _shape(draw, shape):
    c = trimesh.creation
    if shape == "random":
        points = draw(st.lists(st.tuples(*[st.floats(-5, 5)] * 3), min_size=1, max_size=12))
        picks = draw(st.lists(st.tuples(*[st.integers(0, len(points) - 1)] * 3), min_size=1, max_size=20))  # fmt: skip
        return np.array(points, dtype=float), np.array(picks, dtype=np.int64)
    if shape == "soup":
        rng = np.random.default_rng(draw(st.integers(0, 2**32)))
        n = draw(st.sampled_from((10, 300, 3000)))
        return rng.normal(size=(n, 3)) * 5, rng.integers(0, n, size=(2 * n, 3))
    made = {
        "box": lambda: c.box((6, 5, 4)), "ball": lambda: c.icosphere(subdivisions=draw(st.integers(0, 4)), radius=4), "cone": lambda: c.cone(3, 6, sections=draw(st.sampled_from((3, 32, 600)))),
        "needle": lambda: c.cone(1e-4, 30, sections=8), "flake": lambda: c.box((9, 9, draw(st.sampled_from((1e-9, 1e-4, 1e-3, 0.01))))),
        "two": lambda: trimesh.util.concatenate([c.box((4, 4, 4)), c.box((3, 3, 3)).apply_translation([draw(st.sampled_from((0, 3.5, 2, 9))), 0, 0])]),
        "ring": lambda: c.torus(4, 1, major_sections=24, minor_sections=12), "tiny": lambda: c.box((1e-9, 1e-9, 1e-9)),
    }[shape]()  # fmt: skip
    return np.array(made.vertices), np.array(made.faces, dtype=np.int64)


def _lied(draw, content, kind):
    way = draw(st.sampled_from(("none", "count", "cut", "line", "swap", "more", "uri")))
    if way == "cut":
        return content[: draw(st.integers(0, len(content)))]
    if way == "more":
        return content + draw(st.binary(max_size=200))
    if kind == "stl" and len(content) > 84:
        lie = draw(st.sampled_from((2**32 - 1, 2**31, 10**6, 0, 1, 3, 4)))
        return content[:80] + struct.pack("<I", lie) + content[84:]
    if kind == "gltf":
        told = json.loads(content)
        for _ in range(draw(st.integers(1, 3))):
            changed(draw, told, told)
        if way == "uri":
            for buffer in told.get("buffers", []) if isinstance(told.get("buffers"), list) else []:
                if isinstance(buffer, dict):
                    buffer["uri"] = draw(st.sampled_from(("/dev/zero", "fifo", "../../made/pebble.stl", "http://127.0.0.1:9/x", "file:///etc/passwd", "data:,", "folder")))  # fmt: skip
        return json.dumps(told).encode()
    if kind == "glb":
        at = draw(st.integers(0, min(len(content), 2000) - 4))
        return content[:at] + draw(st.sampled_from((b"\xff\xff\xff\xff", bytes(4), b"\x00\x00\x00\x7f", b"9999"))) + content[at + 4 :]  # fmt: skip
    lines = content.split(b"\n")
    at = draw(st.integers(0, min(len(lines), 40) - 1))
    if way in ("line", "uri"):
        lines.insert(at, draw(st.sampled_from(LINES)))
    elif way == "count":
        words = lines[at].split(b" ")
        words[draw(st.integers(0, len(words) - 1))] = draw(st.sampled_from(LIES))
        lines[at] = b" ".join(words)
    elif way == "swap":
        lines[at], lines[-1] = lines[-1], lines[at]
    return b"\n".join(lines)


def strategy(kind, folder):
    """(suffix, content) of inputs of a kind."""
    if kind == "mesh":
        return meshes(folder)
    some = documents(folder, kind)
    if kind == "design":
        return st.one_of(some, some, tiers(), shorts())
    return st.one_of(some, some, spectra()) if kind == "spectrum" else some


# ---- bytes ------------------------------------------------------------------------------------

TOKENS = [
    b"nan", b"inf", b"-inf", b"1e308", b"-1e308", b"1e-308", b"1e999", b"999999999", b"-1", b"0", b"[[", b"]]", b"[", b"]", b"{", b"}", b'"', b"'''", b"\\u0000", b"\0",
    b"\xff", b"\xef\xbb\xbf", b"\n", b"\r", b"=", b",", b".", b"#", b"\xf0\x9f\x99\x82", b"\x1b[2J", b"true", b"\xff\xff\xff\xff", b"\x00\x00\x80\x7f", b"\x00\x00\xc0\x7f",
]  # fmt: skip


def mutated(rng: random.Random, content: bytes, others: list[bytes]) -> bytes:
    """Some bytes flipped, cut, doubled, or put in from elsewhere."""
    data = bytearray(content)
    for _ in range(rng.choice((1, 1, 2, 3, 8, 30))):
        at = rng.randrange(len(data) + 1)
        way = rng.randrange(8)
        span = min(rng.choice((1, 2, 4, 8, 40, 400)), len(data) - at)
        if way == 0 and at < len(data):
            data[at] ^= 1 << rng.randrange(8)
        elif way == 1 and at < len(data):
            data[at] = rng.randrange(256)
        elif way == 2:
            data[at:at] = rng.choice(TOKENS)
        elif way == 3:
            del data[at : at + span]
        elif way == 4:
            data[at:at] = data[at : at + span] * rng.choice((1, 2, 20))
        elif way == 5:
            other = rng.choice(others)
            start = rng.randrange(len(other) + 1)
            data[at : at + span] = other[start : start + span]
        elif way == 6:
            token = rng.choice(TOKENS)
            data[at : at + len(token)] = token
        elif way == 7 and rng.randrange(10) == 0:
            del data[at:]
    return bytes(data[:200_000])
