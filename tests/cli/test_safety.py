"""Files may come from strangers: nothing in them is run, no name in them leads away or escapes, nothing is asked of a network.

Sources: the audit events of Python (docs.python.org, library/audit_events); OWASP Cheat Sheet Series and Community Pages
(Cross Site Scripting Prevention, CSV Injection, Path Traversal, from memory); Unicode
Standard Annex 9 for what turns the direction of writing, ECMA-48 for what commands a terminal.
"""

import ast
import itertools
import json
import os
import re
import stat
import subprocess
import sys
import textwrap
from html.parser import HTMLParser
from pathlib import Path

import pytest
import trimesh
from shared import ROOT, ROUND, run

import facetrace
from facetrace.common.errors import FacetraceError, visible
from facetrace.common.ledger import Ledger
from facetrace.common.names import control_characters_in, lies_in, path_beside

PACKAGE = Path(facetrace.__file__).parent


def refused(*words):
    """The one line of a command that ends with 2."""
    done = run(*words)
    assert done.exit_code == 2, done.output
    assert done.stdout == ""
    assert done.stderr.count("\n") == 1
    return done.stderr


# ---- what the code may do at all --------------------------------------------------------------

# never called, whatever for
BUILTINS = {"eval", "exec", "compile", "__import__", "input", "breakpoint"}
MODULES = {
    "pickle", "cPickle", "dill", "marshal", "shelve", "yaml", "socket", "ssl", "urllib", "http", "ftplib", "smtplib",
    "requests", "httpx", "aiohttp", "webbrowser", "xmlrpc", "xml", "lxml", "code", "codeop", "pty", "commands", "ctypes",
    "runpy", "zipfile", "tarfile", "subprocess", "multiprocessing", "concurrent", "importlib",
}  # fmt: skip
CALLS = {"system", "popen", "spawnl", "spawnv", "execv", "execl", "execvp", "fork", "forkpty", "startfile", "mktemp", "load_path", "load_remote"}  # fmt: skip
# place, module, what it is there for
ALLOWED = {
    ("report/scene3d_vtk.py", "subprocess"): "this Python runs -m facetrace.report.scene3d_vtk, a list of words and no shell",
    ("common/workers.py", "multiprocessing"): "processes of our own code hand one another arrays through their pipes",
    ("common/workers.py", "concurrent"): "the same",
    ("placement/search.py", "concurrent"): "threads of this process, whose work is compiled functions",
    ("common/workers.py", "ctypes"): "prctl of the C library: a process ends with its parent",
    ("trace/device.py", "importlib"): "whether a package of a constant name is there",
    ("common/cluster.py", "importlib"): "the same",
    ("common/cluster_task.py", "pickle"): "workers of a cluster that the user named hand one another our own objects; files are never opened so",
    ("optics/colour.py", "importlib"): "import_module('colour'), a constant, with its warnings silenced",
}  # fmt: skip
# data files and versions of packages
RESOURCES = {"importlib.resources", "importlib.metadata"}


def nodes():
    for path in sorted(PACKAGE.rglob("*.py")):
        for node in ast.walk(ast.parse(path.read_text(encoding="utf-8"))):
            yield path.relative_to(PACKAGE).as_posix(), node


def test_modules_that_run_or_fetch_what_they_are_given_are_not_imported():
    seen = set()
    for place, node in nodes():
        names = []
        if isinstance(node, ast.Import):
            names = [alias.name for alias in node.names]
        elif isinstance(node, ast.ImportFrom):
            names = [f"{node.module}.{alias.name}" for alias in node.names]
        for name in names:
            top = name.split(".")[0]
            if top in MODULES and name not in RESOURCES:
                assert (place, top) in ALLOWED, f"{place} imports {name}"
                seen.add((place, top))
    # what another state of the code does not need is no harm
    assert seen


def test_nothing_is_evaluated_unpickled_or_given_to_a_shell():
    for place, node in nodes():
        if not isinstance(node, ast.Call):
            continue
        words = {k.arg: k.value for k in node.keywords}
        if isinstance(node.func, ast.Name):
            assert node.func.id not in BUILTINS, f"{place}: {node.func.id}"
        elif isinstance(node.func, ast.Attribute):
            of, name = ast.unparse(node.func.value), node.func.attr
            assert name not in CALLS or (of, name) == ("platform", "system"), f"{place}: {name}"
            if of in ("np", "numpy") and name in ("load", "save", "fromfile", "memmap"):
                assert ast.unparse(words["allow_pickle"]) == "False", f"{place}: {name}"
            if of.startswith("trimesh") and name.startswith("load"):
                assert (place, name) == ("rough/scan.py", "load_mesh"), f"{place}: {name}"
                assert ast.unparse(words["resolver"]) == "None"
            if name == "import_module":
                assert all(isinstance(a, ast.Constant) for a in node.args), place
        shell = words.get("shell")
        assert shell is None or ast.unparse(shell) == "False", f"{place}: a shell"


# ---- paths from files -------------------------------------------------------------------------


@pytest.mark.parametrize(
    "name",
    ["a.stl", "scans/a.stl", "../a.stl", "../other/a.stl", "scans/../a.stl", "./a.stl", "a b'c.stl", "..a.stl", "a..stl"],
)  # fmt: skip
def test_names_that_lead_nearby(name):
    assert path_beside(Path("lot/stone.toml"), name) == Path("lot") / name


@pytest.mark.parametrize(
    "name",
    ["/etc/passwd", "//host/share/a.stl", "../../a.stl", "a/../../../b", "..\\..\\a.stl", "\\\\host\\share\\a.stl", "\\a.stl",
     "C:\\a.stl", "c:a.stl", "C:/a.stl", "scans/../../../a.stl"],
)  # fmt: skip
def test_names_that_lead_away(name):
    """On this system or another: on Windows a share's name alone asks another machine."""
    with pytest.raises(FacetraceError, match=r"leads more than one|place on one machine"):
        path_beside(Path("lot/stone.toml"), name)


def test_what_lies_in_a_folder():
    assert lies_in(Path("a/b/../c"), Path("a"))
    assert lies_in(Path("a"), Path("a"))
    assert not lies_in(Path("a/../../c"), Path("a"))
    assert not lies_in(Path("ab"), Path("a"))
    assert not lies_in(Path("/etc/passwd"), Path("/"))
    assert lies_in(Path("/home/../etc/x"), Path("/etc"))


SHAPE = 'name = "n"\n{more}\n[shape]\n{shape}\n'
MEASURED = '\n[measured]\nlength_mm = 6.5\nwidth_mm = 6.5\ndepth_mm = 4\ncarats = 1.2\n[[flaw]]\nname = "p"\nkind = "pit"\nfacet = "table"\ndepth_mm = 0.1\n'
ZONE = 'name = "z"\n{blank}\n[[zone]]\nname = "a"\n{colour}\nslab = {{ normal = [0, 0, 1], from_mm = -1, to_mm = 1 }}\n'
AWAY = "../../secret/it"
# kind of file, its text with a name that leads away, the key that says so, the command that reads it
NAMING = {
    "mesh of a rough": (SHAPE.format(more="", shape=f'mesh = "{AWAY}.stl"\nc_axis = [0, 0, 1]'), "shape.mesh", ["plan", "{}", ROUND]),
    "spectrum of a rough": (SHAPE.format(more=f'spectrum = "{AWAY}.csv"', shape='habit = "plate"\nsize_mm = [8, 9, 6]'), "spectrum", ["view", "{}"]),
    "material of a rough": (SHAPE.format(more=f'material = "{AWAY}.toml"', shape='habit = "plate"\nsize_mm = [8, 9, 6]'), "material", ["view", "{}"]),
    "material of a design": (ROUND.read_text(encoding="utf-8").replace('material = "ruby"', f'material = "{AWAY}.toml"'), "material", ["solid", "{}"]),
    "design of a stone": (f'name = "n"\ndesign = "{AWAY}.toml"\nfloor_carats = 1\n{MEASURED}', "design", ["recut", "{}"]),
    "mesh of a stone": (f'name = "n"\nmesh = "{AWAY}.stl"\nmaterial = "ruby"\nfloor_carats = 1\n{MEASURED}', "mesh", ["recut", "{}"]),
    "mesh of a zone's blank": (ZONE.format(blank=f'[blank]\nmesh = "{AWAY}.stl"', colour='material = "ruby"'), "blank.mesh", ["orient", ROUND, "--zone", "{}"]),
    "spectrum of a zone": (ZONE.format(blank="[blank]\nbox_mm = [9, 9, 9]", colour=f'spectrum = "{AWAY}.csv"'), "zone[1].spectrum", ["orient", ROUND, "--zone", "{}"]),
    "material of a zone": (ZONE.format(blank="[blank]\nbox_mm = [9, 9, 9]", colour=f'material = "{AWAY}.toml"'), "zone[1].material", ["orient", ROUND, "--zone", "{}"]),
}  # fmt: skip


@pytest.mark.parametrize("kind", NAMING)
def test_a_file_cannot_name_one_far_away(kind, tmp_path):
    """Each key that names a file; the file is there, and would do."""
    text, key, words = NAMING[kind]
    folder = tmp_path / "partner" / "lot"
    folder.mkdir(parents=True)
    secret = tmp_path / "secret"
    secret.mkdir()
    (secret / "it.toml").write_text(ROUND.read_text(encoding="utf-8"), encoding="utf-8")
    (secret / "it.csv").write_text((ROOT / "designs/pink-sapphire.csv").read_text(encoding="utf-8"), encoding="utf-8")  # fmt: skip
    trimesh.creation.icosphere(subdivisions=1, radius=4).export(secret / "it.stl")
    path = folder / "stone.toml"
    for leading, says in (
        (AWAY, "leads more than one folder up"),
        (f"{secret.as_posix()}/it", "is the name of a place on one machine"),
    ):
        path.write_text(text.replace(AWAY, leading), encoding="utf-8")
        line = refused(*(str(w).replace("{}", str(path)) for w in words))
        assert line.startswith(f"error: {path}:")
        assert f" {key}: '{leading}" in line
        assert says in line
    assert {p.name for p in tmp_path.rglob("*")} == {"partner", "lot", "stone.toml", "secret", "it.toml", "it.csv", "it.stl"}  # fmt: skip


def test_a_material_is_named_from_the_files_folder(tmp_path, monkeypatch):
    """As a mesh or a spectrum is, wherever the command is run."""
    (tmp_path / "sub").mkdir()
    own = (PACKAGE / "optics" / "materials" / "spinel.toml").read_text(encoding="utf-8")
    (tmp_path / "sub" / "own.toml").write_text(own, encoding="utf-8")
    text = ROUND.read_text(encoding="utf-8").replace('material = "ruby"', 'material = "own.toml"')
    (tmp_path / "sub" / "stone.toml").write_text(text, encoding="utf-8")
    monkeypatch.chdir(tmp_path)
    done = run("solid", "sub/stone.toml")
    assert done.exit_code == 0, done.output
    assert "(spinel)" in done.stdout
    # a link is the user's own, and is followed
    (tmp_path / "sub" / "near").symlink_to(tmp_path)
    (tmp_path / "far.toml").write_text(own, encoding="utf-8")
    (tmp_path / "sub" / "stone.toml").write_text(text.replace("own.toml", "near/far.toml"), encoding="utf-8")  # fmt: skip
    assert "(spinel)" in run("solid", "sub/stone.toml").stdout


def document_naming(name):
    return {"schema": "facetrace-result/1", "plan": {"rough": {"file": name}}}


def test_a_result_finds_only_what_is_near_it_or_here(tmp_path, monkeypatch):
    """A result names files as they were given; a stranger's may name any."""
    here, lot, secret = tmp_path / "b" / "c" / "here", tmp_path / "a" / "lot", tmp_path / "secret"
    for folder in (here, lot, secret):
        folder.mkdir(parents=True)
        (folder / "r.toml").write_text("x = 1", encoding="utf-8")
    (secret / "r.toml").rename(secret / "s.toml")
    (lot.parent / "r.toml").write_text("x = 1", encoding="utf-8")
    monkeypatch.chdir(here)
    told = lot / "plan.json"
    far = "lies far from here and from it; copy it beside plan.json, or put a link to it there"
    none = "which is neither here nor beside it"
    for name, what in (
        ("r.toml", "is missing"), (str(here / "r.toml"), "is missing"), (str(lot / "r.toml"), "is missing"), ("../r.toml", "is missing"),
        (str(secret / "s.toml"), far), ("../secret/s.toml", none), ("../../secret/s.toml", far),
        (f"{lot}/../../secret/s.toml", far), ("/etc/passwd", far), ("/dev/stdin", none),
    ):  # fmt: skip
        told.write_text(json.dumps(document_naming(name)), encoding="utf-8")
        assert what in refused("report", told)
    # right beside it, whatever folder it was made from
    told.write_text(json.dumps(document_naming(str(secret / "s.toml"))), encoding="utf-8")
    (lot / "s.toml").symlink_to(secret / "s.toml")
    line = refused("report", told)
    assert "unknown key" in line or "is missing" in line
    (lot / "s.toml").unlink()
    assert {p.name for p in tmp_path.rglob("*") if p.is_file()} == {"r.toml", "s.toml", "plan.json"}


def test_pipes_and_devices_are_not_read(tmp_path):
    """An endless one would never end."""
    os.mkfifo(tmp_path / "pipe.toml")
    for path in (tmp_path / "pipe.toml", Path("/dev/zero")):
        assert "is a pipe or a device; name a file" in refused("solid", path)
        if path.suffix:
            assert "is a pipe or a device" in refused("view", path)


# ---- what a mesh refers to ---------------------------------------------------------------------

BODY = trimesh.creation.box((8, 9, 6))


def gltf_box(uri, image=None):
    """GLB of a box whose numbers (and picture) are to be had elsewhere (glTF 2.0, 3.6.1.1 and 3.8.3)."""
    scene = trimesh.Scene(BODY)
    parts = trimesh.exchange.gltf.export_gltf(scene, embed_buffers=False)
    tree = json.loads(parts["model.gltf"])
    for k, buffer in enumerate(tree["buffers"]):
        buffer["uri"] = uri.format(k)
    if image:
        tree["images"] = [{"uri": image}]
        tree["textures"] = [{"source": 0}]
        tree["materials"] = [{"pbrMetallicRoughness": {"baseColorTexture": {"index": 0}}}]
        for mesh in tree["meshes"]:
            for part in mesh["primitives"]:
                part["material"] = 0
    text = json.dumps(tree).encode()
    text += b" " * (-len(text) % 4)
    head = b"glTF" + (2).to_bytes(4, "little") + (20 + len(text)).to_bytes(4, "little")
    return head + len(text).to_bytes(4, "little") + b"JSON" + text, parts


OPENS = """
import sys
from pathlib import Path
from facetrace.rough import scan
import trimesh.exchange.gltf, PIL.Image
PIL.Image.init()
path, secret = sys.argv[1:]
seen = []
def heard(event, args):
    if event.split(".")[0] in ("socket", "urllib", "http", "subprocess", "os", "webbrowser") and event.split(".")[-1] not in ("scandir", "listdir"):
        seen.append((event, repr(args)))
    if event == "open" and isinstance(args[0], str) and not args[0].startswith((sys.prefix, sys.base_prefix)) and args[0] != path:
        seen.append((event, args[0]))
sys.addaudithook(heard)
try:
    print(len(scan.load(Path(path)).faces))
except Exception as error:
    print(error)
print(seen)
"""  # fmt: skip


@pytest.mark.parametrize("kind", ["obj", "ply", "glb", "glb far", "glb picture"])
def test_reading_a_mesh_opens_nothing_else(kind, tmp_path):
    """OBJ's mtllib, PLY's TextureFile, GLB's uri; the things named are there."""
    (tmp_path / "m.mtl").write_text("newmtl a\nmap_Kd picture.png\n", encoding="utf-8")
    (tmp_path / "picture.png").write_bytes(b"\x89PNG")
    path = tmp_path / f"mesh.{kind[:3]}"
    expected = "12\n[]\n"
    if kind == "obj":
        path.write_text("mtllib m.mtl\n" + BODY.export(file_type="obj"), encoding="utf-8")
    elif kind == "ply":
        text = BODY.export(file_type="ply", encoding="ascii").decode()
        path.write_text(text.replace("\nelement", "\ncomment TextureFile picture.png\nelement", 1), encoding="utf-8")  # fmt: skip
    else:
        uri = "http://localhost:9/{}" if kind == "glb far" else "part{}.bin"
        data, parts = gltf_box(uri, "picture.png" if kind == "glb picture" else None)
        for k, name in enumerate(n for n in parts if n.endswith(".bin")):
            (tmp_path / f"part{k}.bin").write_bytes(parts[name])
        path.write_bytes(data)
        expected = None
    done = subprocess.run([sys.executable, "-c", OPENS, str(path), str(tmp_path)], capture_output=True, text=True, check=True)  # fmt: skip
    if expected:
        assert done.stdout == expected
    else:
        assert "cannot be read as a mesh" in done.stdout
        assert done.stdout.endswith("\n[]\n")


@pytest.mark.parametrize(
    "ending", ["dae", "3mf", "zip", "gltf", "xaml", "dxf", "svg", "json", "pickle", "", "toml"]
)
def test_only_plain_mesh_formats_are_tried(ending, tmp_path):
    path = tmp_path / f"a.{ending}".rstrip(".")
    path.write_bytes(b"\x00")
    (tmp_path / "r.toml").write_text(SHAPE.format(more="", shape=f'mesh = "{path.name}"\nc_axis = [0, 0, 1]'), encoding="utf-8")  # fmt: skip
    line = refused("plan", tmp_path / "r.toml", ROUND)
    assert "the mesh format follows the ending; use one of .stl, .obj, .ply, .off, .glb" in line


# ---- words from files --------------------------------------------------------------------------

HOSTILE = [
    "<script>alert(1)</script>", "<img src=x onerror=alert(1)>", "\"'`><svg onload=alert(1)>", "a & b &lt; &#60;b&#62;",
    "]]>", "</script><script>alert(1)</script>", "</title></style></svg></text></desc>", "<!--", "javascript:alert(1)",
    "{{7*7}} ${7*7} %s %(x)s {0}", "$\\frac{x}$ $ \\$", "[red]x[/red] [/] [link=http://localhost]y[/link]", ":ruby: \\",
    "=HYPERLINK(\"http://localhost\",\"x\")", "-1+1", "@SUM(1)", "a;=1+1", "\N{HEBREW LETTER ALEF}\N{HEBREW LETTER BET}", "../../a/b\\c",
    "x" * 110,
]  # fmt: skip
CONTROL = ["\x1b[31m", "\x1b]8;;http://localhost\x07", "a\rb", "\x07", "\x9b2J", "\u202egnp.exe", "\u2066x", "\x00", "\x7f", "\u2028"]  # fmt: skip


def quoted(text):
    """A TOML string (TOML 1.0, basic strings)."""
    return json.dumps(text, ensure_ascii=True)


def named(folder, name, stem="stone"):
    """One file of each kind whose every name is *name*."""
    shown, short = quoted(name), quoted(name[:40])
    texts = {
        "design": re.sub("^name = .*", lambda _: f"name = {shown}", ROUND.read_text(encoding="utf-8"), count=1, flags=re.M),
        "rough": f'name = {shown}\nnotes = {shown}\n[shape]\nhabit = "plate"\nsize_mm = [8, 9, 5]\n'
                 f'[[defect]]\nname = {short}\nkind = "crystal"\nellipsoid = {{ centre_mm = [3, 0, 0], radii_mm = [0.4, 0.4, 0.4] }}\n',
        "zone": ZONE.format(blank="[blank]\nbox_mm = [9, 9, 9]", colour="chromophores = { \"Cr3+\" = 900 }").replace('"z"', shown).replace('"a"', short),
        "stone": f'name = {shown}\nnotes = {shown}\ndesign = {quoted(stem + "-design.toml")}\nfloor_carats = 1\n{MEASURED}'.replace('"p"', short),
        "price": (ROOT / "designs/prices/invented.toml").read_text(encoding="utf-8"),
    }  # fmt: skip
    texts["price"] = re.sub("^(name|currency|notes) = .*", lambda m: f"{m[1]} = {shown if m[1] != 'currency' else quoted(name[:8])}", texts["price"], flags=re.M)  # fmt: skip
    found = {}
    for kind, text in texts.items():
        found[kind] = folder / f"{stem}-{kind}.toml"
        found[kind].write_text(text, encoding="utf-8")
    return found


READERS = {
    "design": ["solid", "{}"], "rough": ["view", "{}"], "zone": ["orient", ROUND, "--zone", "{}"], "stone": ["recut", "{}"],
    "price": ["plan", ROOT / "designs/roughs/blue-plate.toml", ROUND, "--prices", "{}"],
}  # fmt: skip


@pytest.mark.parametrize("kind", READERS)
def test_control_characters_in_a_file_are_refused(kind, tmp_path):
    for name in CONTROL:
        path = named(tmp_path, name)[kind]
        line = refused(*(str(w).replace("{}", str(path)) for w in READERS[kind]))
        assert re.match(rf"error: {re.escape(str(path))}:\d+: [\w.\[\]]+: holds the control character U\+[0-9A-F]{{4}}; write plain text\n", line), line  # fmt: skip
        assert line[:-1].isprintable()


def test_control_characters_in_keys_and_results():
    found = list(control_characters_in({"a": [{"b": "x\x1b"}, 1], "c\x07": "fine", "d": {"e": "\ud800"}, "f": "tab\tline\n"}))  # fmt: skip
    assert sorted(place for place, _ in found) == [(), ("a", 0, "b"), ("d", "e")]
    assert all(visible(words) == words for _, words in found)
    deep = "x"
    for _ in range(2_000):
        deep = [deep]
    assert list(control_characters_in(deep)) == []


def test_a_result_with_control_characters_is_refused(tmp_path):
    path = tmp_path / "a.json"
    path.write_text(json.dumps({"schema": "facetrace-result/1", "plan": {"name": "\x1b[2J"}}), encoding="utf-8")  # fmt: skip
    assert "a.json: plan/name: holds the control character U+001B" in refused("report", path)
    path.write_text(json.dumps({"schema": "facetrace-result/1", "plan": {"name": "\ud800"}}), encoding="utf-8")  # fmt: skip
    assert "U+D800" in refused("report", path)


@pytest.mark.parametrize("name", [*CONTROL[:-3], "\udcff"])
def test_names_of_files_are_shown_safely(name, tmp_path):
    """A file whose own name commands the terminal is not read, and what is said of it is plain."""
    path = tmp_path / f"a{name}.toml".replace("/", "")
    path.write_text(ROUND.read_text(encoding="utf-8"), encoding="utf-8")
    for command in ("solid", "report", "view", "sheet"):
        line = refused(command, path)
        assert line.isprintable() or line[:-1].isprintable()
        assert "its name is not plain text in UTF-8; rename it" in line
    (tmp_path / "lot").mkdir()
    path.rename(tmp_path / "lot" / path.name)
    assert refused("lot", tmp_path / "lot", ROUND)[:-1].isprintable()


@pytest.mark.parametrize("name", HOSTILE)
def test_a_terminal_shows_a_name_as_it_is(name, tmp_path):
    """No mark-up of the printing library, no emoji, no formula of a plotting library."""
    files = named(tmp_path, name)
    done = run("solid", files["design"], "--facets")
    assert done.exit_code == 0, done.output
    assert re.sub(r"\s", "", name) in re.sub(r"\s", "", done.stdout)
    done = run("solid", files["design"], "--tiers")
    (tmp_path / "again.toml").write_text(done.stdout, encoding="utf-8")
    assert f"name = {json.dumps(name, ensure_ascii=False)}" in done.stdout
    assert run("solid", tmp_path / "again.toml").exit_code == 0


def cells(text, mark):
    """Cells as a spreadsheet parts them at a mark, quotes taken off."""
    import csv

    return [c for row in csv.reader(text.splitlines(), delimiter=mark) for c in row]


@pytest.mark.parametrize("name", [n for n in HOSTILE if n[0] in "=-@a"] + ["+1", "\t=1", "a,=1", "a\n=1", "'=1", "a|=1", "x\",=1"])  # fmt: skip
def test_no_cell_of_a_table_is_a_formula(name, tmp_path):
    """At commas, and where a spreadsheet of another country parts cells at semicolons; read back it is the name."""
    path = tmp_path / "t.csv"
    columns = {"name": str, "x": float}
    with Ledger.open(path, "0" * 16, columns, ("name",), about=f"plans for {name}") as ledger:
        ledger.add({"name": name, "x": -1.5})
    text = path.read_text(encoding="utf-8")
    for mark in ",;\t|":
        for cell in cells(text, mark):
            if cell and not re.fullmatch(r"-[\d.]+", cell) and mark == ",":
                assert cell.lstrip()[0] not in "=+-@", (mark, cell)
            assert not re.match(r"[=+@]", cell.lstrip(' "')), (mark, cell)
    assert [r["name"] for r in Ledger.open(path, "0" * 16, columns, ("name",)).rows.values()] == [name]  # fmt: skip


# ---- pages -------------------------------------------------------------------------------------


class Skeleton(HTMLParser):
    """Elements and the names of their attributes, in order; what an element runs or fetches with its value."""

    def __init__(self):
        super().__init__(convert_charrefs=True)
        self.found = []

    def handle_starttag(self, tag, attrs):
        kept = []
        for name, value in attrs:
            runs = name.startswith("on") or name in ("href", "src", "xlink:href", "action", "style", "srcdoc", "http-equiv", "id", "class")  # fmt: skip
            # sizes of letters and pictures follow the length of names
            kept.append(
                (name, value[:40] if runs and not (value or "").startswith("data:image") else None)
            )
        self.found.append((tag, kept))

    def handle_endtag(self, tag):
        self.found.append(("/", tag))

    def handle_comment(self, data):
        self.found.append(("!--", data))


def skeleton(text):
    reader = Skeleton()
    reader.feed(text)
    return reader.found


QUICK = ("--size", 64, "--samples", 1, "--rays", 512)
# what each page is made by; {} and {json} stand for the files
PAGES = {
    "report": [["report", "{design}", "--zone", "{zone}", *QUICK, "--out", "{html}"]],
    "sheet": [["sheet", "{design}", "--out", "{html}"]],
    "recut": [["recut", "{stone}", "--json", "{json}", "--rays", 512], ["report", "{json}", *QUICK[:4], "--out", "{html}"]],
    "plan": [
        ["plan", "{rough}", "{design}", "--prices", "{price}", "--rays", 256, "--most-cells", 3, "--workers", 1, "--csv", "{csv}",
         "--picture", "{png}", "--json", "{json}"],
        ["report", "{json}", *QUICK[:4], "--out", "{html}"],
    ],
    "mark": [
        ["plan", "{rough}", "{design}", "--rays", 256, "--most-cells", 3, "--workers", 1, "--csv", "{csv}", "--picture", "{png}",
         "--json", "{json}"],
        ["mark", "{json}", "--out", "{html}"],
    ],
}  # fmt: skip


def made(kind, name, folder, stem):
    """The page of that kind with that name in every place, from files whose names begin with *stem*."""
    folder.mkdir()
    files = named(folder, name, stem) | {
        n: folder / f"out.{n}" for n in ("html", "json", "csv", "png")
    }
    for words in PAGES[kind]:
        done = run(*(str(w).format(**files) if str(w).startswith("{") else w for w in words))
        assert done.exit_code == 0, done.output
        assert all(c.isprintable() or c in "\n\t" for c in done.output)
    return files["html"]


# what a file may be called
STEM = "<i onclick=x>&lt;\"'`$\\"


def worst(letters=110):
    """The most hostile names in one, as long as a name may be."""
    return (HOSTILE[2] + HOSTILE[5] + HOSTILE[3] + "]]>" + HOSTILE[6] + HOSTILE[10])[:letters]


@pytest.mark.slow
@pytest.mark.parametrize("kind", PAGES)
def test_names_change_nothing_of_a_page(kind, tmp_path, browser, briefly):
    """Read by the standard library's parser a page has the same elements; in Chromium no script of a name runs."""
    plain = made(kind, "o" * len(worst()), tmp_path / "plain", "o" * len(STEM))
    hostile = made(kind, worst(), tmp_path / "hostile", STEM)
    ours, theirs = (skeleton(p.read_text(encoding="utf-8")) for p in (plain, hostile))
    assert ours == theirs
    page = browser.new_context().new_page()
    told, asked = [], []
    page.on("dialog", lambda d: (told.append(d.message), d.dismiss()))
    page.on("console", lambda m: told.append(m.text))
    page.on("pageerror", lambda e: told.append(str(e)))
    page.on("request", lambda r: asked.append(r.url))
    page.goto(hostile.as_uri())
    # what a picture that fails, or a script, would do is done before the next frame
    page.evaluate("new Promise((done) => requestAnimationFrame(() => setTimeout(done, 0)))")
    assert told == []
    assert [u for u in asked if not u.startswith("data:")] == [hostile.as_uri()]
    assert page.evaluate("document.querySelectorAll('body script:not([type])').length") == sum(t == "script" and "type" not in dict(a) for t, a in ours if t != "/" and t != "!--")  # fmt: skip
    page.context.close()


# ---- what happens at run time ------------------------------------------------------------------

# a process of its own: audit hooks cannot be taken off again (sys.addaudithook)
HEARD = r"""
import json, os, sys
folder, commands = sys.argv[1], json.loads(sys.argv[2])
MARK = "ftmark7"
inside = os.path.realpath(folder)
package = os.path.dirname(os.path.abspath(__import__("facetrace").__file__))
import matplotlib
READ = (
    # this Python and its packages, facetrace, the work's folder, the system's libraries, fonts and kernel tables
    sys.prefix, sys.base_prefix, os.path.dirname(package), inside, "/usr", "/lib", "/etc", "/proc", "/sys", "/dev/null", "/dev/urandom",
    "/dev/shm/sem", matplotlib.get_cachedir(), matplotlib.get_configdir(),
) + tuple(p for p in sys.path if p)
WRITE = (os.path.join(inside, "out"), os.path.join(inside, "tmp"), "/dev/null", os.path.join(package, "kernel", "__pycache__"), os.path.join(package, "placement", "__pycache__"), matplotlib.get_cachedir())
heard, on = [], [False]

def frames():
    frame = sys._getframe(2)
    while frame:
        yield frame.f_code.co_filename.replace("\\", "/")
        frame = frame.f_back

def by(*names):
    return any(n in f for f in frames() for n in names)

def trial(path):
    # a trial whether a file can be made beside an output: empty, and gone at once
    name = os.path.basename(path)
    return path.startswith((inside, os.path.join(os.path.dirname(package), "designs"))) and name.startswith(".") and name.endswith(".part") and by("facetrace/common/output.py")

def hook(event, args):
    if not on[0]:
        return
    on[0] = False
    try:
        judge(event, args)
    finally:
        on[0] = True

def judge(event, args):
    top = event.split(".")[0]
    if top in ("socket", "urllib", "http", "ftplib", "smtplib", "poplib", "imaplib", "telnetlib", "webbrowser", "winreg"):
        heard.append([event, repr(args)[:200]])
    elif event in ("os.system", "os.exec", "os.fork", "os.forkpty", "os.spawn", "os.startfile", "os.posix_spawn", "pty.spawn"):
        heard.append([event, repr(args)[:200]])
    elif event == "subprocess.Popen":
        words = list(map(str, args[1])) if not isinstance(args[1], str) else [args[1]]
        ours = words[:3] == [sys.executable, "-m", "facetrace.report.scene3d_vtk"]
        # once after it is installed matplotlib asks fontconfig which fonts there are
        if not ours and not (words[0].endswith("fc-list") and by("matplotlib/font_manager.py")):
            heard.append([event, repr(words)[:200]])
    elif event in ("compile", "exec"):
        source = args[0]
        text = source if isinstance(source, (str, bytes)) else repr(getattr(source, "co_consts", "")) + repr(getattr(source, "co_names", ""))
        if MARK in str(text):
            heard.append([event, str(text)[:200]])
    elif event == "pickle.find_class":
        # numba's compiled code, which it keeps beside ours or in the user's own cache folder
        if not by("numba/core/caching.py", "numba/core/serialize.py", "numba/core/runtime", "multiprocessing/"):
            heard.append([event, repr(args)])
    elif event == "open" and isinstance(args[0], (str, bytes)):
        path = os.path.abspath(os.fsdecode(args[0]))
        flags = args[2] or 0
        writes = any(c in (args[1] or "") for c in "wax+") or flags & (os.O_WRONLY | os.O_RDWR | os.O_CREAT)
        if not path.startswith(WRITE if writes else READ) and not trial(path):
            heard.append([event, path, args[1], flags])
    elif event in ("os.rename", "os.remove", "os.mkdir", "os.rmdir", "os.link", "os.symlink", "os.truncate", "os.chmod", "shutil.rmtree", "shutil.move", "shutil.copyfile"):
        paths = [os.path.abspath(os.fsdecode(a)) for a in args if isinstance(a, (str, bytes)) and a]
        if event in ("os.remove", "os.rmdir", "os.mkdir", "os.chmod") and args[-1] != -1 and not os.path.isabs(args[0]):
            return  # relative to an open folder: shutil.rmtree of a folder that was told before
        if not all(p.startswith(WRITE) or event == "os.remove" and trial(p) for p in paths):
            heard.append([event, *paths])

sys.addaudithook(hook)
from typer.testing import CliRunner
from facetrace.cli.commands import app
ends = []
os.chdir(folder)
for words in commands:
    on[0] = True
    done = CliRunner().invoke(app, words)
    on[0] = False
    ends.append([done.exit_code, repr(done.exception), done.stderr[-300:]])
print(json.dumps([ends, heard]))
"""

CRAFTED = "__import__('os').system('touch ftmark7')"


def hostile_folder(tmp_path):
    """Files of each kind whose names and notes are programs, and wrong ones that point elsewhere."""
    (tmp_path / "in" / "deep").mkdir(parents=True)
    for name in ("out", "tmp", "secret"):
        (tmp_path / name).mkdir()
    named(tmp_path / "in", CRAFTED, "ftmark7")
    wrong = {
        "yaml": "!!python/object/apply:os.system ['touch ftmark7']",
        "pickle": "cos\nsystem\n(S'touch ftmark7'\ntR.",
        "python": "import os; os.system('touch ftmark7')",
        "angle": 'name = "ftmark7"\n[outline]\nlength_mm = "__import__(\'os\').getcwd() or ftmark7"\n',
        "keys": '"__class__.ftmark7" = 1\n__init__ = "ftmark7"\n',
    }
    for name, text in wrong.items():
        (tmp_path / "in" / f"{name}.toml").write_text(text, encoding="utf-8")
    for k, (text, _, _) in enumerate(NAMING.values()):
        (tmp_path / "in" / "deep" / f"away{k}.toml").write_text(text, encoding="utf-8")
    for name in ("it.toml", "it.csv", "it.stl"):
        (tmp_path / "secret" / name).write_text("solid secret", encoding="utf-8")
    (tmp_path / "in" / "mesh.obj").write_text("mtllib ../secret/it.toml\n" + BODY.export(file_type="obj"), encoding="utf-8")  # fmt: skip
    (tmp_path / "in" / "mesh.toml").write_text(SHAPE.format(more="", shape='mesh = "mesh.obj"\nc_axis = [0, 0, 1]'), encoding="utf-8")  # fmt: skip
    for k, name in enumerate(
        ("../secret/it.toml", "/etc/passwd", "http://localhost/ftmark7", CRAFTED)
    ):
        (tmp_path / "in" / "deep" / f"plan{k}.json").write_text(json.dumps(document_naming(name)), encoding="utf-8")  # fmt: skip
    (tmp_path / "in" / "spectrum.csv").write_text((ROOT / "designs/pink-sapphire.csv").read_text(encoding="utf-8"), encoding="utf-8")  # fmt: skip


def commands():
    """(words, whether it must succeed) of all that is run; the folder is the working one."""
    f = "in/ftmark7-{}.toml".format
    design, quick = f("design"), ["--rays", "512"]
    yield ["solid", design, "--facets", "--mesh", "out/a.glb", "--json", "out/a.json"], True
    yield (
        [
            "trace",
            design,
            "--spectrum",
            "in/spectrum.csv",
            "--size",
            "64",
            "--samples",
            "1",
            *quick,
            "--picture",
            "out/a.png",
        ],
        True,
    )
    yield (
        [
            "angles",
            design,
            "--vary",
            "pavilion.angle=41:42:1",
            *quick,
            "--csv",
            "out/a.csv",
            "--plot",
            "out/p.png",
            "--json",
            "out/angles.json",
        ],
        True,
    )
    yield (
        ["report", "out/angles.json", "--size", "64", "--samples", "1", "--out", "out/angles.html"],
        True,
    )
    yield ["sheet", design, "--out", "out/s.html"], True
    yield ["view", f("rough"), "--picture", "out/v.png", "--size", "600"], True
    yield ["view", "in/mesh.toml", "--picture", "out/w.png", "--size", "600"], True
    yield ["recut", f("stone"), *quick, "--picture", "out/r.png", "--json", "out/recut.json"], True
    yield (
        [
            "plan",
            f("rough"),
            design,
            "--prices",
            f("price"),
            "--rays",
            "256",
            "--most-cells",
            "2",
            "--workers",
            "1",
            "--csv",
            "out/plan.csv",
            "--picture",
            "out/plan.png",
            "--json",
            "out/plan.json",
            "--stone",
            "out/stone.stl",
        ],
        True,
    )
    yield ["dichroscope", "ruby", "--plot", "out/d.png"], True
    for name in ("yaml", "pickle", "python", "angle", "keys"):
        for command in ("solid", "view", "report"):
            yield [command, f"in/{name}.toml"], False
    for k, (_, _, words) in enumerate(NAMING.values()):
        yield [str(w).replace("{}", f"in/deep/away{k}.toml") for w in words], False
    for k in range(4):
        yield ["report", f"in/deep/plan{k}.json"], False


@pytest.mark.slow
def test_commands_do_nothing_but_their_work(tmp_path):
    """Told by the interpreter itself: what is opened, run, compiled, unpickled or asked of a network."""
    hostile_folder(tmp_path)
    asked = list(commands())
    done = subprocess.run(
        [sys.executable, "-c", HEARD, str(tmp_path), json.dumps([words for words, _ in asked])], capture_output=True, text=True,
        check=False, env=os.environ | {"TMPDIR": str(tmp_path / "tmp"), "PYTHONPATH": str(PACKAGE.parent)},
    )  # fmt: skip
    assert done.returncode == 0, done.stderr[-3000:]
    ends, heard = json.loads(done.stdout.splitlines()[-1])
    for (words, fine), (status, error, stderr) in zip(asked, ends, strict=True):
        assert status == (0 if fine else 2), (words, status, error, stderr)
    assert heard == []
    assert not list(tmp_path.rglob("ftmark7"))
    assert list((tmp_path / "tmp").iterdir()) == []
    assert sorted(p.name for p in tmp_path.iterdir()) == ["in", "out", "secret", "tmp"]
    # outputs stand where they were asked for, and nowhere else
    assert not list(tmp_path.rglob("*.part"))
    assert not [p for p in (tmp_path / "in").rglob("*") if p.suffix in (".png", ".html") or "plan.csv" in p.name]  # fmt: skip


def test_the_ear_hears():
    """The hook itself: each thing that it must hear, done on purpose."""
    wrong = [
        "import socket; socket.socket()", "import os; os.system('true')", "import subprocess; subprocess.run(['true'])",
        "exec('x = \"ftmark7\"')", "compile('ftmark7', 'a', 'eval')", "import pickle, collections; pickle.loads(pickle.dumps(collections.OrderedDict()))",
        "open('/root/.profile', 'rb')", "open('/var/tmp/ftmark7', 'wb')", "import os; os.rename('/var/tmp/a', '/var/tmp/b')",
    ]  # fmt: skip
    text = HEARD.split("from typer.testing")[0].replace('import matplotlib\n', "").replace("matplotlib.get_cachedir()", "'/nowhere'").replace("matplotlib.get_configdir()", "'/nowhere'")  # fmt: skip
    text += textwrap.dedent("""
        for words in commands:
            before = len(heard)
            on[0] = True
            try:
                exec(words)
            except OSError:
                pass
            on[0] = False
            print(len(heard) > before)
    """)
    done = subprocess.run([sys.executable, "-c", text, "/nowhere", json.dumps(wrong)], capture_output=True, text=True, check=False)  # fmt: skip
    assert done.stdout.split() == ["True"] * len(wrong), done.stdout + done.stderr
    Path("/var/tmp/ftmark7").unlink(missing_ok=True)


def test_the_folder_of_the_windows_process_is_private(monkeypatch):
    """Mode 700 (tempfile.mkdtemp); what lies in it is JSON and goes with it."""
    from facetrace.report import scene3d, scene3d_vtk

    seen = []

    def ran(command, **_):
        folder = Path(command[-1])
        seen.append((stat.S_IMODE(folder.stat().st_mode), json.loads((folder / scene3d_vtk.TASK).read_text()), folder))  # fmt: skip
        return subprocess.CompletedProcess(command, 1)

    monkeypatch.setattr(scene3d_vtk.subprocess, "run", ran)
    part = scene3d.Part(
        "a", "rough", BODY.vertices.view(), tuple(BODY.faces), ("x",) * len(BODY.faces)
    )
    shown = scene3d.Scene3D("t", ("w",), (part,), (scene3d.Mark("c", BODY.vertices[0], BODY.vertices[1]),), True, (("a", 0),))  # fmt: skip
    assert (
        scene3d_vtk.vtk_pictures(scene3d_vtk.PictureTask(shown, (scene3d.VIEWS["above"],), 5.0, 64))
        is None
    )
    assert not scene3d_vtk.show_window(shown, (10, 10), "above")
    for mode, task, folder in seen:
        assert mode == 0o700
        assert not folder.exists()
        back = scene3d.scene_from(task["scene"])
        assert scene3d.scene_data(back) == json.loads(json.dumps(scene3d.scene_data(shown))) | {"words": ("w",), "legend": (("a", 0),), "parts": scene3d.scene_data(back)["parts"]}  # fmt: skip
        assert (back.parts[0].points == part.points).all()
        assert all((a == b).all() for a, b in zip(back.parts[0].polygons, part.polygons, strict=True))  # fmt: skip


def test_compiled_code_is_kept_where_only_its_owner_writes():
    """numba's copies are pickles: beside the sources, or in the user's own cache folder; never in a shared one."""
    from numba.core import caching

    named = {c.__name__.strip("_") for c in caching.CacheImpl._locator_classes}
    assert named <= {"UserProvidedCacheLocator", "InTreeCacheLocator", "InTreeCacheLocatorFsAgnostic", "UserWideCacheLocator", "IPythonCacheLocator", "ZipCacheLocator"}  # fmt: skip
    from facetrace.kernel import driver

    places = {
        Path(v._cache.cache_path) for v in vars(driver).values()
        if hasattr(getattr(v, "_cache", None), "cache_path") and v._cache.cache_path
    }  # fmt: skip
    for place, part in itertools.product(places, (0, 1)):
        folder = (place, place.parent)[part]
        if folder.exists():
            assert not folder.stat().st_mode & stat.S_IWOTH, folder
