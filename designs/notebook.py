# A walk through facetrace from a notebook or a script. All examples are invented.
#
#     python designs/notebook.py FOLDER
#
# writes pictures, a page and JSON into FOLDER. Cells begin with # %%, as many editors know them.
# An estimate is not an appraisal or a laboratory report. Measure before each step that cannot be undone.

# %% Open a design: what it is decides what it can be asked
import sys
from pathlib import Path

import facetrace as ft

HERE = Path(__file__).parent
OUT = Path(sys.argv[1] if len(sys.argv) > 1 else "notebook-out")
OUT.mkdir(parents=True, exist_ok=True)

stone = ft.load(HERE / "round-brilliant.toml")
print(stone)

# %% Light and colour face up. In a notebook a result shows its picture and its tables
face = stone.trace(rays=1 << 14)
print(repr(face))
light = face.figures["light_return"]
low, high = light.interval()
print(
    f"light returned {light.value:.4f} +- {light.stderr:.4f}; with 95 % between {low:.4f} and {high:.4f}"
)
face.save_picture(OUT / "face.png")

# %% Another angle, another crystal, another view
steeper = stone.with_values({"pavilion.angle": 43})
print(repr(steeper.trace(rays=1 << 14, pixels=0)))
print(repr(stone.made_of("blue sapphire").trace(rays=1 << 14, tilt=15, pixels=0)))

# %% Which angles? Rows go to pandas or polars as they are: pandas.DataFrame(swept.rows())
swept = stone.sweep({"pavilion.angle": (41, 43, 1), "crown.angle": (34, 38, 2)}, rays=1 << 12)
print(swept.summary())
for row in swept.rows():
    print(
        f"{row['pavilion.angle']:5.1f} {row['crown.angle']:5.1f} {row['carats']:.3f} ct {row['light_return']:.4f} +- {row['light_return_stderr']:.4f}"
    )
swept.save_picture(OUT / "angles.png")

# %% What to cut first, and how exactly
sheet = stone.sheet()
print(repr(sheet))
sheet.save(OUT / "sheet.html")

# %% A piece of rough: what may be cut from it, and what to bid for it
rough = ft.load(HERE / "roughs" / "blue-plate.toml")
prices = ft.load(HERE / "prices" / "invented.toml")
print(rough)
plan = rough.place(
    [stone],
    prices,
    wishes=ft.wishes((0, 15), most_cells=50, rays=1 << 12),
    what_defects_cost=False,
    what_directions_cost=False,
)
print(plan.summary())
for row in plan.rows():
    print(
        f"{row['design']}: {row['low_carats']:.2f} - {row['high_carats']:.2f} ct, likeliest {row['carats']:.2f}"
    )
plan.to_json(OUT / "plan.json")
plan.save_picture(OUT / "plan.png")
plan.save_mesh(OUT / "stone.stl")

# %% A stone that is cut already: is a re-cut worth it?
worn = ft.load(HERE / "cut" / "ruby-above-a-carat.toml")
print(worn)
print(worn.recut(rays=1 << 13).summary())

# %% The two colours of the crystal
print(ft.colours("ruby", angle_deg=90).summary())
