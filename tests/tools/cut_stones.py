"""Files of cut stones, invented."""

import math
import shutil

import trimesh
from shared import ROOT, ROUND
from typer.testing import CliRunner

from facetrace.cli.commands import app

SHIPPED = sorted((ROOT / "designs" / "cut").glob("*.toml"))


def stone_file(folder, flaws, *, carats=1.02, floor=1.0, spare=0.0, size=6.17, depth=3.93, more=""):
    """A file of the 6.5 mm round, cut at *size* mm; flaws are tables of TOML."""
    text = f'name = "Invented"\ndesign = "{ROUND.name}"\nfloor_carats = {floor}\nspare_carats = {spare}\n'
    text += f"[measured]\nlength_mm = {size}\nwidth_mm = {size}\ndepth_mm = {depth}\ncarats = {carats}\n"
    path = folder / "stone.toml"
    shutil.copy(ROUND, folder)
    tables = "".join(
        f'[[flaw]]\nname = "flaw {k}"\n{flaw}\n' for k, flaw in enumerate(flaws)
    )  # fmt: skip
    path.write_text(text + more + tables, encoding="utf-8")
    return path


def box_file(folder, flaw, size=(4.0, 4.0, 4.0), more=""):
    """A block of corundum as a mesh, weighed as 4.00 g/cm3 say: mm3 x 0.005 x 4 (metric carat, 1907)."""
    trimesh.creation.box(size).export(folder / "block.stl")
    carats = 4.0 * 0.005 * math.prod(size)
    text = f"""name = "Block"\nmesh = "block.stl"\nmaterial = "corundum"\nfloor_carats = 0.1\nspare_carats = 0.0
[measured]\nlength_mm = {size[0]}\nwidth_mm = {size[1]}\ndepth_mm = {size[2]}\ncarats = {carats}
{more}[[flaw]]\nname = "pit"\n{flaw}\n"""
    path = folder / "block.toml"
    path.write_text(text, encoding="utf-8")
    return path


def run(*arguments):
    return CliRunner().invoke(app, ["recut", *map(str, arguments)])
